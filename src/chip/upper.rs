//! Addresses that a register completes: a segment of 16 MiB at a time, or four bytes by one of its bits.
//!
//! Such a register is volatile. A chip that lost its supply for a moment has it at 0 again, and would
//! erase 16 MiB lower; so it is read back when it was set, and again before each erase and program.

use super::width::{LIMIT_3BYTE, segment_end};
use super::{Chip, ChipError, Width};
use crate::jedec::{Address, opcode};
use crate::part::FourByte;

/// Bit 7 of a bank register: four address bytes ([`opcode::WRITE_BANK`]).
const EXTADD: u8 = 0x80;

/// The register in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Upper {
    write: u8,
    read: u8,
    /// It is set to EXTADD, and addresses have four bytes; else it holds their upper byte.
    pub(super) four: bool,
    /// Bits that can be set in a chip of this part.
    bits: u8,
    /// As first found, to be put back; `None` until it was read.
    pub(super) found: Option<u8>,
    /// What was last written and read back.
    holds: Option<u8>,
}

impl Upper {
    /// How `way` reaches all of a part, if it does so by a register.
    pub(super) fn of(way: &FourByte, size_bytes: u32) -> Option<Self> {
        let (write, read) = way.register()?;
        let four = *way == FourByte::BankRegister { extadd: true };
        let segments = (size_bytes.saturating_sub(1) / LIMIT_3BYTE) as u8;
        Some(Self {
            write,
            read,
            four,
            bits: if four { segments | EXTADD } else { segments },
            found: None,
            holds: None,
        })
    }

    pub(super) fn words(self) -> &'static str {
        match (self.four, self.write) {
            (true, _) => "4 address bytes by bank register",
            (false, opcode::WRITE_BANK) => "3 address bytes and bank register",
            (false, _) => "3 address bytes and extended register",
        }
    }

    /// Whether addresses have four bytes where it holds `value`.
    pub(super) fn takes_four(self, value: u8) -> bool {
        self.four && value & !self.bits == 0 && value & EXTADD != 0
    }

    /// What it has to hold for a frame that begins at `address`.
    fn wanted(self, address: Address) -> u8 {
        if self.four {
            EXTADD
        } else {
            (address.0 / LIMIT_3BYTE) as u8
        }
    }
}

impl Chip {
    /// First address that a frame which begins at `address` cannot reach; the chip's end, unless a
    /// register selects a segment.
    pub(super) fn reach(&self, address: Address) -> u32 {
        let whole = self.part.size_bytes;
        match self.width {
            Width::Upper(upper) if !upper.four => segment_end(address).min(whole),
            _ => whole,
        }
    }

    /// Brings the chip to take frames that begin at `address`, if it does not yet.
    pub(super) fn select(&mut self, address: Address) -> Result<(), ChipError> {
        match self.width {
            Width::Upper(upper) if upper.holds != Some(upper.wanted(address)) => {
                self.set_upper(upper, upper.wanted(address))
            }
            _ => Ok(()),
        }
    }

    /// As [`Chip::select`], and asks the chip itself whether it still does: a frame that changes it
    /// comes next. Where nothing shows the mode in use, there is nothing to ask.
    pub(super) fn aim(&mut self, address: Address) -> Result<(), ChipError> {
        self.select(address)?;
        match self.width {
            Width::Upper(upper) => self.check_upper(upper, upper.wanted(address)),
            Width::Mode { .. } => self.check_mode(true),
            Width::ThreeForNow { .. } => self.check_mode(false),
            Width::Three | Width::Four | Width::Dedicated => Ok(()),
        }
    }

    /// Notes what the register holds. Bits in it that no segment of this part has are no answer of such
    /// a register.
    pub(super) fn enter_upper(&mut self, mut upper: Upper) -> Result<(), ChipError> {
        // In a 4-byte mode besides, the register would count for nothing.
        self.check_mode(false)?;
        let found = self.steadily(&[upper.read])?;
        if found & !upper.bits != 0 {
            return Err(ChipError::AddressRegister {
                opcode: upper.read,
                wanted: found & upper.bits,
                seen: found,
            });
        }
        (upper.found, upper.holds) = (Some(found), Some(found));
        self.width = Width::Upper(upper);
        self.select(Address(0))
    }

    /// Puts back what was found.
    pub(super) fn leave_upper(&mut self, upper: Upper) -> Result<(), ChipError> {
        match upper.found {
            Some(found) if upper.holds != Some(found) => self.set_upper(upper, found),
            _ => Ok(()),
        }
    }

    /// Sets the register and reads it back. Write enable goes with it, since some parts want it and
    /// the others take no harm.
    fn set_upper(&mut self, mut upper: Upper, value: u8) -> Result<(), ChipError> {
        // Unknown until it was read back, whatever fails from here on.
        upper.holds = None;
        self.width = Width::Upper(upper);
        self.switch(&[upper.write, value], true)?;
        self.check_upper(upper, value)?;
        upper.holds = Some(value);
        self.width = Width::Upper(upper);
        Ok(())
    }

    /// Reads the register.
    pub(super) fn ask_upper(&mut self, upper: Upper) -> Result<u8, ChipError> {
        self.slowly(&[upper.read])
    }

    fn check_upper(&mut self, upper: Upper, wanted: u8) -> Result<(), ChipError> {
        let seen = self.ask_upper(upper)?;
        if seen == wanted {
            return Ok(());
        }
        Err(ChipError::AddressRegister {
            opcode: upper.read,
            wanted,
            seen,
        })
    }
}
