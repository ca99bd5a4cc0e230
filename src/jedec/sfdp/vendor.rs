//! The supply range in vendor tables.
//!
//! GigaDevice prints the layout (GD25Q64C Rev 3.0, table 5), Puya the same (PY25Q64HA V1.6, page
//! 97): DWORD 1 holds the highest supply in bits 15:0 and the lowest in 31:16, as BCD millivolts.
//! Macronix and ISSI tables were seen to follow it.

use serde::Serialize;

use super::RawTable;
use super::basic::bits;
use super::field::{opcode, yes};
use crate::jedec::Millivolts;

/// Makers (low byte of the table's ID, JEP106) whose tables begin with the supply range:
/// GigaDevice, Puya, Macronix, ISSI.
const MAKERS: [u16; 4] = [0xC8, 0x85, 0xC2, 0x9D];

/// A field of DWORD 2 or 3 of such a table: DWORD, bits, name, and the field in words.
pub(super) type Feature = (usize, (u32, u32), &'static str, fn(u32) -> String);

/// What follows the supply range (GD25Q64C Rev 3.0, table 5).
pub(super) const FEATURES: [Feature; 11] = [
    (2, (0, 0), "RESET# pin", yes),
    (2, (1, 1), "HOLD# pin", yes),
    (2, (2, 2), "deep power-down", yes),
    (2, (3, 3), "software reset", yes),
    (2, (11, 4), "software reset, after 66h", code),
    (2, (12, 12), "program suspend", yes),
    (2, (13, 13), "erase suspend", yes),
    (2, (23, 16), "wrapped read, opcode", code),
    (2, (31, 24), "wrapped read, lengths", |v| match v {
        0x64 => "8, 16, 32, 64 bytes".to_owned(),
        v => format!("code {v:02X}h"),
    }),
    (3, (11, 11), "one-time memory", yes),
    (3, (13, 13), "permanent lock", yes),
];

fn code(field: u32) -> String {
    match field {
        0xFF => "none".to_owned(),
        code => opcode(code as u8),
    }
}

/// A supply range, ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct VccRange {
    /// Lowest supply.
    pub min: Millivolts,
    /// Highest supply.
    pub max: Millivolts,
}

impl VccRange {
    /// The highest supply of a part as a multiple of its lowest, at most. The widest range of the parts table
    /// is 1.65 to 3.6 V, and 1.65 to 4.4 V the widest of a SPI NOR part anywhere (AT25XV041B, from memory).
    pub const WIDEST: u32 = 3;

    /// The range that `table` begins with; `None` where it is no such table or makes no sense.
    pub(super) fn decode(table: &RawTable) -> Option<Self> {
        let first = *table.dwords.first()?;
        if !is_supply_table(table) {
            return None;
        }
        let max = bcd(bits(first, 15, 0))?;
        let min = bcd(bits(first, 31, 16))?;
        let sane = 1000 <= min && min < max && max <= 6000 && max <= Self::WIDEST * min;
        sane.then_some(Self {
            min: Millivolts(min),
            max: Millivolts(max),
        })
    }
}

/// Whether `table` should begin with a supply range.
pub(super) fn is_supply_table(table: &RawTable) -> bool {
    !table.header.is_jedec() && MAKERS.contains(&(table.header.id & 0xFF))
}

/// Four decimal digits in 16 bits.
fn bcd(value: u32) -> Option<u32> {
    [12, 8, 4, 0].into_iter().try_fold(0, |sum, low| {
        let digit = bits(value, low + 3, low);
        (digit <= 9).then_some(sum * 10 + digit)
    })
}
