//! How long the chip takes for one kind of operation, learnt as it runs.
//!
//! A part's typical time is no chip's own. What is seen of an operation are bounds only: at one look the chip
//! was still busy, at another it was ready. From the bounds of the last few follow when to look next.

use std::collections::VecDeque;
use std::time::Duration;

use crate::part::Timing;

/// What a message costs besides its bits where nobody has measured it: what users of common single-board
/// computers report (common practice, no source).
pub const MESSAGE: Duration = Duration::from_micros(50);
/// No message is taken to cost less: looks would follow each other without a pause.
const MESSAGE_LEAST: Duration = Duration::from_micros(10);
/// Operations that are remembered. They are all asked about at first, and then one of as many.
const KEPT: usize = 8;
/// From so many on what the part says no longer counts; and so many in a row that were later than all before
/// them are those of a chip that has become slower.
const ENOUGH: usize = 3;
/// Longest time without a look, once the chip may be ready.
const PAUSE_MAX: Duration = Duration::from_millis(100);

/// The time of one operation lies above `busy`, and not above `ready`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Bounds {
    busy: Duration,
    ready: Duration,
}

impl Bounds {
    fn middle(self) -> Duration {
        (self.busy + self.ready) / 2
    }
}

/// What is known of the times of one kind of operation.
#[derive(Debug, Clone)]
pub(super) struct Learnt {
    timing: Timing,
    /// What one more message costs, against time that the chip stands ready and nobody looks.
    message: Duration,
    seen: VecDeque<Bounds>,
    /// Operations since one was asked about, and whether the last was ready at another time than planned.
    unasked: usize,
    astray: bool,
}

/// When to look at the chip during one operation; times since it began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Plan {
    /// Before this it is hardly ever ready.
    pub first: Duration,
    /// Here it mostly is.
    pub settle: Duration,
    /// Whether looks are made from `first` on, to learn from; otherwise the first one is at `settle`.
    pub asks: bool,
    /// What one more message costs.
    pub message: Duration,
}

impl Learnt {
    /// Looks that share a message at the most.
    pub(super) const LOOKS_MAX: usize = 4;

    /// Nothing is known but what the part says, and what a message costs.
    pub(super) fn new(timing: Timing, message: Duration) -> Self {
        Self {
            timing,
            message: message.max(MESSAGE_LEAST),
            seen: VecDeque::with_capacity(KEPT + 1),
            unasked: 0,
            astray: false,
        }
    }

    /// When to look at the next operation: `settle` is what would have cost least with those remembered.
    pub(super) fn plan(&self) -> Plan {
        let said = Bounds {
            busy: self.timing.typical / 2,
            ready: self.timing.typical,
        };
        let few = self.seen.len() < ENOUGH;
        let mut known: Vec<Bounds> = self.seen.iter().copied().collect();
        known.extend(few.then_some(said));
        let settles = known.iter().map(|bounds| bounds.ready);
        let cost = |settle| cost(&known, settle, self.message);
        let settle = settles.min_by(|a, b| cost(*a).total_cmp(&cost(*b)));
        let first = known.iter().map(|bounds| bounds.busy).min();
        let (settle, first) = (settle.unwrap_or_default(), first.unwrap_or_default());
        let max = self.timing.max.max(self.timing.typical);
        // A look at a chip that was given no time at all tells nothing.
        let least = (self.timing.typical / 16).max(Duration::from_micros(1));
        let settle = settle.min(max + max / 2).max(least);
        Plan {
            first: first.min(settle).max(least),
            settle,
            asks: self.seen.len() < KEPT || self.unasked >= KEPT || self.astray,
            message: self.message,
        }
    }

    /// Learns from an operation: last seen busy (zero if it never was) and first seen ready.
    pub(super) fn saw(&mut self, plan: &Plan, busy: Duration, ready: Duration) {
        let again = self.astray;
        let lost = plan.settle.saturating_sub(ready);
        let early = busy.is_zero() || lost > self.message;
        self.astray = busy >= plan.settle || (plan.asks && early);
        // Of what was not asked about only the late ones would tell, and make the chip seem slower.
        if !plan.asks {
            self.unasked += 1;
            return;
        }
        self.unasked = 0;
        let busy = match busy {
            // How much earlier is not known: the next looks begin a little earlier, then much.
            Duration::ZERO => plan.first.min(ready) / 16 * if again { 12 } else { 15 },
            busy => busy.min(ready),
        };
        self.seen.push_back(Bounds { busy, ready });
        if self.seen.len() > KEPT {
            self.seen.pop_front();
        }
        self.forget_another_chip();
    }

    fn forget_another_chip(&mut self) {
        let before = self.seen.len().saturating_sub(ENOUGH);
        let latest = self.seen.iter().take(before).map(|bounds| bounds.ready);
        let earliest = self.seen.iter().skip(before).map(|bounds| bounds.busy);
        if let (Some(latest), Some(earliest)) = (latest.max(), earliest.min()) {
            if earliest >= latest {
                self.seen.drain(..before);
            }
        }
    }
}

impl Plan {
    /// When to look within one message, of `most` looks that take `look` each: the last at `settle`. A message
    /// cannot be ended early, so those before it save no time, and are there to learn from.
    pub(super) fn looks(&self, look: Duration, most: usize) -> Vec<Duration> {
        let span = self.settle.saturating_sub(self.first);
        let fit = span.as_nanos() / (2 * look).as_nanos().max(1);
        let fit = usize::try_from(fit).unwrap_or(usize::MAX);
        let before = match self.asks {
            true => fit.min(most.saturating_sub(1)).min(Learnt::LOOKS_MAX - 1) as u32,
            false => 0,
        };
        let at = |place| match place {
            0 => self.settle,
            place => self.settle - span * place / before,
        };
        (0..=before).rev().map(at).collect()
    }

    /// How long to wait before the next look, at a chip that was busy when `passed` had passed: in even steps
    /// where it is expected to be ready, and beyond that the longer the later it is.
    pub(super) fn pause(&self, passed: Duration) -> Duration {
        let late = match passed.checked_sub(self.settle) {
            Some(late) => late,
            None => self.settle.saturating_sub(self.first) / 2,
        };
        worth(late, self.message).min(PAUSE_MAX)
    }
}

/// The step at which looks over so long cost as much in messages as in time lost behind the last of them.
fn worth(long: Duration, message: Duration) -> Duration {
    Duration::from_secs_f64((2.0 * message.as_secs_f64() * long.as_secs_f64()).sqrt())
}

/// Seconds that a first look at `settle` would have cost in all: the time after the chip was ready, or the
/// messages and the time that it takes to find that it is.
fn cost(known: &[Bounds], settle: Duration, message: Duration) -> f64 {
    let each = known.iter().map(|bounds| {
        let time = bounds.middle();
        match settle.checked_sub(time) {
            Some(lost) => lost.as_secs_f64(),
            None => (message + worth(time.saturating_sub(settle), message)).as_secs_f64(),
        }
    });
    each.sum()
}

#[cfg(test)]
mod tests;
