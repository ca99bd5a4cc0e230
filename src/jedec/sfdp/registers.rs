//! The status, control and configuration register map (SCCR, FF87h), as far as its bits are known.
//!
//! The list of DWORDs and the common form of those that tell one bit are from memory; the table of
//! S25HS01GT agrees in DWORDs 1, 5 to 10, 14, 15 and 26 to 28. DWORDs 3, 4, 11 to 13 and 28 stay raw.

use super::basic::{bits, byte};

/// DWORDs of the table as far as they are known.
pub(super) const NAMES: [&str; 28] = [
    "volatile registers, base address",
    "non-volatile registers, base address",
    "addressed access, volatile",
    "addressed access, non-volatile",
    "busy bit (WIP)",
    "write enable bit (WEL)",
    "program error bit",
    "erase error bit",
    "dummy clocks, volatile",
    "dummy clocks, non-volatile",
    "patterns of dummy clocks, 1",
    "patterns of dummy clocks, 2",
    "patterns of dummy clocks, 3",
    "4-4-4 enable, volatile",
    "4-4-4 enable, non-volatile",
    "octal enable, volatile",
    "octal enable, non-volatile",
    "single or double rate, volatile",
    "single or double rate, non-volatile",
    "octal single rate, volatile",
    "octal single rate, non-volatile",
    "octal double rate, volatile",
    "octal double rate, non-volatile",
    "deep power-down bit",
    "ultra-deep power-down bit",
    "driver strength, volatile",
    "driver strength, non-volatile",
    "driver strengths",
];

/// DWORD `number`, counted from 1, in words.
pub(super) fn in_words(number: usize, dword: u32) -> String {
    match number {
        1 | 2 => format!("0x{dword:08X}"),
        5..=10 | 14..=27 => place(dword),
        _ => "not decoded".to_owned(),
    }
}

/// `bit 6 of register 03h by 65h, written by 71h`.
///
/// 31 is presence, 30 polarity, 29 and 28 tell whether the write is a command of its own and the read an
/// addressed one; 26:24 bit, 23:16 register, 15:8 read, 7:0 write.
fn place(dword: u32) -> String {
    if bits(dword, 31, 31) == 0 {
        return "none".to_owned();
    }
    let (bit, register) = (bits(dword, 26, 24), byte(dword, 2));
    let read = match bits(dword, 28, 28) {
        0 => format!("read by {:02X}h", byte(dword, 1)),
        _ => format!("of register {register:02X}h by {:02X}h", byte(dword, 1)),
    };
    let write = match byte(dword, 0) {
        0 => String::new(),
        code => format!(", written by {code:02X}h"),
    };
    let inverted = if bits(dword, 30, 30) == 1 {
        ", inverted"
    } else {
        ""
    };
    format!("bit {bit} {read}{write}{inverted}")
}
