//! SCK as it is on the wire. It cannot be asked of spidev, and controllers round it down to what a divider
//! of their own clock makes; but what a longer read takes more than a shorter one tells it.

use std::time::Duration;

use serde::Serialize;

use super::go_on;
use crate::chip::Bare;
use crate::jedec::{Hertz, ID_BYTES};
use crate::job::{Attendant, Stop};

/// What the longer of two reads takes on the wire, about: long beside what a scheduler disturbs.
const LONG: Duration = Duration::from_millis(4);
/// Bytes of a short read: what most messages of a write are, and nearly all of it is what a message costs.
const SHORT: usize = ID_BYTES;
/// Slopes that are taken.
const ROUNDS: usize = 3;
/// Reads of each length a slope, above 64 kHz: the shortest of them is the least disturbed one.
const TRIES: usize = 4;

/// SCK as it was measured. Gaps that a controller leaves between bytes count in, so it is what data gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Measured {
    /// The middle of several measurements.
    pub sck: Hertz,
    /// Whether they lie more than a sixth apart: the clock that it is divided from moves.
    pub moving: bool,
    /// What a short message takes besides its bits, in whole microseconds: the least of several, as anything
    /// else that runs makes it longer.
    pub overhead: Duration,
}

impl Measured {
    /// As it is shown: no more digits than are measured.
    #[must_use]
    pub fn shown(&self) -> Hertz {
        let step = match self.sck.0 {
            hz if hz >= 10_000_000 => 100_000,
            hz if hz >= 1_000_000 => 10_000,
            _ => 1_000,
        };
        Hertz(self.sck.0.saturating_add(step / 2) / step * step).max(Hertz(1))
    }

    /// What is odd about it, where `asked` was asked for: less than four fifths of it, or more than it.
    #[must_use]
    pub fn doubt(&self, asked: Hertz) -> Option<String> {
        let (real, asked_hz) = (u64::from(self.sck.0), u64::from(asked.0));
        let shown = self.shown();
        if self.moving {
            return Some(format!(
                "asked for {asked}, about {shown}, and it moves: the bench computer changes the clock that \
                 SCK is divided from"
            ));
        }
        if real * 5 < asked_hz * 4 {
            return Some(format!(
                "asked for {asked}, measured {shown}: the controller divides its clock by whole steps, or \
                 leaves gaps between bytes"
            ));
        }
        (real * 10 > asked_hz * 11).then(|| {
            format!("asked for {asked}, measured {shown}: the controller does not keep to what it is asked")
        })
    }
}

/// Measures SCK by reads behind 9Fh of two lengths; `None` where the link's clock does not tell.
/// Asks between the reads whether the person stops.
pub(super) fn measure(
    bare: &mut Bare,
    sck: Hertz,
    attendant: &dyn Attendant,
) -> Result<Option<Measured>, Stop> {
    let about = u128::from(sck.0) * LONG.as_millis() / 8000;
    let about = usize::try_from(about).unwrap_or(usize::MAX);
    let long = about.clamp(32, bare.run_bytes(sck).max(32));
    // Both long enough that a controller handles them alike.
    let lengths = [long / 2, long];
    // Beside a message that is longer than that a disturbance is nothing.
    let tries = if about < long { 1 } else { TRIES };
    let (mut slopes, mut shortest) = (Vec::new(), Duration::MAX);
    for _ in 0..ROUNDS {
        let mut best = [Duration::MAX; 2];
        for _ in 0..tries {
            for (least, bytes) in best.iter_mut().zip(lengths) {
                go_on(attendant)?;
                *least = bare.time_run(bytes, sck)?.min(*least);
            }
        }
        slopes.push(slope(best, lengths));
    }
    for _ in 0..ROUNDS * tries {
        go_on(attendant)?;
        shortest = bare.time_run(SHORT, sck)?.min(shortest);
    }
    Ok(middle(slopes).map(|(sck, moving)| Measured {
        sck,
        moving,
        overhead: besides_bits(shortest, SHORT + 1, sck),
    }))
}

/// What a message of `bytes` took besides its bits. The line through two long reads would tell it as well, but
/// a hundredth of their time is more than this is.
fn besides_bits(taken: Duration, bytes: usize, sck: Hertz) -> Duration {
    let bits = bytes as u64 * 8 * 1_000_000_000;
    let wire = Duration::from_nanos(bits / u64::from(sck.0.max(1)));
    let nanos = taken.saturating_sub(wire).as_nanos();
    Duration::from_micros(u64::try_from((nanos + 500) / 1000).unwrap_or(u64::MAX))
}

/// Bits in a second, from the times that two lengths took.
fn slope([short, long]: [Duration; 2], [fewer, more]: [usize; 2]) -> Option<Hertz> {
    let time = long.checked_sub(short)?.as_nanos();
    let bits = more.checked_sub(fewer)? as u128 * 8;
    let hz = (bits * 1_000_000_000).checked_div(time)?;
    u32::try_from(hz).ok().filter(|hz| *hz > 0).map(Hertz)
}

/// The middle one, where all of them are one, and whether they are far apart.
fn middle(slopes: Vec<Option<Hertz>>) -> Option<(Hertz, bool)> {
    let mut slopes: Vec<Hertz> = slopes.into_iter().collect::<Option<_>>()?;
    slopes.sort_unstable();
    let (least, most) = (slopes.first()?, slopes.last()?);
    let moving = u64::from(least.0) * 7 < u64::from(most.0) * 6;
    Some((*slopes.get(slopes.len() / 2)?, moving))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_is_bits_by_time_whatever_a_message_costs() {
        let us = Duration::from_micros;
        // 1000 bytes more take 800 us more at 10 MHz.
        for cost in [0, 30, 500] {
            let times = [us(cost + 800), us(cost + 1600)];
            assert_eq!(slope(times, [1000, 2000]), Some(Hertz::mhz(10)));
        }
        assert_eq!(slope([us(5), us(5)], [1000, 2000]), None);
        assert_eq!(slope([us(9), us(5)], [1000, 2000]), None);
    }

    #[test]
    fn one_slow_slope_is_told_as_moving_and_not_taken() {
        let mhz = |of: [u32; 3]| middle(of.map(|mhz| Some(Hertz::mhz(mhz))).to_vec());
        assert_eq!(mhz([20, 19, 20]), Some((Hertz::mhz(20), false)));
        assert_eq!(mhz([12, 20, 19]), Some((Hertz::mhz(19), true)));
        assert_eq!(middle(vec![Some(Hertz::mhz(1)), None]), None);
    }

    fn measured(sck: Hertz, moving: bool) -> Measured {
        let overhead = Duration::ZERO;
        Measured {
            sck,
            moving,
            overhead,
        }
    }

    #[test]
    fn what_a_message_takes_besides_its_bits() {
        let us = Duration::from_micros;
        // 20 bytes are 160 us at 1 MHz.
        assert_eq!(besides_bits(us(190), 20, Hertz::mhz(1)), us(30));
        assert_eq!(besides_bits(us(46), 20, Hertz::mhz(10)), us(30));
        assert_eq!(besides_bits(us(9), 20, Hertz::mhz(1)), us(0));
    }

    #[test]
    fn a_clock_far_from_what_was_asked_is_told() {
        let doubt = |mhz: u32, moving| measured(Hertz::mhz(mhz), moving).doubt(Hertz::mhz(20));
        assert_eq!(doubt(20, false), None);
        assert_eq!(doubt(16, false), None);
        assert!(doubt(15, false).unwrap().contains("measured 15 MHz"));
        assert!(doubt(23, false).unwrap().contains("does not keep"));
        assert!(doubt(20, true).unwrap().contains("moves"));
    }

    #[test]
    fn no_more_digits_are_shown_than_are_measured() {
        for (hz, shown) in [
            (17_857_142, "17.9 MHz"),
            (1_004_016, "1 MHz"),
            (4_807_692, "4.81 MHz"),
            (399_361, "399 kHz"),
        ] {
            assert_eq!(measured(Hertz(hz), false).shown().to_string(), shown);
        }
    }
}
