//! `inspect`: what is in an image, or what differs between those of two units. No hardware.

use std::io::{self, ErrorKind};

use serde::Serialize;

use super::{Exit, Stop};
use crate::image::{self, Comparison, Doubt, Inspection, Known, RegionMap, Strings};
use crate::unit::store::StoreFile;

/// An image, and what is known of it.
pub struct Inspected<'a> {
    /// What to call it.
    pub name: String,
    /// Its bytes.
    pub file: &'a dyn StoreFile,
    /// The region map that should fit it.
    pub map: Option<&'a RegionMap>,
    /// Size of the chip that it should be of.
    pub chip_size_bytes: Option<u32>,
    /// Whether it is a backup: its mirrors were then settled on the chip.
    pub is_backup: bool,
}

/// What is in an image.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct InspectReport {
    /// What the image is called.
    pub image: String,
    /// Whether nothing speaks against it as a dump of a whole chip.
    pub sane: bool,
    /// Whether its regions are known.
    pub has_map: bool,
    /// What it holds.
    #[serde(flatten)]
    pub found: Inspection,
    /// Strings of interest, where they were asked for.
    pub strings: Option<Strings>,
}

/// What differs between the images of two units.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CompareReport {
    /// What the images are called.
    pub images: [String; 2],
    /// What speaks against each as a dump of a whole chip.
    pub doubts: [Vec<Doubt>; 2],
    /// Whether the regions are known.
    pub has_map: bool,
    /// What differs.
    #[serde(flatten)]
    pub found: Comparison,
}

/// Looks at an image.
///
/// # Errors
/// A [`Stop`] if it cannot be read, or has 4 GiB or more. In no case is anything written.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Inspected, Nobody, backup, inspect};
///
/// let kept = backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let file = unit.store().open(&unit.folder().join(&kept.file))?;
/// let report = inspect(&Inspected {
///     name: kept.file,
///     file: &*file,
///     map: None,
///     chip_size_bytes: Some(1 << 20),
///     is_backup: true,
/// })?;
/// println!("sane: {}", report.sane);
/// # Ok(())
/// # }
/// ```
pub fn inspect(image: &Inspected<'_>) -> Result<InspectReport, Stop> {
    let known = Known {
        map: image.map,
        chip_size_bytes: image.chip_size_bytes,
        repeats_are_real: image.is_backup,
    };
    let found = image::inspect(&image.file, &known).map_err(|error| unread(&image.name, error))?;
    Ok(InspectReport {
        image: image.name.clone(),
        sane: found.is_sane(),
        has_map: image.map.is_some(),
        found,
        strings: None,
    })
}

/// As [`inspect`], with strings of interest.
///
/// # Errors
/// As [`inspect`].
pub fn inspect_with_strings(image: &Inspected<'_>) -> Result<InspectReport, Stop> {
    let report = inspect(image)?;
    let strings = image::strings(&image.file, &report.found, image.map);
    let strings = Some(strings.map_err(|error| unread(&image.name, error))?);
    Ok(InspectReport { strings, ..report })
}

/// Compares the images of two units, each of which is looked at by itself as well; what the first one
/// holds is given too.
///
/// # Errors
/// A [`Stop`] if one cannot be read, or if their sizes differ.
pub fn compare(
    one: &Inspected<'_>,
    two: &Inspected<'_>,
) -> Result<(CompareReport, InspectReport), Stop> {
    let (own, other) = (one.file.size_bytes()?, two.file.size_bytes()?);
    if own != other {
        let [own, other] = [own, other].map(image::show_size);
        let headline = format!("{} has {own}, and {} has {other}.", one.name, two.name);
        let next = "Compare whole dumps of two units with the same part.";
        return Err(Stop::new(Exit::FileFault, headline, next));
    }
    let (first, second) = (inspect(one)?, inspect(two)?);
    let found = image::compare(&one.file, &two.file, one.map);
    let report = CompareReport {
        images: [one.name.clone(), two.name.clone()],
        doubts: [first.found.doubts.clone(), second.found.doubts],
        has_map: one.map.is_some(),
        found: found.map_err(|error| unread(&one.name, error))?,
    };
    Ok((report, first))
}

fn unread(name: &str, error: io::Error) -> Stop {
    let (headline, next) = match error.kind() {
        ErrorKind::FileTooLarge => (
            format!("{name} has 4 GiB or more."),
            "Name the dump of one chip; no chip of this kind is so large.",
        ),
        _ => (
            format!("{name} cannot be read."),
            "Look at the disk that it is on, then try again.",
        ),
    };
    Stop::new(Exit::FileFault, headline, next)
        .row("seen", error.to_string())
        .because(error)
}
