//! A chip that is not yet identified: the start sequence.

use std::time::Duration;

use serde::Serialize;

use super::{Chip, ChipError, poll_slice};
use crate::jedec::sfdp::{Answer, DetectionCommand, EraseLayout, Sfdp};
use crate::jedec::{Hertz, ID_BYTES, opcode};
use crate::link::{Frame, Guard, Link, Purpose, Segment};
use crate::part::{JedecId, Part};

/// SCK for the first frames: every part and every clip that can work at all works at it.
const FIRST_SCK: Hertz = Hertz::mhz(1);
/// Longest release from deep power-down of the catalogue's makers, with margin.
const WAKE_TIME: Duration = Duration::from_micros(100);
/// Longest soft reset of a chip that is idle, with margin: makers give 30 us to 12 ms (from memory).
const RESET_TIME: Duration = Duration::from_millis(20);
/// Comparisons before a controller is taken to drop CS: one bad read is not the controller's.
const FORM_TRIES: u32 = 3;
const WIP: u8 = 0b01;
const WEL: u8 = 0b10;
/// Ready, in the flag status register.
const READY: u8 = 0b1000_0000;

/// A chip select behind the guard, before anything is known of the chip.
pub struct Bare {
    guard: Guard,
    sck: Hertz,
}

/// What the start sequence saw.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FirstLook {
    /// Answer to 9Fh.
    pub id: [u8; ID_BYTES],
    /// Status register 1 as first read.
    pub status: u8,
    /// How long a busy chip was waited for.
    pub busy_for: Duration,
    /// Whether the first Read ID was blank, so that FFh and ABh were sent: out of a continuous read, or asleep.
    pub woken: bool,
    /// Whether WEL was found set and was cleared.
    pub wel_was_set: bool,
    /// Whether the controller drops CS between transfers, so that frames go as one transfer.
    pub single_transfers: bool,
}

impl Bare {
    /// Puts `link` behind the guard; later frames go at `sck`, the first ones at 1 MHz at most.
    #[must_use]
    pub fn new(link: Box<dyn Link>, purpose: Purpose, sck: Hertz) -> Self {
        let sck = sck.min(link.limits().sck_max);
        let mut guard = Guard::new(link, purpose);
        // What any controller carries, until the start sequence knows more.
        guard.single_transfers(true);
        Self { guard, sck }
    }

    /// SCK in use.
    #[must_use]
    pub fn sck(&self) -> Hertz {
        self.sck
    }

    /// What the link was opened for.
    #[must_use]
    pub fn purpose(&self) -> Purpose {
        self.guard.purpose()
    }

    /// Lowest SCK that the link can be asked for.
    #[must_use]
    pub fn sck_min(&self) -> Hertz {
        self.guard.limits().sck_min
    }

    /// Highest SCK that the link can be asked for.
    #[must_use]
    pub fn sck_max(&self) -> Hertz {
        self.guard.limits().sck_max
    }

    /// What the link is called.
    #[must_use]
    pub fn link_name(&self) -> &str {
        self.guard.name()
    }

    /// Meets the chip: 05h before 9Fh, so that a chip that still erases is waited for and not taken
    /// for a dead one; 04h if that shows WEL, so that a chip left in auto address increment hears what
    /// follows; ABh and FFh only if the ID reads uniform; WEL proven clear.
    ///
    /// Waits at most `patience` for a busy chip and asks `stop` meanwhile.
    ///
    /// # Errors
    /// `StillBusy`, `Stopped`, `NoAnswer` if the ID stays uniform, `WelStuck`, `Link`.
    pub fn meet(
        &mut self,
        patience: Duration,
        stop: &dyn Fn() -> bool,
    ) -> Result<FirstLook, ChipError> {
        let slow = self.sck.min(FIRST_SCK);
        // One transfer a frame is understood through any controller, so that a busy or sleeping chip is
        // not taken for a dead one before it is known whether segments are.
        self.guard.single_transfers(true);
        let status = self.status(slow)?;
        let (busy_for, ready) = self.wait_while_busy(status, slow, patience, stop)?;
        // Left in auto address increment a chip takes nothing else, Read ID included; WEL is set in it,
        // and 04h changes nothing on any part.
        let was_enabled = ready != 0xFF && ready & WEL != 0;
        if was_enabled {
            self.send(&[opcode::WRITE_DISABLE], slow)?;
        }
        let mut id = self.id(slow)?;
        let woken = is_uniform(&id);
        if woken {
            self.wake(slow)?;
            id = self.id(slow)?;
        }
        if is_uniform(&id) {
            return Err(ChipError::NoAnswer { byte: id[0] });
        }
        let single_transfers = self.settle_frame_form(slow)?;
        let wel_was_set = self.clear_wel(slow)? || was_enabled;
        Ok(FirstLook {
            id,
            status,
            busy_for,
            woken,
            wel_was_set,
            single_transfers,
        })
    }

    /// Reads the ID once at `sck`.
    ///
    /// # Errors
    /// `Link`.
    pub fn id(&mut self, sck: Hertz) -> Result<[u8; ID_BYTES], ChipError> {
        let mut id = [0; ID_BYTES];
        self.query(&[opcode::READ_JEDEC_ID], &mut id, sck)?;
        Ok(id)
    }

    /// Reads behind 9Fh for `bytes` bytes, and tells how long the link took for it. What comes is not
    /// looked at: it is for measuring the clock.
    ///
    /// # Errors
    /// `Link`.
    pub fn time_run(&mut self, bytes: usize, sck: Hertz) -> Result<Duration, ChipError> {
        let mut into = vec![0; bytes];
        let start = self.guard.now();
        self.query(&[opcode::READ_JEDEC_ID], &mut into, sck)?;
        Ok(self.guard.now().saturating_sub(start))
    }

    /// Bytes that one frame of [`Bare::time_run`] may bring in.
    #[must_use]
    pub fn run_bytes(&self, sck: Hertz) -> usize {
        self.guard.read_bytes(1, sck)
    }

    /// As [`Link::idle`]; false where the link cannot.
    ///
    /// # Errors
    /// `Link`.
    pub fn idle(&mut self, into: &mut [u8]) -> Result<bool, ChipError> {
        let slow = self.sck.min(FIRST_SCK);
        Ok(self.guard.idle(into, slow)?)
    }

    /// As [`Link::under_voltage`].
    pub fn under_voltage(&mut self) -> Option<String> {
        self.guard.under_voltage()
    }

    /// Waits with CS high; see [`Link::wait`].
    pub fn wait(&mut self, time: Duration) {
        self.guard.wait(time);
    }

    /// Link time.
    #[must_use]
    pub fn now(&self) -> Duration {
        self.guard.now()
    }

    /// Resets the chip to its state at power-up: FFh as in [`Bare::rouse`], then 66h and 99h with nothing
    /// between (JESD216F, soft reset sequence). Only where a person asked for it: what is volatile is lost,
    /// and not every old part has it. To be sent to a chip that is not busy.
    ///
    /// # Errors
    /// `Link`.
    pub fn reset(&mut self) -> Result<(), ChipError> {
        self.rouse()?;
        let frame = |code: &'static [u8]| Frame::new(vec![Segment::Out(code)]);
        let mut batch = [frame(&[opcode::RESET_ENABLE]), frame(&[opcode::RESET])];
        self.guard.may_reset(true);
        let sent = self.guard.transfer(&mut batch, self.sck.min(FIRST_SCK));
        self.guard.may_reset(false);
        self.guard.wait(RESET_TIME);
        Ok(sent?)
    }

    /// Ends continuous read and releases from deep power-down: FFh twice in one frame, then ABh. Neither
    /// changes a chip that is in neither.
    ///
    /// # Errors
    /// `Link`.
    pub fn rouse(&mut self) -> Result<(), ChipError> {
        self.wake(self.sck.min(FIRST_SCK))
    }

    /// Reads `into.len()` bytes of SFDP space from `address` at `sck`. Asks `stop` before each frame.
    ///
    /// # Errors
    /// `Stopped`, `Link`.
    pub fn sfdp(
        &mut self,
        address: u32,
        into: &mut [u8],
        sck: Hertz,
        stop: &dyn Fn() -> bool,
    ) -> Result<(), ChipError> {
        let chunk = self.guard.read_bytes(5, sck);
        let mut at = address;
        for piece in into.chunks_mut(chunk) {
            if stop() {
                return Err(ChipError::Stopped);
            }
            let [_, high, middle, low] = at.to_be_bytes();
            self.query(&[opcode::READ_SFDP, high, middle, low, 0], piece, sck)?;
            at = at.saturating_add(u32::try_from(piece.len()).unwrap_or(u32::MAX));
        }
        Ok(())
    }

    /// Where the erase types of `sfdp` work: asks the chip the register reads of its sector map, each
    /// twice, at 1 MHz at most. `None` without a sector map. `maker` is the first byte of its ID.
    ///
    /// A command that is not known to be a read, or whose form depends on a setting of the chip, is not
    /// sent, and two answers that differ count as none.
    ///
    /// # Errors
    /// `Link`.
    pub fn erase_layout(
        &mut self,
        sfdp: &Sfdp,
        maker: u8,
    ) -> Result<Option<EraseLayout>, ChipError> {
        let Some(map) = &sfdp.sector_map else {
            return Ok(None);
        };
        let addresses = sfdp.basic.address_bytes;
        let frame = |command: &DetectionCommand| command.frame(maker, addresses);
        let frames: Vec<_> = map.commands.iter().map(frame).collect();
        self.guard
            .may_ask(maker, frames.iter().flatten().cloned().collect());
        let answers: Result<Vec<Answer>, ChipError> =
            frames.into_iter().map(|frame| self.answer(frame)).collect();
        self.guard.may_ask(maker, Vec::new());
        Ok(sfdp.erase_layout(&answers?))
    }

    fn answer(&mut self, frame: Result<Vec<u8>, String>) -> Result<Answer, ChipError> {
        let frame = match frame {
            Ok(frame) => frame,
            Err(why) => return Ok(Err(why)),
        };
        let (mut first, mut second) = ([0], [0xFF]);
        let slow = self.sck.min(FIRST_SCK);
        self.query(&frame, &mut first, slow)?;
        self.query(&frame, &mut second, slow)?;
        let code = frame.first().copied().unwrap_or_default();
        let ([first], [second]) = (first, second);
        Ok(match first == second {
            true => Ok(first),
            false => Err(format!(
                "{code:02X}h brought {first:02X}h, then {second:02X}h"
            )),
        })
    }

    /// Reads status register 1 once at `sck`.
    ///
    /// # Errors
    /// `Link`.
    pub fn status(&mut self, sck: Hertz) -> Result<u8, ChipError> {
        let mut status = [0];
        self.query(&[opcode::READ_STATUS_1], &mut status, sck)?;
        Ok(status[0])
    }

    /// Whether a part like `part` says by its flag status register (70h) that it is ready; true of one that has
    /// none. With several dies it is one of them that answers.
    ///
    /// # Errors
    /// `Link`.
    pub fn is_ready_by_flag(&mut self, part: &Part) -> Result<bool, ChipError> {
        if !part.status.observes().contains(&opcode::READ_FLAG_STATUS) {
            return Ok(true);
        }
        let mut flags = [0];
        // 70h is another command elsewhere, so that it passes as that part's only.
        self.guard.identified(part);
        let answer = self.query(
            &[opcode::READ_FLAG_STATUS],
            &mut flags,
            self.sck.min(FIRST_SCK),
        );
        self.guard.unidentified();
        answer.map(|()| flags[0] & READY == READY)
    }

    /// Makes it a chip of the given part, and enters the addressing that the part needs. `id` is what it answered:
    /// [`FirstLook::id`].
    ///
    /// # Errors
    /// `NoWayAbove16Mib`: nothing was sent. `AddressMode`, `AddressRegister`, `UnsteadyRegister`, `Link`: what was
    /// changed is put back, as far as the chip answers.
    pub fn into_chip(self, part: Part, id: [u8; ID_BYTES]) -> Result<Chip, ChipError> {
        Chip::new(self.guard, part, id, self.sck)
    }

    fn query(&mut self, command: &[u8], into: &mut [u8], sck: Hertz) -> Result<(), ChipError> {
        let frame = Frame::new(vec![Segment::Out(command), Segment::In(into)]);
        Ok(self.guard.transfer(&mut [frame], sck)?)
    }

    fn send(&mut self, command: &[u8], sck: Hertz) -> Result<(), ChipError> {
        Ok(self
            .guard
            .transfer(&mut [Frame::new(vec![Segment::Out(command)])], sck)?)
    }

    /// How long the chip was waited for, and the status it then shows.
    fn wait_while_busy(
        &mut self,
        mut status: u8,
        sck: Hertz,
        patience: Duration,
        stop: &dyn Fn() -> bool,
    ) -> Result<(Duration, u8), ChipError> {
        let start = self.guard.now();
        // FFh is no answer, not a busy chip.
        while status != 0xFF && status & WIP != 0 {
            let waited = self.guard.now().saturating_sub(start);
            if waited >= patience {
                return Err(ChipError::StillBusy { status, waited });
            }
            if stop() {
                return Err(ChipError::Stopped);
            }
            self.guard.wait(poll_slice(patience));
            status = self.status(sck)?;
        }
        Ok((self.guard.now().saturating_sub(start), status))
    }

    /// Compares Read ID as one transfer with Read ID as two segments. Where they keep differing the
    /// controller drops CS between transfers, and frames stay single transfers.
    fn settle_frame_form(&mut self, sck: Hertz) -> Result<bool, ChipError> {
        for _ in 0..FORM_TRIES {
            self.guard.single_transfers(true);
            let whole = self.id(sck)?;
            self.guard.single_transfers(false);
            if short_id(&whole) == short_id(&self.id(sck)?) {
                return Ok(false);
            }
        }
        self.guard.single_transfers(true);
        Ok(true)
    }

    fn wake(&mut self, sck: Hertz) -> Result<(), ChipError> {
        self.send(&[opcode::MODE_RESET; 2], sck)?;
        self.send(&[opcode::RELEASE_POWER_DOWN], sck)?;
        self.guard.wait(WAKE_TIME);
        Ok(())
    }

    fn clear_wel(&mut self, sck: Hertz) -> Result<bool, ChipError> {
        if self.status(sck)? & WEL == 0 {
            return Ok(false);
        }
        self.send(&[opcode::WRITE_DISABLE], sck)?;
        match self.status(sck)? {
            status if status & WEL != 0 => Err(ChipError::WelStuck { status }),
            _ => Ok(true),
        }
    }
}

/// The first three bytes of an answer to 9Fh.
#[must_use]
pub fn short_id(id: &[u8; ID_BYTES]) -> JedecId {
    JedecId(id.iter().take(3).copied().collect())
}

fn is_uniform(bytes: &[u8]) -> bool {
    let first = bytes.first().copied().unwrap_or(0xFF);
    (first == 0 || first == 0xFF) && bytes.iter().take(3).all(|byte| *byte == first)
}
