//! Several bits a clock.

use std::fmt;

use serde::{Deserialize, Serialize};

/// On how many lines bits go at once: 1, 2 or 4 each way.
///
/// The opcode goes on one, always. JESD216 writes the three as 1-1-4: opcode, address, data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Lanes {
    /// For what goes out behind the opcode: address, mode and dummy clocks.
    pub out: u8,
    /// For what comes in.
    pub into: u8,
}

impl Lanes {
    /// MOSI out and MISO in.
    pub const ONE: Self = Self { out: 1, into: 1 };

    /// Whether a link with these lanes carries a frame on `other`.
    #[must_use]
    pub fn carry(self, other: Self) -> bool {
        other.out <= self.out && other.into <= self.into
    }
}

impl fmt::Display for Lanes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "1-{}-{}", self.out, self.into)
    }
}

/// The reads of the array on several lanes that the standard lists: opcode, the one that always takes four
/// address bytes, and lanes (JESD216F, BFPT DWORDs 3 and 4, and bits 2 to 5 of the 4-byte table).
///
/// Best first. Four lanes beat two. Where only data goes on several lanes, addresses keep to the wire that
/// contact has proven, the host drives no line but MOSI, and no mode bits that could be misheard are needed;
/// what that costs is some 20 clocks a frame.
pub const LANE_READS: [(u8, u8, Lanes); 4] = [
    (0x6B, 0x6C, Lanes { out: 1, into: 4 }),
    (0xEB, 0xEC, Lanes { out: 4, into: 4 }),
    (0x3B, 0x3C, Lanes { out: 1, into: 2 }),
    (0xBB, 0xBC, Lanes { out: 2, into: 2 }),
];

/// What goes out in mode and dummy clocks. All ones is what ends continuous read, and begins it on no part:
/// W25Q128JV Rev. I wants M5-4 = 10 for that, S25FL064L Axh, MX25L25635F bits that differ from those four
/// below, N25Q256A Rev. W a 0.
pub const LANE_DUMMY: u8 = 0xFF;

/// A program of a page whose data go out on four lanes.
///
/// The opcode says the lanes of its address on no standard's word: 38h enters another protocol on some parts and
/// keeps its address on one lane on others. So a part has the usual opcode only where its own document says so,
/// in this form; the 4-byte ones are in the standard's table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LaneProgram {
    /// Opcode, with an address in the current mode.
    pub opcode: u8,
    /// The opcode that always takes four address bytes; a part may not have it.
    pub opcode_4byte: u8,
    /// Lanes of the address, 1 or 4.
    pub address_lanes: u8,
}

impl LaneProgram {
    /// Lanes of what follows the part on one lane; nothing comes in.
    pub const LANES: Lanes = Lanes { out: 4, into: 1 };

    /// Those that norlock knows: 34h is 1-1-4 and 3Eh is 1-4-4 (JESD216F, 4-byte table, bits 7 and 8); 32h is
    /// 1-1-4 in W25Q128JV Rev. I and W25Q256JV Rev. I, 8.1.2, and 38h 1-4-4 from memory, so that no part in
    /// the table has it.
    ///
    /// Best first: an address on one lane keeps to the wire that contact has proven.
    pub const ALL: [Self; 2] = [
        Self {
            opcode: 0x32,
            opcode_4byte: 0x34,
            address_lanes: 1,
        },
        Self {
            opcode: 0x38,
            opcode_4byte: 0x3E,
            address_lanes: 4,
        },
    ];

    /// The program of [`LaneProgram::ALL`] that has this opcode, of either kind.
    #[must_use]
    pub fn listed(opcode: u8) -> Option<Self> {
        let is = |one: &&Self| [one.opcode, one.opcode_4byte].contains(&opcode);
        Self::ALL.iter().find(is).copied()
    }

    /// How many bytes at the beginning of its frame go on one lane, where the address has so many bytes.
    #[must_use]
    pub fn on_one(self, address_bytes: usize) -> usize {
        match self.address_lanes {
            1 => 1 + address_bytes,
            _ => 1,
        }
    }
}

/// A read of the array on several lanes, as a part has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LaneRead {
    /// Opcode, with an address in the current mode.
    pub opcode: u8,
    /// Its lanes.
    pub lanes: Lanes,
    /// Bytes behind the address, on its lanes: mode bits and dummy clocks together, [`LANE_DUMMY`] each.
    pub dummy_bytes: usize,
}

impl LaneRead {
    /// Most bytes behind the address: twice what any part read of has by default.
    pub const DUMMY_BYTES_MAX: usize = 10;

    /// The read with this opcode, these lanes (of opcode, address and data), and so many mode and dummy clocks
    /// together. `None` where [`LANE_READS`] does not have that opcode with these lanes, and where the clocks make no
    /// whole bytes or more than [`LaneRead::DUMMY_BYTES_MAX`]. `None` also where the address goes on several lanes
    /// with no clock behind it: a chip that takes mode bits all the same would find them undriven.
    #[must_use]
    pub fn listed(opcode: u8, lanes: [u8; 3], clocks: usize) -> Option<Self> {
        let [1, out, into] = lanes else {
            return None;
        };
        let lanes = Lanes { out, into };
        let listed = LANE_READS
            .iter()
            .any(|row| (row.0, row.2) == (opcode, lanes));
        let bits = clocks * usize::from(out);
        let dummy_bytes = bits / 8;
        let least = usize::from(out > 1);
        let fits = bits % 8 == 0 && (least..=Self::DUMMY_BYTES_MAX).contains(&dummy_bytes);
        (listed && fits).then_some(Self {
            opcode,
            lanes,
            dummy_bytes,
        })
    }

    /// The opcode that always takes four address bytes; a part may not have it.
    #[must_use]
    pub fn opcode_4byte(&self) -> Option<u8> {
        let row = LANE_READS.iter().find(|row| row.0 == self.opcode);
        row.map(|row| row.1)
    }

    /// Its place among [`LANE_READS`], best first.
    #[must_use]
    pub fn rank(&self) -> usize {
        let same = |row: &(u8, u8, Lanes)| row.0 == self.opcode;
        LANE_READS.iter().position(same).unwrap_or(usize::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The forms of W25Q128JV Rev. I, 8.2 (BBh: four mode clocks, here two and two as its SFDP has them),
    /// N25Q256A Rev. W and S25FL064L; and those that are no whole bytes, on other lanes, or not listed.
    #[test]
    fn only_listed_forms_of_whole_bytes_are_taken() {
        let bytes = |opcode, lanes, clocks| {
            let read = LaneRead::listed(opcode, lanes, clocks);
            read.map(|read| read.dummy_bytes)
        };
        assert_eq!(bytes(0x3B, [1, 1, 2], 8), Some(1));
        assert_eq!(bytes(0x6B, [1, 1, 4], 8), Some(1));
        assert_eq!(bytes(0xBB, [1, 2, 2], 2 + 2), Some(1));
        assert_eq!(bytes(0xEB, [1, 4, 4], 2 + 4), Some(3));
        assert_eq!(bytes(0xEB, [1, 4, 4], 1 + 9), Some(5));
        assert_eq!(bytes(0xBB, [1, 2, 2], 4 + 8), Some(3));
        for (opcode, lanes, clocks) in [
            (0x6B, [1, 1, 4], 7),
            (0xEB, [1, 4, 4], 5),
            (0x6B, [1, 1, 2], 8),
            (0xEB, [1, 1, 4], 8),
            (0xEB, [4, 4, 4], 6),
            (0x32, [1, 1, 4], 0),
            (0x0B, [1, 1, 1], 8),
            (0xEB, [1, 4, 4], 38),
            // Mode bits, if the chip has any, that nobody drives.
            (0xEB, [1, 4, 4], 0),
            (0xBB, [1, 2, 2], 0),
        ] {
            assert_eq!(
                bytes(opcode, lanes, clocks),
                None,
                "{opcode:02X}h {lanes:?}"
            );
        }
    }
}
