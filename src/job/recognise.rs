//! Whether the chip on the clip is the one that a unit folder belongs to.

use super::Stop;
use crate::chip::{Chip, ReadCommand};
use crate::image::{Holds, RegionMap};
use crate::interlock::Sameness;
use crate::jedec::Address;
use crate::unit::Unit;

/// The ID that tells this chip from all others, with its kind: the unique ID, else the factory bytes
/// behind the JEDEC ID.
pub(super) fn own_id(chip: &mut Chip) -> Result<Option<(&'static str, Vec<u8>)>, Stop> {
    if let Some(id) = chip.unique_id()? {
        return Ok(Some(("unique ID", id)));
    }
    Ok(chip.factory_id().map(|id| ("factory ID", id)))
}

/// Bytes as an ID is shown and kept: `D1 64 5C`.
pub(super) fn shown(id: &[u8]) -> String {
    let bytes: Vec<String> = id.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

/// Compares the chip with what the unit folder knows: its ID, else the unit data of the newest backup.
pub(super) fn recognise(
    chip: &mut Chip,
    unit: &Unit,
    map: Option<&RegionMap>,
) -> Result<Sameness, Stop> {
    let kept = unit.file().identity.as_ref();
    if let Some(identity) = kept {
        let jedec = chip.short_id().to_string();
        if identity.jedec_id != jedec {
            let expected = identity.jedec_id.clone();
            return Ok(Sameness::Id {
                kind: "JEDEC ID",
                expected,
                seen: jedec,
            });
        }
    }
    let own = own_id(chip)?;
    match (own, kept.and_then(|identity| identity.unique_id.clone())) {
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
        (_, None) => by_unit_data(chip, unit, map),
    }
}

fn by_unit_data(chip: &mut Chip, unit: &Unit, map: Option<&RegionMap>) -> Result<Sameness, Stop> {
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
