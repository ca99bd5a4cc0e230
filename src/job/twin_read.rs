//! Two full reads that match byte for byte and are independent, and a look at what they show.
//!
//! A match proves nothing if both reads err alike, so the second differs in SCK, in opcode, in all
//! frame boundaries, in order, and in what buffers hold beforehand. What repeats in both all the same
//! is then examined, and settled on the chip (`settle`) where the reading alone cannot tell.

use std::ops::Range;
use std::time::Duration;

use serde::Serialize;

use super::lanes;
use super::overlap::{Take, run_over};
use super::settle::{Doubts, settle};
use super::{Attendant, Stop};
use crate::chip::{Chip, MESSAGE, Order, Pass, ReadCommand};
use crate::image::{Examination, Examiner};
use crate::jedec::{Address, Hertz};
use crate::unit::{Digest, Hasher, Unfinished};

/// Differing ranges that are kept for the report; all are counted.
const RANGES_KEPT: usize = 4096;

/// What one pass did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PassFacts {
    /// SCK asked for.
    pub sck: Hertz,
    /// Read opcode.
    pub opcode: u8,
    /// Lanes that its data came in on.
    pub lanes: u8,
    /// True for a pass from the top down.
    pub downwards: bool,
    /// How long it took on the link's clock.
    pub time: Duration,
    /// The least time the bytes need on this wire.
    pub floor: Duration,
}

/// What two reads of the chip showed.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct TwinRead {
    /// The first pass, which is kept.
    pub first: PassFacts,
    /// The second pass, which was compared with it.
    pub second: PassFacts,
    /// A third, at other frame boundaries again, where the two could not be made independent.
    pub third: Option<PassFacts>,
    /// SHA-256 of the first pass.
    pub sha256: Digest,
    /// Where the two differ, outside exempt blocks, in address order and joined where they touch.
    pub differing: Vec<Range<u32>>,
    /// How many bytes differ there: of the ranges only so many are kept.
    pub differing_bytes: u64,
    /// What that pattern usually means.
    pub pattern: String,
    /// Why the two could not be made independent, or prove less, where that is so.
    pub weak: Option<String>,
    /// How many lanes were chosen for the second pass and why, where there was a choice.
    pub lanes: Option<String>,
    /// How the reading looks.
    pub look: Examination,
    /// What speaks against the reading although both agree.
    pub alarms: Vec<String>,
    /// Set where the upper half repeats the lower, which a chip of half the size does too.
    pub half: Option<String>,
}

impl TwinRead {
    /// Whether every byte is FF.
    #[must_use]
    pub fn is_blank(&self) -> bool {
        self.look.uniform == Some(0xFF)
    }
}

impl TwinRead {
    /// The conditions of the passes in words.
    #[must_use]
    pub fn words(&self) -> String {
        let one = |pass: &PassFacts| {
            let way = if pass.downwards {
                "downwards"
            } else {
                "upwards"
            };
            let lanes = match pass.lanes {
                1 => String::new(),
                lanes => format!(" on {lanes} lanes"),
            };
            format!("{:02X}h{lanes} {} {way}", pass.opcode, pass.sck)
        };
        let third = self.third.iter().map(|pass| format!(", {}", one(pass)));
        let weak = self.weak.iter().map(|why| format!("; weak: {why}"));
        let lanes = self.lanes.iter().map(|why| format!("; lanes {why}"));
        let more: String = third.chain(weak).chain(lanes).collect();
        format!("{}, {}{more}", one(&self.first), one(&self.second))
    }

    /// The least time that all passes need on this wire.
    #[must_use]
    pub fn floor(&self) -> Duration {
        let third = self.third.as_ref();
        let third = third.map_or(Duration::ZERO, |pass| pass.floor);
        self.first.floor + self.second.floor + third
    }

    /// Time of all passes.
    #[must_use]
    pub fn time(&self) -> Duration {
        let third = self.third.as_ref().map_or(Duration::ZERO, |pass| pass.time);
        self.first.time + self.second.time + third
    }
}

/// Reads the whole chip twice. The first pass is kept in `file`, the second compared with it.
/// Differences inside `exempt` ranges do not count: an unfinished journal has those blocks begun.
///
/// # Errors
/// A [`Stop`] for a lost contact, a failed link or file, or when the person stops.
pub fn twin_read(
    chip: &mut Chip,
    file: &mut Unfinished,
    exempt: &[Range<u32>],
    attendant: &mut dyn Attendant,
) -> Result<TwinRead, Stop> {
    let chosen = lanes::choose(chip)?;
    let (one, two, weak) = independent_passes(chip);
    let mut passes = vec![one.clone(), two.clone()];
    passes.extend(weak.as_ref().map(|_| shifted(&two)));
    let sck: Vec<Hertz> = passes.iter().map(|pass| pass.sck).collect();
    let about = passes.iter().map(|pass| modelled(chip, pass)).sum();
    attendant.expects(&sck, about);
    let mut differences = Differences::default();
    let (first, sha256, look) = first_pass(chip, &one, file, attendant)?;
    let mut compare = |chip: &mut Chip, name, pass: &Pass| {
        compared_pass(chip, name, pass, file, exempt, &mut differences, attendant)
    };
    let second = compare(chip, "second", &two)?;
    let third = match weak {
        Some(_) => Some(compare(chip, "third", &shifted(&two))?),
        None => None,
    };
    // Reads that differ tell more by how they differ.
    let doubts = if differences.bytes == 0 {
        settle(chip, file, &two, &look, exempt)?
    } else {
        Doubts::default()
    };
    let mut pattern = differences.pattern(chip.size_bytes());
    if differences.bytes > 0 {
        pattern += lanes::hint(two.command.lanes());
    }
    let differing_bytes = differences.bytes;
    let differing = joined(differences.ranges);
    let Doubts { alarms, half, .. } = doubts;
    let reasons = [weak, doubts.weak].into_iter().flatten();
    Ok(TwinRead {
        first,
        second,
        third,
        sha256,
        differing,
        differing_bytes,
        pattern,
        weak: reasons.reduce(|one, other| format!("{one}; {other}")),
        lanes: chosen,
        look,
        alarms,
        half,
    })
}

/// What a pass takes: its bits, and its messages as they mostly cost.
fn modelled(chip: &Chip, pass: &Pass) -> Duration {
    let messages = chip.size_bytes().div_ceil(pass.frame_bytes.max(1));
    facts(chip, pass, Duration::ZERO).floor + MESSAGE.saturating_mul(messages)
}

/// 03h from below at the proven SCK, then 0Bh, or what goes on several lanes, from above at three fifths of it,
/// at other boundaries.
///
/// Frames are as long as the link takes, in multiples of [`Limits::GRID_BYTES`]. Those of the first begin
/// at such multiples, those of the second 61 bytes behind them, behind a short frame at 0: no byte but the
/// first and last of the array, or of 16 MiB of it, lies near the edge of a frame twice, or has the same
/// place in one.
///
/// [`Limits::GRID_BYTES`]: crate::link::Limits::GRID_BYTES
fn independent_passes(chip: &Chip) -> (Pass, Pass, Option<String>) {
    let fast = chip.sck_for(ReadCommand::Read);
    let command = chip.second_command();
    let slow = Hertz(fast.0 / 5 * 3).max(chip.sck_min()).max(Hertz(1));
    let slow = slow.min(fast).min(chip.sck_for(command));
    let whole = chip.pass_frame_bytes(fast);
    let one = Pass {
        command: ReadCommand::Read,
        sck: fast,
        frame_bytes: whole,
        first_bytes: whole,
        order: Order::Up,
        poison: 0xA5,
    };
    let two = Pass {
        command,
        sck: slow,
        frame_bytes: chip.pass_frame_bytes(slow),
        first_bytes: 61,
        order: Order::Down,
        poison: 0x5A,
    };
    let apart = u64::from(one.sck.0) * 2 >= u64::from(two.sck.0) * 3;
    let weak = (!apart && one.command == two.command)
        .then(|| format!("both at {} with {:02X}h", one.sck, one.command.opcode()));
    (one, two, weak)
}

/// A third pass for reads that differ in frame boundaries and order alone.
fn shifted(two: &Pass) -> Pass {
    Pass {
        first_bytes: 37,
        order: Order::Up,
        poison: 0x3C,
        ..two.clone()
    }
}

fn facts(chip: &Chip, pass: &Pass, time: Duration) -> PassFacts {
    let bits = u64::from(chip.size_bytes()) * 8;
    let lanes = pass.command.lanes().into;
    let clocks = bits / u64::from(lanes.max(1));
    let floor = Duration::from_secs_f64(clocks as f64 / f64::from(pass.sck.0));
    let downwards = pass.order == Order::Down;
    PassFacts {
        sck: pass.sck,
        opcode: pass.command.opcode(),
        lanes,
        downwards,
        time,
        floor,
    }
}

fn first_pass(
    chip: &mut Chip,
    pass: &Pass,
    file: &mut Unfinished,
    attendant: &mut dyn Attendant,
) -> Result<(PassFacts, Digest, Examination), Stop> {
    let (mut hasher, mut examiner) = (Hasher::new(), Examiner::new());
    let time = run(chip, pass, "first", attendant, &mut |address, bytes| {
        hasher.update(bytes);
        examiner.feed(bytes);
        file.write_at(u64::from(address.0), bytes)
    })?;
    Ok((facts(chip, pass, time), hasher.finish(), examiner.finish()))
}

/// A pass that is compared with what the first one kept.
///
/// Not hashed as well: it comes from above, and bytes that all equal those kept have their hash. That
/// the file has the first pass's hash is shown from the medium, when it is published.
fn compared_pass(
    chip: &mut Chip,
    name: &'static str,
    pass: &Pass,
    file: &mut Unfinished,
    exempt: &[Range<u32>],
    differences: &mut Differences,
    attendant: &mut dyn Attendant,
) -> Result<PassFacts, Stop> {
    let mut kept = Vec::new();
    let time = run(chip, pass, name, attendant, &mut |address, bytes| {
        kept.resize(bytes.len(), 0);
        file.read_at(u64::from(address.0), &mut kept)?;
        if kept != bytes {
            differences.add(address, &kept, bytes, exempt);
        }
        Ok(())
    })?;
    Ok(facts(chip, pass, time))
}

/// One pass over the whole chip.
fn run(
    chip: &mut Chip,
    pass: &Pass,
    name: &'static str,
    attendant: &mut dyn Attendant,
    take: &mut Take<'_>,
) -> Result<Duration, Stop> {
    let whole = 0..chip.size_bytes();
    let within = std::slice::from_ref(&whole);
    run_over(chip, pass, within, name, attendant, take)
}

/// Where and how two readings differ.
#[derive(Debug, Default)]
struct Differences {
    ranges: Vec<Range<u32>>,
    bytes: u64,
    bits: u64,
    /// Bits that were 1 first and 0 then.
    fell: u64,
}

impl Differences {
    fn add(&mut self, address: Address, first: &[u8], second: &[u8], exempt: &[Range<u32>]) {
        for (at, (one, two)) in (address.0..).zip(first.iter().zip(second)) {
            if one == two || exempt.iter().any(|range| range.contains(&at)) {
                continue;
            }
            self.bytes += 1;
            self.bits += u64::from((one ^ two).count_ones());
            self.fell += u64::from((one & !two).count_ones());
            let room = self.ranges.len() < RANGES_KEPT;
            match self.ranges.last_mut() {
                Some(last) if last.end == at => last.end += 1,
                _ if room => self.ranges.push(at..at + 1),
                _ => {}
            }
        }
    }

    /// What the pattern usually means at the bench (common practice, no source).
    fn pattern(&self, size_bytes: u32) -> String {
        if self.bytes == 0 {
            return "no bit differs".into();
        }
        let each = self.bits as f64 / self.bytes as f64;
        let longest = self
            .ranges
            .iter()
            .map(|range| range.end - range.start)
            .max()
            .unwrap_or(0);
        let cause = if self.bytes > u64::from(size_bytes) / 16 {
            "so much differs that one read was shifted or unpowered: clip, clock or address bytes"
        } else if longest >= 64 {
            "whole stretches differ: bytes were lost, or address bits on MOSI"
        } else if each < 1.5 {
            "single bits differ: SCK too fast, a poor ground, or weak cells"
        } else {
            "short bursts differ: a contact that opens now and then"
        };
        let direction = match self.fell {
            0 => ", all from 0 to 1",
            fell if fell == self.bits => ", all from 1 to 0",
            _ => "",
        };
        format!(
            "{} bytes, {} bits{direction}; {cause}",
            self.bytes, self.bits
        )
    }
}

/// In address order, joined where they touch.
pub(super) fn joined(mut ranges: Vec<Range<u32>>) -> Vec<Range<u32>> {
    ranges.sort_by_key(|range| range.start);
    let mut joined: Vec<Range<u32>> = Vec::new();
    for range in ranges {
        match joined.last_mut() {
            Some(last) if last.end >= range.start => last.end = last.end.max(range.end),
            _ => joined.push(range),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn differences_are_told_by_direction_and_kind() {
        let mut single = Differences::default();
        single.add(Address(10), &[0xFF, 0xFF, 0xFF], &[0xFF, 0xFE, 0xFF], &[]);
        assert_eq!(single.ranges, [Range { start: 11, end: 12 }]);
        let text = single.pattern(1 << 20);
        assert!(
            text.starts_with("1 bytes, 1 bits, all from 1 to 0; single bits"),
            "{text}"
        );

        let mut shifted = Differences::default();
        shifted.add(Address(0), &[0x55; 512], &[0xAA; 512], &[]);
        assert!(shifted.pattern(4096).contains("shifted"));
        assert!(shifted.pattern(1 << 20).contains("stretches"));
    }

    #[test]
    fn exempt_blocks_do_not_count() {
        let mut none = Differences::default();
        none.add(Address(0), &[0; 8], &[1; 8], &[Range { start: 0, end: 8 }]);
        assert!(none.ranges.is_empty() && none.bytes == 0);
    }

    #[test]
    fn ranges_are_joined_in_address_order() {
        assert_eq!(joined(vec![8..9, 4..6, 6..8, 20..21]), [4..9, 20..21]);
    }
}
