//! `check`: hashes everything in a unit folder again. No hardware.

use serde::Serialize;

use super::Stop;
use super::record::region_map;
use crate::unit::Unit;
use crate::unit::journal::Journal;

/// What hashing a unit folder again found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CheckReport {
    /// The unit.
    pub unit: String,
    /// File names of the images that are as they were published.
    pub intact: Vec<String>,
    /// What is not as it should be.
    pub findings: Vec<String>,
    /// Path, from the unit's name on, of a journal that tells of a write that did not end.
    pub unfinished: Option<String>,
}

impl CheckReport {
    /// Whether all is as it should be.
    #[must_use]
    pub fn is_clean(&self) -> bool {
        self.findings.is_empty()
    }
}

/// Hashes every image of the unit again and compares it with its hash file and the unit file.
///
/// # Errors
/// A [`Stop`] for a folder that cannot be looked at. In no case is anything in it changed.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, backup, check};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let report = check(&unit)?;
/// assert!(report.is_clean());
/// assert_eq!(report.intact, ["as-found.bin"]);
/// # Ok(())
/// # }
/// ```
pub fn check(unit: &Unit) -> Result<CheckReport, Stop> {
    let rehash = unit.rehash()?;
    let unfinished = Journal::find_unfinished(unit)?;
    let mut findings: Vec<String> = rehash.findings.iter().map(ToString::to_string).collect();
    if let Some(Err(error)) = unfinished.as_ref().map(|write| write.contents.as_ref()) {
        findings.push(error.to_string());
    }
    if let Err(stop) = region_map(unit) {
        findings.push(stop.headline);
    }
    Ok(CheckReport {
        unit: unit.name().to_owned(),
        intact: rehash
            .intact
            .iter()
            .map(|image| image.name.file_name())
            .collect(),
        findings,
        unfinished: unfinished.map(|write| unit.shown(&write.path)),
    })
}
