//! What the match needs of an SFDP table.

use std::ops::Range;

use super::agreed::agreed;
use super::merge::common_place;
use super::{Addressing, FourByte, JedecId, Part, SupplyRange, Timing};
use crate::jedec::opcode::ERASES;
use crate::jedec::sfdp::QuadEnable;
use crate::jedec::{LaneProgram, LaneRead};
use crate::part::{ChipErase, EraseType, ProgramMethod, Source};

/// Where an erase type works, by the chip's own sector map.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reach {
    /// In the whole array: there is no map.
    Everywhere,
    /// In these ranges, by the map that is known to be in force.
    Mapped(Vec<Range<u32>>),
    /// Which map is in force is not known; in these ranges all maps agree.
    Undecided(Vec<Range<u32>>),
}

/// An erase type as SFDP gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SfdpErase {
    /// Bytes that one erase covers.
    pub size_bytes: u32,
    /// Its opcode, with an address in the current mode.
    pub opcode: u8,
    /// Its opcode with an address of four bytes, from the 4-byte instruction table.
    pub opcode_4byte: Option<u8>,
    /// Its time, where the table holds times.
    pub time: Option<Timing>,
    /// Where it works.
    pub reach: Reach,
}

impl SfdpErase {
    /// The erase types of a part that the parts table lists as `table`: where both speak of the type.
    ///
    /// A sector map that is known to be in force tells where the type works, also where the table does
    /// not list it: it leaves out what a setting decides. While that is not known the type works where
    /// the table and all maps agree.
    pub(super) fn confirmed(&self, table: &[EraseType], array_bytes: u32) -> Vec<EraseType> {
        let same = |t: &&EraseType| t.size_bytes == self.size_bytes && t.opcode == self.opcode;
        let same: Vec<EraseType> = table.iter().filter(same).map(|t| self.slower(t)).collect();
        match &self.reach {
            Reach::Everywhere => same,
            Reach::Undecided(ranges) => same
                .iter()
                .flat_map(|kind| ranges.iter().map(move |range| (kind, range)))
                .filter_map(|(kind, range)| placed(kind, range, array_bytes))
                .collect(),
            Reach::Mapped(ranges) => {
                let longest = same.into_iter().max_by_key(|kind| kind.time.max);
                let Some(kind) = longest.or_else(|| self.own()) else {
                    return Vec::new();
                };
                let kind = EraseType {
                    only_in: None,
                    ..kind
                };
                let placed = |range| placed(&kind, range, array_bytes);
                ranges.iter().filter_map(placed).collect()
            }
        }
    }

    /// The type by SFDP alone; `None` where its opcode is not known to erase: a worklist must not plan
    /// what the guard will refuse half way.
    fn own(&self) -> Option<EraseType> {
        ERASES.contains(&self.opcode).then(|| EraseType {
            size_bytes: self.size_bytes,
            opcode: self.opcode,
            opcode_4byte: self.opcode_4byte.filter(|code| ERASES.contains(code)),
            time: self
                .time
                .unwrap_or_else(|| Timing::erase_fallback(self.size_bytes)),
            only_in: None,
        })
    }

    /// `kind` with at least the time limit that SFDP gives.
    fn slower(&self, kind: &EraseType) -> EraseType {
        let mut kind = kind.clone();
        if let Some(time) = self.time {
            kind.time.max = kind.time.max.max(time.max);
        }
        kind
    }
}

/// `kind` where it works both as it says and within `range`.
fn placed(kind: &EraseType, range: &Range<u32>, array_bytes: u32) -> Option<EraseType> {
    let range = Some(range).filter(|range| **range != (0..array_bytes));
    Some(EraseType {
        only_in: common_place(kind.only_in.as_ref(), range)?,
        ..kind.clone()
    })
}

/// The facts of an SFDP table that are compared with the catalogue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SfdpFacts {
    /// Size of the array.
    pub density_bytes: u64,
    /// Erase types, in any order.
    pub erase_types: Vec<SfdpErase>,
    /// Program page, where the table holds it.
    pub page_size_bytes: Option<u32>,
    /// Time of a page program, where the table holds it.
    pub page_program: Option<Timing>,
    /// Time of a chip erase, where the table holds it.
    pub chip_erase: Option<Timing>,
    /// Reads on several lanes, best first.
    pub lane_reads: Vec<LaneRead>,
    /// Where the bit is that lets quad reads work.
    pub quad_enable: Option<QuadEnable>,
    /// Addresses it takes.
    pub addressing: Addressing,
    /// Supply range, where a maker's own table gives it.
    pub supply: Option<SupplyRange>,
}

impl SfdpFacts {
    /// A part known by SFDP alone, or `None` if no part can have this density.
    ///
    /// A table without a page size (JESD216, 9 DWORDs) leaves programming by single bytes, which
    /// every page program accepts.
    #[must_use]
    pub fn part(&self, id: JedecId) -> Option<Part> {
        let size_bytes = u32::try_from(self.density_bytes)
            .ok()
            .filter(|size| size.is_power_of_two())?;
        let page_size_bytes = self.page_size_bytes.filter(|page| page.is_power_of_two());
        Some(agreed(Part {
            name: "part known by SFDP alone".to_owned(),
            supply: self.supply.unwrap_or(SupplyRange::UNKNOWN),
            page_size_bytes: page_size_bytes.unwrap_or(1),
            program: page_size_bytes.map_or(ProgramMethod::Byte, |_| ProgramMethod::Page),
            page_program: self.page_program.unwrap_or(Timing::PAGE_PROGRAM_FALLBACK),
            erase_types: self.erase_list(size_bytes),
            chip_erase: self.chip_erase.map(|time| ChipErase {
                opcode: crate::jedec::opcode::CHIP_ERASE,
                time,
            }),
            lane_reads: self.lane_reads.clone(),
            quad_enable: self.quad_enable,
            lane_programs: self.lane_programs().unwrap_or_default(),
            addressing: self.addressing.clone(),
            has_sfdp: Some(true),
            source: Source {
                title: "SFDP table of the chip".to_owned(),
                revision: "as read".to_owned(),
                place: "basic flash parameter table".to_owned(),
            },
            ..Part::unknown(id, size_bytes)
        }))
    }

    /// What its 4-byte table has to program a page on four lanes; `None` without such a table.
    pub(super) fn lane_programs(&self) -> Option<Vec<u8>> {
        let ways = self.addressing.four_byte.iter();
        let mut tables = ways.filter_map(|way| match way {
            FourByte::Dedicated { opcodes } => Some(opcodes),
            _ => None,
        });
        let opcodes = tables.next()?;
        let four = LaneProgram::ALL.iter().map(|one| one.opcode_4byte);
        Some(four.filter(|code| opcodes.contains(code)).collect())
    }

    /// The erase types that fit the array, smallest first.
    fn erase_list(&self, array_bytes: u32) -> Vec<EraseType> {
        let mut list: Vec<EraseType> = self
            .erase_types
            .iter()
            .filter(|erase| erase.size_bytes.is_power_of_two() && erase.size_bytes <= array_bytes)
            .flat_map(|erase| match &erase.reach {
                Reach::Everywhere => erase.own().into_iter().collect(),
                Reach::Mapped(_) => erase.confirmed(&[], array_bytes),
                Reach::Undecided(_) => Vec::new(),
            })
            .collect();
        sort(&mut list);
        list
    }
}

/// Smallest first, those of one size by opcode and place.
pub(super) fn sort(list: &mut [EraseType]) {
    list.sort_by_key(|erase| {
        let start = erase.only_in.as_ref().map_or(0, |range| range.start);
        (erase.size_bytes, erase.opcode, start)
    });
}
