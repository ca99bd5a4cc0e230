//! Locks of single blocks, beside the status registers or in place of them.
//!
//! Only where a document was read: W25Q32JV Rev. G, W25Q64JV Rev. J and W25Q128JV Rev. I, 7.1.10 (3Dh,
//! in force with WPS = 1); N25Q032A Rev. G and M25PX16 Rev. B (E8h); MT25QL128ABA Rev. I (E8h and
//! E2h). PY25Q64HA V1.6 prints 3Dh in a table and 3Ch in a figure, so neither is sent; W25Q256JV wants
//! four address bytes in one mode and three in the other.

use std::ops::Range;

use super::{Registers, StatusFamily};
use crate::jedec::opcode::{READ_BLOCK_LOCK, READ_LASTING_LOCK, READ_LOCK_REGISTER, READ_STATUS_1};

/// How the locks of a part are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LockRead {
    /// Reads one byte behind an address.
    pub opcode: u8,
    /// Address bytes, whatever the part else takes.
    pub address_bytes: usize,
}

const KIB: u32 = 1 << 10;
const MIB: u32 = 1 << 20;

const BLOCK: LockRead = LockRead {
    opcode: READ_BLOCK_LOCK,
    address_bytes: 3,
};
const REGISTER: LockRead = LockRead {
    opcode: READ_LOCK_REGISTER,
    address_bytes: 3,
};
const LASTING: LockRead = LockRead {
    opcode: READ_LASTING_LOCK,
    address_bytes: 4,
};

impl LockRead {
    /// Whether this byte says that the block is locked. What no document explains counts as locked.
    #[must_use]
    pub fn is_locked(self, byte: u8) -> bool {
        match self.opcode {
            // Bit 0 locks, bit 1 keeps it so until power-up; the others are 0.
            READ_LOCK_REGISTER => byte & !0x02 != 0,
            // 0 is locked; whether open is all ones or one bit, the document does not say.
            READ_LASTING_LOCK => !matches!(byte, 0x01 | 0xFF),
            _ => byte & 1 != 0,
        }
    }
}

impl StatusFamily {
    /// How a part of this family and size can be asked for its locks: what the guard lets pass.
    #[must_use]
    pub fn lock_reads(self, size_bytes: u32) -> &'static [LockRead] {
        match (self, size_bytes / MIB) {
            (Self::Winbond, 4 | 8 | 16) => &[BLOCK],
            (Self::Micron, 4) | (Self::M25px, 2) => &[REGISTER],
            (Self::Micron, 16) => &[REGISTER, LASTING],
            _ => &[],
        }
    }

    /// The locks that are in force with these registers, each with its block.
    #[must_use]
    pub fn block_locks(
        self,
        registers: &Registers,
        size_bytes: u32,
    ) -> Vec<(LockRead, Range<u32>)> {
        let in_place = self == Self::Winbond;
        if registers.get(READ_STATUS_1).is_none() || in_place && !self.per_block(registers) {
            return Vec::new();
        }
        let reads = self.lock_reads(size_bytes).iter();
        let each = reads.flat_map(|read| {
            let edges = match (self, size_bytes / MIB, read.opcode) {
                (Self::Winbond, ..) | (Self::Micron, 16, READ_LOCK_REGISTER) => 4 * KIB,
                _ => 64 * KIB,
            };
            let blocks = blocks(size_bytes, edges).into_iter();
            blocks.map(|block| (*read, block))
        });
        each.collect()
    }
}

/// Blocks of 64 KiB; the first and the last of them in pieces of `edges`.
fn blocks(size_bytes: u32, edges: u32) -> Vec<Range<u32>> {
    let mut blocks = Vec::new();
    let mut at = 0;
    while at < size_bytes {
        let edge = at < 64 * KIB || at >= size_bytes.saturating_sub(64 * KIB);
        let end = at + if edge { edges } else { 64 * KIB };
        blocks.push(at..end);
        at = end;
    }
    blocks
}
