//! Whether the chip on the clip is the one that a unit folder belongs to.

use std::ops::Range;

use super::connect::Seen;
use super::write::in_hand;
use super::{Exit, Stop};
use crate::chip::{Chip, ReadCommand};
use crate::image::{Holds, RegionMap};
use crate::interlock::Sameness;
use crate::jedec::Address;
use crate::unit::journal::{Header, UnfinishedWrite};
use crate::unit::{Identity, Unit};

/// The ID that tells this chip from all others, with its kind: a unique ID that is asked for, or factory
/// bytes behind the JEDEC ID.
pub(super) fn own_id(chip: &mut Chip) -> Result<OwnId, Stop> {
    let kind = chip.part().unique_id.map_or("unique ID", |how| how.kind());
    Ok(chip.unique_id()?.map(|id| (kind, id)))
}

/// The ID of its own that the chip answered with before: `own_id`.
pub(super) type OwnId = Option<(&'static str, Vec<u8>)>;

/// Reads of its own ID before another chip is said to be on the clip: one may be disturbed.
const OWN_ID_READS: u32 = 3;

/// Asks the chip once more for its own ID. Two chips of a kind answer with the same JEDEC ID, so only
/// this tells that the clip went to another one meanwhile.
pub(super) fn still_itself(chip: &mut Chip, own: &OwnId) -> Result<(), Stop> {
    let Some((kind, expected)) = own else {
        return Ok(());
    };
    let mut seen = Vec::new();
    for _ in 0..OWN_ID_READS {
        seen = chip.unique_id()?.unwrap_or_default();
        if seen == *expected {
            return Ok(());
        }
    }
    Err(another_chip(kind, &shown_or_none(&seen), &shown(expected)))
}

/// The stop where `seen` answers in place of the chip `before`.
pub(super) fn another_chip(kind: &str, seen: &str, before: &str) -> Stop {
    let next = "Seat the clip on the unit's own chip, then give the same command again.";
    Stop::new(
        Exit::ChipFault,
        "Another chip is on the clip than the one that was read.",
        next,
    )
    .row("seen", format!("{kind} {seen}, before {before}"))
    .row("means", "the clip was moved, or the contact is failing")
}

/// The ID of its own that the chip gives each time that it is asked, with its kind. `None` where it has
/// none, or gives now this, now that, as over a bad contact.
pub(super) fn steady_id(chip: &mut Chip) -> Result<Option<(&'static str, String)>, Stop> {
    let own = own_id(chip)?;
    for _ in 1..OWN_ID_READS {
        if own_id(chip)? != own {
            return Ok(None);
        }
    }
    Ok(own.map(|(kind, id)| (kind, shown(&id))))
}

/// The steady ID of a chip that is not the one `expected`. Unlike [`still_itself`] it goes by what speaks
/// for another chip, so that a bad contact can be looked into.
pub(super) fn other_id(
    chip: &mut Chip,
    expected: Option<&str>,
) -> Result<Option<(&'static str, String)>, Stop> {
    let Some(expected) = expected else {
        return Ok(None);
    };
    Ok(steady_id(chip)?.filter(|(_, id)| id != expected))
}

/// Who the chip is, for the unit file.
pub(super) fn identity(chip: &Chip, own: &OwnId, seen: &Seen) -> Identity {
    let part = chip.part();
    let level = seen.level;
    Identity {
        part: format!("{} {}", part.maker, part.name),
        jedec_id: part.jedec_id.to_string(),
        unique_id: own.as_ref().map(|(_, id)| shown(id)),
        size_bytes: part.size_bytes,
        supply_level: level.map_or_else(|| "not declared".to_owned(), |level| level.to_string()),
        marking: seen.said.marking.clone(),
    }
}

/// Bytes as an ID is shown and kept: `D1 64 5C`.
pub(super) fn shown(id: &[u8]) -> String {
    let bytes: Vec<String> = id.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

fn shown_or_none(id: &[u8]) -> String {
    if id.is_empty() {
        return "none".to_owned();
    }
    shown(id)
}

/// Compares the chip with what the unit folder knows: its ID, else the unit data of the newest backup,
/// without blocks that an interrupted write left `torn`.
pub(super) fn recognise(
    chip: &mut Chip,
    unit: &Unit,
    map: Option<&RegionMap>,
    torn: &[Range<u32>],
) -> Result<Sameness, Stop> {
    let kept = unit.file().identity.as_ref();
    if let Some(other) = another_id(unit, chip.id_bytes()) {
        return Ok(other);
    }
    let kept_own = kept.and_then(|identity| identity.unique_id.clone());
    let mut own = own_id(chip)?;
    if kept_own.is_some() && own.as_ref().map(|(_, id)| shown(id)) != kept_own {
        // Before a folder is looked for to another chip: it may be the clip.
        chip.check_id()?;
        own = own_id(chip)?;
    }
    // That an ID of memory's is one of a single chip was read nowhere: it can hold, and does not open.
    let documented = chip.part().is_documented("unique_id");
    match (own, kept_own) {
        (Some((_, id)), Some(expected)) if !documented && shown(&id) == expected => {
            by_unit_data(chip, unit, map, torn)
        }
        (Some((kind, id)), Some(expected)) => Ok(Sameness::Id {
            kind,
            expected,
            seen: shown(&id),
        }),
        (None, Some(expected)) => Ok(Sameness::Id {
            kind: "unique ID",
            expected,
            seen: "none".into(),
        }),
        (_, None) if kept.is_none() && unit.baseline().is_none() => Ok(Sameness::NoBackup),
        (_, None) => by_unit_data(chip, unit, map, torn),
    }
}

/// A JEDEC ID, and bytes behind it, that is not the one of the unit file.
pub(super) fn another_id(unit: &Unit, seen: &[u8]) -> Option<Sameness> {
    let identity = unit.file().identity.as_ref()?;
    let expected = identity.id();
    if expected.as_ref().is_some_and(|id| seen.starts_with(&id.0)) {
        return None;
    }
    let length = expected.map_or(3, |id| id.0.len());
    Some(Sameness::Id {
        kind: "JEDEC ID",
        expected: identity.jedec_id.clone(),
        seen: shown(seen.get(..length).unwrap_or(seen)),
    })
}

/// What tells that the chip is not the unit's; `None` where nothing does. With a `map`, unit data does too.
///
/// A replacement is not in the unit file before all of it is written, but in the journal of `unfinished`.
pub(super) fn not_of(
    chip: &mut Chip,
    unit: &Unit,
    unfinished: Option<&UnfinishedWrite>,
    map: Option<&RegionMap>,
) -> Result<Option<String>, Stop> {
    let contents = unfinished.and_then(|write| write.contents.as_ref().ok());
    if let Some(contents) = contents {
        let own = own_id(chip)?;
        if is_about(&contents.header, chip, &own) {
            return Ok(None);
        }
    }
    let torn = unfinished.map(in_hand).unwrap_or_default();
    let sameness = recognise(chip, unit, map, &torn)?;
    Ok(told_apart(unit, &sameness))
}

/// The same in words, of what was found.
pub(super) fn told_apart(unit: &Unit, sameness: &Sameness) -> Option<String> {
    let unit = unit.name();
    match sameness {
        Sameness::Id {
            kind,
            expected,
            seen,
        } if expected != seen => Some(format!(
            "{kind} {seen}, the unit file of {unit} has {expected}"
        )),
        Sameness::UnitData {
            differs: Some(region),
            ..
        } => Some(format!("{region} differs from the newest backup of {unit}")),
        _ => None,
    }
}

fn by_unit_data(
    chip: &mut Chip,
    unit: &Unit,
    map: Option<&RegionMap>,
    torn: &[Range<u32>],
) -> Result<Sameness, Stop> {
    // A map for another size says nothing about this chip.
    let map = map.filter(|map| map.size_bytes() == chip.size_bytes());
    let (Some(map), Some(baseline)) = (map, unit.baseline()) else {
        return Ok(Sameness::Nothing);
    };
    let image = unit.open_image(&baseline)?;
    let (mut regions, mut telling) = (Vec::new(), false);
    for region in map
        .regions()
        .iter()
        .filter(|region| region.holds == Holds::UnitData)
    {
        regions.push(region.name.clone());
        let mut at = region.range.start;
        while at < region.range.end {
            let length = (region.range.end - at).min(4096) as usize;
            let (mut seen, mut kept) = (vec![0; length], vec![0; length]);
            let sck = chip.sck_for(ReadCommand::Read);
            chip.read(ReadCommand::Read, sck, Address(at), &mut seen)?;
            image.read_exact_at(u64::from(at), &mut kept)?;
            for (place, (seen, kept)) in (at..).zip(seen.iter_mut().zip(&mut kept)) {
                if torn.iter().any(|range| range.contains(&place)) {
                    // As good as blank: it neither differs nor tells.
                    (*seen, *kept) = (0xFF, 0xFF);
                }
            }
            if seen != kept {
                return Ok(Sameness::UnitData {
                    regions,
                    differs: Some(region.name.clone()),
                });
            }
            // Blank unit data is equal on every new unit and tells nothing.
            telling |= kept.iter().any(|byte| *byte != 0xFF);
            at += length as u32;
        }
    }
    Ok(if telling {
        Sameness::UnitData {
            regions,
            differs: None,
        }
    } else {
        Sameness::Nothing
    })
}

/// Whether a journal was written about this very chip, as far as its IDs tell.
pub(super) fn is_about(header: &Header, chip: &Chip, own: &OwnId) -> bool {
    let unique = own.iter().flat_map(|(_, id)| id).take(32);
    chip.id_bytes().starts_with(&header.jedec_id.0) && unique.eq(&header.unique_id)
}
