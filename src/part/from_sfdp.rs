//! What a chip's own SFDP says, in the terms of the catalogue.

use std::ops::Range;

use super::sfdp_facts::{Reach, SfdpErase, SfdpFacts};
use super::{Addressing, FourByte, SupplyRange, Timing};
use crate::jedec::sfdp::{
    AddressBytes, Enter4Byte, EraseLayout, Exit4Byte, FastRead, OperationTime, Sfdp,
};
use crate::jedec::{LaneRead, opcode};

impl SfdpFacts {
    /// The facts of `sfdp`; `None` where it gives no density that makes sense. `layout` is what the
    /// chip's answers made of its sector map, where it has one ([`Sfdp::erase_layout`]).
    ///
    /// Where the table is in doubt about erasing, or no map fits, it gives no erase type, so that
    /// nothing is erased on its word.
    #[must_use]
    pub fn of(sfdp: &Sfdp, layout: Option<&EraseLayout>) -> Option<Self> {
        let basic = &sfdp.basic;
        let erase_types = basic.erase_types.iter().map(|kind| SfdpErase {
            size_bytes: kind.size_bytes,
            opcode: kind.opcode,
            opcode_4byte: sfdp.erase_opcode_4byte(kind.number),
            time: kind.time.map(timing),
            reach: reach(kind.number, layout),
        });
        let fits = layout.is_none_or(|layout| !layout.maps.is_empty());
        let trusted = sfdp.erase_doubt().is_none() && fits;
        Some(Self {
            density_bytes: basic.density_bytes?,
            erase_types: if trusted {
                erase_types.collect()
            } else {
                Vec::new()
            },
            page_size_bytes: basic.page_size_bytes,
            page_program: basic.page_program.map(timing),
            chip_erase: basic.chip_erase.map(timing),
            lane_reads: lane_reads(sfdp),
            quad_enable: basic.quad_enable,
            addressing: addressing(sfdp),
            supply: sfdp.vcc.map(|vcc| SupplyRange {
                min: vcc.min,
                max: vcc.max,
                from_memory: false,
            }),
        })
    }
}

/// Where erase type `number` works.
fn reach(number: u8, layout: Option<&EraseLayout>) -> Reach {
    let Some(layout) = layout else {
        return Reach::Everywhere;
    };
    let narrow = |range: &Range<u64>| {
        let end = u32::try_from(range.end).ok()?;
        Some(u32::try_from(range.start).ok()?..end)
    };
    let ranges = layout.places(number).iter().filter_map(narrow).collect();
    if layout.is_decided() {
        Reach::Mapped(ranges)
    } else {
        Reach::Undecided(ranges)
    }
}

fn timing(time: OperationTime) -> Timing {
    Timing {
        typical: time.typical,
        max: time.max,
    }
}

/// Those that the standard lists, best first.
fn lane_reads(sfdp: &Sfdp) -> Vec<LaneRead> {
    let reads = sfdp.basic.fast_reads.iter();
    let mut reads: Vec<LaneRead> = reads.filter_map(FastRead::lane_read).collect();
    reads.sort_by_key(LaneRead::rank);
    reads
}

/// A way in counts only together with a way out; what lasts beyond the session never counts.
fn addressing(sfdp: &Sfdp) -> Addressing {
    let (enter, exit) = (&sfdp.basic.enter_4byte, &sfdp.basic.exit_4byte);
    let mut four_byte = Vec::new();
    if let Some(table) = &sfdp.four_byte {
        four_byte.push(FourByte::Dedicated {
            opcodes: table.opcodes.clone(),
        });
    }
    let mode = |write_enable| FourByte::Mode {
        enter: opcode::ENTER_4BYTE,
        exit: opcode::EXIT_4BYTE,
        write_enable,
    };
    if enter.contains(&Enter4Byte::Mode) && exit.contains(&Exit4Byte::Mode) {
        four_byte.push(mode(false));
    } else if enter.contains(&Enter4Byte::WriteEnableMode)
        && exit.contains(&Exit4Byte::WriteEnableMode)
    {
        four_byte.push(mode(true));
    }
    if enter.contains(&Enter4Byte::BankRegister) && exit.contains(&Exit4Byte::BankRegister) {
        four_byte.push(FourByte::BankRegister { extadd: true });
    }
    if enter.contains(&Enter4Byte::ExtendedAddress) && exit.contains(&Exit4Byte::ExtendedAddress) {
        four_byte.push(FourByte::ExtendedRegister);
    }
    Addressing {
        three_byte: sfdp.basic.address_bytes != AddressBytes::Four,
        four_byte,
    }
}
