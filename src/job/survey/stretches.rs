//! What stretches of wrong bytes are: nothing on the line, other bytes of the same chip, or noise.
//!
//! Two passes that differ in a stretch are compared at other addresses. A lost or doubled byte moves all
//! that follows in its frame by one, so that many small distances turn up. A frame that begins at another
//! address than was sent shows that one's bytes, and where one address bit is wrong the distance is a power
//! of two.

use std::collections::BTreeMap;

use super::plan::Condition;
use super::readings::Readings;
use super::tally::{Stretch, Tally};
use crate::unit::store::StoreError;

/// Bytes that are compared at a time.
const PIECE_BYTES: usize = 32;
/// Bytes of them that have to be alike.
const ALIKE_BYTES: usize = 29;
/// Byte values that have to be among them: likeness of uniform bytes tells nothing.
const VALUES: usize = 6;
/// Pieces of each stretch.
const PIECES: u32 = 3;
/// The largest distance by lost or doubled bytes that is looked for.
const SLIP_BYTES: i64 = 12;
/// Distances below this can be either.
pub(super) const EITHER_BYTES: i64 = 16;

/// What the pieces of stretches turned out to be.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Nature {
    /// All bytes alike: nothing drove the line, or the buffer was not filled.
    pub dead: u64,
    /// Bytes of other addresses, by distance without its sign.
    pub moved: BTreeMap<i64, u64>,
    /// Anything.
    pub wild: u64,
}

impl Nature {
    /// Looks at the stretches that were kept.
    pub fn of(
        readings: &Readings,
        conditions: &[Condition],
        tally: &Tally,
    ) -> Result<Self, StoreError> {
        let mut nature = Self::default();
        for stretch in &tally.stretches {
            for at in pieces(stretch, readings.size_bytes) {
                nature.piece(readings, conditions, stretch, at)?;
            }
        }
        Ok(nature)
    }

    /// Pieces that were moved.
    pub fn moved(&self) -> u64 {
        self.moved.values().sum()
    }

    /// All of them.
    pub fn pieces(&self) -> u64 {
        self.dead + self.wild + self.moved()
    }

    fn piece(
        &mut self,
        readings: &Readings,
        conditions: &[Condition],
        stretch: &Stretch,
        at: u32,
    ) -> Result<(), StoreError> {
        let (mut own, pass) = ([0; PIECE_BYTES], stretch.pass);
        readings.read(pass, at, &mut own)?;
        // Uniform bytes that are at another address are not to be told from nothing.
        if is_uniform(of_stretch(&own, at, stretch)) {
            self.dead += 1;
            return Ok(());
        }
        match values(&own) >= VALUES {
            true => match distance(readings, conditions, pass, at, &own)? {
                Some(distance) => *self.moved.entry(distance.abs()).or_default() += 1,
                None => self.wild += 1,
            },
            false => self.wild += 1,
        }
        Ok(())
    }
}

/// What of a piece that begins at `at` belongs to the stretch: a piece is longer than the shortest of them.
fn of_stretch<'a>(piece: &'a [u8], at: u32, stretch: &Stretch) -> &'a [u8] {
    let from = stretch.range.start.saturating_sub(at) as usize;
    let to = (stretch.range.end.saturating_sub(at) as usize).min(piece.len());
    piece.get(from..to).unwrap_or(piece)
}

fn is_uniform(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| bytes.first() == Some(byte))
}

/// Where the pieces of a stretch are: at its beginning, and evenly behind. One that is shorter than a piece
/// may lie at the very end of the chip.
fn pieces(stretch: &Stretch, size_bytes: u32) -> impl Iterator<Item = u32> {
    let (start, end) = (stretch.range.start, stretch.range.end);
    let last = size_bytes.saturating_sub(PIECE_BYTES as u32);
    let room = (end - start).saturating_sub(PIECE_BYTES as u32);
    let step = (room / PIECES).max(1);
    let count = if room < PIECES { 1 } else { PIECES };
    (0..count).map(move |number| (start + number * step).min(last))
}

fn values(bytes: &[u8]) -> usize {
    let mut seen = bytes.to_vec();
    seen.sort_unstable();
    seen.dedup();
    seen.len()
}

/// How far away another pass has these bytes.
fn distance(
    readings: &Readings,
    conditions: &[Condition],
    pass: usize,
    at: u32,
    own: &[u8],
) -> Result<Option<i64>, StoreError> {
    let passes = readings.files.len();
    // Passes of other boundaries, and of the other command or order.
    for other in [1, 3, 7].map(|step| (pass + step) % passes) {
        if other == pass || conditions.len() <= other {
            continue;
        }
        let slips = (1..=SLIP_BYTES).flat_map(|by| [by, -by]);
        let lines = (4..31).flat_map(|line| [1_i64 << line, -(1_i64 << line)]);
        let around = Around::read(readings, other, at)?;
        for by in slips.chain(lines) {
            let from = i64::from(at) + by;
            let Some(there) = u32::try_from(from).ok().filter(|from| {
                u64::from(*from) + own.len() as u64 <= u64::from(readings.size_bytes)
            }) else {
                continue;
            };
            let is = match around.at(there, own.len()) {
                Some(bytes) => alike(own, bytes),
                None => {
                    let mut bytes = [0; PIECE_BYTES];
                    readings.read(other, there, &mut bytes)?;
                    alike(own, &bytes)
                }
            };
            if is {
                return Ok(Some(by));
            }
        }
    }
    Ok(None)
}

fn alike(one: &[u8], two: &[u8]) -> bool {
    let same = one.iter().zip(two).filter(|(one, two)| one == two);
    same.count() >= ALIKE_BYTES
}

/// The bytes near a place, read once for all small distances.
struct Around {
    start: u32,
    bytes: Vec<u8>,
}

impl Around {
    fn read(readings: &Readings, pass: usize, at: u32) -> Result<Self, StoreError> {
        let start = at.saturating_sub(SLIP_BYTES as u32);
        let end = at + PIECE_BYTES as u32 + SLIP_BYTES as u32;
        let mut bytes = vec![0; (end.min(readings.size_bytes) - start) as usize];
        readings.read(pass, start, &mut bytes)?;
        Ok(Self { start, bytes })
    }

    fn at(&self, from: u32, length: usize) -> Option<&[u8]> {
        let start = from.checked_sub(self.start)? as usize;
        self.bytes.get(start..start + length)
    }
}
