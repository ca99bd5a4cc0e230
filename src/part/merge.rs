//! What several parts have safely in common.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use super::{
    Addressing, BusyPoll, ChipErase, EraseType, FourByte, JedecId, Part, ProgramMethod, Source,
    SupplyRange,
};
use crate::jedec::Hertz;
use crate::jedec::opcode::{
    BLOCK_ERASE_4BYTE, BLOCK_ERASE_32K_4BYTE, PAGE_PROGRAM_4BYTE, READ_4BYTE, SECTOR_ERASE_4K_4BYTE,
};
use crate::jedec::status::StatusFamily;

/// One part that stands for all of `parts`: each field has the value that is safe for every one.
/// `None` if there are none.
pub(super) fn merge(parts: &[&Part]) -> Option<Part> {
    let (first, others) = parts.split_first()?;
    let merged = others.iter().fold((*first).clone(), |a, b| both(&a, b));
    Some(merged)
}

/// What two parts have safely in common.
fn both(a: &Part, b: &Part) -> Part {
    Part {
        maker: joined(&a.maker, &b.maker),
        name: joined(&a.name, &b.name),
        markings: union(&a.markings, &b.markings),
        jedec_id: common_id(&a.jedec_id, &b.jedec_id),
        size_bytes: a.size_bytes.min(b.size_bytes),
        supply: SupplyRange::intersection(a.supply, b.supply),
        page_size_bytes: a.page_size_bytes.min(b.page_size_bytes),
        program: if a.program == b.program {
            a.program
        } else {
            ProgramMethod::Byte
        },
        page_program: a.page_program.longer(b.page_program),
        erase_types: common_erase_types(&a.erase_types, &b.erase_types),
        chip_erase: common_chip_erase(a.chip_erase, b.chip_erase),
        status_write: a.status_write.longer(b.status_write),
        sck_max: slower_clocks(a, b),
        lane_reads: Vec::new(),
        quad_enable: None,
        lane_programs: common_codes(&a.lane_programs, &b.lane_programs),
        addressing: common_addressing(&a.addressing, &b.addressing),
        status: if a.status == b.status {
            a.status
        } else {
            StatusFamily::Basic
        },
        busy: if a.busy == b.busy {
            a.busy
        } else {
            BusyPoll::Status
        },
        has_sfdp: a.has_sfdp.filter(|_| a.has_sfdp == b.has_sfdp),
        unique_id: a.unique_id.filter(|_| a.unique_id == b.unique_id),
        protected_at_power_up: a.protected_at_power_up || b.protected_at_power_up,
        stacked: a.stacked || b.stacked,
        notes: union(&a.notes, &b.notes),
        source: Source {
            title: joined(&a.source.title, &b.source.title),
            revision: joined(&a.source.revision, &b.source.revision),
            place: joined(&a.source.place, &b.source.place),
        },
        memory: union(&a.memory, &b.memory),
    }
}

/// Both texts, or the one if they are equal.
fn joined(a: &str, b: &str) -> String {
    if a.split(" or ").any(|word| word == b) {
        a.to_owned()
    } else {
        format!("{a} or {b}")
    }
}

fn union(a: &[String], b: &[String]) -> Vec<String> {
    let new = b.iter().filter(|text| !a.contains(text));
    a.iter().chain(new).cloned().collect()
}

fn common_codes(a: &[u8], b: &[u8]) -> Vec<u8> {
    a.iter().filter(|code| b.contains(code)).copied().collect()
}

fn common_id(a: &JedecId, b: &JedecId) -> JedecId {
    let same = a.0.iter().zip(&b.0).take_while(|(a, b)| a == b);
    JedecId(same.map(|(byte, _)| *byte).collect())
}

fn common_erase_types(a: &[EraseType], b: &[EraseType]) -> Vec<EraseType> {
    let pairs = a.iter().flat_map(|x| b.iter().map(move |y| (x, y)));
    let same = pairs.filter(|(x, y)| x.size_bytes == y.size_bytes && x.opcode == y.opcode);
    same.filter_map(|(x, y)| {
        Some(EraseType {
            size_bytes: x.size_bytes,
            opcode: x.opcode,
            opcode_4byte: x.opcode_4byte.filter(|_| x.opcode_4byte == y.opcode_4byte),
            time: x.time.longer(y.time),
            only_in: common_place(x.only_in.as_ref(), y.only_in.as_ref())?,
        })
    })
    .collect()
}

/// Where both work; the outer `None` is nowhere, the inner one everywhere.
#[allow(clippy::option_option)]
pub(super) fn common_place(
    a: Option<&Range<u32>>,
    b: Option<&Range<u32>>,
) -> Option<Option<Range<u32>>> {
    match (a, b) {
        (None, None) => Some(None),
        (Some(place), None) | (None, Some(place)) => Some(Some(place.clone())),
        (Some(a), Some(b)) => {
            let place = a.start.max(b.start)..a.end.min(b.end);
            (!place.is_empty()).then_some(Some(place))
        }
    }
}

fn common_chip_erase(a: Option<ChipErase>, b: Option<ChipErase>) -> Option<ChipErase> {
    let (a, b) = (a?, b?);
    (a.opcode == b.opcode).then(|| ChipErase {
        opcode: a.opcode,
        time: a.time.longer(b.time),
    })
}

fn slower_clocks(a: &Part, b: &Part) -> BTreeMap<u8, Hertz> {
    let opcodes: BTreeSet<u8> = a.sck_max.keys().chain(b.sck_max.keys()).copied().collect();
    opcodes
        .into_iter()
        .map(|opcode| (opcode, a.sck_limit(opcode).min(b.sck_limit(opcode))))
        .collect()
}

fn common_addressing(a: &Addressing, b: &Addressing) -> Addressing {
    let pairs = a
        .four_byte
        .iter()
        .flat_map(|x| b.four_byte.iter().map(move |y| (x, y)));
    Addressing {
        three_byte: a.three_byte && b.three_byte,
        four_byte: pairs.filter_map(|(x, y)| common_way(x, y)).collect(),
    }
}

fn common_way(a: &FourByte, b: &FourByte) -> Option<FourByte> {
    match (a, b) {
        (FourByte::Dedicated { opcodes: a }, FourByte::Dedicated { opcodes: b }) => {
            let opcodes = common_codes(a, b);
            serves_alone(&opcodes).then_some(FourByte::Dedicated { opcodes })
        }
        (
            FourByte::Mode {
                enter,
                exit,
                write_enable: a,
            },
            FourByte::Mode {
                enter: other_enter,
                exit: other_exit,
                write_enable: b,
            },
        ) => (enter == other_enter && exit == other_exit).then_some(FourByte::Mode {
            enter: *enter,
            exit: *exit,
            write_enable: *a || *b,
        }),
        (FourByte::ExtendedRegister, FourByte::ExtendedRegister) => Some(a.clone()),
        (FourByte::BankRegister { extadd: a }, FourByte::BankRegister { extadd: b }) => {
            Some(FourByte::BankRegister { extadd: *a && *b })
        }
        _ => None,
    }
}

/// Whether dedicated opcodes suffice to read, program and erase.
fn serves_alone(opcodes: &[u8]) -> bool {
    let erases = [
        SECTOR_ERASE_4K_4BYTE,
        BLOCK_ERASE_32K_4BYTE,
        BLOCK_ERASE_4BYTE,
    ];
    opcodes.contains(&READ_4BYTE)
        && opcodes.contains(&PAGE_PROGRAM_4BYTE)
        && erases.iter().any(|op| opcodes.contains(op))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::Catalogue;

    fn part(name: &str) -> Part {
        let catalogue = Catalogue::builtin().unwrap();
        let found = catalogue.parts().iter().find(|part| part.name == name);
        found.unwrap_or_else(|| panic!("no part {name}")).clone()
    }

    /// Of every way of programming, of seeing that it is busy and of reaching bytes above 16 MiB.
    #[test]
    fn two_that_are_alike_in_all_lose_nothing() {
        for name in [
            "W25Q128JV",
            "W25Q256JV",
            "N25Q256A13",
            "S25FL512S",
            "SST25VF016B",
        ] {
            let one = part(name);
            assert_eq!(merge(&[&one, &one]), Some(one.clone()), "{name}");
        }
    }

    /// Each by itself: few parts of the table that share an ID differ in any of these.
    #[test]
    fn where_two_differ_it_is_what_is_safe_for_both() {
        let one = part("W25Q128JV");
        let with = |change: fn(&mut Part)| {
            let mut other = one.clone();
            change(&mut other);
            let [there, back] = [both(&one, &other), both(&other, &one)];
            assert_eq!(there.program, back.program);
            assert_eq!(there.busy, back.busy);
            assert_eq!(there.chip_erase, back.chip_erase);
            assert_eq!(there.addressing, back.addressing);
            let flags = |part: &Part| (part.stacked, part.protected_at_power_up, part.has_sfdp);
            assert_eq!(flags(&there), flags(&back));
            there
        };
        let merged = with(|other| other.program = ProgramMethod::AaiWord);
        assert_eq!(merged.program, ProgramMethod::Byte);
        let merged = with(|other| other.busy = BusyPoll::FlagStatus);
        assert_eq!(merged.busy, BusyPoll::Status);
        let merged = with(|other| other.has_sfdp = Some(false));
        assert_eq!(merged.has_sfdp, None);
        assert!(with(|other| other.stacked = true).stacked);
        assert!(with(|other| other.protected_at_power_up = true).protected_at_power_up);
        assert!(
            !with(|other| other.addressing.three_byte = false)
                .addressing
                .three_byte
        );
        let merged = with(|other| {
            if let Some(erase) = &mut other.chip_erase {
                erase.opcode ^= 0xA7;
            }
        });
        assert_eq!(merged.chip_erase, None);
    }

    #[test]
    fn ways_above_16_mib_are_common_only_as_a_whole() {
        let mode = |enter, exit, write_enable| FourByte::Mode {
            enter,
            exit,
            write_enable,
        };
        let own = mode(0xB7, 0xE9, false);
        assert_eq!(common_way(&own, &mode(0xB7, 0x29, false)), None);
        assert_eq!(common_way(&own, &mode(0x37, 0xE9, false)), None);
        let careful = mode(0xB7, 0xE9, true);
        assert_eq!(common_way(&own, &careful), Some(careful.clone()));
        assert_eq!(common_way(&own, &FourByte::ExtendedRegister), None);
        let bank = |extadd| FourByte::BankRegister { extadd };
        assert_eq!(common_way(&bank(true), &bank(false)), Some(bank(false)));
        // To read, to program and to erase.
        let dedicated = |opcodes: &[u8]| FourByte::Dedicated {
            opcodes: opcodes.to_vec(),
        };
        let all = dedicated(&[READ_4BYTE, PAGE_PROGRAM_4BYTE, BLOCK_ERASE_4BYTE]);
        assert_eq!(common_way(&all, &all), Some(all.clone()));
        for two in [
            [READ_4BYTE, PAGE_PROGRAM_4BYTE],
            [READ_4BYTE, BLOCK_ERASE_4BYTE],
            [PAGE_PROGRAM_4BYTE, BLOCK_ERASE_4BYTE],
        ] {
            assert_eq!(common_way(&all, &dedicated(&two)), None, "{two:02X?}");
        }
    }
}
