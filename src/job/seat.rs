//! Whether a chip answers on the clip: quick looks, one after the other, until it does, or no longer does.
//!
//! A look is a few reads of the JEDEC ID at a slow SCK, which every part answers and which change nothing.
//! It says that a contact is there, not that it is good: [`contact`](super::contact()) does that.

use std::time::Duration;

use serde::Serialize;

use super::bench::{Bench, reach};
use super::{Attendant, Exit, Stop};
use crate::chip::{Bare, ChipError};
use crate::interlock::Panel;
use crate::jedec::Hertz;
use crate::link::Purpose;

/// Reads of the ID in one look.
const READS: u32 = 8;
/// Looks in a row that must show the same.
const LOOKS: u32 = 4;
/// Between two looks: a hand that seats a clip is slower.
const BETWEEN: Duration = Duration::from_millis(250);
/// The SCK of a look.
const SCK: Hertz = Hertz::mhz(1);

/// What a look shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Seat {
    /// Nothing answers.
    Lifted,
    /// Something answers, and not the same each time.
    Unsteady,
    /// A chip answers.
    Seated,
}

/// Looks until `wanted` shows several times in a row, and gives whether it did within `patience`. `tell` hears
/// what the first look shows, and each change.
///
/// # Errors
/// A [`Stop`]: held before the first clock, a link fault, or when the person stops.
pub fn wait_for(
    wanted: Seat,
    mut bench: Bench,
    patience: Duration,
    attendant: &dyn Attendant,
    tell: &mut dyn FnMut(Seat),
) -> Result<bool, Stop> {
    bench.sck = bench.sck.min(SCK);
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    let mut reached = reach(panel, bench, Purpose::Read)?;
    wait_on(&mut reached.bare, wanted, patience, attendant, tell)
}

/// As [`wait_for`], on a link that may be clocked.
pub(super) fn wait_on(
    bare: &mut Bare,
    wanted: Seat,
    patience: Duration,
    attendant: &dyn Attendant,
    tell: &mut dyn FnMut(Seat),
) -> Result<bool, Stop> {
    let start = bare.now();
    if wanted == Seat::Seated {
        let first = look(bare)?;
        heard(attendant)?;
        if first == Seat::Lifted {
            // A chip in deep power-down answers nothing until it is roused, which changes no other.
            bare.rouse()?;
        }
    }
    let (mut last, mut steady) = (None, 0);
    loop {
        let seen = look(bare)?;
        if last != Some(seen) {
            last = Some(seen);
            tell(seen);
        }
        // A line that nothing holds wanders once the clip is off.
        steady = match (seen == wanted, wanted, seen) {
            (true, ..) | (_, Seat::Lifted, Seat::Unsteady) => steady + 1,
            _ => 0,
        };
        if steady >= LOOKS {
            return Ok(true);
        }
        heard(attendant)?;
        if bare.now().saturating_sub(start) >= patience {
            return Ok(false);
        }
        bare.wait(BETWEEN);
    }
}

/// Passes on that the person asked to stop.
fn heard(attendant: &dyn Attendant) -> Result<(), Stop> {
    if !attendant.stop_asked() {
        return Ok(());
    }
    let next = "The same command goes on from here.";
    let headline = "Stopped while waiting for the clip.";
    Err(Stop::new(Exit::Stopped, headline, next))
}

fn look(bare: &mut Bare) -> Result<Seat, ChipError> {
    let first = bare.id(bare.sck())?;
    let mut same = true;
    for _ in 1..READS {
        same &= bare.id(bare.sck())? == first;
    }
    // A line that floats or is pulled reads as one level throughout.
    let silent = [0x00, 0xFF]
        .iter()
        .any(|level| first.iter().all(|byte| byte == level));
    Ok(match (same, silent) {
        (true, true) => Seat::Lifted,
        (true, false) => Seat::Seated,
        (false, _) => Seat::Unsteady,
    })
}
