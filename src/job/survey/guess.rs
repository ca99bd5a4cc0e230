//! The best guess: what most passes say, bit by bit, with how far each block is to be trusted.

use serde::Serialize;

use super::chance::doubt;
use super::readings::{Readings, Votes};
use super::tally::WINDOW_BYTES;
use crate::unit::store::{StoreError, StoreFile};
use crate::unit::{Digest, Hasher};

/// Doubt from which a bit is nearly a toss-up.
const TOSS_UP: f64 = 0.2;
/// Doubts of a minority that occurs often are worked out once.
const DOUBTS_MAX: usize = 1001;

/// How far the majority in one block is to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Confidence {
    /// First address of the block.
    pub start: u32,
    /// Bits on which the passes that count do not agree.
    pub unsure_bits: u64,
    /// Chance that all of these are as in the best guess. An error that all passes share is not in it.
    pub chance: f64,
}

/// What became of the vote.
#[derive(Debug, Clone)]
pub(super) struct Guess {
    pub sha256: Digest,
    /// Passes that count.
    pub voters: u64,
    /// Blocks that have unsure bits.
    pub blocks: Vec<Confidence>,
    /// Bits that are nearly a toss-up.
    pub toss_ups: u64,
    /// Bytes that are not blank in both halves, where the halves are equal; else 0.
    pub repeats: u64,
}

/// Votes over all readings, and writes what comes of it into `file`; `None` once it is to stop, which is asked with
/// how many bytes of the chip are behind it.
pub(super) fn vote(
    readings: &Readings,
    votes: &Votes,
    block_bytes: u32,
    file: &mut dyn StoreFile,
    stop_asked: &mut dyn FnMut(u32) -> bool,
) -> Result<Option<Guess>, StoreError> {
    let voters = votes.count();
    let doubts: Vec<f64> = (0..=voters.min(DOUBTS_MAX as u64))
        .map(|minority| doubt(voters, minority))
        .collect();
    let mut guess = Guess {
        sha256: Digest([0; 32]),
        voters,
        blocks: Vec::new(),
        toss_ups: 0,
        repeats: 0,
    };
    let (mut hasher, mut base) = (Hasher::new(), Vec::new());
    let mut others = vec![Vec::new(); readings.files.len()];
    let mut start = 0;
    while start < readings.size_bytes {
        if stop_asked(start) {
            return Ok(None);
        }
        let length = (readings.size_bytes - start).min(WINDOW_BYTES) as usize;
        base.resize(length, 0);
        readings.read(0, start, &mut base)?;
        let mut differs = false;
        for (pass, other) in others.iter_mut().enumerate() {
            other.resize(length, 0);
            differs |= readings.differing(pass, start, other)?;
        }
        for (place, byte) in base.iter_mut().enumerate().filter(|_| differs) {
            let column = others.iter().map(|other| other[place]);
            let winner = votes.winner(column.clone());
            *byte ^= winner;
            let counted = column.enumerate().filter(|(pass, _)| votes.counts(*pass));
            guess.unsure(
                start / block_bytes * block_bytes,
                counted.map(|(_, other)| other ^ winner),
                &doubts,
            );
        }
        hasher.update(&base);
        file.write_all_at(u64::from(start), &base)?;
        start = start.saturating_add(WINDOW_BYTES);
    }
    file.sync()?;
    guess.sha256 = hasher.finish();
    guess.repeats = equal_halves(file, readings.size_bytes)?;
    Ok(Some(guess))
}

impl Guess {
    /// Counts the bits of a byte in which voters were outvoted.
    fn unsure(&mut self, block: u32, outvoted: impl Iterator<Item = u8> + Clone, doubts: &[f64]) {
        let any = outvoted.clone().fold(0, |any, wrong| any | wrong);
        for bit in (0..8).filter(|bit| any >> bit & 1 == 1) {
            let minority = outvoted.clone().filter(|wrong| wrong >> bit & 1 == 1);
            let doubt = doubts.get(minority.count()).copied().unwrap_or(0.5);
            self.toss_ups += u64::from(doubt >= TOSS_UP);
            if self.blocks.last().is_none_or(|last| last.start != block) {
                self.blocks.push(Confidence {
                    start: block,
                    unsure_bits: 0,
                    chance: 1.0,
                });
            }
            if let Some(last) = self.blocks.last_mut() {
                last.unsure_bits += 1;
                last.chance *= 1.0 - doubt;
            }
        }
    }
}

/// Bytes of the lower half that are not blank, if the upper half has every one of them.
fn equal_halves(file: &dyn StoreFile, size_bytes: u32) -> Result<u64, StoreError> {
    let half = size_bytes / 2;
    let (mut lower, mut upper) = (Vec::new(), Vec::new());
    let (mut start, mut varied) = (0, 0);
    while start < half {
        let length = (half - start).min(WINDOW_BYTES) as usize;
        for (at, into) in [(start, &mut lower), (start + half, &mut upper)] {
            into.resize(length, 0);
            file.read_exact_at(u64::from(at), into)?;
        }
        if lower != upper {
            return Ok(0);
        }
        // Blank and filled stretches are equal on every chip.
        let uniform = lower.iter().all(|byte| lower.first() == Some(byte));
        let written = lower.iter().filter(|byte| **byte != 0xFF);
        varied += if uniform { 0 } else { written.count() as u64 };
        start = start.saturating_add(WINDOW_BYTES);
    }
    Ok(varied)
}
