//! The simulated chip: its cells, its registers and the modes it can be in.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::ops::Range;

use super::cells::Cells;
use super::random::{byte, mix};
use super::registers;
use super::sfdp;
use crate::jedec::opcode as op;
use crate::jedec::status::StatusFamily;
use crate::part::{FourByte, Part, UniqueIdRead};

/// Bytes that a 3-byte address reaches.
pub(super) const SEGMENT_BYTES: u32 = 1 << 24;

/// Time from release or reset to the first command taken: the longest tRES1 and tRST of the
/// datasheets in `chips/` (tRES1 of PY25Q64HA V1.6, tRST of W25Q128JV Rev. I).
pub(super) const WAKE_NS: u64 = 30_000;

/// A chip, powered.
#[derive(Debug)]
pub(super) struct Chip {
    pub(super) part: Part,
    /// What is its own is drawn from.
    pub(super) seed: u64,
    pub(super) cells: Cells,
    /// Cells there really are; addresses wrap there.
    pub(super) real_size_bytes: u32,
    pub(super) id: Vec<u8>,
    pub(super) unique_id: Vec<u8>,
    pub(super) sfdp: Option<Vec<u8>>,
    /// What it answers to 65h, by address.
    pub(super) addressed: BTreeMap<u32, u8>,
    /// What it answers instead of its ID, while a fault says so.
    pub(super) lying_id: Option<Vec<u8>>,
    /// What it answers instead of its SFDP, while a fault says so.
    pub(super) lying_sfdp: Option<Vec<u8>>,
    /// Ranges programmed or erased only weakly.
    pub(super) unstable: Vec<Range<u32>>,
    pub(super) state: State,
}

/// What a chip's registers and latches hold; all but `stored` is lost with the supply.
#[derive(Debug, Clone, Default)]
pub(super) struct State {
    /// The non-volatile status registers.
    pub(super) stored: [u8; 3],
    /// The status registers in force.
    pub(super) registers: [u8; 3],
    /// SST26: the block protection register as a whole.
    pub(super) blocks_locked: bool,
    pub(super) write_enabled: bool,
    /// 50h was sent: the next status write is taken without WEL.
    pub(super) status_write_enabled: bool,
    pub(super) busy_until_ns: u64,
    /// Cypress: an operation failed; busy until the status is cleared.
    pub(super) latched: bool,
    /// The failure bits: of the flag status register (Micron) or of status register 1.
    pub(super) flags: u8,
    pub(super) asleep: bool,
    pub(super) deaf: bool,
    pub(super) ready_at_ns: u64,
    /// A frame begins with its address, until FFh ends that.
    pub(super) continuous: bool,
    pub(super) four_byte: bool,
    pub(super) four_byte_at_power_up: bool,
    pub(super) extended: u8,
    pub(super) bank: u8,
    pub(super) reset_enabled: bool,
    /// WP# is low.
    pub(super) write_protect_pin: bool,
    /// Volatile locks by where their block begins; those that are not here are as at power-up.
    pub(super) locks: BTreeMap<u32, u8>,
    /// Sectors of 64 KiB with a lock that outlasts the supply.
    pub(super) lasting_locks: BTreeSet<u32>,
    /// Where auto address increment goes on.
    pub(super) increment: Option<u32>,
}

impl Chip {
    pub(super) fn new(part: Part, cells: Cells, seed: u64) -> Self {
        let length = part.unique_id.map_or(8, |read| read.length_bytes);
        let unique_id = (0..u64::from(length)).map(|i| byte(mix(seed, 0x1D, i)));
        let mut chip = Self {
            real_size_bytes: part.size_bytes,
            id: part.jedec_id.0.clone(),
            unique_id: unique_id.collect(),
            sfdp: sfdp::of(&part),
            addressed: BTreeMap::new(),
            lying_id: None,
            lying_sfdp: None,
            unstable: Vec::new(),
            state: State::default(),
            part,
            seed,
            cells,
        };
        chip.power_up();
        chip
    }

    /// The same chip, apart from this one.
    pub(super) fn fork(&self) -> io::Result<Self> {
        Ok(Self {
            part: self.part.clone(),
            cells: self.cells.fork()?,
            id: self.id.clone(),
            unique_id: self.unique_id.clone(),
            sfdp: self.sfdp.clone(),
            addressed: self.addressed.clone(),
            lying_id: self.lying_id.clone(),
            lying_sfdp: self.lying_sfdp.clone(),
            unstable: self.unstable.clone(),
            state: self.state.clone(),
            ..*self
        })
    }

    /// The supply comes back: locks until power-up end, and everything volatile is as it comes up.
    pub(super) fn power_up(&mut self) {
        self.state.stored = registers::after_power_up(self.part.status, self.state.stored);
        self.start_over();
    }

    /// Everything volatile is as it comes up.
    fn start_over(&mut self) {
        let mut stored = self.state.stored;
        let family = self.part.status;
        match family {
            // Nothing of it outlasts the supply (SST25VF016B DS25044A, status register).
            StatusFamily::Sst25 => stored = [0; 3],
            // RSTHLD and WPEN do (SST26VF080A DS20006203B, configuration register).
            StatusFamily::Sst26A => stored = [0, stored[1] & 0xC0, 0],
            _ => {}
        }
        if let (true, Some(first)) = (self.part.protected_at_power_up, stored.first_mut()) {
            *first |= registers::power_up_bits(family, self.part.size_bytes);
        }
        let always_four = !self.part.addressing.three_byte;
        self.state = State {
            stored,
            registers: stored,
            blocks_locked: self.part.protected_at_power_up && family == StatusFamily::Sst26,
            four_byte: self.state.four_byte_at_power_up || always_four,
            four_byte_at_power_up: self.state.four_byte_at_power_up,
            write_protect_pin: self.state.write_protect_pin,
            lasting_locks: std::mem::take(&mut self.state.lasting_locks),
            ..State::default()
        };
    }

    /// Resets on 66h, 99h: modes and latches, not the WP# pin; a lock until power-up stays
    /// (PY25Q64HA V1.6).
    pub(super) fn reset(&mut self, now_ns: u64) {
        self.start_over();
        self.state.ready_at_ns = now_ns.saturating_add(WAKE_NS);
    }

    pub(super) fn busy(&self, now_ns: u64) -> bool {
        self.state.latched || now_ns < self.state.busy_until_ns
    }

    /// What Read JEDEC ID gives, over and over. Where the unique ID stands behind it, the length of
    /// what follows does too, and bytes up to the ID: on Micron parts 10h, two extended bytes and 14
    /// factory bytes (N25Q256A Rev. W 11/16).
    pub(super) fn shown_id(&self) -> Vec<u8> {
        if let Some(lie) = &self.lying_id {
            return lie.clone();
        }
        let mut id = self.id.clone();
        if let Some(read) = self.unique_id_by(op::READ_JEDEC_ID) {
            id.resize(3, 0);
            id.push(
                read.dummy_bytes
                    .saturating_sub(4)
                    .saturating_add(read.length_bytes),
            );
            id.resize(usize::from(read.dummy_bytes), 0);
            id.extend(&self.unique_id);
        }
        id
    }

    /// How the unique ID is read, if it is by `opcode`.
    pub(super) fn unique_id_by(&self, opcode: u8) -> Option<UniqueIdRead> {
        self.part.unique_id.filter(|read| read.opcode == opcode)
    }

    /// What Read SFDP gives; on some parts the unique ID stands in that space.
    pub(super) fn shown_sfdp(&self) -> Option<Cow<'_, [u8]>> {
        let tables = self.lying_sfdp.as_deref().or(self.sfdp.as_deref());
        let Some(place) = self
            .unique_id_by(op::READ_SFDP)
            .and_then(|read| read.address)
        else {
            return tables.map(Cow::Borrowed);
        };
        let (start, end) = (place as usize, place as usize + self.unique_id.len());
        let mut space = tables.unwrap_or_default().to_vec();
        space.resize(space.len().max(end), 0xFF);
        if let Some(bytes) = space.get_mut(start..end) {
            bytes.copy_from_slice(&self.unique_id);
        }
        Some(Cow::Owned(space))
    }

    /// Ends what faults had made of the chip for as long as they are in force.
    pub(super) fn end_faults(&mut self) {
        self.lying_id = None;
        self.lying_sfdp = None;
        self.real_size_bytes = self.part.size_bytes;
        self.state.write_protect_pin = false;
    }

    pub(super) fn way_in(&self, wanted: impl Fn(&FourByte) -> bool) -> Option<&FourByte> {
        self.part
            .addressing
            .four_byte
            .iter()
            .find(|way| wanted(way))
    }

    pub(super) fn has_dedicated(&self, opcode: u8) -> bool {
        let listed = |way: &FourByte| matches!(way, FourByte::Dedicated { opcodes } if opcodes.contains(&opcode));
        self.way_in(listed).is_some()
    }

    /// Whether the usual opcodes take four address bytes now.
    pub(super) fn takes_four_bytes(&self) -> bool {
        let extadd = |way: &FourByte| *way == FourByte::BankRegister { extadd: true };
        self.state.four_byte || (self.state.bank & 0x80 != 0 && self.way_in(extadd).is_some())
    }

    /// The array address that `sent`, of `bytes` bytes, means.
    pub(super) fn resolve(&self, sent: u32, bytes: usize) -> u32 {
        let upper = match bytes {
            3 => u32::from(self.state.extended | self.state.bank & 0x7F) << 24,
            _ => 0,
        };
        (sent | upper) % self.part.size_bytes.max(1)
    }

    /// Where a read that starts at `address` wraps: in the whole array, or in the 16 MiB segment
    /// that the extended address or bank register selects (W25Q256JV Rev. I, section 7.2).
    pub(super) fn window(&self, address: u32, bytes: usize) -> Range<u32> {
        if bytes == 3 && self.part.size_bytes > SEGMENT_BYTES {
            let start = address & !(SEGMENT_BYTES - 1);
            start
                ..start
                    .saturating_add(SEGMENT_BYTES)
                    .min(self.part.size_bytes)
        } else {
            0..self.part.size_bytes
        }
    }

    /// Fills `into` from the array, starting at `next`, and moves `next` on; wraps in `window`.
    pub(super) fn read_on(
        &self,
        next: &mut u32,
        window: &Range<u32>,
        into: &mut [u8],
    ) -> io::Result<()> {
        let mut rest = into;
        while !rest.is_empty() {
            let physical = self.physical(*next);
            let room = (window.end - *next).min(self.real_size_bytes - physical);
            let length = rest.len().min(room.max(1) as usize);
            let (run, later) = rest.split_at_mut(length);
            self.cells.read(physical, run)?;
            *next += length as u32;
            if *next >= window.end {
                *next = window.start;
            }
            rest = later;
        }
        Ok(())
    }

    /// The cell behind an address.
    pub(super) fn physical(&self, address: u32) -> u32 {
        address % self.real_size_bytes.max(1)
    }

    /// The range that erase and program leave silently unchanged.
    pub(super) fn protected_range(&self) -> Range<u32> {
        let size = self.part.size_bytes;
        match self.part.status {
            // SST26 locks by a register of its own.
            StatusFamily::Sst26 if self.state.blocks_locked => 0..size,
            StatusFamily::Sst26 => 0..0,
            _ if self.locks_in_place() => 0..0,
            family => registers::protected(family, &self.state.registers, size),
        }
    }

    /// Whether a status register takes no writes now.
    pub(super) fn is_locked(&self, place: registers::Place) -> bool {
        let state = &self.state;
        let pin_low = state.write_protect_pin;
        registers::locked(self.part.status, place, &state.registers, pin_low)
    }

    /// A status register as the chip shows it.
    pub(super) fn register(&self, place: registers::Place, now_ns: u64) -> u8 {
        let held = self.state.registers.get(place).copied().unwrap_or(0);
        let family = self.part.status;
        let busy = self.busy(now_ns);
        match (place, family) {
            (0, _) => {
                // WEL falls when the operation is complete, not when it starts.
                let enabled = self.state.write_enabled || busy;
                let increment = self.state.increment.is_some();
                let errors = match family {
                    StatusFamily::CypressS | StatusFamily::AdestoDf => self.state.flags,
                    _ => 0,
                };
                held & !0x03
                    | u8::from(busy)
                    | u8::from(enabled) << 1
                    | u8::from(increment) << 6
                    | errors
            }
            (1, StatusFamily::Macronix) => held | u8::from(self.state.four_byte) << 5,
            (2, StatusFamily::Winbond | StatusFamily::GigaDevice) => {
                held | u8::from(self.state.four_byte)
            }
            _ => held,
        }
    }

    /// The flag status register of Micron parts.
    pub(super) fn flag_status(&self, now_ns: u64) -> u8 {
        let ready = u8::from(!self.busy(now_ns)) << 7;
        ready | self.state.flags | u8::from(self.state.four_byte)
    }

    /// The one byte that release from power-down gives after three dummy bytes: one less than the
    /// density byte (17h on W25Q128JV Rev. I, 16h on GD25Q64C Rev. 3.0).
    pub(super) fn electronic_id(&self) -> u8 {
        self.id
            .get(2)
            .map_or(0xFF, |density| density.wrapping_sub(1))
    }
}
