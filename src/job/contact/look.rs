//! What is looked at on the wires, beside the ladder: many short answers, long reads, and what MOSI brings.

use std::ops::Range;
use std::time::Duration;

use super::go_on;
use super::signs::dead_from;
use crate::chip::{Bare, Chip, ChipError, ReadCommand};
use crate::interlock::Power;
use crate::jedec::sfdp::Sfdp;
use crate::jedec::{Address, Hertz, ID_BYTES};
use crate::job::{Attendant, Stop};

/// Reads of the ID: so many that one answer in fifty that is another one is seen, but for 6 in 1000. Fewer
/// where that time is not enough for them: below 15 kHz.
const ID_READS: u32 = 256;
const ID_TIME: Duration = Duration::from_secs(3);
const STATUS_READS: usize = 16;
const SFDP_READS: usize = 8;
/// Bytes in which the tables of nearly every part lie.
const SFDP_BYTES: usize = 256;
/// Long reads with the ID behind each.
const LONG_READS: u32 = 16;
/// Bytes that are clocked in with CS high.
const IDLE_BYTES: u32 = 256;
const IDLE_TIME: Duration = Duration::from_millis(1024);

/// Pieces of the sample, and the bytes of each: 64 KiB in all, less where one read of it would take longer
/// than that.
const PIECES: u32 = 16;
const PIECE_BYTES: Range<u32> = 16..4 << 10;
const SAMPLE_TIME: Duration = Duration::from_secs(3);
/// Bytes of the short frames that the sample is first read in.
const SHORT_BYTES: usize = 256;
/// Bytes that are compared where an address line is tried, and pairs of places tried for each.
const LINE_BYTES: usize = 16;
const LINE_PAIRS: u32 = 12;
/// What one line may take, and the bytes on the wire of one pair.
const LINE_TIME: Duration = Duration::from_millis(300);
const PAIR_BYTES: usize = 3 * (LINE_BYTES + 4) + 12;

/// How many reads of so many bytes on the wire fit into a time at `sck`; at least one, at most `most`. So a
/// check takes about a minute on the slowest clock, and what it is worth is less.
pub(in crate::job) fn reads_within(time: Duration, bytes: usize, sck: Hertz, most: u32) -> u32 {
    let bits = u128::from(sck.0) * time.as_millis() / 1000;
    let reads = bits / (bytes.max(1) as u128 * 8);
    u32::try_from(reads).unwrap_or(most).clamp(1, most)
}

/// What MISO did while CS was high.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Idle {
    /// The link cannot clock with CS high.
    NotAsked,
    /// It stood still.
    Still,
    /// It changed so often.
    Driven { changes: u32 },
}

/// How the address lines do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Lines {
    /// Those that were seen to have an effect.
    pub(super) arriving: u32,
    /// All that the chip has.
    pub(super) all: u32,
    /// The lowest that has none.
    pub(super) failing: Option<u8>,
}

/// How long frames compare with short ones.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Frames {
    /// Long frames that were read.
    pub(super) read: u32,
    /// How many brought something else.
    pub(super) differing: u32,
    /// How many ended in nothing but an undriven line.
    pub(super) dead: u32,
    /// The least byte from which on one was dead.
    pub(super) first_dead: usize,
}

/// Everything that was seen; what was not looked at is empty.
#[derive(Debug, Clone)]
pub(super) struct Observed {
    pub(super) power: Option<Power>,
    pub(super) marking: Option<String>,
    pub(super) ids: Vec<[u8; ID_BYTES]>,
    pub(super) statuses: Vec<u8>,
    pub(super) sfdp: Vec<[u8; 16]>,
    /// SFDP has told what the chip is, so that its ID need not be a known one.
    pub(super) self_described: bool,
    pub(super) idle: Idle,
    /// Long reads, and after how many of them the ID was another one.
    pub(super) after_long: (u32, u32),
    pub(super) frames: Frames,
    pub(super) lines: Option<Lines>,
}

impl Observed {
    pub(super) fn nothing(power: Option<Power>, marking: Option<&str>) -> Self {
        Self {
            power,
            marking: marking.map(str::to_owned),
            ids: Vec::new(),
            statuses: Vec::new(),
            sfdp: Vec::new(),
            self_described: false,
            idle: Idle::NotAsked,
            after_long: (0, 0),
            frames: Frames::default(),
            lines: None,
        }
    }

    /// Whether every read of the ID brought this one.
    pub(super) fn is_steady(&self, id: &[u8; ID_BYTES]) -> bool {
        self.ids.iter().all(|one| one == id)
    }

    /// Looks at the ID, the status register, SFDP and the idle line, at the SCK in use. Only questions that
    /// mean the same to every chip.
    ///
    /// # Errors
    /// A [`Stop`]: a link fault, or when the person stops.
    pub(super) fn look(&mut self, bare: &mut Bare, attendant: &dyn Attendant) -> Result<(), Stop> {
        let (sck, stop) = (bare.sck(), || attendant.stop_asked());
        self.statuses.clear();
        for _ in 0..STATUS_READS {
            go_on(attendant)?;
            self.statuses.push(bare.status(sck)?);
        }
        self.ids.clear();
        for _ in 0..reads_within(ID_TIME, 1 + ID_BYTES, sck, ID_READS) {
            go_on(attendant)?;
            self.ids.push(bare.id(sck)?);
        }
        let head = |_| {
            let mut head = [0; 16];
            bare.sfdp(0, &mut head, sck, &stop).map(|()| head)
        };
        self.sfdp = (0..SFDP_READS).map(head).collect::<Result<_, _>>()?;
        self.self_described = describes_itself(bare, attendant)?;
        go_on(attendant)?;
        self.idle = idle(bare)?;
        go_on(attendant)
    }

    /// Reads long runs behind 9Fh, whatever they bring, and the ID right after each.
    ///
    /// # Errors
    /// As [`Observed::look`].
    pub(super) fn strain(
        &mut self,
        bare: &mut Bare,
        attendant: &dyn Attendant,
    ) -> Result<(), Stop> {
        let sck = bare.sck();
        let Some(wanted) = self.ids.first().copied() else {
            return Ok(());
        };
        let mut failed = 0;
        for _ in 0..LONG_READS {
            go_on(attendant)?;
            bare.time_run(bare.run_bytes(sck), sck)?;
            failed += u32::from(bare.id(sck)? != wanted);
        }
        self.after_long = (LONG_READS, failed);
        Ok(())
    }
}

/// Whether the chip has SFDP that can be read.
pub(super) fn describes_itself(
    bare: &mut Bare,
    attendant: &dyn Attendant,
) -> Result<bool, ChipError> {
    let mut space = [0; SFDP_BYTES];
    bare.sfdp(0, &mut space, bare.sck(), &|| attendant.stop_asked())?;
    Ok(Sfdp::parse(&space).is_ok())
}

fn idle(bare: &mut Bare) -> Result<Idle, ChipError> {
    // All of them from 2 kHz on.
    let bytes = reads_within(IDLE_TIME, 1, bare.sck(), IDLE_BYTES);
    let mut line = vec![0; bytes as usize];
    if !bare.idle(&mut line)? {
        return Ok(Idle::NotAsked);
    }
    let bits = line
        .iter()
        .flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1));
    let mut changes = 0;
    bits.reduce(|before, bit| {
        changes += u32::from(before != bit);
        bit
    });
    Ok(match changes {
        0 => Idle::Still,
        changes => Idle::Driven { changes },
    })
}

/// What an unfinished write left of the array.
pub(super) struct Left {
    /// Blocks in hand, which may read differently each time on the best of contacts.
    pub(super) torn: Vec<Range<u32>>,
    /// Blocks that are done, which may do so too.
    pub(super) done: Vec<Range<u32>>,
}

impl Left {
    fn touches(&self, place: &Range<u64>) -> bool {
        touches(&self.torn, place) || touches(&self.done, place)
    }
}

fn touches(blocks: &[Range<u32>], place: &Range<u64>) -> bool {
    let mut blocks = blocks.iter();
    blocks.any(|block| u64::from(block.start) < place.end && place.start < u64::from(block.end))
}

/// Pieces of the array that are read again and again.
pub(super) struct Sample {
    /// Each with its address, as short frames brought it at the lowest SCK.
    pub(super) pieces: Vec<(Address, Vec<u8>)>,
    /// Pieces of blocks that are done, left out as they are not steady.
    pub(super) unsteady: u32,
}

impl Sample {
    /// Reads pieces from the first byte to the last in short frames, without those that touch a torn block,
    /// and those of one that is done if they are not steady even there.
    ///
    /// # Errors
    /// As [`Observed::look`].
    pub(super) fn take(
        chip: &mut Chip,
        left: &Left,
        attendant: &dyn Attendant,
    ) -> Result<Self, Stop> {
        let sck = within_limit(chip, ReadCommand::Read, chip.sck());
        let length = piece_bytes(sck).min(chip.size_bytes());
        let mut sample = Self {
            pieces: Vec::new(),
            unsteady: 0,
        };
        for place in places_of(chip.size_bytes(), length) {
            let range = u64::from(place.0)..u64::from(place.0) + u64::from(length);
            if touches(&left.torn, &range) {
                continue;
            }
            go_on(attendant)?;
            let bytes = in_short_frames(chip, place, length)?;
            if touches(&left.done, &range) && in_short_frames(chip, place, length)? != bytes {
                sample.unsteady += 1;
                continue;
            }
            sample.pieces.push((place, bytes));
        }
        Ok(sample)
    }

    /// Whether nearly all of it is FF, where a line that lifts bits does not show.
    pub(super) fn is_blank(&self) -> bool {
        let zeros = |bytes: &Vec<u8>| {
            bytes
                .iter()
                .map(|byte| u64::from(byte.count_zeros()))
                .sum::<u64>()
        };
        let zeros: u64 = self.pieces.iter().map(|(_, bytes)| zeros(bytes)).sum();
        let bits: u64 = self
            .pieces
            .iter()
            .map(|(_, bytes)| bytes.len() as u64 * 8)
            .sum();
        zeros * 100 < bits
    }

    /// Reads all of it in frames as long as the link takes, at the lowest SCK, and compares.
    ///
    /// # Errors
    /// As [`Observed::look`].
    pub(super) fn in_long_frames(
        &self,
        chip: &mut Chip,
        attendant: &dyn Attendant,
    ) -> Result<Frames, Stop> {
        let sck = within_limit(chip, ReadCommand::Read, chip.sck());
        let length = chip.frame_bytes(sck).max(1);
        let (mut frames, mut seen) = (Frames::default(), Vec::new());
        frames.first_dead = usize::MAX;
        if self.pieces.is_empty() {
            // Not one piece is steady: that is no longer the write's doing.
            (frames.read, frames.differing) = (self.unsteady, self.unsteady);
        }
        for (place, wanted) in &self.pieces {
            go_on(attendant)?;
            for (at, wanted) in (place.0..).step_by(length).zip(wanted.chunks(length)) {
                seen.clear();
                seen.resize(wanted.len(), 0x5A);
                chip.read(ReadCommand::Read, sck, Address(at), &mut seen)?;
                frames.read += 1;
                frames.differing += u32::from(seen != wanted);
                // A dead end of a few bytes is as likely a bit or two.
                if let Some(from) = dead_from(wanted, &seen).filter(|from| from + 4 < seen.len()) {
                    frames.dead += 1;
                    frames.first_dead = frames.first_dead.min(from);
                }
            }
        }
        Ok(frames)
    }
}

/// Bytes of a piece of the sample.
fn piece_bytes(sck: Hertz) -> u32 {
    let Range { start, end } = PIECE_BYTES;
    let pieces = usize::try_from(PIECES * start).unwrap_or(usize::MAX);
    reads_within(SAMPLE_TIME, pieces, sck, end / start) * start
}

fn in_short_frames(chip: &mut Chip, place: Address, length: u32) -> Result<Vec<u8>, ChipError> {
    let sck = within_limit(chip, ReadCommand::Read, chip.sck());
    let mut bytes = vec![0; length as usize];
    let starts = (place.0..).step_by(SHORT_BYTES);
    for (at, piece) in starts.zip(bytes.chunks_mut(SHORT_BYTES)) {
        chip.read(ReadCommand::Read, sck, Address(at), piece)?;
    }
    Ok(bytes)
}

/// Evenly from the first byte to the last.
fn places_of(size_bytes: u32, length: u32) -> Vec<Address> {
    let step = (size_bytes - length) / (PIECES - 1);
    let mut places: Vec<Address> = (0..PIECES - 1).map(|n| Address(n * step)).collect();
    places.push(Address(size_bytes - length));
    places.dedup();
    places
}

/// The part's limit for `command`.
pub(super) fn limit(chip: &Chip, command: ReadCommand) -> Hertz {
    let limits = &chip.part().sck_max;
    let limit = limits.get(&command.opcode());
    let limit = limit.or_else(|| limits.get(&ReadCommand::Read.opcode()));
    limit.copied().unwrap_or(Hertz(u32::MAX))
}

/// `sck` within the part's limit for `command`. What the chip has for proven is the lowest here.
pub(super) fn within_limit(chip: &Chip, command: ReadCommand, sck: Hertz) -> Hertz {
    sck.min(limit(chip, command))
}

/// Tries each address line: two places that differ in it alone and hold different bytes prove it; where
/// they read alike, a frame that begins below the upper one and counts on by itself tells whether they are.
///
/// # Errors
/// As [`Observed::look`].
pub(super) fn lines(
    chip: &mut Chip,
    left: &Left,
    attendant: &dyn Attendant,
) -> Result<Lines, Stop> {
    let size_bytes = u64::from(chip.size_bytes());
    let all = size_bytes.next_power_of_two().trailing_zeros();
    let mut lines = Lines {
        arriving: 0,
        all,
        failing: None,
    };
    for bit in (0..32_u8).take(all as usize) {
        go_on(attendant)?;
        match line(chip, bit, size_bytes, left)? {
            Some(true) => lines.arriving += 1,
            Some(false) => {
                lines.failing = Some(bit);
                break;
            }
            None => {}
        }
    }
    Ok(lines)
}

/// Whether one line arrives; `None` where no pair of places tells.
fn line(chip: &mut Chip, bit: u8, size_bytes: u64, left: &Left) -> Result<Option<bool>, ChipError> {
    let sck = within_limit(chip, ReadCommand::Read, chip.sck());
    let (step, length) = (1_u64 << bit, LINE_BYTES as u64);
    let pairs = size_bytes / (2 * step);
    let tried = pairs.min(reads_within(LINE_TIME, PAIR_BYTES, sck, LINE_PAIRS).into());
    for n in 0..tried {
        // From the first pair to the last, odd among the lines above as well.
        let lower = (pairs - 1) * n / (tried - 1).max(1) * 2 * step;
        let upper = lower + step;
        let below = step.min(8);
        let windows = [lower..lower + length, upper - below..upper + length];
        if upper + length > size_bytes || windows.iter().any(|window| left.touches(window)) {
            continue;
        }
        let (mut low, mut high) = ([0x5A; LINE_BYTES], [0xA5; LINE_BYTES]);
        let at = |place: u64| Address(u32::try_from(place).unwrap_or(u32::MAX));
        chip.read(ReadCommand::Read, sck, at(lower), &mut low)?;
        chip.read(ReadCommand::Read, sck, at(upper), &mut high)?;
        if low != high {
            return Ok(Some(true));
        }
        let mut across = [0; LINE_BYTES + 8];
        let bytes = LINE_BYTES + usize::try_from(below).unwrap_or_default();
        let across = across.get_mut(..bytes).unwrap_or_default();
        chip.read(ReadCommand::Read, sck, at(upper - below), across)?;
        if across.get(bytes - LINE_BYTES..) != Some(high.as_slice()) {
            return Ok(Some(false));
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn less_is_read_the_slower_the_clock() {
        let of = |hz| piece_bytes(Hertz(hz));
        assert_eq!([1, 1000, 100_000].map(of), [16, 16, 2336]);
        assert_eq!([175_000, 1_000_000, u32::MAX].map(of), [4096; 3]);
        let ids = |hz| reads_within(ID_TIME, 1 + ID_BYTES, Hertz(hz), ID_READS);
        assert_eq!([1, 1000, 15_000, 1_000_000].map(ids), [1, 17, 256, 256]);
    }

    #[test]
    fn pieces_reach_from_the_first_byte_to_the_last() {
        let of = |size, length| {
            places_of(size, length)
                .iter()
                .map(|at| at.0)
                .collect::<Vec<_>>()
        };
        let mib = of(1 << 20, 4 << 10);
        assert_eq!((mib.len(), mib[0], mib[15]), (16, 0, 0xF_F000));
        assert_eq!(of(4096, 4096), [0]);
        assert_eq!(of(4098, 4096), [0, 2]);
    }

    #[test]
    fn a_place_is_left_out_where_one_byte_of_it_is_torn_or_done() {
        let left = Left {
            torn: vec![0x1000..0x2000, 0x3000..0x4000],
            done: vec![0x8000..0x9000, 0xA000..0xB000],
        };
        for (place, touched) in [
            (0x0000..0x1000, false),
            (0x0000..0x1001, true),
            (0x1FFF..0x2000, true),
            (0x2000..0x3000, false),
            (0x3800..0x3801, true),
            (0x4000..0x8000, false),
            (0x7FFF..0x8001, true),
            (0x9000..0xA000, false),
            (0xAFFF..0xC000, true),
            (0xB000..0xB001, false),
            (0x0000..0x1_0000, true),
        ] {
            assert_eq!(left.touches(&place), touched, "{place:X?}");
        }
    }
}
