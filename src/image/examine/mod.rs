//! What a reading looks like: two readings that agree can still both be wrong.

use serde::Serialize;

/// Address lines below this one are not examined.
const BLOCK_BITS: u8 = 12;
/// Granularity of the comparison between address bits.
const BLOCK_SIZE_BYTES: usize = 1 << BLOCK_BITS;
/// Granularity of the blank share.
const PAGE_SIZE_BYTES: usize = 256;
/// Different, not uniform blocks that must be there before a bit that never moves is an alarm: a
/// few tables may well do without one bit.
const DISTINCT_BLOCKS_MIN: usize = 16;
/// Blocks named for a second look, spread over all that hold more than one byte value.
pub const SAMPLES_MAX: usize = 32;
/// Odd, with bits spread evenly: 2^64 divided by the golden ratio.
const SPREAD: u64 = 0x9E37_79B9_7F4A_7C15;

/// Takes a reading in address order and remembers eight bytes for each 4 KiB of it.
#[derive(Debug)]
pub struct Examiner {
    /// Digest of each block; below 256 it is the byte that the whole block consists of.
    blocks: Vec<u64>,
    pending: Vec<u8>,
    size_bytes: u64,
    blank_bytes: u64,
    and: u64,
    or: u64,
}

impl Default for Examiner {
    fn default() -> Self {
        Self {
            blocks: Vec::new(),
            pending: Vec::with_capacity(BLOCK_SIZE_BYTES),
            size_bytes: 0,
            blank_bytes: 0,
            and: u64::MAX,
            or: 0,
        }
    }
}

impl Examiner {
    /// An examination that has seen nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the next bytes of the reading.
    pub fn feed(&mut self, mut bytes: &[u8]) {
        if !self.pending.is_empty() {
            let missing = BLOCK_SIZE_BYTES - self.pending.len();
            let (head, rest) = bytes.split_at(missing.min(bytes.len()));
            self.pending.extend_from_slice(head);
            bytes = rest;
            if self.pending.len() < BLOCK_SIZE_BYTES {
                return;
            }
            let block = std::mem::take(&mut self.pending);
            self.block(&block);
            self.pending = block;
            self.pending.clear();
        }
        let mut blocks = bytes.chunks_exact(BLOCK_SIZE_BYTES);
        for block in &mut blocks {
            self.block(block);
        }
        self.pending.extend_from_slice(blocks.remainder());
    }

    fn block(&mut self, block: &[u8]) {
        let seen = scan(block);
        self.size_bytes += block.len() as u64;
        self.blank_bytes += seen.blank_bytes;
        self.and &= seen.and;
        self.or |= seen.or;
        self.blocks.push(seen.digest);
    }

    /// What the whole reading looks like.
    #[must_use]
    pub fn finish(mut self) -> Examination {
        let last = std::mem::take(&mut self.pending);
        if !last.is_empty() {
            self.block(&last);
        }
        let and = self.and.to_ne_bytes().iter().fold(0xFF, |a, b| a & b);
        let or = self.or.to_ne_bytes().iter().fold(0, |a, b| a | b);
        let (repeats, address_lines) = compare_lines(&self.blocks);
        let samples = samples(&self.blocks);
        self.blocks.retain(|digest| *digest > 0xFF);
        self.blocks.sort_unstable();
        self.blocks.dedup();
        Examination {
            size_bytes: self.size_bytes,
            blank_bytes: self.blank_bytes,
            uniform: (and == or && self.size_bytes > 0).then_some(and),
            always_one: and,
            always_zero: !or,
            distinct_blocks: self.blocks.len(),
            repeats,
            address_lines,
            samples,
        }
    }
}

/// AND, OR and digest of one block.
struct Scan {
    and: u64,
    or: u64,
    digest: u64,
    blank_bytes: u64,
}

fn scan(block: &[u8]) -> Scan {
    let mut seen = Scan {
        and: u64::MAX,
        or: 0,
        digest: 0,
        blank_bytes: 0,
    };
    // Four independent lanes keep the multiplier busy.
    let mut lanes = [1, 2, 3, 4_u64];
    for page in block.chunks(PAGE_SIZE_BYTES) {
        let (mut and, mut or) = (u64::MAX, 0);
        let mut rows = page.chunks_exact(32);
        for row in &mut rows {
            for (lane, word) in lanes.iter_mut().zip(row.chunks_exact(8)) {
                let word = word.try_into().map_or(0, u64::from_le_bytes);
                and &= word;
                or |= word;
                *lane = mix(*lane, word);
            }
        }
        for byte in rows.remainder() {
            let word = u64::from_ne_bytes([*byte; 8]);
            and &= word;
            or |= word;
            lanes[0] = mix(lanes[0], word);
        }
        if and == u64::MAX {
            seen.blank_bytes += page.len() as u64;
        }
        seen.and &= and;
        seen.or |= or;
    }
    seen.digest = digest(&seen, lanes);
    seen
}

fn mix(state: u64, word: u64) -> u64 {
    (state ^ word).wrapping_mul(SPREAD).rotate_left(29)
}

fn digest(seen: &Scan, lanes: [u64; 4]) -> u64 {
    let byte = seen.and & 0xFF;
    if seen.and == seen.or && seen.and == byte.wrapping_mul(0x0101_0101_0101_0101) {
        return byte;
    }
    lanes.iter().fold(0, |all, lane| mix(all, *lane)) | 0x100
}

/// Compares the blocks whose addresses differ in one bit only, for each bit.
fn compare_lines(blocks: &[u64]) -> (Vec<Repeat>, Vec<AddressLine>) {
    let (mut found, mut lines) = (Vec::new(), Vec::new());
    let mut address_bit = BLOCK_BITS;
    let mut distance = 1;
    while distance < blocks.len() {
        let mut repeat = Repeat {
            address_bit,
            equal: 0,
            compared: 0,
            example: None,
        };
        let mut unlike = None;
        for (index, one) in blocks.iter().enumerate() {
            if index & distance != 0 {
                continue;
            }
            let Some(other) = blocks.get(index | distance) else {
                break;
            };
            repeat.count(index, *one, *other);
            if one != other {
                unlike.get_or_insert(address(index));
            }
        }
        lines.push(AddressLine {
            address_bit,
            unlike,
        });
        if repeat.equal > 0 {
            found.push(repeat);
        }
        distance <<= 1;
        address_bit += 1;
    }
    (found, lines)
}

/// Blocks that hold more than one byte value: all of them if they are few, else spread evenly.
fn samples(blocks: &[u64]) -> Vec<u64> {
    let varied = || {
        blocks
            .iter()
            .enumerate()
            .filter(|(_, digest)| **digest > 0xFF)
    };
    let step = varied().count().div_ceil(SAMPLES_MAX).max(1);
    varied()
        .step_by(step)
        .map(|(index, _)| address(index))
        .collect()
}

fn address(index: usize) -> u64 {
    (index as u64) << BLOCK_BITS
}

/// What a reading tells of one address line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AddressLine {
    /// The line, counted from A0.
    pub address_bit: u8,
    /// Lower address of the first two 4 KiB blocks that differ although only this bit of their
    /// addresses does; `None` where the reading is the same with the bit and without.
    pub unlike: Option<u64>,
}

/// How often two 4 KiB blocks are equal whose addresses differ in one bit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Repeat {
    /// The bit, counted from A0.
    pub address_bit: u8,
    /// Pairs that are equal and not uniform.
    pub equal: u32,
    /// Pairs that can tell: all but those of the same single byte value.
    pub compared: u32,
    /// Address of the lower block of the first equal pair.
    pub example: Option<u64>,
}

impl Repeat {
    fn count(&mut self, index: usize, one: u64, other: u64) {
        if one == other && one <= 0xFF {
            return;
        }
        self.compared += 1;
        if one == other {
            self.equal += 1;
            self.example.get_or_insert(address(index));
        }
    }
}

/// What a reading looks like.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Examination {
    /// How long the reading is.
    pub size_bytes: u64,
    /// Bytes in pages of 256 that hold nothing but FF.
    pub blank_bytes: u64,
    /// The byte that everything consists of, where it is only one.
    pub uniform: Option<u8>,
    /// Bits that are 1 in every byte.
    pub always_one: u8,
    /// Bits that are 0 in every byte.
    pub always_zero: u8,
    /// Different 4 KiB blocks, uniform ones not counted.
    pub distinct_blocks: usize,
    /// Address bits across which blocks repeat. Not alarms: twin slots look like this.
    pub repeats: Vec<Repeat>,
    /// Every address line from A12 up, with two blocks that can prove it once they are read again.
    #[serde(skip)]
    pub address_lines: Vec<AddressLine>,
    /// Addresses of up to 32 blocks of 4 KiB that hold more than one byte value.
    #[serde(skip)]
    pub samples: Vec<u64>,
}

/// A look that no healthy reading has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, thiserror::Error)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Alarm {
    /// Every byte is the same; FF may be a blank chip, or no chip.
    #[error("every byte is {0:02X}")]
    Uniform(u8),
    /// These bits are 1 in every byte of varied content.
    #[error("the bits {0:08b} are 1 in every byte")]
    StuckHigh(u8),
    /// These bits are 0 in every byte of varied content.
    #[error("the bits {0:08b} are 0 in every byte")]
    StuckLow(u8),
}

impl Examination {
    /// Address bits that the reading does not depend on at all: a stuck or aliased line, a smaller
    /// chip than was thought, or a genuine copy. Only the chip itself can tell which. A reading of
    /// one byte value tells nothing of any line.
    #[must_use]
    pub fn mirrored_address_bits(&self) -> Vec<u8> {
        let silent = |line: &&AddressLine| line.unlike.is_none() && self.uniform.is_none();
        let lines = self.address_lines.iter().filter(silent);
        lines.map(|line| line.address_bit).collect()
    }

    /// What speaks against the reading whatever the chip may say.
    #[must_use]
    pub fn alarms(&self) -> Vec<Alarm> {
        if let Some(byte) = self.uniform {
            return vec![Alarm::Uniform(byte)];
        }
        let mut alarms = Vec::new();
        if self.distinct_blocks < DISTINCT_BLOCKS_MIN {
            return alarms;
        }
        if self.always_one != 0 {
            alarms.push(Alarm::StuckHigh(self.always_one));
        }
        if self.always_zero != 0 {
            alarms.push(Alarm::StuckLow(self.always_zero));
        }
        alarms
    }

    /// The look in one line, such as `39 % blank, no mirror, no stuck bit`.
    #[must_use]
    pub fn summary(&self) -> String {
        let percent = self.blank_bytes * 100 / self.size_bytes.max(1);
        let mirrors = match self.mirrored_address_bits().as_slice() {
            [] => "no mirror".to_owned(),
            bits => {
                let names: Vec<_> = bits.iter().map(|bit| format!("A{bit}")).collect();
                format!("repeats across {}", names.join(" "))
            }
        };
        let alarms = match self.alarms().as_slice() {
            [] => "no stuck bit".to_owned(),
            alarms => {
                let texts: Vec<_> = alarms.iter().map(ToString::to_string).collect();
                texts.join(", ")
            }
        };
        format!("{percent} % blank, {mirrors}, {alarms}")
    }
}

#[cfg(test)]
mod tests;
