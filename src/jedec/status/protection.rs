//! Which blocks the registers protect, by the rows of `layout`.

use std::fmt;
use std::ops::Range;

use serde::Serialize;

use super::layout::{Bit, CMP, Layout, Level6};
use super::{Registers, StatusFamily};
use crate::jedec::Address;
use crate::jedec::opcode::{READ_SECURITY_MACRONIX, READ_STATUS_1, READ_STATUS_2, READ_STATUS_3};

/// What the registers say is protected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Protection {
    /// No range.
    None,
    /// This range of addresses, half-open.
    Range {
        /// The protected addresses.
        range: Range<u32>,
    },
    /// These ranges of addresses, half-open, from the lowest up, at least two.
    Blocks {
        /// The protected addresses.
        ranges: Vec<Range<u32>>,
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
            Self::Range { range: held } => overlap(held, range),
            Self::Blocks { ranges } => ranges.iter().any(|held| overlap(held, range)),
            Self::Unknown { .. } => !range.is_empty(),
        }
    }
}

impl Protection {
    /// The protected ranges; `None` where they are not known.
    #[must_use]
    pub fn ranges(&self) -> Option<&[Range<u32>]> {
        match self {
            Self::None => Some(&[]),
            Self::Range { range } => Some(std::slice::from_ref(range)),
            Self::Blocks { ranges } => Some(ranges),
            Self::Unknown { .. } => None,
        }
    }

    /// What these ranges come to, in any order; those that touch are one.
    #[must_use]
    pub fn of(mut ranges: Vec<Range<u32>>) -> Self {
        ranges.retain(|range| !range.is_empty());
        ranges.sort_by_key(|range| range.start);
        let mut joined: Vec<Range<u32>> = Vec::new();
        for range in ranges {
            match joined.last_mut() {
                Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
                _ => joined.push(range),
            }
        }
        match joined.as_slice() {
            [] => Self::None,
            [one] => Self::Range { range: one.clone() },
            _ => Self::Blocks { ranges: joined },
        }
    }
}

fn overlap(one: &Range<u32>, other: &Range<u32>) -> bool {
    one.start < other.end && other.start < one.end
}

impl fmt::Display for Protection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None => f.write_str("no range is protected"),
            Self::Range { range } => {
                write!(
                    f,
                    "{} to {} is protected",
                    Address(range.start),
                    Address(range.end)
                )
            }
            Self::Blocks { ranges } => {
                let first = ranges.first().map_or(0..0, Range::clone);
                write!(
                    f,
                    "{} ranges are protected, the first {} to {}",
                    ranges.len(),
                    Address(first.start),
                    Address(first.end)
                )
            }
            Self::Unknown { why } => write!(f, "perhaps all is protected: {why}"),
        }
    }
}

const KIB: u32 = 1 << 10;

const NOT_READ: &str = "a status register was not read";
const NO_ANSWER: &str = "a status register reads FFh";
const BITS_SET: &str = "protection bits are set and their range is not known for this part";
const PER_BLOCK: &str = "each block has a lock bit of its own";
const NOT_IN_STATUS: &str = "protection is in a register that is not read";
const FAILED: &str = "an earlier erase or program failed";
const IN_PROGRAM: &str = "the chip is in auto address increment programming";

/// A range counted from one end of the array, perhaps its complement.
#[derive(Default)]
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

fn bit(byte: u8, at: u32) -> bool {
    byte >> at & 1 == 1
}

/// `unit` for level 1 and doubled for each further one; too much for 32 bits is all.
fn doubling(level: u32, unit: u32) -> u32 {
    match level {
        0 => 0,
        level => u32::try_from(u64::from(unit) << (level - 1)).unwrap_or(u32::MAX),
    }
}

impl Layout {
    fn select(&self, registers: &Registers) -> Result<Selection, &'static str> {
        let sr1 = registers.get(READ_STATUS_1).ok_or(NOT_READ)?;
        if sr1 & self.reserved != 0 {
            return Err(BITS_SET);
        }
        let level = self.level(sr1);
        let is_set = |at: Bit| match registers.get(at.register) {
            // A register that the part does not have matters only if there is a range to place.
            Some(0xFF) if level != 0 => Err(BITS_SET),
            Some(byte) => Ok(bit(byte, at.at)),
            None => Err(NOT_READ),
        };
        let optional = |at: Option<Bit>| at.map_or(Ok(false), is_set);
        Ok(Selection {
            bytes: match self.sectors {
                Some((at, level_6)) if is_set(at)? => sectors(level, level_6)?,
                _ => doubling(level, self.unit_kib * KIB),
            },
            from_bottom: optional(self.bottom)?,
            complement: optional(self.complement)?,
        })
    }

    fn level(&self, sr1: u8) -> u32 {
        let bits = (0..).zip(self.levels);
        bits.fold(0, |level, (i, at)| level | u32::from(bit(sr1, *at)) << i)
    }
}

/// Bytes that a level of sectors covers: 4 KiB doubled up to 32 KiB.
fn sectors(level: u32, level_6: Level6) -> Result<u32, &'static str> {
    match (level, level_6) {
        (6, Level6::Unlisted) => Err(BITS_SET),
        (7.., _) | (6, Level6::All) => Ok(u32::MAX),
        (level, _) => Ok(doubling(level, 4 * KIB).min(32 * KIB)),
    }
}

impl StatusFamily {
    /// What `registers` protect on a part of `size_bytes`.
    ///
    /// Never `None` where something is set that this family or size does not explain. Individual
    /// sector locks that some families have beside the status registers do not show here; see
    /// [`StatusFamily::locks_beside`].
    ///
    /// # Examples
    /// ```
    /// use norlock::jedec::opcode::{READ_STATUS_1, READ_STATUS_2, READ_STATUS_3};
    /// use norlock::jedec::status::{Protection, Registers, StatusFamily};
    ///
    /// // TB and BP0 are set: the lowest 256 KiB.
    /// let registers = [(READ_STATUS_1, 0x24), (READ_STATUS_2, 0), (READ_STATUS_3, 0)];
    /// let registers = Registers::from_iter(registers);
    /// let protection = StatusFamily::Winbond.protection(&registers, 16 << 20);
    /// assert_eq!(protection, Protection::Range { range: 0..256 << 10 });
    /// // For this size no table was read: any protect bit counts as all.
    /// let protection = StatusFamily::Winbond.protection(&registers, 1 << 30);
    /// assert!(protection.touches(&(0..1)) && protection.ranges().is_none());
    /// ```
    #[must_use]
    pub fn protection(self, registers: &Registers, size_bytes: u32) -> Protection {
        self.decode(registers, Layout::of(self, size_bytes), size_bytes)
    }

    /// Whether the table of protected ranges for this family and size was read, so that ranges are
    /// told; else any protect bit counts as the whole chip.
    #[must_use]
    pub fn has_table(self, size_bytes: u32) -> bool {
        Layout::of(self, size_bytes).is_some()
    }

    /// As [`StatusFamily::protection`], with the blocks of [`StatusFamily::block_locks`] that were found
    /// locked.
    #[must_use]
    pub fn protection_with(
        self,
        registers: &Registers,
        locked: &[Range<u32>],
        size_bytes: u32,
    ) -> Protection {
        let by_block =
            self.per_block(registers) && !self.block_locks(registers, size_bytes).is_empty();
        let selected = match self.protection(registers, size_bytes) {
            _ if by_block => Protection::None,
            selected => selected,
        };
        match selected.ranges() {
            Some(ranges) => Protection::of([ranges, locked].concat()),
            None => selected,
        }
    }

    /// What `registers` may protect on a part of which only the family is known, and no table was
    /// read: all, as soon as one protect bit is set.
    #[must_use]
    pub fn suspected(self, registers: &Registers) -> Protection {
        self.decode(registers, None, 0)
    }

    fn decode(self, registers: &Registers, layout: Option<&Layout>, size: u32) -> Protection {
        let selection =
            self.judgeable(registers)
                .and_then(|()| match (layout, self.any_set(registers)) {
                    (Some(layout), _) => layout.select(registers),
                    (None, true) => Err(BITS_SET),
                    (None, false) => Ok(Selection::default()),
                });
        match selection {
            Ok(selection) => selection.protection(size),
            Err(why) => Protection::Unknown { why },
        }
    }

    /// Whether the protect bits were read and are what decides.
    fn judgeable(self, registers: &Registers) -> Result<(), &'static str> {
        let sr1 = registers.get(READ_STATUS_1).ok_or(NOT_READ)?;
        let mut needed = self.registers().iter().map(|r| registers.get(r.opcode));
        if sr1 == 0xFF {
            return Err(NO_ANSWER);
        } else if needed.any(|byte| byte.is_none()) {
            return Err(NOT_READ);
        }
        let second = registers.get(READ_STATUS_2);
        match self {
            Self::Sst26 => Err(NOT_IN_STATUS),
            Self::CypressS if sr1 & 0x60 != 0 => Err(FAILED),
            Self::Sst25 if bit(sr1, 6) => Err(IN_PROGRAM),
            _ if self.has_cmp() && second == Some(0xFF) => Err(NO_ANSWER),
            _ if self.per_block(registers) => Err(PER_BLOCK),
            _ => Ok(()),
        }
    }

    /// Whether any bit is set that protects something on one part of the family or another.
    fn any_set(self, registers: &Registers) -> bool {
        let set = |opcode, mask| registers.get(opcode).is_some_and(|byte| byte & mask != 0);
        set(READ_STATUS_1, self.protect_bits()) || self.has_cmp() && set(READ_STATUS_2, CMP)
    }

    /// Whether bit 6 of the register at 35h is CMP.
    pub(super) fn has_cmp(self) -> bool {
        matches!(
            self,
            Self::Winbond | Self::GigaDevice | Self::Adesto | Self::CypressL
        )
    }

    /// Whether a setting gives each block a lock bit of its own and leaves BP without effect.
    #[must_use]
    pub fn per_block(self, registers: &Registers) -> bool {
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

    /// Locks that the status registers do not show, in words; a refused erase is their sign.
    #[must_use]
    pub fn locks_beside(self) -> Option<&'static str> {
        match self {
            Self::Micron => Some("sector lock registers and non-volatile lock bits"),
            Self::M25px => Some("sector lock registers"),
            Self::CypressS => Some("sector protection by PPB and DYB bits"),
            Self::CypressL => Some("individual block locks and the pointer region"),
            Self::AdestoDf => Some("sector protection registers"),
            _ => None,
        }
    }
}
