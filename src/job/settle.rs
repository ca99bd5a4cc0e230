//! What two agreeing reads may both have wrong, asked of the chip itself.
//!
//! Long frames hide two kinds of fault. An address bit that does not arrive matters only where a frame
//! begins, for inside a frame the chip counts by itself. Bytes lost or doubled inside a frame displace
//! what follows, in sparse content perhaps alike in both reads. Short frames show both.

use std::collections::BTreeSet;
use std::ops::Range;

use super::Stop;
use super::explain::sentence;
use crate::chip::{Chip, Pass, ReadCommand};
use crate::image::{Examination, SAMPLES_MAX};
use crate::jedec::Address;
use crate::unit::Unfinished;

/// Granularity in which a reading is examined.
const BLOCK_BYTES: u32 = 4096;
/// Odd, so that frames begin at all values of the lower address bits.
const SHORT_FRAME_BYTES: u32 = 61;
/// Reads of a torn block: one whose erase came near its end may read blank now and then.
const TORN_READS: usize = 3;
/// Where a line turns from 0 to 1, so many places are looked at.
const CROSSINGS_MAX: usize = 256;
/// Bytes below such a place with which a frame begins.
const BELOW_BYTES: u32 = 16;

/// What speaks against a reading on which two passes agree.
#[derive(Debug, Default)]
pub(super) struct Doubts {
    /// What no healthy chip on good wires shows.
    pub(super) alarms: Vec<String>,
    /// Set where the upper half repeats the lower, which a chip of half the size does too.
    pub(super) half: Option<String>,
    /// Set where all content repeats over a lower line: then no read tells that it works, but near where it turns.
    pub(super) weak: Option<String>,
}

/// Looks at what two agreeing reads show, and asks the chip where the reading alone cannot tell.
/// `pass` gives command and SCK. Blocks in `exempt` may read differently each time and are left out.
pub(super) fn settle(
    chip: &mut Chip,
    file: &Unfinished,
    pass: &Pass,
    look: &Examination,
    exempt: &[Range<u32>],
) -> Result<Doubts, Stop> {
    let mut doubts = Doubts::default();
    if look.uniform == Some(0xFF) {
        return Ok(doubts);
    }
    doubts.alarms = look.alarms().iter().map(|alarm| sentence(alarm)).collect();
    doubts
        .alarms
        .extend(short_frames(chip, file, pass, look, exempt)?);
    let witnesses = look.address_lines.iter().filter_map(|line| {
        let lower = u32::try_from(line.unlike?).ok()?;
        let upper = lower | 1_u32.checked_shl(line.address_bit.into())?;
        Some((line.address_bit, lower, upper))
    });
    for (bit, lower, upper) in witnesses {
        let (torn, other) = match (is_exempt(exempt, lower), is_exempt(exempt, upper)) {
            (false, false) => continue,
            (true, _) => (lower, upper),
            (false, true) => (upper, lower),
        };
        if reads_as(chip, file, pass, torn, other)? {
            chip.check_id()?;
            doubts.alarms.push(no_effect(bit));
        }
    }
    let mut doubtful = Vec::new();
    let mirrored = look.mirrored_address_bits();
    for &bit in &mirrored {
        // A table of one row: across the lowest line it is seen, but for its last bytes, and lies everywhere.
        let mut below = BLOCK_BYTES.trailing_zeros()..bit.into();
        let all_alike = below.all(|line| mirrored.iter().any(|bit| u32::from(*bit) == line));
        if !crosses_truly(chip, file, bit, exempt)? {
            doubts.alarms.push(no_effect(bit));
        } else if 2_u64 << bit == u64::from(chip.size_bytes()) {
            doubts.half = Some(format!(
                "the upper half repeats the lower (A{bit}); a chip of half the size does too"
            ));
        } else if !all_alike {
            doubtful.push(format!("A{bit}"));
        }
    }
    doubts.weak = (!doubtful.is_empty()).then(|| {
        let lines = doubtful.join(", ");
        format!("all content is the same with {lines} as without, so nothing tells whether that line works")
    });
    Ok(doubts)
}

fn no_effect(bit: u8) -> String {
    format!("Address line A{bit} has no effect: it is stuck, or follows another.")
}

/// Whether a block that may be torn reads in short frames as `other` was kept, time after time: then the
/// line by which their addresses differ has no effect. What it reads as tells nothing else.
fn reads_as(
    chip: &mut Chip,
    file: &Unfinished,
    pass: &Pass,
    torn: u32,
    other: u32,
) -> Result<bool, Stop> {
    for _ in 0..TORN_READS {
        if !is_same_in_short_frames(chip, file, pass, torn, other)? {
            return Ok(false);
        }
    }
    Ok(true)
}

fn is_exempt(exempt: &[Range<u32>], block: u32) -> bool {
    touches(exempt, block, block.saturating_add(BLOCK_BYTES))
}

/// Reads blocks again in short frames: for each address line two that differ and whose addresses
/// differ in that line only, which a stuck or aliased line would make equal; and samples of all
/// content, which lost or doubled bytes displace otherwise in short frames than in long ones.
fn short_frames(
    chip: &mut Chip,
    file: &Unfinished,
    pass: &Pass,
    look: &Examination,
    exempt: &[Range<u32>],
) -> Result<Option<String>, Stop> {
    let pairs = look.address_lines.iter().filter_map(|line| {
        let lower = line.unlike?;
        Some([lower, lower | 1 << line.address_bit])
    });
    let blocks: BTreeSet<u64> = pairs
        .flatten()
        .chain(look.samples.iter().copied())
        .collect();
    for start in blocks {
        let Ok(start) = u32::try_from(start) else {
            break;
        };
        if !is_exempt(exempt, start) && !is_same_in_short_frames(chip, file, pass, start, start)? {
            // A clip that has moved since is told as such.
            chip.check_id()?;
            return Ok(Some(format!(
                "Read again in short frames, {} holds other bytes than both reads: address bits do not \
                 arrive, or bytes are lost within a frame.",
                Address(start)
            )));
        }
    }
    Ok(None)
}

/// Bytes that a look at a healthy chip's reading asks for again, at the most.
pub(super) fn asked_again_bytes(size_bytes: u32) -> u64 {
    let lines = size_bytes
        .checked_div(BLOCK_BYTES)
        .map_or(0, |blocks| blocks.max(1).ilog2());
    let blocks = u64::from(2 * lines) + SAMPLES_MAX as u64;
    let each = u64::from(BLOCK_BYTES.div_ceil(SHORT_FRAME_BYTES) * (SHORT_FRAME_BYTES + 5));
    (blocks * each).min(u64::from(size_bytes))
}

/// Whether the block at `start` reads in short frames as the one at `kept_at` was kept.
fn is_same_in_short_frames(
    chip: &mut Chip,
    file: &Unfinished,
    pass: &Pass,
    start: u32,
    kept_at: u32,
) -> Result<bool, Stop> {
    let rest = chip.size_bytes().saturating_sub(start.max(kept_at));
    let length = BLOCK_BYTES.min(rest);
    let (mut again, mut kept) = (
        vec![!pass.poison; length as usize],
        vec![0; length as usize],
    );
    file.read_at(u64::from(kept_at), &mut kept)?;
    let short = SHORT_FRAME_BYTES as usize;
    chip.read_in_frames((pass.command, pass.sck), short, Address(start), &mut again)?;
    Ok(again == kept)
}

/// Reads across the places where address bit `bit` turns from 0 to 1, each in one frame that starts
/// below: inside a frame the chip counts by itself, so a line stuck on the host's side shows as bytes
/// other than the addressed read gave. True only if at least one such place held more than blank.
fn crosses_truly(
    chip: &mut Chip,
    file: &Unfinished,
    bit: u8,
    exempt: &[Range<u32>],
) -> Result<bool, Stop> {
    // 03h is used, so its own limit counts.
    let sck = chip.sck_for(ReadCommand::Read);
    let length = chip.frame_bytes(sck).min(BLOCK_BYTES as usize);
    let (mut across, mut kept) = (vec![0; length], vec![0; length]);
    let step = 1_u64 << bit;
    let size_bytes = u64::from(chip.size_bytes());
    let below = u64::from(BELOW_BYTES).min(length as u64 / 2);
    let mut looked_at = 0;
    let mut boundary = step;
    while boundary < size_bytes && looked_at < CROSSINGS_MAX {
        let start = boundary - below;
        boundary += 2 * step;
        if start + length as u64 > size_bytes {
            break;
        }
        // Both lie within the chip, which has 32 bits.
        let (start, end) = (start as u32, start as u32 + length as u32);
        file.read_at(u64::from(start), &mut kept)?;
        let blank = kept.iter().skip(below as usize).all(|byte| *byte == 0xFF);
        if blank || touches(exempt, start, end) {
            continue;
        }
        looked_at += 1;
        across.fill(0x5A);
        chip.read(ReadCommand::Read, sck, Address(start), &mut across)?;
        if across != kept {
            chip.check_id()?;
            return Ok(false);
        }
    }
    Ok(looked_at > 0)
}

fn touches(exempt: &[Range<u32>], start: u32, end: u32) -> bool {
    exempt
        .iter()
        .any(|range| range.start < end && start < range.end)
}
