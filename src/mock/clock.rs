//! The virtual clock of a simulated bench, and what it counts.

use std::time::Duration;

use super::random::{fraction, mix};
use crate::jedec::Hertz;
use crate::part::Timing;

/// Which time of an erase, program or status write the simulated chip takes.
///
/// How drawn times lie is a model of its own (common practice, no source): datasheets print a typical time and
/// a maximum, and nothing about one chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Times {
    /// Each chip is quicker or slower than typical by up to a quarter, and by how much its seed says, for
    /// erases, programs and status writes apart. Each operation lies within 4 % of that, mostly in the
    /// middle, but one in 64, which takes anything between typical and maximum. None is above the maximum.
    #[default]
    Drawn,
    /// Always the typical time.
    Typical,
    /// Always the maximum.
    Max,
}

/// What a bench has done since it was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Batches handed over, failed ones too.
    pub batches: u64,
    /// Frames that reached the wire.
    pub frames: u64,
    /// Bytes from host to chip.
    pub out_bytes: u64,
    /// Bytes from chip to host.
    pub in_bytes: u64,
    /// Erases the chip carried out, chip erases too.
    pub erases: u64,
    /// Programs the chip carried out: pages, bytes or words.
    pub programs: u64,
    /// Non-volatile status register writes the chip carried out.
    pub status_writes: u64,
    /// Frames the chip ignored: modifying ones without WEL or on protected blocks, frames of a wrong
    /// length, frames while busy or asleep.
    pub ignored: u64,
    /// Time on the wire: bits divided by SCK and lanes.
    pub wire: Duration,
    /// Overhead of the batches.
    pub overhead: Duration,
    /// Sum of the times the chip was busy.
    pub busy: Duration,
    /// Cost of the file syncs told to the bench.
    pub sync: Duration,
}

/// Time on a simulated bench, counted in nanoseconds.
#[derive(Debug, Clone, Default)]
pub(super) struct Clock {
    now_ns: u64,
}

impl Clock {
    pub(super) fn now_ns(&self) -> u64 {
        self.now_ns
    }

    pub(super) fn advance(&mut self, time: Duration) {
        self.now_ns = self.now_ns.saturating_add(nanoseconds(time));
    }
}

/// A duration in whole nanoseconds.
pub(super) fn nanoseconds(time: Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

/// What `bytes` take on one lane, rounded up.
pub(super) fn wire_time(bytes: u64, sck: Hertz) -> Duration {
    clock_time(bytes.saturating_mul(8), sck)
}

/// What so many periods of SCK take, rounded up.
pub(super) fn clock_time(clocks: u64, sck: Hertz) -> Duration {
    let clock_ns = clocks.saturating_mul(1_000_000_000);
    Duration::from_nanos(clock_ns.div_ceil(u64::from(sck.0.max(1))))
}

/// What is timed, each with a pace of the chip's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Timed {
    Erase,
    Program,
    StatusWrite,
}

/// A share of the operations, and how far one of the others is from the chip's pace at most.
const FAR_OFF: f64 = 1.0 / 64.0;
const APART: f64 = 0.04;

/// How long operation number `operation` takes the chip with this `seed`; `chance` seeds what differs from
/// one operation to the next.
pub(super) fn draw(
    times: Times,
    timing: Timing,
    (timed, seed): (Timed, u64),
    (chance, operation): (u64, u64),
) -> Duration {
    let max = timing.max.max(timing.typical);
    match times {
        Times::Typical => timing.typical,
        Times::Max => max,
        Times::Drawn => {
            let draw = |of| fraction(mix(chance, operation, of));
            if draw(0x71AE) < FAR_OFF {
                let span = max.saturating_sub(timing.typical);
                return timing.typical + span.mul_f64(draw(0xFA4).powi(2));
            }
            let pace = 0.75 + fraction(mix(seed, 0x9ACE, timed as u64)) / 2.0;
            // The sum of two draws is mostly near its middle.
            let apart = 1.0 + APART * (draw(1) + draw(2) - 1.0);
            let time = timing.typical.mul_f64(pace * apart);
            time.clamp(Duration::from_nanos(1), max.max(Duration::from_nanos(1)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drawn_times_are_a_chip_s_own_and_now_and_then_far_off() {
        let timing = Timing {
            typical: Duration::from_millis(45),
            max: Duration::from_millis(400),
        };
        let mut paces = Vec::new();
        let (mut most_far, mut all_far) = (0, 0);
        for seed in 0..200 {
            let one = |n| draw(Times::Drawn, timing, (Timed::Erase, seed), (seed, n));
            let mut drawn: Vec<_> = (0..640).map(one).collect();
            drawn.sort();
            let (middle, longest) = (drawn[320], drawn[639]);
            let near = |time: &&Duration| time.abs_diff(middle) <= middle.mul_f64(0.08);
            let far = 640 - drawn.iter().filter(near).count();
            assert!(longest <= timing.max && far <= 30, "{seed}: {far} far");
            assert!(far > 0 && longest > timing.typical.mul_f64(1.5), "{seed}");
            // Few of them come near the maximum.
            let near_max = |time: &&Duration| **time > timing.max.mul_f64(0.9);
            most_far += drawn.iter().filter(near_max).count();
            all_far += far;
            paces.push(middle.as_secs_f64() / timing.typical.as_secs_f64());
        }
        assert!(
            most_far > 0 && most_far * 4 < all_far,
            "{most_far} of {all_far}"
        );
        paces.sort_by(f64::total_cmp);
        assert!(paces[0] > 0.74 && paces[199] < 1.26, "{paces:?}");
        assert!(paces[20] < 0.82 && paces[180] > 1.18, "{paces:?}");
    }

    /// Two paces of one chip, and a part whose typical time is its maximum or nothing.
    #[test]
    fn drawn_times_stay_within_what_the_part_says() {
        let timing = |typical, max| Timing {
            typical: Duration::from_micros(typical),
            max: Duration::from_micros(max),
        };
        let drawn = |timing, timed, seed| draw(Times::Drawn, timing, (timed, seed), (3, 5));
        let apart = |seed| {
            let of = |timed| drawn(timing(1000, 5000), timed, seed);
            of(Timed::Erase) != of(Timed::Program)
        };
        assert!((0..10).any(apart));
        for seed in 0..100 {
            for (typical, max) in [(10, 10), (0, 0), (10, 0), (0, 20)] {
                let time = drawn(timing(typical, max), Timed::Program, seed);
                let most = Duration::from_micros(typical.max(max)).max(Duration::from_nanos(1));
                assert!(time <= most && !time.is_zero(), "{typical} {max} {seed}");
            }
        }
    }

    #[test]
    fn fixed_times_are_those_of_the_part() {
        let timing = |typical, max| Timing {
            typical: Duration::from_micros(typical),
            max: Duration::from_micros(max),
        };
        let fixed = |times, timing| draw(times, timing, (Timed::Erase, 1), (3, 5));
        for (typical, max, longest) in [(10, 30, 30), (30, 10, 30)] {
            let timing = timing(typical, max);
            assert_eq!(
                fixed(Times::Typical, timing),
                Duration::from_micros(typical)
            );
            assert_eq!(fixed(Times::Max, timing), Duration::from_micros(longest));
        }
    }

    #[test]
    fn not_a_nanosecond_is_lost() {
        let mut clock = Clock::default();
        for _ in 0..3 {
            clock.advance(Duration::from_nanos(1_001));
        }
        assert_eq!(clock.now_ns(), 3_003);
        clock.advance(Duration::MAX);
        assert_eq!(clock.now_ns(), u64::MAX);
    }

    #[test]
    fn wire_time_is_eight_bits_a_byte() {
        assert_eq!(wire_time(1_000_000, Hertz::mhz(8)), Duration::from_secs(1));
        assert_eq!(wire_time(1, Hertz(3)), Duration::from_nanos(2_666_666_667));
    }
}
