//! Where the array really ends, as far as reading can tell.
//!
//! A chip counts round at its end and ignores address bits above it. So reads beyond the end show the
//! beginning again, and what a larger chip has there otherwise. That the upper half is not the lower once
//! more is seen by one place that differs. Blank or repeated content shows neither.

use std::collections::BTreeMap;
use std::ops::Range;

use serde::Serialize;

use super::Stop;
use super::connect::Connected;
use crate::chip::{Chip, ReadCommand};
use crate::image::show_size;
use crate::jedec::{Address, Hertz};

/// Bytes looked at in each place: odd, as no table repeats by it.
const PLACE_BYTES: usize = 61;
/// Places spread evenly over the array, besides those at powers of two.
const SPREAD: u32 = 64;
/// Varied places that are looked for beyond the end.
const BEYOND_MAX: usize = 8;
/// What is said to be larger is read again at this SCK.
const SLOW: Hertz = Hertz::mhz(1);
/// Longest frame across the end.
const ACROSS_BYTES: usize = 4096;
/// Bytes below the end with which a frame across it begins.
const BELOW_BYTES: u32 = 16;

type Bytes = [u8; PLACE_BYTES];

/// What reads around the end of the array show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Wrap {
    /// The array ends where it should: reads come round there, and the upper half is not the lower.
    Agrees,
    /// There is something else beyond the end.
    Larger,
    /// Nothing varied was found to tell by.
    Blank,
    /// The upper half repeats the lower where it was looked at: two copies, or half the size.
    Repeats,
    /// Addresses do not reach beyond the end, or what they show there is unclear.
    Unclear,
}

impl Wrap {
    /// Why it tells nothing of the size, for a screen; `None` where it does.
    #[must_use]
    pub fn not_settled(self) -> Option<&'static str> {
        match self {
            Self::Agrees | Self::Larger => None,
            Self::Blank => Some("blank"),
            Self::Repeats => Some("the upper half repeats the lower"),
            Self::Unclear => Some("reads at the end do not tell"),
        }
    }
}

/// Looks where the array ends, and notes if that is beyond where it should. Blocks in `exempt` may read
/// differently each time and are left out.
pub(super) fn look(connected: &mut Connected, exempt: &[Range<u32>]) -> Result<Wrap, Stop> {
    let chip = &mut connected.chip;
    let size = chip.size_bytes();
    let seen = places(chip, exempt)?;
    let varied = |bytes: &Bytes| bytes.iter().any(|byte| *byte != bytes[0]);
    let found = if !seen.values().any(varied) {
        Wrap::Blank
    } else if !halves_differ(chip, &seen, exempt)? {
        Wrap::Repeats
    } else {
        let varied = seen.iter().filter(|(_, bytes)| varied(bytes));
        beyond(
            chip,
            &varied.map(|(at, bytes)| (*at, *bytes)).collect::<Vec<_>>(),
        )?
    };
    // Wires that err at this SCK make the beginning look like something else, and do so each time alike.
    let found = match found {
        Wrap::Larger if !reads_so_slowly(chip, &seen)? => Wrap::Unclear,
        found => found,
    };
    if found == Wrap::Larger && connected.seen.size_doubt.is_none() {
        connected.seen.size_doubt = Some(format!(
            "reads beyond {} do not come round to the beginning: there is more",
            show_size(size.into())
        ));
    }
    connected.seen.wrap = Some(found);
    Ok(found)
}

/// What the chip holds in some places of its lower half, outside `exempt`.
fn places(chip: &mut Chip, exempt: &[Range<u32>]) -> Result<BTreeMap<u32, Bytes>, Stop> {
    let half = chip.size_bytes() / 2;
    let step = (half / SPREAD).max(1);
    let even = (0..SPREAD).map(|number| number * step);
    let powers = (8..31).map(|bit| 1_u32 << bit);
    let mut seen = BTreeMap::new();
    for at in even.chain(powers) {
        let end = at.saturating_add(PLACE_BYTES as u32);
        if end <= half && !touches(exempt, at) && !seen.contains_key(&at) {
            seen.insert(at, read(chip, at)?.unwrap_or([0xFF; PLACE_BYTES]));
        }
    }
    Ok(seen)
}

/// Whether one place in the lower half differs from the same place in the upper.
fn halves_differ(
    chip: &mut Chip,
    seen: &BTreeMap<u32, Bytes>,
    exempt: &[Range<u32>],
) -> Result<bool, Stop> {
    let half = chip.size_bytes() / 2;
    for (at, bytes) in seen {
        if !touches(exempt, at + half) && read(chip, at + half)?.is_some_and(|up| up != *bytes) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether all places read the same at an SCK at which wires do not matter.
fn reads_so_slowly(chip: &mut Chip, seen: &BTreeMap<u32, Bytes>) -> Result<bool, Stop> {
    for (at, bytes) in seen {
        let mut slow = [0xA5; PLACE_BYTES];
        let sck = chip.sck_for(ReadCommand::Read).min(SLOW);
        chip.read(ReadCommand::Read, sck, Address(*at), &mut slow)?;
        if slow != *bytes {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What reads beyond the end show, compared with `varied` places of the beginning.
fn beyond(chip: &mut Chip, varied: &[(u32, Bytes)]) -> Result<Wrap, Stop> {
    let size = chip.size_bytes();
    let across = across_the_end(chip)?;
    let mut addressed = Vec::new();
    for (at, bytes) in varied.iter().take(BEYOND_MAX) {
        let (Some(one), Some(two)) = (
            size.checked_add(*at)
                .map_or(Ok(None), |at| read(chip, at))?,
            size.checked_add(*at)
                .map_or(Ok(None), |at| read(chip, at))?,
        ) else {
            break;
        };
        if one != two {
            return Ok(Wrap::Unclear);
        }
        addressed.push(one == *bytes);
    }
    let round = addressed.iter().all(|same| *same);
    Ok(match (addressed.is_empty(), round, across) {
        (false, true, Across::Round | Across::Untold) | (true, _, Across::Round) => Wrap::Agrees,
        (false, false, Across::On | Across::Untold) | (true, _, Across::On) => Wrap::Larger,
        _ => Wrap::Unclear,
    })
}

/// Where a frame goes that runs across the end.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Across {
    /// On with the beginning.
    Round,
    /// On with something else that is varied.
    On,
    /// Nowhere that tells.
    Untold,
}

fn across_the_end(chip: &mut Chip) -> Result<Across, Stop> {
    let sck = chip.sck_for(ReadCommand::Read);
    let start = chip.size_bytes().saturating_sub(BELOW_BYTES);
    let tail_bytes = chip.frame_bytes(sck).min(ACROSS_BYTES) - BELOW_BYTES as usize;
    let length = BELOW_BYTES as usize + tail_bytes.min(start as usize);
    let (mut first, mut again) = (vec![0xA5; length], vec![0x5A; length]);
    if !chip.read_round(start, &mut first)? || !chip.read_round(start, &mut again)? {
        return Ok(Across::Untold);
    }
    let tail = &first[BELOW_BYTES as usize..];
    let mut begin = vec![0; tail.len()];
    chip.read(ReadCommand::Read, sck, Address(0), &mut begin)?;
    let uniform = tail.iter().all(|byte| *byte == tail[0]);
    Ok(match begin == tail {
        _ if uniform || first != again => Across::Untold,
        true => Across::Round,
        false => Across::On,
    })
}

/// A place anywhere; `None` where addresses do not reach.
fn read(chip: &mut Chip, at: u32) -> Result<Option<Bytes>, Stop> {
    let mut bytes = [0x5A; PLACE_BYTES];
    if at < chip.size_bytes() {
        let sck = chip.sck_for(ReadCommand::Read);
        chip.read(ReadCommand::Read, sck, Address(at), &mut bytes)?;
        return Ok(Some(bytes));
    }
    Ok(chip.read_round(at, &mut bytes)?.then_some(bytes))
}

fn touches(exempt: &[Range<u32>], at: u32) -> bool {
    let end = at.saturating_add(PLACE_BYTES as u32);
    exempt
        .iter()
        .any(|range| range.start < end && at < range.end)
}
