//! Waiting for a busy chip: when it is looked at, what is seen, and the verdict.

use std::ops::RangeInclusive;
use std::time::Duration;

use super::learnt::{Learnt, Plan};
use super::{Armed, STATUS_BYTES, STEADY, WEL, WIP};
use crate::chip::ChipError;
use crate::jedec::status::FLAG_READY;
use crate::jedec::{Address, opcode};
use crate::link::{Frame, Segment};
use crate::part::{BusyPoll, Timing};

/// Longest pause that is left to the link, as the settle time of a look; longer ones are slept.
const SETTLE_MAX: Duration = Duration::from_millis(10);

/// What keeps the chip busy.
#[derive(Debug, Clone, Copy)]
pub(super) struct Operation {
    pub what: &'static str,
    pub address: Address,
    pub time: Timing,
    /// What is learnt of apart: opcode, and how many binary digits the number of bytes has.
    pub kind: (u8, u32),
}

/// One look at a busy chip.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Look {
    status: [u8; STATUS_BYTES],
    /// The flag status register, where the part has one.
    flag: [u8; 1],
}

impl Look {
    pub(super) fn status(self) -> u8 {
        let [.., status] = self.status;
        status
    }
}

/// What was seen of an operation so far.
pub(super) struct Course {
    plan: Plan,
    /// Link time when it began: CS rose.
    began: Duration,
    /// When the chip was last seen busy, and what was seen since: when it was first ready, and the last look.
    busy: Duration,
    ready: Option<(Duration, Look)>,
}

impl Course {
    pub(super) fn new(plan: Plan, began: Duration) -> Self {
        Self {
            plan,
            began,
            busy: Duration::ZERO,
            ready: None,
        }
    }
}

impl Armed {
    /// When to look at the chip during `operation`.
    pub(super) fn plan(&mut self, operation: &Operation) -> Plan {
        self.learnt(operation).plan()
    }

    fn learnt(&mut self, operation: &Operation) -> &mut Learnt {
        let message = self.message;
        let new = || Learnt::new(operation.time, message);
        self.learnt.entry(operation.kind).or_insert_with(new)
    }

    /// Whether a look is one at the flag status register too.
    fn is_flagged(&self) -> bool {
        let family = self.part().status;
        self.part().busy == BusyPoll::FlagStatus
            || family.observes().contains(&opcode::READ_FLAG_STATUS)
    }

    /// Frames of one look.
    pub(super) fn look_frames(&self) -> usize {
        1 + usize::from(self.is_flagged())
    }

    /// What a look takes on the wire beside a modifying frame.
    pub(super) fn look_time(&self) -> Duration {
        let flag_bytes = 2 * (self.look_frames() - 1);
        let clocks = 8 * (1 + STATUS_BYTES + flag_bytes) as u64;
        let second = 1_000_000_000_u64.saturating_mul(clocks);
        Duration::from_nanos(second.div_ceil(u64::from(self.sck().0.max(1))))
    }

    /// Frames that look at the chip, each after its settle time.
    pub(super) fn looks<'l>(&self, into: &'l mut [Look], settles: &[Duration]) -> Vec<Frame<'l>> {
        let read =
            |opcode: &'static [u8], into| Frame::new(vec![Segment::Out(opcode), Segment::In(into)]);
        let flagged = self.is_flagged();
        let mut frames = Vec::new();
        for (look, settle) in into.iter_mut().zip(settles) {
            frames.push(read(&[opcode::READ_STATUS_1], &mut look.status).after(*settle));
            if flagged {
                frames.push(read(&[opcode::READ_FLAG_STATUS], &mut look.flag));
            }
        }
        frames
    }

    fn look(&mut self, settle: Duration) -> Result<Look, ChipError> {
        let mut look = [Look::default()];
        let mut frames = self.looks(&mut look, &[settle]);
        let sck = self.chip.sck_for_commands();
        self.chip.guard.transfer(&mut frames, sck)?;
        drop(frames);
        let [look] = look;
        Ok(look)
    }

    /// Notes a look that was made at some time within `at` since the operation began.
    pub(super) fn note(&mut self, course: &mut Course, at: RangeInclusive<Duration>, look: Look) {
        self.look_at(look.status());
        if self.is_ready(look) {
            let since = course.ready.map_or(*at.end(), |(since, _)| since);
            course.ready = Some((since, look));
        } else {
            course.busy = *at.start();
            course.ready = None;
        }
    }

    /// Looks whether this status can be that of the chip which began the operation.
    fn look_at(&mut self, status: u8) {
        let strange = match self.before {
            Some(before) => (before ^ status) & STEADY != 0,
            None => status == u8::MAX,
        };
        if strange {
            self.strange.get_or_insert(status);
        }
    }

    /// What was strange on the way, even if the last look is as it should be.
    fn not_strange(&mut self, operation: &Operation) -> Result<(), ChipError> {
        match self.strange.take() {
            Some(seen) => Err(ChipError::StrangeStatus {
                what: operation.what,
                address: operation.address,
                seen,
            }),
            None => Ok(()),
        }
    }

    /// Waits for an operation that has just begun: sleeps for as long as it is hardly ever done, then looks.
    pub(super) fn wait_done(&mut self, operation: &Operation) -> Result<(), ChipError> {
        // Each look is a message here, and costs no time.
        let asks = true;
        let plan = Plan {
            asks,
            ..self.plan(operation)
        };
        let course = Course::new(plan, self.now());
        self.rest(plan.first);
        self.conclude(operation, course)
    }

    /// Looks until the operation is over, judges how it ended, and learns from it.
    pub(super) fn conclude(
        &mut self,
        operation: &Operation,
        mut course: Course,
    ) -> Result<(), ChipError> {
        let look = self.poll_ready(operation, &mut course)?;
        self.judge_end(operation, look)?;
        if let Some((ready, _)) = course.ready {
            let Course { plan, busy, .. } = course;
            self.learnt(operation).saw(&plan, busy, ready);
        }
        Ok(())
    }

    /// As [`Armed::conclude`], of a register write that learns nothing: what is volatile takes no time.
    pub(super) fn poll(&mut self, operation: &Operation) -> Result<(), ChipError> {
        let mut course = Course::new(self.plan(operation), self.now());
        let look = self.poll_ready(operation, &mut course)?;
        self.judge_end(operation, look)
    }

    /// Polls until the chip is ready, for at most the maximum and half of it again, with one last
    /// look before the verdict. Returns the look that said so.
    pub(super) fn poll_ready(
        &mut self,
        operation: &Operation,
        course: &mut Course,
    ) -> Result<Look, ChipError> {
        let (start, time) = (self.now(), operation.time);
        let limit = time.max + time.max / 2;
        let mut pause = Duration::ZERO;
        loop {
            if let Some((_, look)) = course.ready {
                self.not_strange(operation)?;
                return Ok(look);
            }
            // The clock is read before the chip, so that a chip which became ready while this process
            // slept is not called late.
            let settle = self.rest_but(pause);
            let from = self.now();
            let waited = from.saturating_sub(start);
            let look = self.look(settle)?;
            let passed = self.now().saturating_sub(course.began);
            let at_least = (from + settle).saturating_sub(course.began);
            self.note(course, at_least..=passed, look);
            if course.ready.is_none() && waited > limit {
                self.not_strange(operation)?;
                return Err(ChipError::TimedOut {
                    what: operation.what,
                    address: operation.address,
                    waited,
                    status: look.status(),
                });
            }
            pause = course.plan.pause(passed);
        }
    }

    fn is_ready(&self, look: Look) -> bool {
        // After a failure it can stay busy until its status is cleared.
        let status = look.status();
        let ready = status & WIP == 0 || self.part().status.is_stuck(status);
        let [flag] = look.flag;
        ready && (self.part().busy == BusyPoll::Status || flag & FLAG_READY != 0)
    }

    /// Looks for the family's error flags, and clears them if one is set.
    fn judge_end(&mut self, operation: &Operation, look: Look) -> Result<(), ChipError> {
        let family = self.part().status;
        let (status, [flag]) = (look.status(), look.flag);
        let flag = self.is_flagged().then_some(flag);
        if family.failed(status, flag).is_none() {
            // Most chips clear WEL by themselves; one that does not must not stay enabled.
            return if status & WEL == 0 {
                Ok(())
            } else {
                self.send(&[&[opcode::WRITE_DISABLE]])
            };
        }
        if let Some(clear) = family.clear_status() {
            self.send(&[&[clear]])?;
        }
        self.send(&[&[opcode::WRITE_DISABLE]])?;
        Err(ChipError::Failed {
            what: operation.what,
            address: operation.address,
            status,
        })
    }

    /// Sleeps, unless the pause is so short that the link waits better; returns what is left to it.
    fn rest_but(&mut self, pause: Duration) -> Duration {
        if pause <= SETTLE_MAX {
            return pause;
        }
        self.rest(pause);
        Duration::ZERO
    }

    pub(super) fn rest(&mut self, mut time: Duration) {
        let slice = Duration::from_millis(100);
        while !time.is_zero() {
            let now = time.min(slice);
            self.chip.guard.wait(now);
            time -= now;
        }
    }
}
