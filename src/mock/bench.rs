//! A simulated bench: the chip on the clip, the wires, the clock and what is counted.

use std::io;
use std::path::PathBuf;
use std::time::Duration;

use super::cells::Cells;
use super::chip::Chip;
use super::clock::{Clock, Counters, Times, nanoseconds};
use super::faults::{Content, Failure, Fault, Faults, Miso, Torn};
use super::monitor::Monitor;
use super::random::{byte, mix};
use super::state::SavedState;
use crate::jedec::{Hertz, Lanes, Millivolts};
use crate::link::{Frame, Limits, LinkError, Segment};
use crate::part::Part;

/// No link is made to take less, by messages that it refuses: a kernel's buffer is whole pages, and what a
/// controller takes at once without one is at least its queue of some tens of bytes (from memory).
const SHRUNK_BYTES_MIN: usize = 128;

/// What the kernel answers to a message on lanes that its controller has not.
const EINVAL: i32 = 22;

/// Everything behind a [`super::Mock`].
#[derive(Debug)]
pub(super) struct Bench {
    pub(super) name: String,
    pub(super) level: Option<Millivolts>,
    pub(super) limits: Limits,
    pub(super) overhead: Duration,
    pub(super) times: Times,
    pub(super) seed: u64,
    pub(super) chip: Chip,
    /// The first chip, once another is on the clip.
    pub(super) first: Option<Chip>,
    pub(super) faults: Faults,
    /// A frame has reached the chip otherwise than it was sent, since these faults are in force: it may
    /// be in a state that nobody can know of.
    pub(super) misheard: bool,
    /// The last frame that the chip does not hear, as its supply has sagged.
    pub(super) deaf_until: u64,
    pub(super) clock: Clock,
    pub(super) counters: Counters,
    pub(super) monitor: Monitor,
    /// Erases, programs and status writes the chip has taken.
    pub(super) operations: u64,
    /// The operation at which the supply failed.
    cut: Option<u64>,
    /// The chip itself kept its supply through the cut.
    chip_kept: bool,
    /// Where the chip's state is kept between commands.
    pub(super) state_path: Option<PathBuf>,
    /// A mode, a register or the supply changed. Cells are never unsaved; the number of operations
    /// is written with the next change, or when the bench goes.
    pub(super) unsaved: bool,
}

impl Bench {
    pub(super) fn new(part: Part, cells: Cells, seed: u64) -> Self {
        Self {
            name: format!("mock:{}", part.name),
            level: Some(Millivolts(3300)),
            limits: Limits {
                batch_out_bytes: 4096,
                batch_in_bytes: 4096,
                segment_align_bytes: 1,
                batch_segments: 511,
                sck_max: Hertz::mhz(50),
                sck_min: Hertz(1_000),
                lanes: Lanes::ONE,
            },
            overhead: Duration::from_micros(30),
            times: Times::default(),
            seed,
            chip: Chip::new(part, cells, seed),
            first: None,
            faults: Faults::seeded(seed),
            misheard: false,
            deaf_until: 0,
            clock: Clock::default(),
            counters: Counters::default(),
            monitor: Monitor::default(),
            operations: 0,
            cut: None,
            chip_kept: false,
            state_path: None,
            unsaved: false,
        }
    }

    /// The same bench, apart from this one; cells of a file are copied into memory.
    pub(super) fn fork(&self) -> io::Result<Self> {
        Ok(Self {
            name: self.name.clone(),
            limits: self.limits.clone(),
            chip: self.chip.fork()?,
            first: self.first.as_ref().map(Chip::fork).transpose()?,
            faults: self.faults.clone(),
            clock: self.clock.clone(),
            monitor: self.monitor.fork(),
            // Two benches cannot keep their states in one file.
            state_path: None,
            unsaved: false,
            ..*self
        })
    }

    /// The chip whose truth the bench tells.
    pub(super) fn first_chip(&mut self) -> &mut Chip {
        self.first.as_mut().unwrap_or(&mut self.chip)
    }

    /// Puts faults in force instead of those before; what the chip is found as applies at once.
    pub(super) fn set_faults(&mut self, faults: Faults) {
        let swapped = |fault: &Fault| matches!(fault, Fault::Swapped { .. });
        if !faults.list.iter().any(swapped) {
            // Whoever mends that puts the clip back on the unit's own chip.
            if let Some(first) = self.first.take() {
                self.chip = first;
            }
        }
        self.chip.end_faults();
        for fault in &faults.list {
            self.chip.find(fault, self.clock.now_ns());
        }
        self.faults = faults;
        self.misheard = false;
        self.deaf_until = 0;
    }

    pub(super) fn power_up(&mut self) {
        self.cut = None;
        if !std::mem::take(&mut self.chip_kept) {
            self.chip.power_up();
        }
        self.unsaved = true;
    }

    pub(super) fn cut_supply(&mut self, torn: Torn) -> LinkError {
        let cut = self.operations;
        self.cut = Some(cut);
        self.unsaved = true;
        self.chip_kept = torn == Torn::StillBusy;
        if !self.chip_kept {
            // Latches and busy time go with the supply.
            self.chip.power_up();
        }
        LinkError::PowerCut { cut }
    }

    pub(super) fn transfer(
        &mut self,
        batch: &mut [Frame<'_>],
        sck: Hertz,
    ) -> Result<(), LinkError> {
        let sent = self.send(batch, sck);
        let saved = if self.unsaved { self.save() } else { Ok(()) };
        sent.and(saved.map_err(LinkError::Io))
    }

    fn send(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        if let Some(cut) = self.cut {
            return Err(LinkError::PowerCut { cut });
        }
        self.check_length(batch)?;
        self.counters.batches += 1;
        if batch
            .iter()
            .any(|frame| !self.limits.lanes.carry(frame.lanes))
        {
            return Err(refused(EINVAL, sck));
        }
        let failure = self.faults.failure(self.counters.batches);
        if self.faults.dips(self.counters.batches) {
            self.chip.power_up();
        }
        let count = match failure {
            Some(Failure::Errno(number)) => return Err(refused(number, sck)),
            Some(Failure::TooLong) => return Err(self.shrink(batch)),
            Some(Failure::Short) => batch.len().saturating_sub(1),
            Some(Failure::Nothing) => 0,
            Some(Failure::Late(_)) | None => batch.len(),
        };
        self.clock.advance(self.overhead);
        self.counters.overhead += self.overhead;
        let sck = sck.min(self.limits.sck_max);
        let sck = self.faults.divided(sck, self.counters.batches);
        let mut after_write = false;
        for frame in batch.iter_mut().take(count) {
            self.swap()?;
            after_write = self.frame(frame, sck, after_write)?;
        }
        if let Some(Failure::Late(number)) = failure {
            lose(batch);
            return Err(refused(number, sck));
        }
        if count == batch.len() {
            return Ok(());
        }
        let bytes = |frames: &[Frame<'_>]| frames.iter().map(Frame::len).sum();
        Err(LinkError::Short {
            expected: bytes(batch),
            got: bytes(batch.get(..count).unwrap_or_default()),
        })
    }

    /// Clocks bytes in with CS high: the line is pulled up, and another master's bits show on it; where the clip
    /// has lost it, it is as in a frame.
    pub(super) fn idle(&mut self, into: &mut [u8], sck: Hertz) {
        let lost = self.faults.adrift(self.counters.frames + 1);
        into.fill(if lost == Some(Miso::Low) { 0x00 } else { 0xFF });
        let noisy = lost.map_or(self.faults.has_foreign_master(), |lost| lost == Miso::Noise);
        if noisy {
            let (seed, now_ns) = (self.faults.seed, self.clock.now_ns());
            for (bits, place) in into.iter_mut().zip(0..) {
                *bits = byte(mix(seed, now_ns, place));
            }
        }
        let sck = sck.min(self.limits.sck_max);
        self.clock
            .advance(super::clock::wire_time(into.len() as u64, sck));
    }

    fn check_length(&self, batch: &[Frame<'_>]) -> Result<(), LinkError> {
        let segments = || batch.iter().flat_map(|frame| &frame.segments);
        let each = |segment: &Segment<'_>| self.limits.counted(segment.len());
        let sum = |skip_out: bool| -> usize {
            segments()
                .filter(|segment| match segment {
                    Segment::Out(_) => !skip_out,
                    Segment::In(_) => skip_out,
                    Segment::Exchange(_) => true,
                })
                .map(each)
                .sum()
        };
        for (bytes, limit) in [
            (sum(false), self.limits.batch_out_bytes),
            (sum(true), self.limits.batch_in_bytes),
            (segments().count(), self.limits.batch_segments),
        ] {
            if bytes > limit {
                return Err(LinkError::TooLong { bytes, limit });
            }
        }
        Ok(())
    }

    fn shrink(&mut self, batch: &[Frame<'_>]) -> LinkError {
        let limits = &mut self.limits;
        for bytes in [&mut limits.batch_out_bytes, &mut limits.batch_in_bytes] {
            *bytes = (*bytes / 2).max((*bytes).min(SHRUNK_BYTES_MIN));
        }
        LinkError::TooLong {
            bytes: batch.iter().map(Frame::len).sum(),
            limit: self.limits.batch_in_bytes,
        }
    }

    /// Puts the other chip on the clip when its time has come.
    fn swap(&mut self) -> io::Result<()> {
        if self.first.is_some() {
            return Ok(());
        }
        let operations = self.operations;
        let due = |fault: &&Fault| matches!(fault, Fault::Swapped { after_operation, .. } if operations >= *after_operation);
        let Some(Fault::Swapped {
            jedec_id,
            unique_id,
            content,
            ..
        }) = self.faults.list.iter().find(due).cloned()
        else {
            return Ok(());
        };
        let seed = mix(self.seed, 0x5A4B, 0);
        let mut cells = match content {
            Content::Same => self.chip.cells.fork()?,
            _ => Cells::blank(self.chip.cells.size_bytes()),
        };
        if content == Content::Other {
            cells.change(0, cells.size_bytes(), |at, run| {
                for (cell, address) in run.iter_mut().zip(u64::from(at)..) {
                    *cell = byte(mix(seed, address, 0));
                }
            })?;
        }
        let mut other = Chip::new(self.chip.part.clone(), cells, seed);
        other.sfdp.clone_from(&self.chip.sfdp);
        other.addressed.clone_from(&self.chip.addressed);
        if let Some(id) = jedec_id {
            other.id = id;
        }
        if let Some(id) = unique_id {
            other.unique_id = id;
        }
        self.first = Some(std::mem::replace(&mut self.chip, other));
        Ok(())
    }

    /// Keeps the chip's state where a command line run finds it again.
    pub(super) fn save(&mut self) -> io::Result<()> {
        self.unsaved = false;
        let Some(path) = self.state_path.clone() else {
            return Ok(());
        };
        let now_ns = self.clock.now_ns();
        let operations = self.operations;
        SavedState::of(self.first_chip(), operations, now_ns).write(&path)
    }
}

/// The error that a spidev link makes of what the kernel says.
fn refused(number: i32, sck: Hertz) -> LinkError {
    let source = io::Error::from_raw_os_error(number);
    match source.kind() {
        io::ErrorKind::InvalidInput => LinkError::Refused { sck, source },
        _ => LinkError::Io(source),
    }
}

/// A failed message copies nothing back: what came in is not seen.
fn lose(batch: &mut [Frame<'_>]) {
    for segment in batch.iter_mut().flat_map(|frame| &mut frame.segments) {
        match segment {
            Segment::In(bytes) | Segment::Exchange(bytes) => bytes.fill(0),
            Segment::Out(_) => {}
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        // Nobody is left to tell; the state only says less about the simulated chip.
        let _ = self.save();
    }
}

impl Chip {
    /// Makes the chip as a fault says it is found.
    fn find(&mut self, fault: &Fault, now_ns: u64) {
        let has_bank = self.has_bank();
        let state = &mut self.state;
        match fault {
            Fault::LyingId { bytes } => self.lying_id = Some(bytes.clone()),
            Fault::LyingSfdpDensity { size_bytes } => {
                let mut sfdp = self.sfdp.clone();
                if let Some(bytes) = &mut sfdp {
                    super::sfdp::set_density(bytes, *size_bytes);
                }
                self.lying_sfdp = sfdp;
            }
            Fault::RealSize { size_bytes } => {
                self.real_size_bytes = (*size_bytes).clamp(1, self.cells.size_bytes().max(1));
            }
            Fault::Asleep { deaf } => {
                state.asleep = true;
                state.deaf = *deaf;
                // In that mode no chip takes the command that sends it to sleep.
                state.increment = None;
            }
            Fault::Busy { ms } => {
                let time = nanoseconds(Duration::from_millis(*ms));
                state.busy_until_ns = now_ns.saturating_add(time);
            }
            Fault::FourByteMode { at_power_up } => {
                state.four_byte = true;
                state.four_byte_at_power_up = *at_power_up;
            }
            Fault::AddressRegister { value } => {
                let place = if has_bank {
                    &mut state.bank
                } else {
                    &mut state.extended
                };
                *place = *value;
            }
            Fault::ContinuousRead {} => state.continuous = true,
            Fault::WriteEnabled {} => state.write_enabled = true,
            Fault::Protected { status_1 } => state.set_for_good(0, status_1 & 0xFC),
            Fault::RegisterBits { register, bits } => {
                let place = super::registers::read_place(self.part.status, *register);
                place
                    .into_iter()
                    .for_each(|place| state.set_for_good(place, *bits));
            }
            Fault::WriteProtectPin { lock_bit } => {
                state.write_protect_pin = true;
                state.set_for_good(0, u8::from(*lock_bit) << 7);
            }
            _ => {}
        }
    }
}

impl super::chip::State {
    fn set_for_good(&mut self, place: super::registers::Place, bits: u8) {
        let copies = [&mut self.stored, &mut self.registers];
        let held = copies.into_iter().filter_map(|copy| copy.get_mut(place));
        held.for_each(|register| *register |= bits);
    }
}

impl Faults {
    fn dips(&self, batch: u64) -> bool {
        let due = |fault: &Fault| matches!(fault, Fault::Dip { at_batch } if *at_batch == batch);
        self.list.iter().any(due)
    }

    fn failure(&self, batch: u64) -> Option<Failure> {
        self.list.iter().find_map(|fault| match fault {
            Fault::Link {
                at_batch,
                error,
                lasting,
            } if batch == *at_batch || (*lasting && batch > *at_batch) => Some(*error),
            _ => None,
        })
    }
}
