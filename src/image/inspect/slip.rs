//! Bytes that are not where they belong: a dump that lost or gained a byte or a bit on the way.

use std::io;

use super::{BLOCK_SIZE_BYTES, Looks, PAGE_SIZE_BYTES};
use crate::image::ReadAt;

/// Starts of data that have to lie alike before that is no chance.
const STARTS_MIN: u32 = 3;
/// What a compiler or a file system puts somewhere lies at a multiple of this.
const ALIGNED_TO: u32 = 4;
/// Blocks that are looked at again for text, at most twice as many.
const SAMPLES: usize = 64;
/// Characters from which a run counts as text.
const TEXT_MIN: usize = 32;

/// Follows where data begins behind blank pages.
///
/// On a healthy chip that is where an erase block, a page or at least a word begins. Behind a lost
/// or doubled byte all of it lies beside that, by the same distance.
#[derive(Default)]
pub(super) struct Starts {
    blank_before: u64,
    /// Whether a start before the run was beside its place.
    unaligned: bool,
    run: Run,
}

#[derive(Default, Clone)]
struct Run {
    residue: u32,
    from: u32,
    starts: u32,
    first_byte: u8,
    bytes_differ: bool,
}

/// A dump whose bytes stand beside their places.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ByteSlip {
    /// How far behind their places; negative where bytes are missing.
    pub bytes: i32,
    /// First start of data that is displaced.
    pub from: u32,
    /// How many are.
    pub starts: u32,
}

impl Starts {
    /// Takes the next block, which begins at `address`; `first` and `end` are its first and behind
    /// its last byte that is not FF.
    pub fn block(&mut self, address: u32, block: &[u8], content: Option<(usize, usize)>) {
        let Some((first, end)) = content else {
            self.blank_before += block.len() as u64;
            return;
        };
        self.blank_before += first as u64;
        if self.blank_before >= PAGE_SIZE_BYTES as u64 {
            let byte = block.get(first).copied().unwrap_or(0xFF);
            self.start(address + first as u32, byte);
        }
        self.blank_before = (block.len() - end) as u64;
    }

    fn start(&mut self, address: u32, byte: u8) {
        let residue = address % PAGE_SIZE_BYTES as u32;
        if self.run.starts > 0 && self.run.residue == residue {
            self.run.starts += 1;
            self.run.bytes_differ |= self.run.first_byte != byte;
            return;
        }
        self.unaligned |= self.run.starts > 0 && self.run.residue % ALIGNED_TO != 0;
        self.run = Run {
            residue,
            from: address,
            starts: 1,
            first_byte: byte,
            bytes_differ: false,
        };
    }

    /// From where on all starts lie beside their places by the same distance.
    ///
    /// Structures that begin with FF look so as well, but then they begin alike.
    pub fn finish(&self) -> Option<ByteSlip> {
        let run = &self.run;
        let displaced = run.residue % ALIGNED_TO != 0 && run.bytes_differ;
        if !displaced || run.starts < STARTS_MIN || self.unaligned {
            return None;
        }
        let (residue, page) = (run.residue as i32, PAGE_SIZE_BYTES as i32);
        Some(ByteSlip {
            bytes: if residue > page / 2 {
                residue - page
            } else {
                residue
            },
            from: run.from,
            starts: run.starts,
        })
    }
}

/// Chooses blocks that may hold text, spread over the image: of those that look like code, and of
/// those that look like anything else.
#[derive(Default)]
pub(super) struct Samples {
    code: Sample,
    others: Sample,
}

struct Sample {
    blocks: Vec<u32>,
    step: usize,
    seen: usize,
}

impl Default for Sample {
    fn default() -> Self {
        Self {
            blocks: Vec::new(),
            step: 1,
            seen: 0,
        }
    }
}

impl Sample {
    fn offer(&mut self, block: u32) {
        if self.seen % self.step == 0 {
            self.blocks.push(block);
        }
        self.seen += 1;
        if self.blocks.len() > 2 * SAMPLES {
            let mut number = 0;
            self.blocks.retain(|_| {
                number += 1;
                number % 2 == 1
            });
            self.step *= 2;
        }
    }
}

/// A dump in which text reads only once its bits are moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BitSlip {
    /// How many bits behind their places; negative where bits are missing.
    pub bits: i32,
    /// First block whose text is displaced.
    pub from: u32,
}

impl Samples {
    /// Takes the address of a block and what it looks like.
    pub fn offer(&mut self, block: u32, looks: Looks) {
        match looks {
            Looks::Blank | Looks::Filled(_) | Looks::Packed => {}
            Looks::CodeLike => self.code.offer(block),
            Looks::Text | Looks::Table | Looks::Mixed => self.others.offer(block),
        }
    }

    /// Looks at the chosen blocks again: from where on is there text only beside its place?
    pub fn finish(&self, image: &dyn ReadAt) -> io::Result<Option<BitSlip>> {
        let mut run: Option<(u32, BitSlip, usize)> = None;
        let size = image.size_bytes()?;
        let mut buffer = vec![0; BLOCK_SIZE_BYTES];
        let mut blocks = [self.code.blocks.as_slice(), &self.others.blocks].concat();
        blocks.sort_unstable();
        for address in &blocks {
            let left = size.saturating_sub(u64::from(*address));
            let length = usize::try_from(left).unwrap_or(BLOCK_SIZE_BYTES);
            buffer.resize(length.min(BLOCK_SIZE_BYTES), 0);
            image.read_at(u64::from(*address), &mut buffer)?;
            if holds_text(&buffer) {
                run = None;
                continue;
            }
            let shift = (1..8).find(|shift| holds_text(&moved(&buffer, *shift)));
            match (shift, &mut run) {
                (Some(shift), Some((same, _, blocks))) if *same == shift => *blocks += 1,
                (Some(shift), _) => {
                    let bits = if shift > 4 {
                        shift as i32 - 8
                    } else {
                        shift as i32
                    };
                    run = Some((
                        shift,
                        BitSlip {
                            bits,
                            from: *address,
                        },
                        1,
                    ));
                }
                (None, _) => {}
            }
        }
        // One block alone may hold a table that happens to read so.
        Ok(run
            .filter(|(_, _, blocks)| *blocks >= 2)
            .map(|(_, slip, _)| slip))
    }
}

/// The bytes with all bits moved by `shift` towards the front.
fn moved(bytes: &[u8], shift: u32) -> Vec<u8> {
    let next = bytes.iter().skip(1);
    bytes
        .iter()
        .zip(next)
        .map(|(one, next)| one << shift | next >> (8 - shift))
        .collect()
}

/// Whether there is a run of characters that a person would take for text.
fn holds_text(bytes: &[u8]) -> bool {
    let printable = |byte: &u8| matches!(byte, 0x20..=0x7E | b'\n' | b'\r' | b'\t');
    bytes.split(|byte| !printable(byte)).any(reads_as_text)
}

/// Mostly small letters, digits and separators, with vowels among them, and no ramp of values.
fn reads_as_text(run: &[u8]) -> bool {
    if run.len() < TEXT_MIN {
        return false;
    }
    let count = |of: fn(&u8) -> bool| run.iter().filter(|byte| of(byte)).count();
    let letters = count(u8::is_ascii_alphabetic);
    let small = count(u8::is_ascii_lowercase);
    let vowels = count(|byte| b"aeiouAEIOU".contains(byte));
    let usual = count(|byte| byte.is_ascii_alphanumeric() || b" =\n\r._-/:,%".contains(byte));
    let separators = usual.saturating_sub(count(u8::is_ascii_alphanumeric));
    let steps = run
        .windows(2)
        .filter(|pair| matches!(pair, [a, b] if b.abs_diff(*a) <= 1));
    usual * 10 >= run.len() * 9
        && letters * 3 >= run.len()
        && small * 2 >= letters
        && (vowels * 8 >= letters && vowels * 3 <= letters * 2)
        && separators > 0
        && steps.count() * 3 <= run.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn starts(addresses: &[(u32, u8)]) -> Option<ByteSlip> {
        let mut starts = Starts::default();
        addresses
            .iter()
            .for_each(|(address, byte)| starts.start(*address, *byte));
        starts.finish()
    }

    #[test]
    fn data_that_begins_beside_its_place_is_a_slip() {
        let late = [(0x401, 1), (0x1001, 2), (0x2001, 3)];
        let slip = ByteSlip {
            bytes: 1,
            from: 0x401,
            starts: 3,
        };
        assert_eq!(starts(&late), Some(slip));
        let early = [(0x400, 1), (0xFFF, 2), (0x1FFF, 3), (0x2FFF, 3)];
        let slip = ByteSlip {
            bytes: -1,
            from: 0xFFF,
            starts: 3,
        };
        assert_eq!(starts(&early), Some(slip));
    }

    #[test]
    fn data_that_begins_anywhere_is_none() {
        assert_eq!(starts(&[(0x400, 1), (0x1000, 2), (0x2000, 3)]), None);
        assert_eq!(starts(&[(0x401, 1), (0x1001, 2)]), None, "two are chance");
        assert_eq!(
            starts(&[(0x403, 1), (0x1001, 2), (0x2001, 3), (0x3001, 4)]),
            None
        );
        assert_eq!(
            starts(&[(0x401, 1), (0x1001, 2), (0x2001, 3), (0x3000, 4)]),
            None
        );
        let alike = [
            (0x401, 0xD8),
            (0x1001, 0xD8),
            (0x2001, 0xD8),
            (0x3001, 0xD8),
        ];
        assert_eq!(starts(&alike), None, "each begins with FF D8, say");
    }

    #[test]
    fn text_is_told_from_what_only_prints() {
        for text in [
            "unit=gauge-07\nstarts=0001\ninterval_s=0300\n",
            "Harbour office, north mole: tide gauge started.",
        ] {
            assert!(holds_text(text.as_bytes()), "{text}");
        }
        let ramp: Vec<u8> = (b'a'..=b'z').collect();
        assert!(!holds_text(&ramp));
        assert!(!holds_text(&[b'a'; 200]));
        for seed in 0..200 {
            let mut random = fastrand::Rng::with_seed(seed);
            let noise: Vec<u8> = (0..4096).map(|_| random.u8(..)).collect();
            assert!(!holds_text(&noise), "seed {seed}");
            let high: Vec<u8> = noise.iter().map(|byte| byte & 0x1F | 0xC0).collect();
            assert!(
                (1..8).all(|shift| !holds_text(&moved(&high, shift))),
                "seed {seed}"
            );
        }
    }

    #[test]
    fn samples_are_spread_over_all_that_is_offered() {
        let mut samples = Sample::default();
        (0..100_000).for_each(|block| samples.offer(block));
        let count = samples.blocks.len();
        assert!((SAMPLES..=2 * SAMPLES).contains(&count), "{count}");
        assert!(
            samples
                .blocks
                .windows(2)
                .all(|pair| pair[1] - pair[0] == samples.step as u32)
        );
        assert!(samples.blocks.last().unwrap() + samples.step as u32 > 98_000);
    }
}
