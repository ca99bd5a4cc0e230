//! One CS assertion on a simulated bench: bytes to the chip, bytes through the wires to the host.

use std::io;
use std::ops::Range;
use std::time::Duration;

use super::bench::Bench;
use super::clock::{clock_time, wire_time};
use super::faults::Miso;
use super::plan::{Plan, Refusal, Source};
use super::random::mix;
use super::view::Seen;
use crate::jedec::{Hertz, Lanes, opcode};
use crate::link::{Frame, LinkError, Segment};

/// Least time with CS high after a modifying frame: tSHSL2 of W25Q128JV Rev. I, section 9.6.
pub(super) const CS_HIGH_AFTER_WRITE: Duration = Duration::from_nanos(50);

/// A frame in progress.
#[derive(Debug)]
pub(super) struct Run {
    number: u64,
    sck: Hertz,
    lanes: Lanes,
    /// Bytes of the first segment, which goes on one lane.
    on_one: usize,
    start_ns: u64,
    clocked: u64,
    pub(super) plan: Option<Plan>,
    pub(super) ignored: bool,
    pub(super) header: Vec<u8>,
    pub(super) data: Vec<u8>,
    /// Where the chip reads next, and where it wraps.
    next: u32,
    window: Range<u32>,
    /// Bytes that came in so far, and in the whole frame.
    came_in: usize,
    comes_in: usize,
    /// Bytes of the whole frame.
    length: usize,
    /// The last byte that the chip drove.
    before: u8,
    /// Bytes that went out so far, and the first of them.
    went_out: usize,
    begins_with: Option<u8>,
    /// The chip hears another frame than was sent.
    pub(super) changed: bool,
}

impl Run {
    /// The address as the host sent it, once it is complete.
    pub(super) fn sent_address(&self) -> Option<u32> {
        let count = self.plan.as_ref()?.address_bytes;
        let bytes = self.header.get(..count)?;
        Some(
            bytes
                .iter()
                .fold(0, |sum, byte| sum << 8 | u32::from(*byte)),
        )
    }

    fn now_ns(&self) -> u64 {
        let passed = wire_time(self.clocked, self.sck);
        self.start_ns
            .saturating_add(super::clock::nanoseconds(passed))
    }

    /// Whether what goes out no longer matters, so that bytes come in by the run.
    fn streams(&self) -> bool {
        self.plan
            .as_ref()
            .is_some_and(|plan| self.header.len() >= plan.header_bytes() && !plan.act.collects())
    }

    /// The array address of the next byte that comes in.
    fn array_address(&self) -> Option<u32> {
        let plan = self.plan.as_ref()?;
        let reads = plan.source == Source::Array && self.streams();
        reads.then_some(self.next)
    }
}

impl Bench {
    /// Sends one frame. `after_write` says that the frame before it in the batch modifies.
    pub(super) fn frame(
        &mut self,
        frame: &mut Frame<'_>,
        sck: Hertz,
        after_write: bool,
    ) -> Result<bool, LinkError> {
        if after_write && frame.settle < CS_HIGH_AFTER_WRITE {
            let text = "CS must stay high for 50 ns after a frame that modifies";
            return Err(LinkError::Forbidden(text.to_owned()));
        }
        self.clock.advance(frame.settle);
        self.counters.frames += 1;
        let sent = if self.faults.list.is_empty() {
            Vec::new()
        } else {
            as_sent(frame)
        };
        let times = self
            .faults
            .heard(self.counters.frames, sent.first().copied());
        self.misheard |= times != 1;
        let run = self.start(frame, sck);
        let started = self.hear(run, frame, (times == 0).then_some(Miso::High))?;
        for _ in 1..times {
            let mut sent = sent.clone();
            let mut again = Frame::new(vec![Segment::Exchange(&mut sent)]);
            let mut run = self.start(&again, sck);
            run.changed = true;
            self.hear(run, &mut again, None)?;
        }
        Ok(started)
    }

    /// One CS assertion as the chip hears it; where it is `deaf` MISO shows that.
    fn hear(
        &mut self,
        mut run: Run,
        frame: &mut Frame<'_>,
        deaf: Option<Miso>,
    ) -> Result<bool, LinkError> {
        let sagged = (run.number <= self.deaf_until).then_some(Miso::High);
        let deafened = deaf.or(sagged).or_else(|| self.faults.deafened(run.number));
        let stale = self.faults.stale(run.number);
        for segment in &mut frame.segments {
            self.segment(&mut run, segment, deafened, stale)?;
        }
        let time = clock_time(frame.clocks(), run.sck);
        self.clock.advance(time);
        self.counters.wire += time;
        if deafened.is_some() {
            return Ok(false);
        }
        self.continues(&run);
        // Nobody leaves CS high for long after a frame that became a modifying one on the wire.
        let started = self.cs_rises(&run)? && !run.changed;
        if let Some(frames) = self.faults.sags(run.came_in) {
            self.chip.power_up();
            self.deaf_until = run.number.saturating_add(frames);
        }
        Ok(started)
    }

    fn start(&self, frame: &Frame<'_>, sck: Hertz) -> Run {
        let comes_in = |segment: &Segment<'_>| match segment {
            Segment::Out(_) => 0,
            Segment::In(bytes) | Segment::Exchange(bytes) => bytes.len(),
        };
        Run {
            number: self.counters.frames,
            sck,
            lanes: frame.lanes,
            on_one: frame.segments.first().map_or(0, Segment::len),
            start_ns: self.clock.now_ns(),
            clocked: 0,
            plan: None,
            ignored: false,
            header: Vec::new(),
            data: Vec::new(),
            next: 0,
            window: 0..1,
            came_in: 0,
            comes_in: frame.segments.iter().map(comes_in).sum(),
            length: frame.len(),
            before: 0xFF,
            went_out: 0,
            begins_with: None,
            changed: false,
        }
    }

    fn segment(
        &mut self,
        run: &mut Run,
        segment: &mut Segment<'_>,
        deafened: Option<Miso>,
        stale: bool,
    ) -> Result<(), LinkError> {
        let (bytes, sends_zeros) = match segment {
            Segment::Out(bytes) => {
                self.counters.out_bytes += bytes.len() as u64;
                if deafened.is_none() {
                    self.go_out(run, bytes)?;
                }
                return Ok(());
            }
            Segment::In(bytes) => (bytes, true),
            Segment::Exchange(bytes) => {
                self.counters.out_bytes += bytes.len() as u64;
                (bytes, false)
            }
        };
        self.counters.in_bytes += bytes.len() as u64;
        let kept = stale.then(|| bytes.to_vec());
        match deafened {
            Some(shows) => shows.fill(bytes, self.seen(run), mix(self.faults.seed, 0xDEAF, 0)),
            None => self.come_in(run, bytes, sends_zeros)?,
        }
        run.came_in += bytes.len();
        if let Some(kept) = kept {
            bytes.copy_from_slice(&kept);
        }
        Ok(())
    }

    /// Clocks bytes into the chip: one by one, or, where no fault looks at single bytes, what follows an
    /// opcode by the run.
    fn go_out(&mut self, run: &mut Run, bytes: &[u8]) -> Result<(), LinkError> {
        let mut rest = bytes;
        while let Some((byte, later)) = rest.split_first() {
            let taken = match self.faults.list.is_empty() {
                true => self.take_run(run, rest),
                false => 0,
            };
            if taken == 0 {
                self.clock_byte(run, *byte)?;
                rest = later;
            } else {
                run.clocked += taken as u64;
                rest = rest.get(taken..).unwrap_or_default();
            }
        }
        Ok(())
    }

    /// Takes what belongs to the header, or all as data; gives how many bytes that were.
    fn take_run(&self, run: &mut Run, bytes: &[u8]) -> usize {
        let Some(plan) = run.plan.as_ref().filter(|_| !run.ignored) else {
            return 0;
        };
        let left = plan.header_bytes().saturating_sub(run.header.len());
        if left > 0 {
            let header = bytes.get(..left).unwrap_or(bytes);
            run.header.extend_from_slice(header);
            self.aim(run);
            return header.len();
        }
        if !plan.act.collects() {
            return 0;
        }
        run.data.extend_from_slice(bytes);
        bytes.len()
    }

    /// Takes in a buffer from the chip and shows it as the wires do.
    fn come_in(
        &mut self,
        run: &mut Run,
        bytes: &mut [u8],
        sends_zeros: bool,
    ) -> Result<(), LinkError> {
        let mut done = 0;
        for byte in bytes.iter_mut() {
            if run.streams() {
                break;
            }
            let sent = if sends_zeros { 0 } else { *byte };
            *byte = self.clock_byte(run, sent)?;
            done += 1;
        }
        let (head, rest) = bytes.split_at_mut(done);
        let mut seen = self.seen(run);
        seen.address = None;
        self.show(run, head, seen);
        if rest.is_empty() {
            return Ok(());
        }
        let mut seen = self.seen(run);
        seen.index += done;
        match self.faults.shifts() {
            None => self.stream(run, rest)?,
            Some(shifts) => self.stream_shifted(run, rest, shifts, seen.index)?,
        }
        self.show(run, rest, seen);
        Ok(())
    }

    fn seen(&self, run: &Run) -> Seen {
        Seen {
            frame: run.number,
            sck: run.sck,
            lanes: run.lanes,
            opcode: run.plan.as_ref().map(|plan| plan.opcode),
            address: run.array_address(),
            index: run.came_in,
            total: run.comes_in,
            before: run.before,
        }
    }

    fn show(&self, run: &mut Run, bytes: &mut [u8], mut seen: Seen) {
        let Some(last) = bytes.last().copied() else {
            return;
        };
        seen.before = std::mem::replace(&mut run.before, last);
        if !self.faults.list.is_empty() || !self.chip.unstable.is_empty() {
            self.faults.show(bytes, seen, &self.chip.unstable);
        }
    }

    /// One byte out, the byte that comes in meanwhile back.
    fn clock_byte(&mut self, run: &mut Run, sent: u8) -> Result<u8, LinkError> {
        let mut back = [0xFF];
        let sent = self.arriving(run, sent);
        if run.ignored {
            run.clocked += 1;
            return Ok(0xFF);
        }
        match &run.plan {
            None => self.decide(run, sent)?,
            Some(plan) if run.header.len() < plan.header_bytes() => {
                run.header.push(sent);
                self.aim(run);
            }
            Some(plan) if plan.act.collects() => run.data.push(sent),
            Some(_) => {
                self.stream(run, &mut back)?;
                return Ok(back[0]);
            }
        }
        run.clocked += 1;
        Ok(0xFF)
    }

    /// A byte that goes out, as it reaches the chip.
    fn arriving(&mut self, run: &mut Run, sent: u8) -> u8 {
        if self.faults.list.is_empty() {
            return sent;
        }
        run.begins_with.get_or_insert(sent);
        let seen = Seen {
            opcode: run.begins_with,
            address: None,
            index: run.went_out,
            total: run.length,
            lanes: match run.went_out < run.on_one {
                true => Lanes::ONE,
                false => run.lanes,
            },
            ..self.seen(run)
        };
        run.went_out += 1;
        let heard = self.faults.arriving(sent, seen);
        run.changed |= heard != sent;
        self.misheard |= run.changed;
        heard
    }

    fn decide(&mut self, run: &mut Run, code: u8) -> Result<(), LinkError> {
        match self.chip.plan(code, run.now_ns()) {
            Ok(mut plan) => {
                self.check_sck(&plan, run.sck)?;
                self.check_lanes(&plan, run)?;
                let other = self.faults.other_id(run.number);
                if let Some(other) = other.filter(|_| plan.opcode == opcode::READ_JEDEC_ID) {
                    plan.source = Source::Bytes(other);
                }
                run.plan = Some(plan);
            }
            Err(Refusal::Ignored) => {
                run.ignored = true;
                self.counters.ignored += 1;
            }
            // Nobody can know that a chip takes longer than its maximum, what it made of a frame that it
            // misheard, or what it answers on a lost MISO: it ignores this one, as a real one does.
            Err(Refusal::Forbidden(_))
                if self.misheard
                    || self.faults.has_blinded(run.number)
                    || self.is_late_word(code, run) =>
            {
                run.ignored = true;
                self.counters.ignored += 1;
            }
            Err(Refusal::Forbidden(why)) => return Err(LinkError::Forbidden(why)),
        }
        Ok(())
    }

    /// A word of auto address increment that meets a chip which a fault makes slower than its part.
    fn is_late_word(&self, code: u8, run: &Run) -> bool {
        code == opcode::AAI_WORD_PROGRAM && self.faults.is_slow() && self.chip.busy(run.now_ns())
    }

    /// Array reads above the part's limit for the opcode are not what a datasheet allows.
    fn check_sck(&self, plan: &Plan, sck: Hertz) -> Result<(), LinkError> {
        let limits = &self.chip.part.sck_max;
        let usual = limits.get(&opcode::READ);
        match limits.get(&plan.opcode).or(usual) {
            Some(limit) if plan.source == Source::Array && sck > *limit && !self.misheard => {
                let opcode = plan.opcode;
                let text = format!("read {opcode:02X}h at {sck}, the part takes {limit}");
                Err(LinkError::Forbidden(text))
            }
            _ => Ok(()),
        }
    }

    /// A command on other lanes than its own is none that a datasheet has.
    fn check_lanes(&self, plan: &Plan, run: &mut Run) -> Result<(), LinkError> {
        if plan.lanes == run.lanes && (plan.lanes.out == 1 || plan.on_one == run.on_one) {
            return Ok(());
        }
        if self.misheard {
            run.ignored = true;
            return Ok(());
        }
        let (opcode, own, sent) = (plan.opcode, plan.lanes, run.lanes);
        let (first, sent_first) = (plan.on_one, run.on_one);
        let text = format!(
            "{opcode:02X}h on lanes {sent} behind {sent_first} bytes, the part has it on {own} behind {first}"
        );
        Err(LinkError::Forbidden(text))
    }

    /// Mode bits M5-4 = 10 begin continuous read (W25Q128JV Rev. I, 8.2.9 and 8.2.10).
    fn continues(&mut self, run: &Run) {
        let mode = run
            .plan
            .as_ref()
            .filter(|plan| plan.lanes.out > 1 && !run.ignored)
            .and_then(|plan| run.header.get(plan.address_bytes));
        if mode.is_some_and(|bits| bits & 0x30 == 0x20) {
            self.chip.state.continuous = true;
        }
    }

    /// Sets where the chip reads, once the header is complete.
    fn aim(&self, run: &mut Run) {
        let (Some(plan), Some(sent)) = (&run.plan, run.sent_address()) else {
            return;
        };
        if plan.source == Source::Array {
            let address = self
                .chip
                .resolve(self.faults.address(sent), plan.address_bytes);
            run.window = self.chip.window(address, plan.address_bytes);
            run.next = address;
        } else {
            run.next = sent;
        }
    }

    /// Fills a run of bytes from what the chip shifts out.
    fn stream(&self, run: &mut Run, into: &mut [u8]) -> io::Result<()> {
        let source = run.plan.as_ref().map_or(&Source::High, |plan| &plan.source);
        match source {
            Source::High => into.fill(0xFF),
            Source::Array => self.chip.read_on(&mut run.next, &run.window, into)?,
            Source::Addressed => {
                let register = run
                    .sent_address()
                    .and_then(|at| self.chip.addressed.get(&at));
                into.fill(register.copied().unwrap_or(0xFF));
            }
            Source::Sfdp => repeat(self.chip.shown_sfdp().as_deref(), &mut run.next, into),
            Source::Bytes(bytes) => repeat(Some(bytes), &mut run.next, into),
            Source::Lock => {
                let opcode = run.plan.as_ref().map_or(0, |plan| plan.opcode);
                into.fill(self.chip.lock_byte(opcode, run.next));
            }
            Source::Register(place) => {
                let place = *place;
                for byte in into.iter_mut() {
                    *byte = self.chip.register(place, run.now_ns());
                    run.clocked += 1;
                }
                return Ok(());
            }
            Source::FlagStatus => {
                for byte in into.iter_mut() {
                    *byte = self.chip.flag_status(run.now_ns());
                    run.clocked += 1;
                }
                return Ok(());
            }
        }
        run.clocked += into.len() as u64;
        Ok(())
    }

    /// As [`Self::stream`], with bytes lost or come twice every so many of the frame.
    fn stream_shifted(
        &self,
        run: &mut Run,
        into: &mut [u8],
        (dropped, doubled): (Option<u32>, Option<u32>),
        index: usize,
    ) -> io::Result<()> {
        let mut last = run.before;
        for (offset, byte) in into.iter_mut().enumerate() {
            let count = index + offset;
            let lost = |every: u32| count > 0 && count % every as usize == 0;
            let again = |every: u32| (count + 1) % (every as usize + 1) == 0;
            let mut one = [last];
            if dropped.is_some_and(lost) {
                self.stream(run, &mut one)?;
            }
            if !doubled.is_some_and(again) {
                self.stream(run, &mut one)?;
            }
            last = one[0];
            *byte = last;
        }
        Ok(())
    }
}

/// All that goes out in a frame; zeros while bytes only come in.
fn as_sent(frame: &Frame<'_>) -> Vec<u8> {
    let mut sent = Vec::new();
    for segment in &frame.segments {
        match segment {
            Segment::Out(bytes) => sent.extend_from_slice(bytes),
            Segment::In(bytes) => sent.resize(sent.len() + bytes.len(), 0),
            Segment::Exchange(bytes) => sent.extend_from_slice(bytes),
        }
    }
    sent
}

/// Fills `into` from `bytes` over and over, from place `next` on; FF where there are none.
fn repeat(bytes: Option<&[u8]>, next: &mut u32, into: &mut [u8]) {
    let bytes = bytes.unwrap_or_default();
    for byte in into.iter_mut() {
        let place = (*next as usize).checked_rem(bytes.len());
        *byte = place
            .and_then(|place| bytes.get(place).copied())
            .unwrap_or(0xFF);
        *next = next.wrapping_add(1);
    }
}
