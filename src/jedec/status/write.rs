//! Status register writes that set protection, lift it and put it back.
//!
//! Every byte is built from what was read: only block protect bits change, so that QE, lock and
//! one-time bits keep their value. How many bytes 01h takes differs between makers and is followed
//! per document (those named in `layout`).

use serde::{Deserialize, Serialize};

use super::layout::{CMP, Layout};
use super::{Protection, Registers, StatusFamily};
use crate::jedec::opcode::{READ_STATUS_1, READ_STATUS_2, WRITE_STATUS_1, WRITE_STATUS_2};

/// One status register write.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RegisterWrite {
    /// The writing opcode.
    pub opcode: u8,
    /// Exactly these bytes; another count means something else on some parts.
    pub data: Vec<u8>,
    /// Sent directly after 50h in place of 06h: it changes what is in force and not what is stored,
    /// and ends with the supply. 50h does not set WEL.
    pub volatile: bool,
}

impl RegisterWrite {
    /// The same, to end with the supply or not.
    #[must_use]
    pub fn with_volatile(self, volatile: bool) -> Self {
        Self { volatile, ..self }
    }
}

/// How protection is set so that it ends with the supply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum VolatileForm {
    /// By 50h in place of 06h (W25Q128JV Rev. I, section 7.1; GD25Q64C Rev 3.0, 7.3; AT25SF161
    /// rev. H; PY25Q64HA V1.6).
    Enabled,
    /// Any write does: the register itself is volatile (SST25VF016B DS25044A, SST26VF080A
    /// DS20006203B).
    Always,
}

const MIB: u32 = 1 << 20;
/// SRP0, SRWD or BPL.
const LOCK_BIT: u8 = 0x80;
/// LB1 to LB3 in SR2, LB of GD25Q16C in bit 2: one-time. Written as 0 always, which cannot clear one
/// that is set and cannot set one that was misread. Elsewhere bit 2 is status only or reserved.
const LB: u8 = 0x3C;
/// SUS in SR2: status only.
const SUS: u8 = 0x80;

impl StatusFamily {
    /// The writes that clear every block protect bit and keep all else as `found`.
    ///
    /// `None` where that is not safely known: a family or density whose write lengths were not read
    /// in a document, registers that are locked or were not read, and block locks that no status
    /// register shows. Read the registers back afterwards.
    #[must_use]
    pub fn unprotect(self, found: &Registers, size_bytes: u32) -> Option<Vec<RegisterWrite>> {
        self.writes(found, &self.cleared(found), size_bytes)
    }

    /// The writes that put the registers back to `found`, after [`StatusFamily::unprotect`].
    #[must_use]
    pub fn restore(self, found: &Registers, size_bytes: u32) -> Option<Vec<RegisterWrite>> {
        self.writes(found, found, size_bytes)
    }

    /// What the bits of the part's table can be set to from `found`: each protection once, from none
    /// upwards. One-time bits stay as they are, so a part whose TB is one offers one end only.
    ///
    /// Empty where no table was read for the family and size, and where [`StatusFamily::unprotect`]
    /// has no writes.
    #[must_use]
    pub fn offered(self, found: &Registers, size_bytes: u32) -> Vec<Protection> {
        if self.unprotect(found, size_bytes).is_none() {
            return Vec::new();
        }
        let mut offered: Vec<Protection> = Vec::new();
        for (protection, _) in self.settings(found, size_bytes) {
            if !offered.contains(&protection) {
                offered.push(protection);
            }
        }
        offered.sort_by_key(|protection| match protection {
            Protection::Range { range } => (range.end - range.start, range.start),
            _ => (0, 0),
        });
        offered
    }

    /// The writes that set exactly `wanted` and keep all else as `found`. Of several combinations
    /// with the same effect the one with the least bits' value is taken.
    ///
    /// `None` where no combination of the table gives it; see [`StatusFamily::offered`].
    #[must_use]
    pub fn protect(
        self,
        found: &Registers,
        size_bytes: u32,
        wanted: &Protection,
    ) -> Option<Vec<RegisterWrite>> {
        let mut settings = self.settings(found, size_bytes);
        let (_, target) = settings.find(|(protection, _)| protection == wanted)?;
        self.writes(found, &target, size_bytes)
    }

    /// How protection can be set so that it ends with the supply; `None` where it cannot, or where the
    /// part's document was not read.
    #[must_use]
    pub fn volatile_form(self, size_bytes: u32) -> Option<VolatileForm> {
        Layout::of(self, size_bytes)?;
        match self {
            Self::Winbond | Self::GigaDevice | Self::Adesto => Some(VolatileForm::Enabled),
            Self::Sst25 | Self::Sst26A => Some(VolatileForm::Always),
            _ => None,
        }
    }

    /// Every combination of the protect bits that the table has, with the registers it takes; the
    /// complement last.
    fn settings(
        self,
        found: &Registers,
        size: u32,
    ) -> impl Iterator<Item = (Protection, Registers)> + '_ {
        let layout = Layout::of(self, size);
        let mask = layout.map_or(0, Layout::first_bits);
        let cmp = layout.is_some_and(|layout| layout.complement.is_some());
        let cleared = self.cleared(found);
        let (sr1, sr2) = (cleared.get(READ_STATUS_1), cleared.get(READ_STATUS_2));
        [0, CMP]
            .into_iter()
            .filter(move |second| cmp || *second == 0)
            .flat_map(move |second| (0..=mask).map(move |first| (first, second)))
            .filter(move |(first, _)| layout.is_some() && first & !mask == 0)
            .map(move |(first, second)| {
                let mut target = cleared.clone();
                if let Some(byte) = sr1 {
                    target.set(READ_STATUS_1, byte | first);
                }
                if let (Some(byte), true) = (sr2, cmp) {
                    target.set(READ_STATUS_2, byte | second);
                }
                (self.protection(&target, size), target)
            })
            .filter(|(protection, _)| !matches!(protection, Protection::Unknown { .. }))
    }

    /// `found` without any block protect bit.
    fn cleared(self, found: &Registers) -> Registers {
        let mut cleared = found.clone();
        if let Some(sr1) = found.get(READ_STATUS_1) {
            cleared.set(READ_STATUS_1, sr1 & !self.protect_bits());
        }
        if let (true, Some(sr2)) = (self.has_cmp(), found.get(READ_STATUS_2)) {
            cleared.set(READ_STATUS_2, sr2 & !CMP);
        }
        cleared
    }

    /// The writes from `found` to `target`, which differ in protect bits only.
    fn writes(
        self,
        found: &Registers,
        target: &Registers,
        size: u32,
    ) -> Option<Vec<RegisterWrite>> {
        found.get(READ_STATUS_1).filter(|sr1| *sr1 != 0xFF)?;
        let locked = self
            .status_lock(found)
            .is_some_and(|lock| !lock.is_by_pin());
        if locked || self.per_block(found) {
            return None;
        }
        let first = target.get(READ_STATUS_1)? & (self.other_bits() | self.protect_bits());
        let second = || {
            found.get(READ_STATUS_2).filter(|sr2| *sr2 != 0xFF)?;
            Some(target.get(READ_STATUS_2)? & !(SUS | LB))
        };
        match self {
            Self::Winbond | Self::Adesto => Some(vec![write(&[first, second()?])]),
            Self::GigaDevice if size == 2 * MIB => Some(vec![write(&[first, second()?])]),
            Self::GigaDevice if size == 8 * MIB => Some(vec![
                write(&[first]),
                RegisterWrite {
                    opcode: WRITE_STATUS_2,
                    ..write(&[second()?])
                },
            ]),
            Self::Macronix
            | Self::Issi
            | Self::Micron
            | Self::M25p
            | Self::M25px
            | Self::Sst25
            | Self::Sst26A => Some(vec![write(&[first])]),
            _ => None,
        }
    }

    /// Bits of SR1 that protect blocks on one part of the family or another.
    pub(super) fn protect_bits(self) -> u8 {
        match self {
            Self::Macronix | Self::Issi | Self::Sst25 => 0x3C,
            _ => 0x7C,
        }
    }

    /// Bits of SR1 that are written as read: the lock bit, and QE where it is in SR1.
    fn other_bits(self) -> u8 {
        match self {
            Self::Macronix | Self::Issi => LOCK_BIT | 0x40,
            _ => LOCK_BIT,
        }
    }
}

fn write(data: &[u8]) -> RegisterWrite {
    RegisterWrite {
        opcode: WRITE_STATUS_1,
        data: data.to_vec(),
        volatile: false,
    }
}
