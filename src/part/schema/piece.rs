//! The tables inside a part, and the checks that concern one of them alone.

use std::ops::Range;
use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::{Located, PartFault, require};
use crate::jedec::opcode::ERASES;
use crate::part::{EraseType, FourByte, Source, Timing, UniqueIdRead};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawErase {
    pub(super) size_bytes: Spanned<u32>,
    pub(super) opcode: Spanned<u8>,
    pub(super) opcode_4byte: Option<Spanned<u8>>,
    pub(super) time_ms: Spanned<[u32; 2]>,
    pub(super) only_in: Option<Spanned<[u32; 2]>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawChipErase {
    pub(super) opcode: Spanned<u8>,
    pub(super) time_ms: Spanned<[u32; 2]>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawClock {
    pub(super) opcode: u8,
    pub(super) mhz: Spanned<u32>,
}

#[derive(Deserialize, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Way {
    Dedicated,
    Mode,
    ExtendedRegister,
    BankRegister,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawFourByte {
    pub(super) by: Way,
    pub(super) opcodes: Option<Vec<u8>>,
    pub(super) enter: Option<u8>,
    pub(super) exit: Option<u8>,
    pub(super) write_enable: Option<bool>,
    pub(super) extadd: Option<bool>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawUniqueId {
    pub(super) opcode: u8,
    pub(super) address: Option<u32>,
    pub(super) dummy_bytes: u8,
    pub(super) length_bytes: u8,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawSource {
    pub(super) title: String,
    pub(super) revision: String,
    pub(super) place: String,
}

impl RawUniqueId {
    pub(super) fn check(raw: &Spanned<Self>) -> Result<UniqueIdRead, Located> {
        let value = raw.get_ref();
        let read = UniqueIdRead {
            opcode: value.opcode,
            address: value.address,
            dummy_bytes: value.dummy_bytes,
            length_bytes: value.length_bytes,
        };
        let opcode = read.opcode;
        require(read.is_known_form(), raw, PartFault::UniqueId { opcode })?;
        Ok(read)
    }
}

impl RawSource {
    /// `at` is where the file has it.
    pub(super) fn check(&self, at: &Spanned<Self>) -> Result<Source, Located> {
        for (what, text) in [
            ("the title of the source", &self.title),
            ("the revision of the source", &self.revision),
            ("the place in the source", &self.place),
        ] {
            require(!text.trim().is_empty(), at, PartFault::Empty { what })?;
        }
        Ok(Source {
            title: self.title.clone(),
            revision: self.revision.clone(),
            place: self.place.clone(),
        })
    }
}

impl RawErase {
    pub(super) fn check(&self, array_bytes: u32, page_bytes: u32) -> Result<EraseType, Located> {
        let bytes = power_of_two("an erase", &self.size_bytes)?;
        fits("an erase", bytes, array_bytes, &self.size_bytes)?;
        fits("a page", page_bytes, bytes, &self.size_bytes)?;
        for code in std::iter::once(&self.opcode).chain(&self.opcode_4byte) {
            let opcode = *code.get_ref();
            let sent = ERASES.contains(&opcode);
            require(sent, code, PartFault::EraseOpcode { opcode })?;
        }
        Ok(EraseType {
            size_bytes: bytes,
            opcode: *self.opcode.get_ref(),
            opcode_4byte: self.opcode_4byte.as_ref().map(|four| *four.get_ref()),
            time: timing(&self.time_ms, Duration::from_millis)?,
            only_in: self.only_in(bytes, array_bytes)?,
        })
    }

    fn only_in(&self, bytes: u32, array_bytes: u32) -> Result<Option<Range<u32>>, Located> {
        let Some(place) = &self.only_in else {
            return Ok(None);
        };
        let [start, end] = *place.get_ref();
        let good = start < end && end <= array_bytes && start % bytes == 0 && end % bytes == 0;
        require(good, place, PartFault::ErasePlace { start, end, bytes })?;
        Ok(Some(start..end))
    }
}

impl RawFourByte {
    pub(super) fn check(raw: &Spanned<Self>) -> Result<FourByte, Located> {
        let way = raw.get_ref();
        let wrong = |by, takes| {
            Err(Located {
                at: raw.span().start,
                fault: PartFault::FourByteKeys { by, takes },
            })
        };
        let bare = way.enter.is_none() && way.exit.is_none() && way.write_enable.is_none();
        let bit = way.extadd;
        if bit.is_some() && way.by != Way::BankRegister {
            return wrong("a way without a bank register", "no key 'extadd'");
        }
        match (way.by, &way.opcodes, way.enter, way.exit) {
            (Way::Dedicated, Some(opcodes), ..) if bare => Ok(FourByte::Dedicated {
                opcodes: opcodes.clone(),
            }),
            (Way::Dedicated, ..) => wrong("dedicated", "the list 'opcodes' and no other key"),
            (Way::Mode, None, Some(enter), Some(exit)) => Ok(FourByte::Mode {
                enter,
                exit,
                write_enable: way.write_enable.unwrap_or(false),
            }),
            (Way::Mode, ..) => wrong("mode", "'enter', 'exit' and perhaps 'write_enable'"),
            (Way::ExtendedRegister, None, ..) if bare => Ok(FourByte::ExtendedRegister),
            (Way::ExtendedRegister, ..) => wrong("extended-register", "no other key"),
            (Way::BankRegister, None, ..) if bare => Ok(FourByte::BankRegister {
                extadd: bit.unwrap_or(true),
            }),
            (Way::BankRegister, ..) => wrong("bank-register", "perhaps 'extadd'"),
        }
    }
}

pub(super) fn power_of_two(what: &'static str, value: &Spanned<u32>) -> Result<u32, Located> {
    let bytes = *value.get_ref();
    let fault = PartFault::NotPowerOfTwo { what, bytes };
    require(bytes.is_power_of_two(), value, fault)?;
    Ok(bytes)
}

pub(super) fn fits(
    what: &'static str,
    bytes: u32,
    limit_bytes: u32,
    at: &Spanned<u32>,
) -> Result<(), Located> {
    let fault = PartFault::TooLarge {
        what,
        bytes,
        limit_bytes,
    };
    require(bytes <= limit_bytes, at, fault)
}

pub(super) fn timing(
    pair: &Spanned<[u32; 2]>,
    unit: fn(u64) -> Duration,
) -> Result<Timing, Located> {
    let [typical, max] = *pair.get_ref();
    let fault = PartFault::Times { typical, max };
    require(0 < typical && typical <= max, pair, fault)?;
    Ok(Timing {
        typical: unit(u64::from(typical)),
        max: unit(u64::from(max)),
    })
}
