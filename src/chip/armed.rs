//! A chip that may be changed.

mod busy;
mod increment;
mod learnt;

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Duration;

pub(crate) use increment::word_settle;

use super::{Chip, ChipError, Permission, ReadCommand};
use crate::jedec::status::{RegisterWrite, Registers};
use crate::jedec::{Address, Hertz, opcode};
use crate::link::{Frame, LinkError, Purpose, Scope, Segment};
use crate::part::{EraseType, Part, ProgramMethod};
use busy::{Course, Look, Operation};
use learnt::Learnt;
pub use learnt::MESSAGE;

/// Bytes that a look reads of the status register; the last counts. The settle time lies behind the opcode, and
/// when a chip takes over its status for the first byte is not printed: it may be as of before that time. The
/// register is put out again and again for as long as it is clocked (datasheets, Read Status Register;
/// the test names one), so a byte more is as of later.
const STATUS_BYTES: usize = 2;
const WIP: u8 = 0b01;
const WEL: u8 = 0b10;
/// BP0 to BP2, or what else stands there: bits that no erase or program of any family changes. An open
/// wire shows them set.
const STEADY: u8 = 0b1_1100;

/// A chip that erases and programs.
///
/// After a failed erase or program, or a sign of a lost contact, it latches: only reading is left until
/// it is armed anew. It claims no success: [`Armed::disarmed`] gives a chip whose whole array is then read.
/// Where auto address increment was left half way and write disable does not end it, its methods that read
/// fail with `WelStuck` as well.
///
/// Arming needs a permission, which nobody but the interlocks can make:
///
/// ```compile_fail,E0277
/// # fn f(chip: norlock::chip::Chip) {
/// let armed = chip.arm(());
/// # }
/// ```
pub struct Armed {
    chip: Chip,
    scope: Scope,
    latched: bool,
    /// Status register 1 before the operation in hand, and what it showed since that cannot be.
    before: Option<u8>,
    strange: Option<u8>,
    /// Auto address increment was begun and is not known to have ended.
    incrementing: bool,
    /// What a message costs besides its bits.
    message: Duration,
    /// What each kind of operation takes this chip.
    learnt: BTreeMap<(u8, u32), Learnt>,
}

impl Chip {
    /// Arms the chip, in exchange for the interlocks' permission.
    ///
    /// # Errors
    /// `OpenedForReading` if the link is guarded for reading.
    pub fn arm(mut self, permission: impl Permission) -> Result<Armed, ChipError> {
        if self.purpose() != Purpose::Write {
            return Err(ChipError::OpenedForReading);
        }
        let scope = permission.scope();
        self.guard.arm(scope);
        Ok(Armed {
            before: self.status_seen,
            chip: self,
            scope,
            latched: false,
            strange: None,
            incrementing: false,
            message: MESSAGE,
            learnt: BTreeMap::new(),
        })
    }
}

impl Armed {
    /// The part.
    #[must_use]
    pub fn part(&self) -> &Part {
        self.chip.part()
    }

    /// Looks at a busy chip as often as is best where each message takes `message` besides its bits;
    /// [`MESSAGE`] otherwise.
    #[must_use]
    pub fn with_message(self, message: Duration) -> Self {
        Self { message, ..self }
    }

    /// Link time.
    #[must_use]
    pub fn now(&self) -> Duration {
        self.chip.now()
    }

    /// What the bench computer reports of an under-voltage of its own supply.
    pub fn under_voltage(&mut self) -> Option<String> {
        self.chip.guard.under_voltage()
    }

    /// Whether an erase or program has failed, or the contact was lost.
    #[must_use]
    pub fn is_latched(&self) -> bool {
        self.latched
    }

    /// Latches: what was read back is not what was written, so nobody knows what more would do.
    pub fn latch(&mut self) {
        self.latched = true;
    }

    /// Reads the ID again. One answer that is not the chip's own is enough: nothing is changed any more.
    ///
    /// # Errors
    /// `LostContact`, `Link`; the chip takes no more writes.
    pub fn check_id(&mut self) -> Result<(), ChipError> {
        self.leave_increment()?;
        self.modify(|armed| armed.chip.insist_on_id())
    }

    /// As [`Chip::registers`].
    ///
    /// # Errors
    /// As [`Chip::registers`]; the chip takes no more writes.
    pub fn registers(&mut self) -> Result<Registers, ChipError> {
        self.leave_increment()?;
        let registers = self.modify(|armed| armed.chip.registers())?;
        self.before = self.chip.status_seen;
        Ok(registers)
    }

    /// As [`Chip::locked_blocks`].
    ///
    /// # Errors
    /// As [`Chip::locked_blocks`]; the chip takes no more writes.
    pub fn locked_blocks(&mut self, registers: &Registers) -> Result<Vec<Range<u32>>, ChipError> {
        self.leave_increment()?;
        self.modify(|armed| armed.chip.locked_blocks(registers))
    }

    /// Reads back at three fifths of the proven SCK with [`Chip::second_command`], as [`Chip::read`].
    /// The whole read at the end then has another SCK, and takes the less time of the two.
    ///
    /// # Errors
    /// As [`Chip::read`].
    pub fn read(&mut self, address: Address, into: &mut [u8]) -> Result<(), ChipError> {
        self.leave_increment()?;
        let command = self.chip.second_command();
        let lower = Hertz(self.chip.sck.0 / 5 * 3).max(self.chip.sck_min());
        let sck = lower.max(Hertz(1)).min(self.chip.sck_for(command));
        self.chip.read(command, sck, address, into)
    }

    /// SCK of modifying frames: half of what contact has proven, within what the part takes.
    #[must_use]
    pub fn sck(&self) -> Hertz {
        self.chip.half_sck()
    }

    /// Erases the block of `kind` at `address`.
    ///
    /// WREN goes in a message of its own and WEL is checked before the erase opcode is sent. Then
    /// sleeps for as long as such an erase takes this chip at the least, polls, and gives up once it has
    /// polled for the maximum and half of it again: the sleep is not counted in that.
    ///
    /// # Errors
    /// `Latched`, `ProtectionOnly`, `NotABlock`: nothing was sent. `AddressMode`, `AddressRegister`,
    /// `WriteEnableRefused`: nothing was changed, and the chip takes no more writes. `TimedOut`, `Failed`,
    /// `StrangeStatus`, `Link`: the block is undefined, and the chip takes no more writes.
    pub fn erase(&mut self, kind: &EraseType, address: Address) -> Result<(), ChipError> {
        self.check_array()?;
        let size_bytes = kind.size_bytes;
        let end = u64::from(address.0) + u64::from(size_bytes);
        let inside = kind
            .only_in
            .as_ref()
            .is_none_or(|range| range.contains(&address.0) && end <= u64::from(range.end));
        let whole = address.0.checked_rem(size_bytes) == Some(0)
            && end <= u64::from(self.chip.size_bytes());
        if !(inside && whole) {
            return Err(ChipError::NotABlock {
                address,
                size_bytes,
            });
        }
        let code = self.erase_opcode(kind)?;
        let command = self.chip.width.command(code, address, 0);
        self.modify(|armed| {
            armed.chip.aim(address)?;
            armed.enable(address)?;
            armed.send(&[&command])?;
            armed.wait_done(&Operation {
                what: "erase",
                address,
                time: kind.time,
                kind: (code, 0),
            })
        })
    }

    /// Programs `data` from `address` on. Bits only change from 1 to 0.
    ///
    /// On a part that programs pages `data` must lie in one page. It goes in pieces where the link's messages are
    /// shorter; write enable, status, program and looks at the status share one message, and a WEL that is read as
    /// 0 there means that the program was ignored. A part that takes bytes gets them one by one. One that takes
    /// words gets them in auto address increment; half a word at either end goes as a single byte.
    ///
    /// # Errors
    /// `Latched`, `ProtectionOnly`, `CrossesPage`, `OutOfRange`: nothing was sent. `AddressMode`, `AddressRegister`,
    /// `WriteEnableRefused`, `TimedOut`, `Failed`, `StrangeStatus`, `Link`: the range is undefined, as a part of it may
    /// be programmed, and the chip takes no more writes.
    pub fn program(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        self.check_array()?;
        self.chip.check_range(address, data.len())?;
        let (page, length) = (self.part().page_size_bytes, data.len());
        let within = address.0.checked_rem(page).map_or(0, u64::from);
        let pages = self.part().program == ProgramMethod::Page;
        if data.is_empty() || (pages && within + length as u64 > u64::from(page)) {
            return Err(ChipError::CrossesPage { address, length });
        }
        match self.part().program {
            ProgramMethod::Page => self.modify(|armed| armed.program_page(address, data)),
            ProgramMethod::Byte => self.modify(|armed| armed.program_bytes(address, data)),
            ProgramMethod::AaiWord => self.modify(|armed| {
                let (head, rest) = data.split_at(address.0 as usize % 2);
                let (words, tail) = rest.split_at(rest.len() / 2 * 2);
                armed.program_bytes(address, head)?;
                let at = |offset: usize| Address(address.0 + offset as u32);
                if !words.is_empty() {
                    armed.program_words(at(head.len()), words)?;
                }
                armed.program_bytes(at(head.len() + words.len()), tail)
            }),
        }
    }

    /// Writes a status register. Whether it took is for the caller to read back: a WP# pin held low
    /// lets the write pass in silence, and nothing shows whether 50h was heard.
    ///
    /// # Errors
    /// `Latched`: nothing was sent. `WriteEnableRefused`: nothing was changed, and the chip takes no more writes.
    /// `TimedOut`, `Failed`, `StrangeStatus`, `Link`: what the registers hold is not known, and the chip takes no more
    /// writes.
    pub fn write_status(&mut self, write: &RegisterWrite) -> Result<(), ChipError> {
        self.check_unlatched()?;
        // Only a register that is to hold all protection bits can read as an open wire does.
        let all_set = write
            .data
            .first()
            .is_some_and(|first| *first >= !(WIP | WEL));
        match self.modify(|armed| armed.write_register(write)) {
            Err(ChipError::StrangeStatus { .. }) if all_set => {
                self.latched = false;
                Ok(())
            }
            result => result,
        }
    }

    fn write_register(&mut self, write: &RegisterWrite) -> Result<(), ChipError> {
        let mut command = vec![write.opcode];
        command.extend_from_slice(&write.data);
        let operation = Operation {
            what: "status write",
            address: Address(0),
            time: self.part().status_write,
            kind: (write.opcode, 0),
        };
        if write.volatile {
            // A WEL left set would make the write last; 50h holds for the next command only.
            let enable = opcode::VOLATILE_STATUS_WRITE_ENABLE;
            (self.before, self.strange) = (None, None);
            self.send(&[&[opcode::WRITE_DISABLE], &[enable], &command])?;
            return self.poll(&operation);
        }
        self.enable(Address(0))?;
        // The bits that stay through an erase are what this changes.
        self.before = None;
        self.send(&[&command])?;
        self.wait_done(&operation)
    }

    /// Command, SCK and frame length for the whole read at the end: the SCK that contact has proven.
    #[must_use]
    pub fn last_read(&self) -> (ReadCommand, Hertz, u32) {
        let command = self.chip.second_command();
        let sck = self.chip.sck_for(command);
        (command, sck, self.chip.pass_frame_bytes(sck))
    }

    /// Ends the session and gives the chip back, for reading only.
    ///
    /// # Errors
    /// `Link`; the chip is then left as by [`Chip::leave`], as far as it answers.
    pub fn disarmed(mut self) -> Result<Chip, ChipError> {
        self.disarm()?;
        Ok(self.chip)
    }

    /// WEL is cleared while modifying frames may still pass, then they may not.
    fn disarm(&mut self) -> Result<(), ChipError> {
        let cleared = self.send(&[&[opcode::WRITE_DISABLE]]);
        self.chip.guard.disarm();
        cleared
    }

    fn check_array(&self) -> Result<(), ChipError> {
        match self.scope {
            Scope::Array => self.check_unlatched(),
            Scope::Protection => Err(ChipError::ProtectionOnly),
        }
    }

    fn check_unlatched(&self) -> Result<(), ChipError> {
        if self.latched {
            Err(ChipError::Latched)
        } else {
            Ok(())
        }
    }

    /// Runs a step that changes the chip, or that a change depends on, and latches if it fails.
    fn modify<T>(
        &mut self,
        step: impl FnOnce(&mut Self) -> Result<T, ChipError>,
    ) -> Result<T, ChipError> {
        let result = step(self);
        self.latched |= result.is_err();
        result
    }

    fn erase_opcode(&self, kind: &EraseType) -> Result<u8, ChipError> {
        if self.chip.width == super::width::Width::Dedicated {
            kind.opcode_4byte.ok_or(ChipError::NotABlock {
                address: Address(0),
                size_bytes: kind.size_bytes,
            })
        } else {
            Ok(kind.opcode)
        }
    }

    /// Write enable in a message of its own, with WEL checked.
    fn enable(&mut self, address: Address) -> Result<(), ChipError> {
        let mut status = [0];
        let sck = self.sck();
        let mut batch = [
            Frame::new(vec![Segment::Out(&[opcode::WRITE_ENABLE])]),
            Frame::new(vec![
                Segment::Out(&[opcode::READ_STATUS_1]),
                Segment::In(&mut status),
            ]),
        ];
        self.chip.guard.transfer(&mut batch, sck)?;
        self.enabled(address, status)
    }

    /// Notes the status that an operation begins with, or refuses to begin.
    fn enabled(&mut self, address: Address, status: [u8; 1]) -> Result<(), ChipError> {
        check_enabled(address, status, self.before)?;
        self.before = Some(status[0]);
        self.strange = None;
        Ok(())
    }

    /// Programs within a page: at once, or in pieces where the link's messages are shorter.
    fn program_page(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        let (mut at, mut rest) = (address, data);
        while !rest.is_empty() {
            let limits = self.chip.guard.limits();
            let length = self.room_for_program(1).min(rest.len());
            let (now, later) = rest.split_at(length);
            match self.program_once(at, now) {
                // The link has lowered its limit and sent nothing.
                Err(ChipError::Link(LinkError::TooLong { .. }))
                    if self.chip.guard.limits() != limits =>
                {
                    continue;
                }
                sent => sent?,
            }
            (at, rest) = (Address(at.0.saturating_add(length as u32)), later);
        }
        Ok(())
    }

    /// Bytes that one message programs, beside write enable, command and looks at the status.
    fn room_for_program(&self, looks: usize) -> usize {
        let limits = self.chip.guard.limits();
        let code = self.chip.program_opcode();
        let head = self.chip.width.command(code, Address(0), 0).len();
        let head = self.chip.program_head(head);
        let head: usize = head.into_iter().map(|bytes| limits.counted(bytes)).sum();
        // An exchange counts in both directions, so that all bytes of a look do.
        let statuses = looks * self.look_frames() * limits.counted(1 + STATUS_BYTES);
        let beside = limits.counted(1) + limits.counted(2) + statuses + head;
        let room = limits.batch_out_bytes.saturating_sub(beside);
        (room - room % limits.segment_align_bytes.max(1)).max(1)
    }

    /// Looks that fit behind so many bytes in one message; one in any case.
    fn looks_beside(&self, length: usize) -> usize {
        let (limits, frames) = (self.chip.guard.limits(), self.look_frames());
        // Write enable, its look, head and data; a head on one lane and four is two segments.
        let [_, address] = self.chip.program_head(length);
        let sent = 5 + usize::from(address > 0);
        let fit = |looks: &usize| {
            let statuses = looks * frames;
            let into = limits.counted(2) + statuses * limits.counted(1 + STATUS_BYTES);
            self.room_for_program(*looks) >= length
                && into <= limits.batch_in_bytes
                && sent + 2 * statuses <= limits.batch_segments
        };
        (1..=Learnt::LOOKS_MAX).rev().find(fit).unwrap_or(1)
    }

    fn program_bytes(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        for (at, byte) in (address.0..).zip(data) {
            self.program_once(Address(at), std::slice::from_ref(byte))?;
        }
        Ok(())
    }

    fn program_once(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        self.chip.aim(address)?;
        let code = self.chip.program_opcode();
        let operation = Operation {
            what: "program",
            address,
            time: self.part().page_program,
            kind: (code, usize::BITS - data.len().leading_zeros()),
        };
        let plan = self.plan(&operation);
        let (sck, look_time) = (self.sck(), self.look_time());
        let times = plan.looks(look_time, self.looks_beside(data.len()));
        let head = self.chip.width.command(code, address, 0);
        let (mut before, mut looks) = ([0], vec![Look::default(); times.len()]);
        let mut batch = vec![
            Frame::new(vec![Segment::Out(&[opcode::WRITE_ENABLE])]),
            Frame::new(vec![
                Segment::Out(&[opcode::READ_STATUS_1]),
                Segment::In(&mut before),
            ]),
            self.chip.program_frame(&head, data),
        ];
        batch.extend(self.looks(&mut looks, &settles(&times, look_time)));
        self.chip.guard.transfer(&mut batch, sck)?;
        drop(batch);
        self.enabled(address, before)?;
        let whole = times.last().copied().unwrap_or_default() + look_time;
        let mut course = Course::new(plan, self.now().saturating_sub(whole));
        for (at, look) in times.into_iter().zip(looks) {
            self.note(&mut course, at..=at, look);
        }
        self.conclude(&operation, course)
    }

    fn send(&mut self, frames: &[&[u8]]) -> Result<(), ChipError> {
        let sck = self.sck();
        let mut batch: Vec<Frame<'_>> = frames
            .iter()
            .map(|bytes| Frame::new(vec![Segment::Out(bytes)]))
            .collect();
        self.chip
            .guard
            .transfer(&mut batch, sck)
            .map_err(|error: LinkError| error.into())
    }
}

/// The settle time of each look, of looks at these times that take `look` on the wire.
fn settles(times: &[Duration], look: Duration) -> Vec<Duration> {
    let mut over = Duration::ZERO;
    let each = times.iter().map(|at| {
        let settle = at.saturating_sub(over);
        over = *at + look;
        settle
    });
    each.collect()
}

/// WEL must be set and WIP clear; FFh has WEL set too and is what an open wire reads as. Steady bits must
/// be as `before`.
fn check_enabled(address: Address, [status]: [u8; 1], before: Option<u8>) -> Result<(), ChipError> {
    let steady = before.is_none_or(|before| (before ^ status) & STEADY == 0);
    if steady && status & (WEL | WIP) == WEL {
        Ok(())
    } else {
        Err(ChipError::WriteEnableRefused { address, status })
    }
}
