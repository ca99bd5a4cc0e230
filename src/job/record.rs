//! What jobs read from and write into the unit folder besides images.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, SystemTime};

use super::Stop;
use super::connect::{PATIENCE, Seen};
use crate::image::RegionMap;
use crate::interlock::{Panel, State};
use crate::part::{Catalogue, Part};
use crate::unit::journal::{Journal, JournalError, UnfinishedWrite};
use crate::unit::store::Store;
use crate::unit::{Acceptance, Digest, InterlockState, Operation, Unit};

/// Name of the region map in a unit folder.
pub(super) const REGION_MAP: &str = "regions.toml";

/// The unit's region map with the digest of its text, where the folder has one.
pub(super) fn region_map(unit: &Unit) -> Result<Option<(RegionMap, Digest)>, Stop> {
    map_in(unit.store().as_ref(), unit.folder())
}

/// The region map in a unit folder that is only looked at, where it has one.
///
/// # Errors
/// A [`Stop`] with file, line and column of what is wrong in it.
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "the program asks"))]
pub(crate) fn regions_of(store: &dyn Store, folder: &Path) -> Result<Option<RegionMap>, Stop> {
    Ok(map_in(store, folder)?.map(|(map, _)| map))
}

/// The region map in a file that was named.
///
/// # Errors
/// A [`Stop`] if it cannot be read, or with line and column of what is wrong in it.
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "the program asks"))]
pub(crate) fn map_in_file(store: &dyn Store, file: &Path) -> Result<RegionMap, Stop> {
    let bytes = store.read(file)?;
    Ok(parse_map(&file.display().to_string(), &bytes)?.0)
}

fn map_in(store: &dyn Store, folder: &Path) -> Result<Option<(RegionMap, Digest)>, Stop> {
    let path = folder.join(REGION_MAP);
    if !store.exists(&path)? {
        return Ok(None);
    }
    parse_map(&path.display().to_string(), &store.read(&path)?).map(Some)
}

/// A region map from a file's bytes.
pub(super) fn parse_map(file: &str, bytes: &[u8]) -> Result<(RegionMap, Digest), Stop> {
    let map = RegionMap::parse(file, bytes)?;
    Ok((map, Digest::of(bytes)))
}

/// An operation for the unit file: conditions, interlocks and acceptances of this run.
pub(super) fn operation(
    command: &str,
    outcome: &str,
    chip: &str,
    seen: &Seen,
    panel: &Panel,
) -> Operation {
    let mut conditions = BTreeMap::from([
        ("link".to_owned(), seen.link.clone()),
        ("sck".to_owned(), seen.sck.to_string()),
    ]);
    if let Some(level) = seen.level {
        conditions.insert("level".into(), level.to_string());
    }
    if let Some(power) = seen.said.power {
        conditions.insert("power".into(), power.to_string());
    }
    if let Some(marking) = &seen.said.marking {
        conditions.insert("marking".into(), marking.clone());
    }
    if let Some(part) = &seen.identification.part {
        conditions.insert("part".into(), part.name.clone());
    }
    let interlocks = panel.states().map(|(interlock, state)| {
        let state = match state {
            State::Open { .. } => InterlockState::Open,
            State::Accepted { .. } => InterlockState::Accepted,
            State::Held(_) => InterlockState::Held,
        };
        (interlock.id().to_owned(), state)
    });
    let acceptances = panel.acceptances().iter();
    Operation {
        command: command.to_owned(),
        outcome: outcome.to_owned(),
        chip: chip.to_owned(),
        conditions,
        interlocks: interlocks.collect(),
        acceptances: acceptances
            .map(|(name, reason)| Acceptance {
                name: name.to_string(),
                reason: reason.to_owned(),
            })
            .collect(),
    }
}

/// Adds what the work took, and what it was modelled to take: for reads, the least that they could.
pub(super) fn note_times(operation: &mut Operation, taken: Duration, modelled: Duration) {
    for (name, time) in [("taken", taken), ("modelled", modelled)] {
        let shown = format!("{:.1} s", time.as_secs_f64());
        operation.conditions.insert(name.into(), shown);
    }
}

/// Keeps in the unit file that a command was refused, and by which interlocks.
///
/// Best effort: the refusal matters more than a note of it that fails.
pub(super) fn note_refusal(unit: &mut Unit, command: &str, stop: &Stop) {
    let last = unit.file().operations.last();
    let noted = last.is_some_and(|last| last.outcome == stop.headline && last.command == command);
    if stop.held.is_empty() || noted {
        return;
    }
    let held = stop.held.iter();
    let refused = Operation {
        command: command.to_owned(),
        outcome: stop.headline.clone(),
        chip: stop.chip.words().unwrap_or_default().to_owned(),
        interlocks: held
            .map(|held| (held.interlock.id().to_owned(), InterlockState::Held))
            .collect(),
        ..Operation::default()
    };
    let _ = unit.record(refused, SystemTime::now());
}

/// The unit's write that did not end, where it has begun a block, or may have: the chip then holds a mix
/// of two images.
pub(super) fn begun_write(unit: &Unit) -> Result<Option<UnfinishedWrite>, JournalError> {
    let unfinished = Journal::find_unfinished(unit)?;
    Ok(unfinished.filter(|write| {
        let contents = write.contents.as_ref();
        !contents.is_ok_and(|contents| contents.nothing_begun())
    }))
}

/// Its journal, as screens show it.
pub(super) fn begun_journal(unit: &Unit) -> Result<Option<String>, JournalError> {
    Ok(begun_write(unit)?.map(|write| unit.shown(&write.path)))
}

/// How long to wait for a busy chip before giving up: the part's longest operation if the unit has an
/// unfinished journal, since the chip may still be erasing.
pub(super) fn journal_patience(
    unit: &Unit,
    catalogue: &Catalogue,
) -> Result<Option<Duration>, Stop> {
    if Journal::find_unfinished(unit)?.is_none() {
        return Ok(None);
    }
    let identity = unit.file().identity.as_ref();
    let Some(id) = identity.and_then(|identity| identity.id()) else {
        return Ok(None);
    };
    let parts = catalogue.by_jedec_id(&id.0);
    let longest = parts.into_iter().map(longest).max();
    // As the run grants it that began the operation; and never less than a chip nothing is known of.
    Ok(longest.map(|time| (time + time / 2).max(PATIENCE)))
}

fn longest(part: &Part) -> Duration {
    let erases = part.erase_types.iter().map(|kind| kind.time.max);
    let chip = part.chip_erase.map(|erase| erase.time.max);
    let erase = erases.chain(chip).max().unwrap_or(Duration::from_secs(60));
    // On some parts a write of the status register outlasts every erase.
    erase.max(part.status_write.max).max(part.page_program.max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_a_part_may_be_busy_with_is_waited_for() {
        let catalogue = Catalogue::builtin().unwrap();
        for part in catalogue.parts() {
            let erases = part.erase_types.iter().map(|kind| kind.time.max);
            let others = [part.status_write.max, part.page_program.max];
            let chip = part.chip_erase.map(|erase| erase.time.max);
            let mut each = erases.chain(others).chain(chip);
            assert!(each.all(|time| longest(part) >= time), "{}", part.name);
        }
    }
}
