//! `tailor`: this unit's target image from its baseline, the region map and pieces. No hardware.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::Serialize;

use super::explain::sentence;
use super::record::{REGION_MAP, parse_map, region_map};
use super::write::no_backup;
use super::{Exit, Stop};
use crate::image::{Baseline, Content, Filling, RegionMap, Rest, TailorError, Tailored};
use crate::part::Catalogue;
use crate::unit::journal::Journal;
use crate::unit::store::StoreFile;
use crate::unit::{Digest, ImageName, Operation, Unfinished, Unit, UnitError};

/// What goes into one region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TailorOrder {
    /// The region.
    pub region: String,
    /// The piece, where there is one.
    pub piece: Option<PathBuf>,
    /// SHA-256 that the piece must have.
    pub sha256: Option<Digest>,
    /// Byte behind the piece, or throughout; without it the baseline's bytes stay.
    pub fill: Option<u8>,
}

/// What was made.
#[derive(Debug, Clone, Serialize)]
pub struct TailorReport {
    /// The unit.
    pub unit: String,
    /// File name of the backup it was made from.
    pub baseline: String,
    /// File name of the target.
    pub target: String,
    /// What was done, by region.
    pub tailored: Tailored,
    /// Regions that keep their content, by name.
    pub kept: Vec<String>,
}

/// Makes the unit's target. `map_file` names a region map other than the unit's own; `replace` allows
/// an existing target to be replaced.
///
/// # Errors
/// A [`Stop`] that names the file, region or hash at fault; no target is then left or changed.
pub fn tailor(
    unit: &mut Unit,
    orders: &[TailorOrder],
    map_file: Option<&Path>,
    catalogue: &Catalogue,
    replace: bool,
) -> Result<TailorReport, Stop> {
    let map = the_map(unit, map_file)?;
    let baseline = unit.baseline().ok_or_else(no_backup)?;
    may_be_made(unit, replace)?;
    let content = unit.open_image(&baseline)?;
    let pieces: Vec<_> = orders
        .iter()
        .map(|order| open_piece(unit, order))
        .collect::<Result<_, _>>()?;
    let pieces: Vec<Option<&dyn StoreFile>> = pieces.iter().map(Option::as_deref).collect();
    let fillings: Vec<Filling<'_>> = orders
        .iter()
        .zip(&pieces)
        .map(|(order, piece)| filling(order, piece.as_ref()))
        .collect::<Result<_, _>>()?;
    let base = Baseline {
        content: &content,
        recorded_sha256: baseline.sha256.0,
    };
    let mut unfinished = unit.begin_target(baseline.size_bytes)?;
    let mut out = Sequential {
        unfinished: &mut unfinished,
        at: 0,
        failed: None,
    };
    let made = crate::image::tailor(
        &base,
        &map,
        &fillings,
        erase_size(unit, catalogue),
        &mut out,
    );
    let failed = out.failed;
    let tailored = made.map_err(|error| failed.map_or_else(|| refused(&error), Stop::from))?;
    drop(fillings);
    let image = unfinished.publish(unit, Digest(tailored.sha256))?;
    let done = Operation {
        command: "tailor".into(),
        outcome: format!(
            "made {} from {}",
            image.name.file_name(),
            baseline.name.file_name()
        ),
        chip: "not met".into(),
        ..Operation::default()
    };
    unit.record(done, SystemTime::now())?;
    let filled = |name: &str| tailored.regions.iter().any(|region| region.name == name);
    let kept = map.regions().iter().filter(|region| !filled(&region.name));
    Ok(TailorReport {
        unit: unit.name().to_owned(),
        baseline: baseline.name.file_name(),
        target: image.name.file_name(),
        kept: kept.map(|region| region.name.clone()).collect(),
        tailored,
    })
}

/// A target that an unfinished write needs is never replaced, another only where that is asked for.
fn may_be_made(unit: &Unit, replace: bool) -> Result<(), Stop> {
    if let Some(unfinished) = Journal::find_unfinished(unit)? {
        let next =
            "Finish it with the same write command, or go back: norlock restore --unit FOLDER";
        let headline = "An unfinished write needs the target as it is.";
        return Err(Stop::new(Exit::Unfinished, headline, next)
            .row("seen", unfinished.path.display().to_string())
            .after_change());
    }
    if unit.image(ImageName::Target).is_some() && !replace {
        let next = "Add --replace to make it anew; the backups stay as they are.";
        return Err(Stop::new(
            Exit::FileFault,
            "The unit has a target already.",
            next,
        ));
    }
    Ok(())
}

/// The map that was named, put into the unit folder if it has none; else the unit's own.
fn the_map(unit: &Unit, file: Option<&Path>) -> Result<RegionMap, Stop> {
    if let Some(file) = file {
        let bytes = unit.store().read(file).map_err(UnitError::from)?;
        let (map, _) = parse_map(&file.display().to_string(), &bytes)?;
        let own = unit.folder().join(REGION_MAP);
        if !unit.store().exists(&own).map_err(UnitError::from)? {
            unit.store()
                .replace(&own, &bytes)
                .map_err(UnitError::from)?;
        }
        return Ok(map);
    }
    region_map(unit)?.map(|(map, _)| map).ok_or_else(|| {
        let next =
            "Write regions.toml into the unit folder (docs/files.md), or name one: --map FILE";
        Stop::new(Exit::FileFault, "The unit has no region map.", next)
    })
}

fn open_piece(unit: &Unit, order: &TailorOrder) -> Result<Option<Box<dyn StoreFile>>, Stop> {
    match &order.piece {
        Some(path) => Ok(Some(unit.store().open(path).map_err(UnitError::from)?)),
        None => Ok(None),
    }
}

fn filling<'a>(
    order: &TailorOrder,
    piece: Option<&'a &dyn StoreFile>,
) -> Result<Filling<'a>, Stop> {
    let usage = |what: String, next: &str| Err(Stop::new(Exit::Usage, what, next));
    let region = order.region.clone();
    let content = match (piece, &order.piece, order.sha256, order.fill) {
        (Some(bytes), Some(path), Some(sha256), fill) => Content::Piece {
            file: path.display().to_string(),
            bytes,
            sha256: sha256.0,
            rest: fill.map_or(Rest::Keep, Rest::Fill),
        },
        (Some(_), _, None, _) => {
            let next = format!("Take it from whoever made the piece: --sha256 {region}=DIGITS");
            return usage(
                format!("No SHA-256 was given for the piece in region '{region}'."),
                &next,
            );
        }
        (None, _, _, Some(byte)) => Content::Fill(byte),
        _ => {
            let next =
                format!("Give a piece (--piece {region}=FILE) or a byte (--fill {region}=0xFF).");
            return usage(
                format!("There is nothing to put into region '{region}'."),
                &next,
            );
        }
    };
    Ok(Filling { region, content })
}

fn refused(error: &TailorError) -> Stop {
    let next = "Mend that, then give the same command again; no target was made.";
    let mut stop = Stop::new(Exit::FileFault, sentence(error), next);
    if let Some(source) = std::error::Error::source(error) {
        stop = stop.row("seen", source.to_string());
    }
    stop
}

/// The unit's part's smallest erase, for the report on regions that do not keep to it.
fn erase_size(unit: &Unit, catalogue: &Catalogue) -> u32 {
    let part = super::worklist::part_of(unit, catalogue);
    let smallest = part.and_then(|part| part.erase_types.iter().map(|kind| kind.size_bytes).min());
    smallest.unwrap_or(4096)
}

/// The unfinished target as a sink.
struct Sequential<'a> {
    unfinished: &'a mut Unfinished,
    at: u64,
    failed: Option<UnitError>,
}

impl Write for Sequential<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if let Err(error) = self.unfinished.write_at(self.at, bytes) {
            let text = error.to_string();
            self.failed = Some(error);
            return Err(io::Error::other(text));
        }
        self.at += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
