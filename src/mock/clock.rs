//! The virtual clock of a simulated bench, and what it counts.

use std::time::Duration;

use super::random::{fraction, mix};
use crate::jedec::Hertz;
use crate::part::Timing;

/// Which time of an erase, program or status write the simulated chip takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Times {
    /// Drawn between typical and maximum by the seed: mostly near typical, now and then far off.
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
    /// Time on the wire: bits divided by SCK.
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
    let bit_ns = bytes.saturating_mul(8_000_000_000);
    Duration::from_nanos(bit_ns.div_ceil(u64::from(sck.0.max(1))))
}

/// How long operation number `operation` takes.
pub(super) fn draw(times: Times, timing: Timing, seed: u64, operation: u64) -> Duration {
    match times {
        Times::Typical => timing.typical,
        Times::Max => timing.max.max(timing.typical),
        Times::Drawn => {
            // The eighth power: half of the draws lie within 0.4 % of the span, one in nine beyond a
            // third of it.
            let tail = fraction(mix(seed, operation, 0x71AE)).powi(8);
            let span = timing.max.saturating_sub(timing.typical);
            timing.typical + span.mul_f64(tail)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drawn_times_are_mostly_typical_and_never_out_of_range() {
        let timing = Timing {
            typical: Duration::from_millis(45),
            max: Duration::from_millis(400),
        };
        let drawn: Vec<_> = (0..1000)
            .map(|n| draw(Times::Drawn, timing, 3, n))
            .collect();
        assert!(
            drawn
                .iter()
                .all(|t| *t >= timing.typical && *t <= timing.max)
        );
        let near = drawn
            .iter()
            .filter(|t| **t < Duration::from_millis(50))
            .count();
        let far = drawn
            .iter()
            .filter(|t| **t > Duration::from_millis(200))
            .count();
        assert!(near > 500 && far > 20, "{near} near, {far} far");
    }

    #[test]
    fn wire_time_is_eight_bits_a_byte() {
        assert_eq!(wire_time(1_000_000, Hertz::mhz(8)), Duration::from_secs(1));
        assert_eq!(wire_time(1, Hertz(3)), Duration::from_nanos(2_666_666_667));
    }
}
