//! `logbook`: all that a unit folder tells, on one page for a person.
//!
//! It is made of the folder and nothing else: made again, it is the same until something was done. What a
//! block holds is never in it.

mod back;
mod page;
mod shelf;
mod style;

use std::path::Path;
use std::time::SystemTime;

use serde::Serialize;

use super::check::check;
use super::differences::{RegionDifference, differences};
use super::record::region_map;
use super::{Exit, Stop, clean, sentence};
use crate::image::{RegionMap, show_size};
use crate::unit::journal::{Intent, Journal};
use crate::unit::{Digest, Identity, Operation, Recorded, Unit};

pub use shelf::{SHELF_PAGE, Shelf, Shelved, shelf};

/// File name of the page in the unit folder.
pub const PAGE: &str = "logbook.html";

/// Longer notes are refused: each is read on screens and on paper.
const NOTE_LENGTH_MAX: usize = 1000;

/// What a unit folder tells.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Logbook {
    /// The unit.
    pub unit: String,
    /// Its chip, once it was identified.
    pub identity: Option<Identity>,
    /// Its regions, where there is a map that can be understood.
    #[serde(skip)]
    pub map: Option<RegionMap>,
    /// Why the region map cannot be understood.
    pub map_fault: Option<String>,
    /// What is not as it should be: images that do not hash as recorded or are gone, and the like.
    pub findings: Vec<String>,
    /// Its images: backups, target, replaced ones.
    pub images: Vec<LoggedImage>,
    /// In what each later image differs from the first backup.
    pub compared: Vec<Compared>,
    /// What was done, oldest first.
    pub operations: Vec<Recorded>,
    /// The write or restore that did not end.
    pub unfinished: Option<Interrupted>,
}

/// An image as it was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LoggedImage {
    /// File name.
    pub file: String,
    /// Its digest when it was kept.
    pub sha256: Digest,
    /// Its size.
    pub size_bytes: u64,
    /// Whether it still is so.
    pub intact: bool,
    /// Of a backup: why its reads were not independent.
    pub weak: Option<String>,
}

/// An image against the first backup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Compared {
    /// File name of the image.
    pub file: String,
    /// File name of the backup.
    pub with: String,
    /// What differs, by region; empty where nothing does.
    pub regions: Vec<RegionDifference>,
    /// Why the two could not be compared.
    pub fault: Option<String>,
}

/// What the journal tells of a write or restore that did not end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Interrupted {
    /// File name of the journal, from the unit folder on.
    pub journal: String,
    /// `write` or `restore`; absent where the journal is damaged.
    pub command: Option<&'static str>,
    /// Blocks that were read back.
    pub done: usize,
    /// Blocks in hand: their cells may be torn.
    pub in_hand: usize,
    /// Why the journal cannot be read.
    pub damage: Option<String>,
}

/// Gathers what a unit folder tells. Nothing in it is changed.
///
/// # Errors
/// A [`Stop`] where the folder cannot be looked at. An image or a map that is not as it should be is told
/// in the page.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, backup, logbook};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let page = logbook(&unit)?;
/// assert_eq!(page.images[0].file, "as-found.bin");
/// # Ok(())
/// # }
/// ```
pub fn logbook(unit: &Unit) -> Result<Logbook, Stop> {
    let (map, map_fault) = match region_map(unit) {
        Ok(found) => (found.map(|(map, _)| map), None),
        Err(stop) => (None, Some(stop.headline)),
    };
    let file = unit.file();
    let checked = check(unit)?;
    let intact = |file: &str| checked.intact.iter().any(|intact| intact == file);
    let images = unit.images().into_iter().map(|image| {
        let file_name = image.name.file_name();
        LoggedImage {
            weak: file.images.get(&file_name).and_then(|one| one.weak.clone()),
            intact: intact(&file_name),
            file: file_name,
            sha256: image.sha256,
            size_bytes: image.size_bytes,
        }
    });
    Ok(Logbook {
        unit: unit.name().to_owned(),
        identity: file.identity.clone(),
        compared: compared(unit, map.as_ref(), &checked.intact),
        findings: checked.findings,
        map,
        map_fault,
        images: images.collect(),
        operations: file.operations.clone(),
        unfinished: interrupted(unit)?,
    })
}

/// Adds a note to the unit's record and gives its place in the sequence.
///
/// # Errors
/// A [`Stop`] where it is empty, has more than 1000 characters, or cannot be kept; the record is then as before.
pub fn note(unit: &mut Unit, text: &str) -> Result<u32, Stop> {
    if text.chars().count() > NOTE_LENGTH_MAX {
        let next = "Say it in fewer words, or keep it in a file of your own and name that.";
        let headline = format!("The note is longer than {NOTE_LENGTH_MAX} characters.");
        return Err(Stop::new(Exit::Usage, headline, next));
    }
    if text.trim().is_empty() {
        let next = "Say in a few words what was seen or done: --note \"TEXT\"";
        return Err(Stop::new(Exit::Usage, "The note is empty.", next));
    }
    let note = Operation {
        command: "note".to_owned(),
        outcome: text.trim().to_owned(),
        chip: "not met".to_owned(),
        ..Operation::default()
    };
    Ok(unit.record(note, SystemTime::now())?)
}

/// Puts the page into the unit folder, in place of the one that is there.
///
/// # Errors
/// A [`Stop`] where it cannot be kept; the old page then stands.
pub fn keep_page(unit: &Unit, logbook: &Logbook) -> Result<(), Stop> {
    let path = unit.folder().join(PAGE);
    Ok(unit.store().replace(&path, logbook.page().as_bytes())?)
}

/// Every image against the first backup.
fn compared(unit: &Unit, map: Option<&RegionMap>, intact: &[String]) -> Vec<Compared> {
    let Some(first) = unit.first_backup() else {
        return Vec::new();
    };
    let others = unit
        .images()
        .into_iter()
        .filter(|image| image.name != first.name);
    let others = others.map(|image| {
        let names = [&first, &image].map(|image| image.name.file_name());
        let spoilt = names.into_iter().find(|file| !intact.contains(file));
        let result = match (spoilt, image.size_bytes == first.size_bytes) {
            (Some(file), _) => Err(format!("{file} is not as it was recorded.")),
            (None, true) => differences(unit, map, &first, &image).map_err(|stop| stop.headline),
            (None, false) => Err(format!("It has {}.", show_size(image.size_bytes))),
        };
        let (regions, fault) = match result {
            Ok(regions) => (regions, None),
            Err(fault) => (Vec::new(), Some(fault)),
        };
        Compared {
            file: image.name.file_name(),
            with: first.name.file_name(),
            regions,
            fault,
        }
    });
    others.collect()
}

fn interrupted(unit: &Unit) -> Result<Option<Interrupted>, Stop> {
    let Some(unfinished) = Journal::find_unfinished(unit)? else {
        return Ok(None);
    };
    let within = unfinished.path.strip_prefix(unit.folder());
    let mut told = Interrupted {
        journal: within.unwrap_or(Path::new("journal")).display().to_string(),
        command: None,
        done: 0,
        in_hand: 0,
        damage: None,
    };
    match &unfinished.contents {
        Ok(contents) => {
            told.command = Some(match contents.header.intent {
                Intent::Write => "write",
                Intent::Restore => "restore",
            });
            told.done = contents.done().len();
            told.in_hand = contents.in_hand().len();
        }
        Err(error) => told.damage = Some(sentence(error)),
    }
    Ok(Some(told))
}
