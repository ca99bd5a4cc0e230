//! `contact`: whether the clip is seated, and up to which SCK.
//!
//! The chip is met at the lowest SCK, where the wires matter least, and what it answers there is held
//! against its answers at each higher one. Length and ground of the wires show as bits that change with
//! SCK, in the array as in the ID; a few kilobytes at several places make rare ones likely to show.

use std::ops::Range;

use serde::Serialize;

use super::bench::{Bench, Met, meet};
use super::write::{begun, done, in_hand};
use super::{Attendant, Stop};
use crate::chip::{Bare, Chip, ChipError, FirstLook, ReadCommand, short_id};
use crate::interlock::{Interlock, Panel};
use crate::jedec::{Address, Hertz, ID_BYTES, Millivolts};
use crate::link::Purpose;
use crate::unit::Unit;
use crate::unit::journal::Journal;

/// Reads of the ID and SFDP header at each step of the ladder.
const READS_A_RUNG: u32 = 64;
/// Bytes of each sample of the array.
const SAMPLE_BYTES: u32 = 4096;
/// Samples, from the first byte to the last.
const SAMPLES: u32 = 4;
/// The SCK to meet the chip at: what every part and every clip that works at all can do.
const LOWEST: Hertz = Hertz::mhz(1);
/// The steps above it; only those below the SCK asked for are taken.
const LADDER: [Hertz; 6] = [
    Hertz::mhz(2),
    Hertz::mhz(5),
    Hertz::mhz(10),
    Hertz::mhz(20),
    Hertz::mhz(33),
    Hertz::mhz(50),
];

/// One SCK that was tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Rung {
    /// SCK asked for. The array is read within the part's limit for the command.
    pub sck: Hertz,
    /// Reads of ID and SFDP header, and of samples of the array where the size is known.
    pub reads: u32,
    /// How many were as at the lowest SCK.
    pub same: u32,
}

impl Rung {
    fn new(sck: Hertz) -> Self {
        Self {
            sck,
            reads: 0,
            same: 0,
        }
    }

    fn count(&mut self, same: bool) {
        self.reads += 1;
        self.same += u32::from(same);
    }

    /// Whether every read was right.
    #[must_use]
    pub fn is_right(&self) -> bool {
        self.same == self.reads
    }
}

/// The verdict on the contact, with its evidence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ContactReport {
    /// Whether the contact is good: at one SCK at least every read was right.
    pub good: bool,
    /// What speaks against it, and what to look at.
    pub sign: Option<String>,
    /// JEDEC ID, where one was read.
    pub jedec_id: Option<String>,
    /// Part, where it is known.
    pub part: Option<String>,
    /// The ladder, highest SCK first.
    pub ladder: Vec<Rung>,
    /// The highest SCK at which, and below which, every read was right.
    pub proven: Option<Hertz>,
    /// SCK to work at where the one asked for is not proven: one step below what is.
    pub advised: Option<Hertz>,
    /// Whether SFDP answered.
    pub sfdp: bool,
    /// The start sequence.
    pub look: Option<FirstLook>,
    /// Link, level and SCK asked for, as far as the link goes.
    pub link: Option<(String, Option<Millivolts>, Hertz)>,
}

/// Judges the contact. A bad contact is a report, not a [`Stop`]. With a unit, blocks that an unfinished
/// write left torn do not count: they differ from read to read on the best of contacts.
///
/// # Errors
/// A [`Stop`]: held before the first clock, or a link fault.
pub fn contact(
    unit: Option<&Unit>,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<ContactReport, Stop> {
    // The first tool at the bench does not hang on a disk.
    let unfinished = unit.and_then(|unit| Journal::find_unfinished(unit).ok().flatten());
    let left = unfinished.as_ref();
    let asked = bench.sck;
    bench.sck = asked.min(LOWEST);
    let mut met = match meet(
        Panel::new(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        attendant,
    ) {
        Ok(met) => met,
        Err(stop) => return bad(stop),
    };
    let asked = asked.min(met.bare.sck_max());
    let mut ladder = rungs(met.bare.sck(), asked);
    climb(&mut met.bare, &met.seen.look.id, &mut ladder)?;
    let mut report = seen_so_far(&met, asked);
    if met.part().is_some() {
        match met.open(&left.map(begun).unwrap_or_default()) {
            Ok(mut connected) => {
                climb_array(
                    &mut connected.chip,
                    &left.map(in_hand).unwrap_or_default(),
                    &left.map(done).unwrap_or_default(),
                    &mut ladder,
                )?;
                connected.chip.leave()?;
            }
            Err(stop) => {
                let verdict = bad(stop)?;
                (report.good, report.sign) = (false, verdict.sign);
            }
        }
    }
    report.judge(ladder, asked);
    Ok(report)
}

impl ContactReport {
    /// What the ladder, lowest SCK first, says.
    fn judge(&mut self, mut ladder: Vec<Rung>, asked: Hertz) {
        let right = ladder.iter().take_while(|rung| rung.is_right()).count();
        // A sample that changes at the lowest SCK has ended the climb before the array.
        let right = if self.good { right } else { 0 };
        let proven = ladder.get(..right).unwrap_or_default();
        self.proven = proven.last().map(|rung| rung.sck);
        self.advised = match (self.proven, proven.iter().rev().nth(1)) {
            (Some(proven), _) if proven == asked => None,
            (Some(lowest), None) => Some(Hertz(lowest.0 / 2)),
            (_, below) => below.map(|rung| rung.sck),
        };
        if self.proven.is_none() && self.good {
            self.good = false;
            let lowest = ladder.first().map_or(LOWEST, |rung| rung.sck);
            self.sign = Some(format!(
                "reads differ even at {lowest}: a contact that opens, or no common ground"
            ));
        }
        ladder.reverse();
        self.ladder = ladder;
    }
}

/// What meeting the chip told.
fn seen_so_far(met: &Met, asked: Hertz) -> ContactReport {
    let seen = &met.seen;
    let part = seen.identification.part.as_ref();
    ContactReport {
        good: true,
        sign: None,
        jedec_id: Some(short_id(&seen.look.id).to_string()),
        part: part.map(|part| format!("{} {}", part.maker, part.name)),
        ladder: Vec::new(),
        proven: None,
        advised: None,
        sfdp: seen.sfdp.is_some(),
        look: Some(seen.look.clone()),
        link: Some((seen.link.clone(), seen.level, asked)),
    }
}

/// A stop by the `contact` interlock is the verdict that this command exists to give.
fn bad(stop: Stop) -> Result<ContactReport, Stop> {
    let Some(held) = stop
        .held
        .iter()
        .find(|held| held.interlock == Interlock::Contact)
    else {
        return Err(stop);
    };
    Ok(ContactReport {
        good: false,
        sign: Some(format!("{}; {}", held.seen, held.means)),
        jedec_id: None,
        part: None,
        ladder: Vec::new(),
        proven: None,
        advised: None,
        sfdp: false,
        look: None,
        link: None,
    })
}

/// The steps from the lowest SCK to the one asked for, both included.
fn rungs(lowest: Hertz, asked: Hertz) -> Vec<Rung> {
    let between = LADDER
        .into_iter()
        .filter(|sck| lowest < *sck && *sck < asked);
    let mut steps: Vec<Hertz> = [lowest].into_iter().chain(between).chain([asked]).collect();
    steps.dedup();
    steps.into_iter().map(Rung::new).collect()
}

/// Reads ID and SFDP header many times at each SCK and compares with what the lowest gave.
fn climb(bare: &mut Bare, id: &[u8; ID_BYTES], ladder: &mut [Rung]) -> Result<(), ChipError> {
    let mut wanted = [0; 16];
    bare.sfdp(0, &mut wanted, bare.sck())?;
    for rung in ladder {
        for _ in 0..READS_A_RUNG {
            let mut head = [0; 16];
            let seen = bare.id(rung.sck)?;
            bare.sfdp(0, &mut head, rung.sck)?;
            rung.count(seen == *id && head == wanted);
        }
    }
    Ok(())
}

/// Reads samples of the array at each SCK, with each command, and compares with what 03h gave at the
/// lowest. Samples that touch a `torn` block are left out, and such in one that is `done` if they are not
/// steady even there and another is: it may be torn as well.
fn climb_array(
    chip: &mut Chip,
    torn: &[Range<u32>],
    done: &[Range<u32>],
    ladder: &mut [Rung],
) -> Result<(), ChipError> {
    let length = SAMPLE_BYTES.min(chip.size_bytes());
    let mut commands = vec![ReadCommand::Read, chip.second_command()];
    commands.dedup();
    let mut wanted = vec![0xA5; length as usize];
    let mut seen = wanted.clone();
    let lowest = within_limit(chip, ReadCommand::Read, chip.sck());
    let (mut steady, mut unsteady) = (0, 0);
    for place in places(chip.size_bytes(), length) {
        let range = place.0..place.0.saturating_add(length);
        if touches(torn, &range) {
            continue;
        }
        chip.read(ReadCommand::Read, lowest, place, &mut wanted)?;
        if touches(done, &range) {
            seen.fill(0x5A);
            chip.read(ReadCommand::Read, lowest, place, &mut seen)?;
            if seen != wanted {
                unsteady += 1;
                continue;
            }
        }
        steady += 1;
        for rung in ladder.iter_mut() {
            for command in &commands {
                seen.fill(0x5A);
                let sck = within_limit(chip, *command, rung.sck);
                chip.read(*command, sck, place, &mut seen)?;
                rung.count(seen == wanted);
            }
        }
    }
    if let Some(rung) = ladder.first_mut().filter(|_| steady == 0 && unsteady > 0) {
        rung.count(false);
    }
    Ok(())
}

fn touches(blocks: &[Range<u32>], place: &Range<u32>) -> bool {
    blocks
        .iter()
        .any(|block| block.start < place.end && place.start < block.end)
}

/// Evenly from the first byte to the last.
fn places(size_bytes: u32, length: u32) -> Vec<Address> {
    let step = (size_bytes - length) / (SAMPLES - 1);
    let mut places: Vec<Address> = (0..SAMPLES - 1).map(|n| Address(n * step)).collect();
    places.push(Address(size_bytes - length));
    places.dedup();
    places
}

/// `sck` within the part's limit for `command`. What the chip has for proven is the lowest here.
fn within_limit(chip: &Chip, command: ReadCommand, sck: Hertz) -> Hertz {
    let limits = &chip.part().sck_max;
    let limit = limits.get(&command.opcode());
    let limit = limit.or_else(|| limits.get(&ReadCommand::Read.opcode()));
    limit.map_or(sck, |limit| sck.min(*limit))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ladder_goes_from_the_lowest_to_the_one_asked_for() {
        let of = |asked: u32| -> Vec<u32> {
            let asked = Hertz(asked * 1000);
            let ladder = rungs(asked.min(LOWEST), asked);
            ladder.iter().map(|rung| rung.sck.0 / 1000).collect()
        };
        assert_eq!(of(20_000), [1000, 2000, 5000, 10_000, 20_000]);
        assert_eq!(of(12_000), [1000, 2000, 5000, 10_000, 12_000]);
        assert_eq!(of(1000), [1000]);
        assert_eq!(of(400), [400]);
        assert_eq!(of(100_000).len(), 8);
    }

    #[test]
    fn samples_reach_from_the_first_byte_to_the_last() {
        let of = |size, length| {
            places(size, length)
                .iter()
                .map(|at| at.0)
                .collect::<Vec<_>>()
        };
        assert_eq!(of(1 << 20, 4096), [0, 0x5_5000, 0xA_A000, 0xF_F000]);
        assert_eq!(of(4096, 4096), [0]);
        assert_eq!(of(4098, 4096), [0, 2]);
    }
}
