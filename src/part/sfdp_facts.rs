//! What the match needs of an SFDP table.

use super::{Addressing, JedecId, Part, SupplyRange, Timing};
use crate::jedec::opcode::ERASES;
use crate::part::{ChipErase, EraseType, ProgramMethod, Source};

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
        Some(Part {
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
            addressing: self.addressing.clone(),
            has_sfdp: Some(true),
            source: Source {
                title: "SFDP table of the chip".to_owned(),
                revision: "as read".to_owned(),
                place: "basic flash parameter table".to_owned(),
            },
            ..Part::unknown(id, size_bytes)
        })
    }

    /// The erase types that fit the array, smallest first.
    fn erase_list(&self, array_bytes: u32) -> Vec<EraseType> {
        let mut list: Vec<EraseType> = self
            .erase_types
            .iter()
            .filter(|erase| erase.size_bytes.is_power_of_two() && erase.size_bytes <= array_bytes)
            // A worklist must not plan what the guard will refuse half way.
            .filter(|erase| ERASES.contains(&erase.opcode))
            .map(|erase| EraseType {
                size_bytes: erase.size_bytes,
                opcode: erase.opcode,
                opcode_4byte: erase.opcode_4byte.filter(|code| ERASES.contains(code)),
                time: erase
                    .time
                    .unwrap_or_else(|| Timing::erase_fallback(erase.size_bytes)),
                only_in: None,
            })
            .collect();
        list.sort_by_key(|erase| (erase.size_bytes, erase.opcode));
        list
    }
}
