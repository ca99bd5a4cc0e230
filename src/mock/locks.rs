//! Locks of single blocks on a simulated chip.
//!
//! W25Q128JV Rev. I, 7.1.10 and 8.2 (36h, 39h, 3Dh, 7Eh, 98h; in force with WPS = 1, all closed at
//! power-up); N25Q032A Rev. G and M25PX16 Rev. B (E5h, E8h; open at power-up, bit 1 keeps both bits);
//! MT25QL128ABA Rev. I (besides E2h, E3h, E4h, which outlast the supply, 0 is locked).

use std::ops::Range;

use super::chip::Chip;
use crate::jedec::status::StatusFamily;

/// Which locks a part has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scheme {
    /// One bit for each block, in place of the status registers.
    Bits,
    /// A lock register for each sector; `lasting` bits as well on some.
    Registers { lasting: bool },
}

const MIB: u32 = 1 << 20;
const SECTOR: u32 = 64 << 10;

impl Chip {
    fn scheme(&self) -> Option<Scheme> {
        use StatusFamily as F;
        match (self.part.status, self.part.size_bytes / MIB) {
            (F::Winbond, 4 | 8 | 16) => Some(Scheme::Bits),
            (F::Micron, 4) | (F::M25px, 2) => Some(Scheme::Registers { lasting: false }),
            (F::Micron, 16) => Some(Scheme::Registers { lasting: true }),
            _ => None,
        }
    }

    /// Whether the part has this command of a lock, how many address bytes it takes, and whether data.
    pub(super) fn lock_command(&self, opcode: u8) -> Option<(usize, bool)> {
        match (self.scheme()?, opcode) {
            (Scheme::Bits, 0x36 | 0x39) => Some((3, false)),
            (Scheme::Bits, 0x7E | 0x98) => Some((0, false)),
            (Scheme::Registers { .. }, 0xE5) => Some((3, true)),
            (Scheme::Registers { lasting: true }, 0xE3) => Some((4, false)),
            (Scheme::Registers { lasting: true }, 0xE4) => Some((0, false)),
            _ => None,
        }
    }

    /// Address bytes of a command that reads a lock.
    pub(super) fn lock_read(&self, opcode: u8) -> Option<usize> {
        match (self.scheme()?, opcode) {
            (Scheme::Bits, 0x3D) | (Scheme::Registers { .. }, 0xE8) => Some(3),
            (Scheme::Registers { lasting: true }, 0xE2) => Some(4),
            _ => None,
        }
    }

    /// What a read of a lock gives.
    pub(super) fn lock_byte(&self, opcode: u8, address: u32) -> u8 {
        let address = address % self.part.size_bytes.max(1);
        match opcode {
            0xE2 => u8::from(!self.state.lasting_locks.contains(&(address / SECTOR))),
            _ => self.lock_at(address),
        }
    }

    fn lock_at(&self, address: u32) -> u8 {
        let power_up = u8::from(self.scheme() == Some(Scheme::Bits));
        let start = self.lock_block(address).start;
        self.state.locks.get(&start).copied().unwrap_or(power_up)
    }

    /// The block that the volatile lock at `address` is for.
    fn lock_block(&self, address: u32) -> Range<u32> {
        let last = self.part.size_bytes.saturating_sub(SECTOR);
        let edges = self.scheme() != Some(Scheme::Registers { lasting: false });
        let size = match edges && (address < SECTOR || address >= last) {
            true => 4 << 10,
            false => SECTOR,
        };
        let start = address - address % size;
        start..start + size
    }

    /// Carries out a command of the locks; WEL is the caller's matter.
    pub(super) fn write_lock(&mut self, opcode: u8, address: u32, data: Option<u8>) {
        let address = address % self.part.size_bytes.max(1);
        let start = self.lock_block(address).start;
        let held = self.lock_at(address);
        let locks = &mut self.state.locks;
        match (opcode, data) {
            (0x36, _) => drop(locks.insert(start, 1)),
            (0x39, _) => drop(locks.insert(start, 0)),
            (0x7E, _) => locks.clear(),
            (0x98, _) => self.open_all(),
            (0xE5, Some(value)) if held & 0x02 == 0 => drop(locks.insert(start, value & 0x03)),
            (0xE3, _) => drop(self.state.lasting_locks.insert(address / SECTOR)),
            (0xE4, _) => self.state.lasting_locks.clear(),
            _ => {}
        }
    }

    fn open_all(&mut self) {
        let mut at = 0;
        while at < self.part.size_bytes {
            let block = self.lock_block(at);
            self.state.locks.insert(block.start, 0);
            at = block.end;
        }
    }

    /// Whether locks stand in place of the status registers: WPS, bit 2 of status register 3.
    pub(super) fn locks_in_place(&self) -> bool {
        let [_, _, third] = self.state.registers;
        self.scheme() == Some(Scheme::Bits) && third & 0x04 != 0
    }

    /// Whether a lock in force is for any byte of `range`.
    pub(super) fn is_block_locked(&self, range: &Range<u32>) -> bool {
        let in_force = match self.scheme() {
            None => false,
            Some(Scheme::Bits) => self.locks_in_place(),
            Some(Scheme::Registers { .. }) => true,
        };
        let mut at = range.start;
        while in_force && at < range.end {
            let block = self.lock_block(at);
            if self.lock_at(at) & 1 != 0 || self.state.lasting_locks.contains(&(at / SECTOR)) {
                return true;
            }
            at = block.end;
        }
        false
    }
}
