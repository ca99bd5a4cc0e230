//! Status register writes that lift protection and put it back.
//!
//! Every byte is built from what was read: only block protect bits change, so that QE, lock and
//! one-time bits keep their value. How many bytes 01h takes differs between makers and is followed
//! per document (those named in `protection`).

use serde::{Deserialize, Serialize};

use super::{Registers, StatusFamily};
use crate::jedec::opcode::{READ_STATUS_1, READ_STATUS_2, WRITE_STATUS_1, WRITE_STATUS_2};

/// One status register write.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RegisterWrite {
    /// The writing opcode.
    pub opcode: u8,
    /// Exactly these bytes; another count means something else on some parts.
    pub data: Vec<u8>,
    /// Whether 50h in place of 06h, directly before, makes the write volatile. It does not set WEL.
    pub volatile: bool,
}

/// What may keep a status register from being written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StatusLock {
    /// The SRP or SRWD bit is set: locked while the WP# pin is low.
    WhileWpLow,
    /// SRL, SRP1 or VLP is set: locked until the next power cycle, on some parts for ever.
    UntilPowerCycle,
}

const MIB: u32 = 1 << 20;
/// SRP0, SRWD or BPL.
const LOCK_BIT: u8 = 0x80;
/// CMP in SR2.
const CMP: u8 = 0x40;
/// SRL or SRP1 in SR2.
const SRL: u8 = 0x01;
/// LB1 to LB3 in SR2, LB of GD25Q16C in bit 2: one-time. Written as 0 always, which cannot clear one
/// that is set and cannot set one that was misread. Elsewhere bit 2 is status only or reserved.
const LB: u8 = 0x3C;
/// VLP in the configuration register of SST26VF080A.
const VLP: u8 = 0x04;
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
        self.writes(found, size_bytes, true)
    }

    /// The writes that put the registers back to `found`, after [`StatusFamily::unprotect`].
    #[must_use]
    pub fn restore(self, found: &Registers, size_bytes: u32) -> Option<Vec<RegisterWrite>> {
        self.writes(found, size_bytes, false)
    }

    fn writes(self, found: &Registers, size: u32, clear: bool) -> Option<Vec<RegisterWrite>> {
        let sr1 = found.get(READ_STATUS_1).filter(|sr1| *sr1 != 0xFF)?;
        let locked = self.status_lock(found) == Some(StatusLock::UntilPowerCycle);
        if locked || self.per_block(found) {
            return None;
        }
        let protect = self.protect_bits();
        let kept = if clear { 0 } else { protect };
        let first = sr1 & (self.other_bits() | kept);
        let second = || {
            let sr2 = found.get(READ_STATUS_2).filter(|sr2| *sr2 != 0xFF)?;
            Some(sr2 & !(SUS | LB) & if clear { !CMP } else { 0xFF })
        };
        match self {
            Self::Winbond | Self::Adesto => Some(vec![write(&[first, second()?], true)]),
            Self::GigaDevice if size == 2 * MIB => Some(vec![write(&[first, second()?], true)]),
            Self::GigaDevice if size == 8 * MIB => Some(vec![
                write(&[first], true),
                RegisterWrite {
                    opcode: WRITE_STATUS_2,
                    ..write(&[second()?], true)
                },
            ]),
            Self::Macronix | Self::Issi | Self::Micron | Self::M25p | Self::Sst26A => {
                Some(vec![write(&[first], false)])
            }
            Self::Sst25 => Some(vec![write(&[first], true)]),
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

    /// What may keep the status registers from being written, as far as they show it.
    ///
    /// A write that reads back unchanged is explained by this, or by a missing write enable.
    #[must_use]
    pub fn status_lock(self, registers: &Registers) -> Option<StatusLock> {
        let in_sr2 = matches!(self, Self::Winbond | Self::GigaDevice | Self::Adesto);
        let sr2 = registers.get(READ_STATUS_2).filter(|_| in_sr2).unwrap_or(0);
        let sr1 = registers.get(READ_STATUS_1).unwrap_or(0);
        let vlp =
            self == Self::Sst26A && registers.get(READ_STATUS_2).is_some_and(|cr| cr & VLP != 0);
        if sr2 & SRL != 0 || vlp {
            Some(StatusLock::UntilPowerCycle)
        } else if self != Self::Basic && self != Self::Sst26 && sr1 & LOCK_BIT != 0 {
            Some(StatusLock::WhileWpLow)
        } else {
            None
        }
    }
}

fn write(data: &[u8], volatile: bool) -> RegisterWrite {
    RegisterWrite {
        opcode: WRITE_STATUS_1,
        data: data.to_vec(),
        volatile,
    }
}
