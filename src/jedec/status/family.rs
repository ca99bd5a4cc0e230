//! The families, which registers they have, and what their flags mean.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::jedec::opcode;
use crate::jedec::sfdp::QuadEnable;

/// Write in progress: bit 0 of status register 1, in every family.
pub const WIP: u8 = 0x01;
/// Write enable latch: bit 1 of status register 1, in every family.
pub const WEL: u8 = 0x02;

/// Auto address increment: bit 6 of status register 1 of [`StatusFamily::Sst25`] (SST25VF016B
/// DS25044A, status register table).
const AAI: u8 = 0x40;
/// Ready: bit 7 of the flag status register (MT25QL128ABA Rev. I, status register table: WIP is its inverse).
pub const FLAG_READY: u8 = 0x80;

/// Layout of the status registers and of block protection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum StatusFamily {
    /// Only WIP and WEL are known.
    Basic,
    /// Winbond: SR1, SR2 (35h/31h), SR3 (15h/11h).
    Winbond,
    /// GigaDevice and those who follow it: BP0..4, CMP in SR2.
    #[serde(rename = "gigadevice")]
    GigaDevice,
    /// Macronix: BP0..3, QE in bit 6, configuration register at 15h.
    Macronix,
    /// ISSI: BP0..3, QE in bit 6.
    Issi,
    /// Micron N25Q and MT25Q: BP0..2, TB, BP3; flag status register.
    Micron,
    /// ST M25P: BP0..2.
    M25p,
    /// ST M25PX: BP0..2, TB; sector lock registers.
    M25px,
    /// Cypress FL-S, FS-S, HL, HS: BP0..2, E_ERR, P_ERR.
    CypressS,
    /// Cypress FL-L.
    CypressL,
    /// Adesto AT25SF: as Winbond without SR3.
    Adesto,
    /// Adesto AT25DF: sectors protected at power-up.
    AdestoDf,
    /// SST25: BP0..3, protected at power-up.
    Sst25,
    /// SST26: block protection register, protected at power-up.
    Sst26,
    /// SST26VF080A: BP0..2 as SST25, protected at power-up; configuration register at 35h.
    Sst26A,
    /// Eon: BP0..3.
    Eon,
}

/// A register that is read by an opcode and nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RegisterRead {
    /// Reads one byte; takes no address.
    pub opcode: u8,
    /// What the family calls it.
    pub name: &'static str,
}

/// Register bytes as they were read, by the opcode that reads them.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Registers(BTreeMap<u8, u8>);

impl Registers {
    /// The byte that `opcode` gave, if it was read.
    #[must_use]
    pub fn get(&self, opcode: u8) -> Option<u8> {
        self.0.get(&opcode).copied()
    }

    /// Keeps the byte that `opcode` gave.
    pub fn set(&mut self, opcode: u8, value: u8) {
        self.0.insert(opcode, value);
    }

    /// Every opcode with the byte it gave.
    pub fn iter(&self) -> impl Iterator<Item = (u8, u8)> + '_ {
        self.0.iter().map(|(opcode, value)| (*opcode, *value))
    }
}

impl FromIterator<(u8, u8)> for Registers {
    fn from_iter<T: IntoIterator<Item = (u8, u8)>>(bytes: T) -> Self {
        Self(bytes.into_iter().collect())
    }
}

/// What a family's flags say has failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FailFlag {
    /// An erase failed.
    Erase,
    /// A program failed.
    Program,
    /// An erase or a program failed; the flag does not tell which.
    EraseOrProgram,
    /// An erase or a program met a protected block.
    Protected,
}

const STATUS_1: RegisterRead = register(opcode::READ_STATUS_1, "SR1");
const STATUS_2: RegisterRead = register(opcode::READ_STATUS_2, "SR2");
const STATUS_3: RegisterRead = register(opcode::READ_STATUS_3, "SR3");

const fn register(opcode: u8, name: &'static str) -> RegisterRead {
    RegisterRead { opcode, name }
}

impl StatusFamily {
    /// The registers that must be read before protection can be judged.
    ///
    /// Only plain reads of the family: 35h is missing where it enters QPI, 15h where it does
    /// something else.
    #[must_use]
    pub fn registers(self) -> &'static [RegisterRead] {
        const WINBOND: [RegisterRead; 3] = [STATUS_1, STATUS_2, STATUS_3];
        const MACRONIX: [RegisterRead; 3] = [
            STATUS_1,
            register(opcode::READ_STATUS_3, "configuration register"),
            register(opcode::READ_SECURITY_MACRONIX, "security register"),
        ];
        const ISSI: [RegisterRead; 2] = [
            STATUS_1,
            register(opcode::READ_FUNCTION_ISSI, "function register"),
        ];
        const CYPRESS: [RegisterRead; 3] = [
            STATUS_1,
            register(opcode::READ_STATUS_2, "configuration register 1"),
            register(opcode::READ_STATUS_3, "configuration register 2"),
        ];
        match self {
            Self::Winbond | Self::GigaDevice => &WINBOND,
            Self::Adesto => &WINBOND[..2],
            Self::Macronix => &MACRONIX,
            Self::Issi => &ISSI,
            Self::CypressL => &CYPRESS,
            Self::CypressS | Self::Sst26 | Self::Sst26A => &CYPRESS[..2],
            Self::Basic
            | Self::Micron
            | Self::M25p
            | Self::M25px
            | Self::AdestoDf
            | Self::Sst25
            | Self::Eon => &WINBOND[..1],
        }
    }

    /// Opcodes that read a register and change nothing on this family.
    #[must_use]
    pub fn observes(self) -> &'static [u8] {
        match self {
            Self::Winbond | Self::GigaDevice => &[0x05, 0x35, 0x15],
            Self::Adesto | Self::Sst26 | Self::Sst26A => &[0x05, 0x35],
            Self::Macronix => &[0x05, 0x15, 0x2B],
            Self::Issi => &[0x05, 0x48],
            Self::Micron => &[0x05, 0x70],
            Self::CypressS => &[0x05, 0x07, 0x35],
            Self::CypressL => &[0x05, 0x07, 0x35, 0x15],
            Self::Basic | Self::M25p | Self::M25px | Self::AdestoDf | Self::Sst25 | Self::Eon => {
                &[0x05]
            }
        }
    }

    /// What the flags say has failed: `sr1` from 05h, `flag` from 70h where the family has it.
    ///
    /// Cypress FL-S: E_ERR and P_ERR are bits 5 and 6 of SR1. Micron: bits 5, 4 and 1 of the flag
    /// status register. AT25DF: EPE is bit 5 of SR1.
    #[must_use]
    pub fn failed(self, sr1: u8, flag: Option<u8>) -> Option<FailFlag> {
        let (byte, meanings): (u8, &[(u8, FailFlag)]) = match self {
            Self::CypressS => (sr1, &[(5, FailFlag::Erase), (6, FailFlag::Program)]),
            Self::AdestoDf => (sr1, &[(5, FailFlag::EraseOrProgram)]),
            Self::Micron => (
                flag?,
                &[
                    (5, FailFlag::Erase),
                    (4, FailFlag::Program),
                    (1, FailFlag::Protected),
                ],
            ),
            _ => return None,
        };
        meanings
            .iter()
            .find(|(bit, _)| byte >> bit & 1 == 1)
            .map(|(_, failure)| *failure)
    }

    /// Whether a failed operation keeps the chip busy until its status is cleared, and `sr1` shows
    /// that: Cypress FL-S. FFh is an open wire.
    #[must_use]
    pub fn is_stuck(self, sr1: u8) -> bool {
        self == Self::CypressS && sr1 != 0xFF && self.failed(sr1, None).is_some()
    }

    /// Where the family shows that it takes four address bytes by mode: register opcode and bit.
    ///
    /// Winbond SR3 bit 0 ADS (W25Q256JV Rev. I, 7.1); Micron flag status bit 0 and Macronix
    /// configuration register bit 5 from memory.
    #[must_use]
    pub fn address_mode_flag(self) -> Option<(u8, u8)> {
        match self {
            Self::Winbond => Some((opcode::READ_STATUS_3, 0x01)),
            Self::Micron => Some((opcode::READ_FLAG_STATUS, 0x01)),
            Self::Macronix => Some((opcode::READ_STATUS_3, 0x20)),
            _ => None,
        }
    }

    /// The bit of status register 1 that shows auto address increment; 0 where it means something
    /// else, or nothing known.
    #[must_use]
    pub fn increment_bit(self) -> u8 {
        if self == Self::Sst25 { AAI } else { 0 }
    }

    /// Where the bit is that lets quad reads work, in the terms of SFDP, for parts whose SFDP leaves it open:
    /// W25Q128JV Rev. I, 7.1; GD25Q64C Rev 3.0, 7.3; AT25SF161 rev. H; MX25L3233F Rev 1.6; IS25LP128 Rev. D;
    /// S25FL512S 001-98284 (CR1 bit 1). N25Q256A Rev. W needs none.
    #[must_use]
    pub fn quad_enable(self) -> Option<QuadEnable> {
        match self {
            Self::Winbond | Self::GigaDevice | Self::Adesto => Some(QuadEnable(4)),
            Self::CypressS | Self::CypressL => Some(QuadEnable(5)),
            Self::Macronix | Self::Issi => Some(QuadEnable(2)),
            Self::Micron => Some(QuadEnable(0)),
            _ => None,
        }
    }

    /// The opcode that clears those flags, where the family has one. Without it a Cypress chip
    /// stays busy after a failure.
    #[must_use]
    pub fn clear_status(self) -> Option<u8> {
        match self {
            Self::CypressS => Some(opcode::CLEAR_STATUS_CYPRESS),
            Self::Micron => Some(opcode::CLEAR_FLAG_STATUS),
            _ => None,
        }
    }
}
