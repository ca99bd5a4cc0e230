//! Ways in and out of 4-byte addressing, soft resets and quad enable, as BFPT DWORDs 15 and 16
//! name them.

use serde::{Deserialize, Serialize};

use crate::jedec::opcode::{READ_STATUS_1, READ_STATUS_2};

/// A way into 4-byte addressing (BFPT DWORD 16, bits 30:24).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Enter4Byte {
    /// B7h.
    Mode,
    /// 06h, then B7h.
    WriteEnableMode,
    /// Extended address register, C8h and C5h.
    ExtendedAddress,
    /// Bank register, 16h and 17h, bit 7.
    BankRegister,
    /// Non-volatile configuration register, B5h and B1h: never used, it lasts.
    NonVolatileConfiguration,
    /// Opcodes that always take four bytes; see the 4-byte address instruction table.
    DedicatedOpcodes,
    /// The part always takes four bytes.
    Always,
}

/// A way out of 4-byte addressing (BFPT DWORD 16, bits 21:14).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Exit4Byte {
    /// E9h.
    Mode,
    /// 06h, then E9h.
    WriteEnableMode,
    /// Extended address register (C5h) to 0.
    ExtendedAddress,
    /// Bank register (17h) bit 7 to 0.
    BankRegister,
    /// Non-volatile configuration register (B1h): never used, it lasts.
    NonVolatileConfiguration,
    /// Hardware reset.
    HardwareReset,
    /// Software reset.
    SoftwareReset,
    /// Power cycle.
    PowerCycle,
}

/// A soft reset or rescue sequence (BFPT DWORD 16, bits 12:8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoftReset {
    /// Ones on four lanes for 8 clocks.
    Ones8Clocks,
    /// Ones on four lanes for 10 clocks.
    Ones10Clocks,
    /// Ones on four lanes for 16 clocks.
    Ones16Clocks,
    /// F0h.
    ResetF0,
    /// 66h, then 99h.
    ResetEnableReset,
}

/// One bit of DWORD 16 with its meaning and how a screen calls it.
pub(super) type Bit<T> = (u32, T, &'static str);

/// DWORD 16, bits 30:24, best way first within the standard's order.
pub(super) const ENTER: [Bit<Enter4Byte>; 7] = [
    (24, Enter4Byte::Mode, "B7h"),
    (25, Enter4Byte::WriteEnableMode, "06h B7h"),
    (26, Enter4Byte::ExtendedAddress, "extended address register"),
    (27, Enter4Byte::BankRegister, "bank register"),
    (28, Enter4Byte::NonVolatileConfiguration, "non-volatile bit"),
    (29, Enter4Byte::DedicatedOpcodes, "dedicated opcodes"),
    (30, Enter4Byte::Always, "always"),
];

/// DWORD 16, bits 21:14.
pub(super) const EXIT: [Bit<Exit4Byte>; 8] = [
    (14, Exit4Byte::Mode, "E9h"),
    (15, Exit4Byte::WriteEnableMode, "06h E9h"),
    (16, Exit4Byte::ExtendedAddress, "extended address register"),
    (17, Exit4Byte::BankRegister, "bank register"),
    (18, Exit4Byte::NonVolatileConfiguration, "non-volatile bit"),
    (19, Exit4Byte::HardwareReset, "hardware reset"),
    (20, Exit4Byte::SoftwareReset, "software reset"),
    (21, Exit4Byte::PowerCycle, "power cycle"),
];

/// DWORD 16, bits 12:8.
pub(super) const RESET: [Bit<SoftReset>; 5] = [
    (8, SoftReset::Ones8Clocks, "ones for 8 clocks"),
    (9, SoftReset::Ones10Clocks, "ones for 10 clocks"),
    (10, SoftReset::Ones16Clocks, "ones for 16 clocks"),
    (11, SoftReset::ResetF0, "F0h"),
    (12, SoftReset::ResetEnableReset, "66h 99h"),
];

/// The meanings whose bit is set in `dword`.
pub(super) fn set_bits<T: Copy>(dword: u32, bits: &[Bit<T>]) -> Vec<T> {
    bits.iter()
        .filter(|(bit, _, _)| dword >> bit & 1 == 1)
        .map(|(_, meaning, _)| *meaning)
        .collect()
}

/// A DWORD with the bits of `meanings` set.
pub(super) fn to_bits<T: Copy + PartialEq>(meanings: &[T], bits: &[Bit<T>]) -> u32 {
    bits.iter()
        .filter(|(_, meaning, _)| meanings.contains(meaning))
        .fold(0, |dword, (bit, _, _)| dword | 1 << bit)
}

/// The set bits in words, for a screen.
pub(super) fn in_words<T>(dword: u32, bits: &[Bit<T>]) -> String {
    let words: Vec<_> = bits
        .iter()
        .filter(|(bit, _, _)| dword >> bit & 1 == 1)
        .map(|(_, _, words)| *words)
        .collect();
    if words.is_empty() {
        "none".to_owned()
    } else {
        words.join(", ")
    }
}

/// Quad enable requirement (QER), the code of BFPT DWORD 15, bits 22:20.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct QuadEnable(pub u8);

impl QuadEnable {
    /// Whether the part has no such bit: its quad reads always work.
    #[must_use]
    pub fn needs_none(self) -> bool {
        self.0 == 0
    }

    /// The opcode that reads the register, and the bit in it; `None` where there is none, its register is
    /// read in another way (3Fh), or the code is reserved.
    #[must_use]
    pub fn bit(self) -> Option<(u8, u8)> {
        match self.0 {
            1 | 4 | 5 | 6 => Some((READ_STATUS_2, 0x02)),
            2 => Some((READ_STATUS_1, 0x40)),
            _ => None,
        }
    }

    /// Where the QE bit is and what writes it.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        match self.0 {
            0 => "no QE bit",
            1 => "SR2 bit 1; a one-byte 01h clears it",
            2 => "SR1 bit 6",
            3 => "SR2 bit 7, written with 3Eh",
            4 => "SR2 bit 1, written with two-byte 01h",
            5 => "SR2 bit 1, read with 35h, written with 01h",
            6 => "SR2 bit 1, written with 31h",
            _ => "reserved",
        }
    }
}
