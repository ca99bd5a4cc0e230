//! The 4-byte Address Instruction Table (4BAIT).

use serde::Serialize;

use super::basic::{Basic, bits, byte};

/// Bits of DWORD 1 that stand for one opcode each, and what it does.
///
/// Bits 20 to 24 were reserved, and ones, when the table first appeared.
pub(super) const OPCODES: [(u32, u8, &str); 21] = [
    (0, 0x13, "1-1-1 read"),
    (1, 0x0C, "1-1-1 fast read"),
    (2, 0x3C, "1-1-2 read"),
    (3, 0xBC, "1-2-2 read"),
    (4, 0x6C, "1-1-4 read"),
    (5, 0xEC, "1-4-4 read"),
    (6, 0x12, "1-1-1 program"),
    (7, 0x34, "1-1-4 program"),
    (8, 0x3E, "1-4-4 program"),
    (13, 0x0E, "1-1-1 double rate"),
    (14, 0xBE, "1-2-2 double rate"),
    (15, 0xEE, "1-4-4 double rate"),
    (16, 0xE0, "volatile lock read"),
    (17, 0xE1, "volatile lock write"),
    (18, 0xE2, "lasting lock read"),
    (19, 0xE3, "lasting lock write"),
    (20, 0x7C, "1-1-8 read"),
    (21, 0xCC, "1-8-8 read"),
    (22, 0xFD, "1-8-8 double rate"),
    (23, 0x84, "1-1-8 program"),
    (24, 0x8E, "1-8-8 program"),
];

/// First bit of DWORD 1 that only octal parts may be believed in.
pub(super) const OCTAL_FROM_BIT: u32 = 20;

/// Opcodes that always take four address bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FourByteInstructions {
    /// The two DWORDs.
    pub dwords: [u32; 2],
    /// Reads, programs and lock commands that exist.
    pub opcodes: Vec<u8>,
    /// Erase opcodes by the BFPT's type number, 1 to 4; those that can be believed.
    pub erase: Vec<(u8, u8)>,
}

impl FourByteInstructions {
    /// Decodes the table beside the BFPT whose erase types it numbers.
    pub(super) fn decode(dwords: [u32; 2], basic: &Basic) -> Self {
        let [support, erase] = dwords;
        let believed = |bit: u32| bit < OCTAL_FROM_BIT || announces_octal(basic);
        Self {
            dwords,
            opcodes: OPCODES
                .iter()
                .filter(|(bit, _, _)| bits(support, *bit, *bit) == 1 && believed(*bit))
                .map(|(_, opcode, _)| *opcode)
                .collect(),
            erase: (1..=4u8)
                .filter(|number| bits(support, 8 + u32::from(*number), 8 + u32::from(*number)) == 1)
                .map(|number| (number, byte(erase, u32::from(number) - 1)))
                .filter(|(number, opcode)| erase_fault(*number, *opcode, basic).is_none())
                .collect(),
        }
    }

    /// The 4-byte opcode of erase type `number`.
    #[must_use]
    pub fn erase_opcode(&self, number: u8) -> Option<u8> {
        self.erase
            .iter()
            .find(|(of, _)| *of == number)
            .map(|(_, opcode)| *opcode)
    }
}

/// Whether the BFPT announces a read on eight lanes, without which bits 20 to 24 mean nothing.
pub(super) fn announces_octal(basic: &Basic) -> bool {
    basic.fast_reads.iter().any(|read| read.lanes.contains(&8))
}

/// Why a supported erase opcode is not believed.
pub(super) fn erase_fault(number: u8, opcode: u8, basic: &Basic) -> Option<String> {
    let of = basic
        .erase_types
        .iter()
        .find(|erase| erase.number == number);
    if matches!(opcode, 0x00 | 0xFF) {
        return Some(format!("the opcode is {opcode:02X}h"));
    }
    match of {
        None => Some("the basic table has no such type".to_owned()),
        Some(erase) if erase.opcode == opcode => {
            Some(format!("{opcode:02X}h is also its 3-byte opcode"))
        }
        Some(_) => None,
    }
}
