//! Which blocks the registers protect.
//!
//! Tables read: W25Q32JV Rev. G, W25Q64JV Rev. J, W25Q128JV Rev. I, W25Q256JV Rev. I (section 7.1);
//! GD25Q64C Rev 3.0, GD25Q64E Rev 1.3, GD25Q16C Rev 2.9; PY25Q64HA V1.6; AT25SF161 rev. H;
//! MX25R1635F Rev 1.5; MX25L3233F Rev 1.6; N25Q032A Rev. G; MT25QL128ABA Rev. I; M25P16 Rev. G;
//! M25PX16 Rev. B; IS25LP032/064/128 Rev. D; SST25VF016B DS25044A.

use std::ops::Range;

use serde::Serialize;

use super::{Registers, StatusFamily};
use crate::jedec::opcode::{
    READ_FUNCTION_ISSI, READ_SECURITY_MACRONIX, READ_STATUS_1, READ_STATUS_2, READ_STATUS_3,
};

/// What the registers say is protected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Protection {
    /// No range.
    None,
    /// This range of addresses, half-open.
    Range {
        /// The protected addresses.
        range: Range<u32>,
    },
    /// Perhaps the whole chip; taken as that.
    Unknown {
        /// Why no range is known.
        why: &'static str,
    },
}

impl Protection {
    /// Whether any address of `range` is, or may be, protected.
    #[must_use]
    pub fn touches(&self, range: &Range<u32>) -> bool {
        match self {
            Self::None => false,
            Self::Range { range: held } => held.start < range.end && range.start < held.end,
            Self::Unknown { .. } => !range.is_empty(),
        }
    }
}

const KIB: u32 = 1 << 10;
const MIB: u32 = 1 << 20;

/// Bits of SR1 that protect something on one family or another.
const ANY_PROTECT: u8 = 0x7C;
/// Complement of the range: bit 6 of SR2.
const CMP: u8 = 0x40;

const NOT_READ: &str = "a status register was not read";
const NO_ANSWER: &str = "a status register reads FFh";
const BITS_SET: &str = "protection bits are set and their range is not known for this part";
const PER_BLOCK: &str = "each block has a lock bit of its own";
const NOT_IN_STATUS: &str = "protection is in a register that is not read";
const FAILED: &str = "an earlier erase or program failed";
const IN_PROGRAM: &str = "the chip is in auto address increment programming";

/// A range counted from one end of the array, perhaps its complement.
struct Selection {
    /// Protected bytes before the complement.
    bytes: u32,
    /// Counted from the bottom.
    from_bottom: bool,
    /// Everything else is protected instead.
    complement: bool,
}

impl Selection {
    fn protection(&self, size: u32) -> Protection {
        let bytes = self.bytes.min(size);
        let (none, all) = (bytes == 0, bytes == size);
        if (none && !self.complement) || (all && self.complement) {
            return Protection::None;
        }
        let range = match (none || all, self.from_bottom, self.complement) {
            (true, _, _) => 0..size,
            (false, true, false) => 0..bytes,
            (false, true, true) => bytes..size,
            (false, false, false) => size - bytes..size,
            (false, false, true) => 0..size - bytes,
        };
        Protection::Range { range }
    }
}

/// Bits `low` to `low + width - 1` of `byte`.
fn field(byte: u8, low: u32, width: u32) -> u32 {
    u32::from(byte) >> low & ((1 << width) - 1)
}

fn bit(byte: u8, at: u32) -> bool {
    field(byte, at, 1) == 1
}

/// BP level as most makers count it: 64 KiB, doubled for each level, at last all.
fn doubling(level: u32, unit: u32) -> u32 {
    match level {
        0 => 0,
        level => unit
            .checked_shl(level - 1)
            .filter(|b| b >> (level - 1) == unit)
            .unwrap_or(u32::MAX),
    }
}

impl StatusFamily {
    /// What `registers` protect on a part of `size_bytes`.
    ///
    /// Never `None` where something is set that this family or size does not explain. Individual
    /// sector locks that some families have beside the status registers do not show here; see
    /// [`StatusFamily::locks_beside`].
    #[must_use]
    pub fn protection(self, registers: &Registers, size_bytes: u32) -> Protection {
        match self.select(registers, size_bytes) {
            Ok(selection) => selection.protection(size_bytes),
            Err(why) => Protection::Unknown { why },
        }
    }

    fn select(self, registers: &Registers, size: u32) -> Result<Selection, &'static str> {
        let sr1 = registers.get(READ_STATUS_1).ok_or(NOT_READ)?;
        if sr1 == 0xFF {
            return Err(NO_ANSWER);
        }
        if self
            .registers()
            .iter()
            .any(|r| registers.get(r.opcode).is_none())
        {
            return Err(NOT_READ);
        }
        match self {
            Self::Winbond | Self::GigaDevice | Self::Adesto => {
                self.complemented(sr1, registers, size)
            }
            Self::Macronix | Self::Issi => self.top_bottom(sr1, registers, size),
            Self::Micron => micron(sr1, size),
            Self::M25p => m25p(sr1, size),
            Self::Sst25 => sst25(sr1, size),
            Self::Sst26 => Err(NOT_IN_STATUS),
            Self::CypressS if sr1 & 0x60 != 0 => Err(FAILED),
            Self::CypressL if self.per_block(registers) => Err(PER_BLOCK),
            Self::CypressL
                if registers
                    .get(READ_STATUS_2)
                    .is_some_and(|cr1| cr1 & CMP != 0) =>
            {
                Err(BITS_SET)
            }
            Self::Basic | Self::CypressS | Self::CypressL | Self::AdestoDf | Self::Eon => {
                unless_set(sr1, ANY_PROTECT)
            }
        }
    }

    /// Whether a setting gives each block a lock bit of its own and leaves BP without effect.
    pub(super) fn per_block(self, registers: &Registers) -> bool {
        let set = |opcode, at| {
            registers
                .get(opcode)
                .is_some_and(|v| v != 0xFF && bit(v, at))
        };
        match self {
            // WPS; a part without SR3 answers FFh.
            Self::Winbond | Self::GigaDevice | Self::CypressL => set(READ_STATUS_3, 2),
            // WPSEL; a part without security register answers FFh.
            Self::Macronix => set(READ_SECURITY_MACRONIX, 7),
            _ => false,
        }
    }

    /// Winbond and those who follow it: BP, TB, SEC (or five BP bits) and CMP.
    fn complemented(
        self,
        sr1: u8,
        registers: &Registers,
        size: u32,
    ) -> Result<Selection, &'static str> {
        let sr2 = registers.get(READ_STATUS_2).ok_or(NOT_READ)?;
        if sr2 == 0xFF {
            return Err(NO_ANSWER);
        }
        if self.per_block(registers) {
            return Err(PER_BLOCK);
        }
        let complement = sr2 & CMP != 0;
        let unit = match (self, size / MIB) {
            (Self::Winbond, 32) => {
                return Ok(Selection {
                    bytes: doubling(field(sr1, 2, 4), 64 * KIB),
                    from_bottom: bit(sr1, 6),
                    complement,
                });
            }
            (Self::Winbond, 4 | 8 | 16) | (Self::GigaDevice, 8) => size / 64,
            (Self::Adesto | Self::GigaDevice, 2) => size / 32,
            _ => return unless_set(sr1 | sr2 & CMP, ANY_PROTECT),
        };
        let level = field(sr1, 2, 3);
        let bytes = match (bit(sr1, 6), level) {
            (_, 0) => 0,
            (_, 7) => size,
            (_, 6) if size == 2 * MIB => size,
            (true, 6) if self != Self::GigaDevice => return Err(BITS_SET),
            (true, level) => ((4 * KIB) << (level - 1)).min(32 * KIB),
            (false, level) => unit << (level - 1),
        };
        Ok(Selection {
            bytes,
            from_bottom: bit(sr1, 5),
            complement,
        })
    }

    /// Macronix and ISSI: BP0 to BP3 in bits 2 to 5, QE in bit 6, top or bottom elsewhere.
    fn top_bottom(
        self,
        sr1: u8,
        registers: &Registers,
        size: u32,
    ) -> Result<Selection, &'static str> {
        if self.per_block(registers) {
            return Err(PER_BLOCK);
        }
        let level = field(sr1, 2, 4);
        let (side, at) = match self {
            Self::Macronix => (registers.get(READ_STATUS_3), 3),
            _ => (registers.get(READ_FUNCTION_ISSI), 1),
        };
        let known = match self {
            Self::Macronix => matches!(size / MIB, 2 | 4),
            _ => matches!(size / MIB, 4 | 8 | 16),
        };
        match side {
            Some(side) if known && side != 0xFF => Ok(Selection {
                bytes: doubling(level, 64 * KIB),
                from_bottom: bit(side, at),
                complement: false,
            }),
            _ => unless_set(sr1, 0x3C),
        }
    }

    /// Locks that the status registers do not show, in words; a refused erase is their sign.
    #[must_use]
    pub fn locks_beside(self) -> Option<&'static str> {
        match self {
            Self::Micron => Some("sector lock registers and non-volatile lock bits"),
            Self::M25p => Some("sector lock registers on M25PX parts"),
            Self::CypressS => Some("sector protection by PPB and DYB bits"),
            Self::CypressL => Some("individual block locks and the pointer region"),
            Self::AdestoDf => Some("sector protection registers"),
            _ => None,
        }
    }
}

/// Nothing protected, unless a bit of `mask` is set.
fn unless_set(sr1: u8, mask: u8) -> Result<Selection, &'static str> {
    if sr1 & mask != 0 {
        return Err(BITS_SET);
    }
    Ok(Selection {
        bytes: 0,
        from_bottom: false,
        complement: false,
    })
}

/// BP3 is bit 6, above TB in bit 5.
fn micron(sr1: u8, size: u32) -> Result<Selection, &'static str> {
    if !matches!(size / MIB, 4 | 16) {
        return unless_set(sr1, ANY_PROTECT);
    }
    let level = field(sr1, 2, 3) | field(sr1, 6, 1) << 3;
    Ok(Selection {
        bytes: doubling(level, 64 * KIB),
        from_bottom: bit(sr1, 5),
        complement: false,
    })
}

/// M25P16 has no TB and reads 0 there; M25PX16 has it in bit 5.
fn m25p(sr1: u8, size: u32) -> Result<Selection, &'static str> {
    if size != 2 * MIB || bit(sr1, 6) {
        return unless_set(sr1, ANY_PROTECT);
    }
    Ok(Selection {
        bytes: doubling(field(sr1, 2, 3), 64 * KIB),
        from_bottom: bit(sr1, 5),
        complement: false,
    })
}

/// BP3 is said to have no effect, in a document that contradicts itself about it; set, it counts.
fn sst25(sr1: u8, size: u32) -> Result<Selection, &'static str> {
    if bit(sr1, 6) {
        return Err(IN_PROGRAM);
    }
    if size != 2 * MIB || bit(sr1, 5) {
        return unless_set(sr1, ANY_PROTECT);
    }
    Ok(Selection {
        bytes: doubling(field(sr1, 2, 3), 64 * KIB),
        from_bottom: false,
        complement: false,
    })
}
