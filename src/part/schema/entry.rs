//! One part as it stands in the file, and the checks that make a [`Part`] of it.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::piece::{
    RawChipErase, RawClock, RawErase, RawFourByte, RawSource, RawUniqueId, fits, power_of_two,
    timing,
};
use super::{Entry, Located, PartFault, Places, require};
use crate::jedec::opcode::{CHIP_ERASE, CHIP_ERASE_ALT, READ};
use crate::jedec::sfdp::VccRange;
use crate::jedec::status::StatusFamily;
use crate::jedec::{Hertz, LaneProgram, Millivolts};
use crate::part::{
    Addressing, BusyPoll, ChipErase, EraseType, FourByte, JedecId, Part, ProgramMethod,
    SupplyRange, UniqueIdRead,
};

/// The fields that `memory` can name.
const FIELDS: [&str; 21] = [
    "*",
    "markings",
    "jedec_id",
    "size_bytes",
    "supply",
    "page_size_bytes",
    "program",
    "page_program",
    "erase",
    "erase_time",
    "chip_erase",
    "status_write",
    "sck_max",
    "quad_program",
    "addressing",
    "status",
    "busy",
    "has_sfdp",
    "unique_id",
    "protected_at_power_up",
    "stacked",
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawPart {
    pub(super) name: Spanned<String>,
    markings: Vec<Spanned<String>>,
    jedec_id: Spanned<Vec<u8>>,
    #[serde(default)]
    pub(super) shares_id: bool,
    size_bytes: Spanned<u32>,
    supply_mv: Spanned<[u32; 2]>,
    page_size_bytes: Spanned<u32>,
    #[serde(default = "page")]
    program: ProgramMethod,
    page_program_us: Spanned<[u32; 2]>,
    erase: Vec<RawErase>,
    chip_erase: Option<RawChipErase>,
    status_write_us: Spanned<[u32; 2]>,
    sck_max: Spanned<Vec<RawClock>>,
    quad_program: Option<Spanned<u8>>,
    #[serde(default = "yes")]
    three_byte: bool,
    #[serde(default)]
    four_byte: Vec<Spanned<RawFourByte>>,
    status: StatusFamily,
    #[serde(default = "by_status")]
    busy: BusyPoll,
    sfdp: Option<bool>,
    unique_id: Option<Spanned<RawUniqueId>>,
    #[serde(default)]
    protected_at_power_up: bool,
    #[serde(default)]
    stacked: bool,
    #[serde(default)]
    notes: Vec<String>,
    source: Spanned<RawSource>,
    memory: Vec<Spanned<String>>,
}

fn page() -> ProgramMethod {
    ProgramMethod::Page
}

fn by_status() -> BusyPoll {
    BusyPoll::Status
}

fn yes() -> bool {
    true
}

impl RawPart {
    /// Checks every value and makes an entry of them.
    ///
    /// # Errors
    /// Every group of values that has a fault, the first of each: what else is wrong in it may only
    /// follow from that.
    pub(super) fn entry(&self, maker: &str) -> Result<Entry, Vec<Located>> {
        self.part(maker)
            .map(|part| Entry {
                part,
                shares_id: self.shares_id,
                places: self.places(),
            })
            .map_err(|first| {
                let all = self.faults();
                if all.is_empty() { vec![first] } else { all }
            })
    }

    fn part(&self, maker: &str) -> Result<Part, Located> {
        self.check_identity()?;
        let size_bytes = self.check_sizes()?;
        let addressing = self.addressing(size_bytes)?;
        Ok(Part {
            maker: maker.to_owned(),
            name: self.name.get_ref().clone(),
            markings: self.markings.iter().map(|m| m.get_ref().clone()).collect(),
            jedec_id: JedecId(self.jedec_id.get_ref().clone()),
            size_bytes,
            supply: self.supply()?,
            page_size_bytes: *self.page_size_bytes.get_ref(),
            program: self.program,
            page_program: timing(&self.page_program_us, Duration::from_micros)?,
            erase_types: self.erase_types(size_bytes, &addressing)?,
            chip_erase: self.chip_erase()?,
            status_write: timing(&self.status_write_us, Duration::from_micros)?,
            sck_max: self.sck_max()?,
            lane_reads: Vec::new(),
            quad_enable: None,
            lane_programs: self.lane_programs(&addressing)?,
            addressing,
            status: self.status,
            busy: self.busy,
            has_sfdp: self.sfdp,
            unique_id: self.unique_id()?,
            protected_at_power_up: self.protected_at_power_up,
            stacked: self.stacked,
            notes: self.notes.clone(),
            source: self.source.get_ref().check(&self.source)?,
            memory: self.memory.iter().map(|m| m.get_ref().clone()).collect(),
        })
    }

    /// The first fault of each group of values, in the order of the file.
    fn faults(&self) -> Vec<Located> {
        let size_bytes = *self.size_bytes.get_ref();
        let addressing = self.addressing(size_bytes);
        let erases = match &addressing {
            Ok(addressing) => self.erase_types(size_bytes, addressing).err(),
            Err(_) => None,
        };
        let groups = [
            self.check_identity().err(),
            self.check_sizes().err(),
            addressing.err(),
            self.supply().err(),
            timing(&self.page_program_us, Duration::from_micros).err(),
            erases,
            self.chip_erase().err(),
            timing(&self.status_write_us, Duration::from_micros).err(),
            self.sck_max().err(),
            self.quad_program().err(),
            self.unique_id().err(),
            self.source.get_ref().check(&self.source).err(),
        ];
        let mut faults: Vec<Located> = groups.into_iter().flatten().collect();
        faults.sort_by_key(|located| located.at);
        faults
    }

    fn unique_id(&self) -> Result<Option<UniqueIdRead>, Located> {
        self.unique_id.as_ref().map(RawUniqueId::check).transpose()
    }

    fn places(&self) -> Places {
        Places {
            name: self.name.span().start,
            jedec_id: self.jedec_id.span().start,
            supply: self.supply_mv.span().start,
            page_program: self.page_program_us.span().start,
            erase: self
                .erase
                .iter()
                .map(|e| e.size_bytes.span().start)
                .collect(),
            status_write: self.status_write_us.span().start,
            sck_max: self.sck_max.span().start,
        }
    }

    fn check_identity(&self) -> Result<(), Located> {
        let name = self.name.get_ref();
        let empty = PartFault::Empty { what: "name" };
        require(!name.trim().is_empty(), &self.name, empty)?;
        check_markings(&self.markings)?;
        check_id(&self.jedec_id)?;
        for name in &self.memory {
            let text = name.get_ref();
            let fault = PartFault::MemoryName {
                name: text.clone(),
                known: &FIELDS,
            };
            require(FIELDS.contains(&text.as_str()), name, fault)?;
        }
        Ok(())
    }

    fn check_sizes(&self) -> Result<u32, Located> {
        let size_bytes = power_of_two("the array", &self.size_bytes)?;
        let bytes = power_of_two("a page", &self.page_size_bytes)?;
        fits("a page", bytes, size_bytes, &self.page_size_bytes)?;
        let pages = self.program == ProgramMethod::Page;
        let fault = PartFault::PageAndProgram { bytes };
        require((bytes > 1) == pages, &self.page_size_bytes, fault)?;
        Ok(size_bytes)
    }

    fn supply(&self) -> Result<SupplyRange, Located> {
        let [min_mv, max_mv] = *self.supply_mv.get_ref();
        let fault = PartFault::Supply { min_mv, max_mv };
        let good = 1000 <= min_mv && min_mv < max_mv && max_mv <= 6000;
        require(good, &self.supply_mv, fault)?;
        let narrow = max_mv <= VccRange::WIDEST * min_mv;
        let fault = PartFault::SupplyWidth { min_mv, max_mv };
        require(narrow, &self.supply_mv, fault)?;
        Ok(SupplyRange {
            min: Millivolts(min_mv),
            max: Millivolts(max_mv),
            from_memory: self
                .memory
                .iter()
                .any(|m| matches!(m.get_ref().as_str(), "*" | "supply")),
        })
    }

    fn erase_types(&self, array: u32, addressing: &Addressing) -> Result<Vec<EraseType>, Located> {
        let mut list: Vec<EraseType> = Vec::new();
        for raw in &self.erase {
            let next = raw.check(array, *self.page_size_bytes.get_ref())?;
            let bytes = next.size_bytes;
            let ordered = list.last().is_none_or(|last| last.size_bytes <= bytes);
            require(ordered, &raw.size_bytes, PartFault::EraseOrder { bytes })?;
            for other in &list {
                let Some(opcode) = shared_opcode(other, &next) else {
                    continue;
                };
                let at = raw.size_bytes.span().start;
                let other = other.size_bytes;
                let fault = if other == bytes {
                    PartFault::EraseTwice { bytes, opcode }
                } else {
                    PartFault::EraseOfTwoSizes {
                        opcode,
                        other,
                        bytes,
                    }
                };
                return Err(Located { at, fault });
            }
            if let Some(four) = &raw.opcode_4byte {
                let opcode = *four.get_ref();
                let fault = PartFault::NotDedicated { opcode };
                require(is_dedicated(addressing, opcode), four, fault)?;
            }
            list.push(next);
        }
        Ok(list)
    }

    fn chip_erase(&self) -> Result<Option<ChipErase>, Located> {
        let Some(raw) = &self.chip_erase else {
            return Ok(None);
        };
        let opcode = *raw.opcode.get_ref();
        let known = [CHIP_ERASE, CHIP_ERASE_ALT].contains(&opcode);
        require(known, &raw.opcode, PartFault::ChipErase { opcode })?;
        let time = timing(&raw.time_ms, Duration::from_millis)?;
        Ok(Some(ChipErase { opcode, time }))
    }

    fn sck_max(&self) -> Result<BTreeMap<u8, Hertz>, Located> {
        let mut map = BTreeMap::new();
        for clock in self.sck_max.get_ref() {
            let mhz = *clock.mhz.get_ref();
            let fault = PartFault::Clock {
                opcode: clock.opcode,
            };
            require((1..=1000).contains(&mhz), &clock.mhz, fault.clone())?;
            let earlier = map.insert(clock.opcode, Hertz::mhz(mhz));
            require(earlier.is_none(), &clock.mhz, fault)?;
        }
        let has_read = map.contains_key(&READ);
        require(has_read, &self.sck_max, PartFault::NoReadClock)?;
        Ok(map)
    }

    /// The usual opcode for a page on four lanes, 32h or 38h.
    fn quad_program(&self) -> Result<Option<u8>, Located> {
        let Some(code) = &self.quad_program else {
            return Ok(None);
        };
        let opcode = *code.get_ref();
        let known = LaneProgram::ALL.iter().any(|one| one.opcode == opcode);
        let fits = known && self.program == ProgramMethod::Page;
        require(fits, code, PartFault::QuadProgram { opcode })?;
        Ok(Some(opcode))
    }

    /// Those that a document gives: what is from memory alone is not sent.
    fn lane_programs(&self, addressing: &Addressing) -> Result<Vec<u8>, Located> {
        let read = |field: &str| {
            let mut memory = self.memory.iter().map(|name| name.get_ref().as_str());
            !memory.any(|name| name == "*" || name == field)
        };
        let usual = self.quad_program()?.filter(|_| read("quad_program"));
        let four = LaneProgram::ALL.iter().map(|one| one.opcode_4byte);
        let four = four.filter(|code| {
            let pages = self.program == ProgramMethod::Page;
            pages && read("addressing") && is_dedicated(addressing, *code)
        });
        Ok(usual.into_iter().chain(four).collect())
    }

    fn addressing(&self, size_bytes: u32) -> Result<Addressing, Located> {
        let four_byte = self
            .four_byte
            .iter()
            .map(RawFourByte::check)
            .collect::<Result<Vec<_>, _>>()?;
        let reached = size_bytes <= 1 << 24 || !four_byte.is_empty() || !self.three_byte;
        let bytes = size_bytes;
        let fault = PartFault::OutOfReach { bytes };
        require(reached, &self.size_bytes, fault)?;
        Ok(Addressing {
            three_byte: self.three_byte,
            four_byte,
        })
    }
}

/// The opcode that is listed for two erases of the same place: which of the two the chip makes cannot be known.
fn shared_opcode(one: &EraseType, other: &EraseType) -> Option<u8> {
    let apart = match (&one.only_in, &other.only_in) {
        (Some(one), Some(other)) => one.end <= other.start || other.end <= one.start,
        _ => false,
    };
    let usual = Some(one.opcode).filter(|opcode| *opcode == other.opcode);
    let four = one
        .opcode_4byte
        .filter(|_| one.opcode_4byte == other.opcode_4byte);
    usual.or(four).filter(|_| !apart)
}

/// Beginnings of what is printed on a package.
pub(super) fn check_markings(markings: &[Spanned<String>]) -> Result<(), Located> {
    for marking in markings {
        let text = marking.get_ref();
        let good = text.len() >= 4
            && text
                .bytes()
                .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit());
        let fault = PartFault::Marking { text: text.clone() };
        require(good, marking, fault)?;
    }
    Ok(())
}

pub(super) fn check_id(id: &Spanned<Vec<u8>>) -> Result<(), Located> {
    let bytes = id.get_ref();
    let fault = PartFault::IdLength { bytes: bytes.len() };
    require((3..=20).contains(&bytes.len()), id, fault)?;
    require(!JedecId(bytes.clone()).is_blank(), id, PartFault::IdBlank)
}

fn is_dedicated(addressing: &Addressing, opcode: u8) -> bool {
    addressing
        .four_byte
        .iter()
        .any(|way| matches!(way, FourByte::Dedicated { opcodes } if opcodes.contains(&opcode)))
}
