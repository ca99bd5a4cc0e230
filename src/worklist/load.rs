//! What is programmed into a block, and how long that takes the chip.

use std::ops::Range;
use std::time::Duration;

use super::estimate::Erases;
use super::{Pace, wire_time};
use crate::chip::word_settle;
use crate::part::{Part, ProgramMethod};

/// Blank words that are skipped by ending auto address increment and beginning it anew; fewer are
/// programmed as they are, which leaves them blank. An end and a beginning take six frames, a word two
/// (own count).
const SKIPPED_WORDS: usize = 3;
/// A run of words does not go on across a multiple of these bytes, nor out of the smallest block: a
/// wrong bit in its one address then misplaces no more than the page of other parts.
const RUN_MAX_BYTES: u32 = 256;

/// Bytes besides data that one page program puts on the wire: write enable, a status read of two bytes, opcode,
/// one of three. The address comes on top.
const FRAMING_BYTES_PAGE: u64 = 7;
/// Bytes on the wire per AAI word: opcode, two data bytes, a status read of three.
const WIRE_BYTES_AAI_WORD: u64 = 6;
/// Bytes around a run of AAI words: write enable and write disable, a status read behind each. The
/// address comes on top.
const FRAMING_BYTES_AAI: u64 = 6;
/// Of so many programs one takes a message more: the chip is waited for as long as it took for the last eight, and
/// of nine that are alike each is the longest as often as the others (own reckoning).
const OPERATIONS_A_LOOK: u32 = 9;
/// Messages of an erase: a look at the ID, write enable, the erase, and a look at the status when it
/// should be done.
const ERASE_MESSAGES: u32 = 4;

/// How much there is to program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Load {
    /// Operations that the chip sees: pages, bytes, or words and bytes.
    pub programs: u32,
    pub bytes: u32,
    /// Runs of auto address increment.
    pub increments: u32,
}

impl Load {
    pub fn of(runs: &[Range<u32>], method: ProgramMethod) -> Self {
        let bytes = runs.iter().map(|run| run.end - run.start).sum();
        let words = |run: &Range<u32>| run.end / 2 - run.start.div_ceil(2);
        let (programs, increments) = match method {
            ProgramMethod::Page => (u32::try_from(runs.len()).unwrap_or(u32::MAX), 0),
            ProgramMethod::Byte => (bytes, 0),
            ProgramMethod::AaiWord => {
                let in_words: u32 = runs.iter().map(words).sum();
                let with_words = runs.iter().filter(|run| words(run) > 0).count();
                (
                    bytes - in_words,
                    u32::try_from(with_words).unwrap_or(u32::MAX),
                )
            }
        };
        Self {
            programs,
            bytes,
            increments,
        }
    }

    pub fn and(self, other: Self) -> Self {
        Self {
            programs: self.programs + other.programs,
            bytes: self.bytes + other.bytes,
            increments: self.increments + other.increments,
        }
    }

    /// Of a part that takes words: how many go as words; the rest of `programs` are single bytes.
    pub fn words(self) -> u32 {
        self.bytes - self.programs
    }
}

/// What steps take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rates {
    pub method: ProgramMethod,
    typical: Duration,
    /// What a word is given before the next one.
    word: Duration,
    pub pace: Pace,
}

impl Rates {
    pub fn of(part: &Part, pace: Pace) -> Self {
        let typical = part.page_program.typical;
        Self {
            method: part.program,
            typical,
            word: word_settle(part).unwrap_or(typical),
            pace,
        }
    }

    /// The least time of the chip: typical times.
    pub fn least(&self, load: Load) -> Duration {
        self.typical.saturating_mul(load.programs)
    }

    /// The time that is waited for the chip.
    fn waited(&self, load: Load) -> Duration {
        if self.method != ProgramMethod::AaiWord {
            return self.least(load);
        }
        let single_bytes = load.programs - load.words();
        self.word.saturating_mul(load.words()) + self.typical.saturating_mul(single_bytes)
    }

    /// Programming, the way over the wire included: a chip that is busy hears nothing.
    pub fn program(&self, load: Load) -> Duration {
        let messages = match self.method {
            ProgramMethod::Page | ProgramMethod::Byte => load.programs,
            // A run of words lies within a few hundred bytes, and single bytes go by themselves.
            ProgramMethod::AaiWord => load.increments + (load.programs - load.words()),
        };
        let again = match self.method {
            ProgramMethod::AaiWord => Duration::ZERO,
            _ => self.pace.message / OPERATIONS_A_LOOK,
        };
        let message = self.pace.message + again;
        self.waited(load) + self.wire(load) + message.saturating_mul(messages)
    }

    /// Erases, with their messages.
    pub fn erases(&self, erases: Erases) -> Erases {
        let messages = erases.count.saturating_mul(ERASE_MESSAGES);
        Erases {
            time: erases.time + self.pace.message.saturating_mul(messages),
            ..erases
        }
    }

    /// All frames of programming.
    pub fn wire(&self, load: Load) -> Duration {
        let (programs, bytes) = (u64::from(load.programs), u64::from(load.bytes));
        let address = u64::from(self.pace.address_bytes);
        let framing = FRAMING_BYTES_PAGE + address;
        let bytes = match self.method {
            ProgramMethod::Page | ProgramMethod::Byte => {
                let [of_address, of_data] =
                    self.pace.program_lanes.map(|lanes| lanes.max(1).into());
                let addresses = (programs * address).div_ceil(of_address);
                programs * FRAMING_BYTES_PAGE + addresses + bytes.div_ceil(of_data)
            }
            ProgramMethod::AaiWord => {
                let words = u64::from(load.words());
                let around = u64::from(load.increments) * (FRAMING_BYTES_AAI + address);
                around + words * WIRE_BYTES_AAI_WORD + (programs - words) * (framing + 1)
            }
        };
        wire_time(bytes, self.pace.modify)
    }

    /// What each step takes besides: its account in the journal.
    pub fn journal(&self, steps: u32) -> Duration {
        self.pace.records.saturating_mul(steps)
    }

    /// Reading blocks back.
    pub fn read_back(&self, bytes: u64) -> Duration {
        self.pace.read(bytes, self.pace.read_back)
    }

    /// A whole step of `size_bytes`.
    pub fn step(&self, size_bytes: u32, erase: Duration, load: Load, shared: bool) -> Duration {
        let read_back = self.read_back(read_back_bytes(size_bytes, shared));
        let erase = match erase.is_zero() {
            true => erase,
            false => erase + self.pace.message.saturating_mul(ERASE_MESSAGES),
        };
        erase + self.program(load) + read_back + self.journal(1)
    }
}

/// What reading a block back moves: one shared with unit data is read twice.
pub(super) fn read_back_bytes(size_bytes: u32, shared: bool) -> u64 {
    u64::from(size_bytes) * if shared { 2 } else { 1 }
}

/// How a part takes data: what is programmed is laid out by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Grain {
    pub method: ProgramMethod,
    pub page_size_bytes: u32,
    /// What a run of words stays within: blocks are planned by themselves and add up only so.
    pub run_bytes: u32,
}

impl Grain {
    pub fn of(part: &Part) -> Self {
        let smallest = part.erase_types.iter().map(|erase| erase.size_bytes).min();
        Self {
            method: part.program,
            page_size_bytes: part.page_size_bytes,
            run_bytes: smallest.unwrap_or(RUN_MAX_BYTES).min(RUN_MAX_BYTES),
        }
    }
}

/// What of an erased block is to be programmed: all pages that are not blank, or all words, joined
/// over short gaps.
pub(super) fn after_erase(start: u32, after: &[u8], grain: Grain) -> Vec<Range<u32>> {
    if grain.method == ProgramMethod::AaiWord {
        return words_after_erase(start, after, grain.run_bytes);
    }
    pages(start, after, grain.page_size_bytes)
        .filter(|(_, page)| !is_blank(page))
        .map(|(address, page)| address..address + length(page))
        .collect()
}

fn words_after_erase(start: u32, after: &[u8], run_bytes: u32) -> Vec<Range<u32>> {
    let gap = 2 * SKIPPED_WORDS as u32;
    let mut runs: Vec<Range<u32>> = Vec::new();
    for (address, word) in pages(start, after, 2) {
        if word.iter().all(|byte| *byte == 0xFF) {
            continue;
        }
        let end = address + length(word);
        match runs.last_mut() {
            Some(run) if address - run.end < gap && goes_on(run, address, run_bytes) => {
                run.end = end
            }
            _ => runs.push(address..end),
        }
    }
    runs
}

/// Without an erase: words that were blank, and single bytes beside one that was not.
fn words_without_erase(start: u32, before: &[u8], after: &[u8], run_bytes: u32) -> Vec<Range<u32>> {
    let mut runs: Vec<Range<u32>> = Vec::new();
    let words = pages(start, before, 2).zip(pages(start, after, 2));
    for ((address, old), (_, new)) in words.filter(|((_, old), (_, new))| old != new) {
        let differs = |index: usize| old.get(index) != new.get(index);
        let blank = old.iter().all(|byte| *byte == 0xFF);
        let range = match (blank, differs(0), differs(1)) {
            (false, true, false) => address..address + 1,
            (false, false, true) => address + 1..address + 2,
            _ => address..address + length(old),
        };
        match runs.last_mut() {
            Some(run) if run.end == range.start && goes_on(run, range.start, run_bytes) => {
                run.end = range.end;
            }
            _ => runs.push(range),
        }
    }
    runs
}

/// Whether a run of words may reach `address`.
fn goes_on(run: &Range<u32>, address: u32, run_bytes: u32) -> bool {
    run.start / run_bytes == address / run_bytes
}

/// The parts of pages that differ, from the first differing byte of each page to the last; or the
/// words and bytes that do.
pub(super) fn without_erase(
    start: u32,
    before: &[u8],
    after: &[u8],
    grain: Grain,
) -> Vec<Range<u32>> {
    if grain.method == ProgramMethod::AaiWord {
        return words_without_erase(start, before, after, grain.run_bytes);
    }
    let old = pages(start, before, grain.page_size_bytes);
    let new = pages(start, after, grain.page_size_bytes);
    old.zip(new)
        .filter_map(|((address, old), (_, new))| {
            let differs = |(a, b): (&u8, &u8)| a != b;
            let first = old.iter().zip(new).position(differs)?;
            let last = old.iter().zip(new).rposition(differs)?;
            let at = |index: usize| address + u32::try_from(index).unwrap_or(0);
            Some(at(first)..at(last) + 1)
        })
        .collect()
}

/// Bytes that are looked at as one number: a whole chip is looked at, which has to be quick in a program that is
/// built to be small too.
const TOGETHER: usize = size_of::<u128>();

/// Whether all bytes are as after an erase.
pub(super) fn is_blank(bytes: &[u8]) -> bool {
    // The first is, and each is as the one before it: to compare is what the system does quickest.
    match bytes {
        [] => true,
        [first, rest @ ..] => *first == 0xFF && bytes.starts_with(rest),
    }
}

/// Whether no bit goes from 0 to 1.
pub(super) fn only_clears(mut before: &[u8], mut after: &[u8]) -> bool {
    if is_blank(before) {
        return true;
    }
    while let (Some((old, old_rest)), Some((new, new_rest))) = (
        before.split_first_chunk::<TOGETHER>(),
        after.split_first_chunk::<TOGETHER>(),
    ) {
        if u128::from_ne_bytes(*new) & !u128::from_ne_bytes(*old) != 0 {
            return false;
        }
        (before, after) = (old_rest, new_rest);
    }
    before.iter().zip(after).all(|(old, new)| new & !old == 0)
}

/// The pages of a block with their addresses. A block begins on a page.
fn pages(
    start: u32,
    bytes: &[u8],
    page_size_bytes: u32,
) -> impl ExactSizeIterator<Item = (u32, &[u8])> {
    let size = usize::try_from(page_size_bytes.max(1)).unwrap_or(usize::MAX);
    bytes.chunks(size).enumerate().map(move |(index, page)| {
        let offset = u32::try_from(index).unwrap_or(0) * page_size_bytes;
        (start + offset, page)
    })
}

fn length(page: &[u8]) -> u32 {
    u32::try_from(page.len()).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGES: Grain = Grain {
        method: ProgramMethod::Page,
        page_size_bytes: 16,
        run_bytes: RUN_MAX_BYTES,
    };
    const WORDS: Grain = Grain {
        method: ProgramMethod::AaiWord,
        page_size_bytes: 1,
        run_bytes: RUN_MAX_BYTES,
    };

    #[test]
    fn words_are_joined_over_short_gaps() {
        let mut after = vec![0xFF; 64];
        for place in [3, 8, 16, 63] {
            after[place] = 0;
        }
        // Two blank words lie between the first two, three between the second and the third.
        let runs = after_erase(256, &after, WORDS);
        assert_eq!(runs, [258..266, 272..274, 318..320]);
        let load = Load::of(&runs, WORDS.method);
        assert_eq!((load.programs, load.words(), load.increments), (6, 6, 3));
    }

    #[test]
    fn a_run_of_words_ends_where_a_page_would() {
        let (blank, full) = (vec![0xFF; 600], vec![0; 600]);
        let pages = [300..512, 512..768, 768..900];
        assert_eq!(after_erase(300, &full, WORDS), pages);
        assert_eq!(without_erase(300, &blank, &full, WORDS), pages);
    }

    /// Two blocks of 64 bytes with one blank word across their border: each is planned by itself, so
    /// the pair takes as many words as both.
    #[test]
    fn a_run_of_words_stays_in_the_smallest_block() {
        let small = Grain {
            run_bytes: 64,
            ..WORDS
        };
        let mut after = vec![0; 128];
        after[64..66].fill(0xFF);
        let runs = after_erase(0, &after, small);
        assert_eq!(runs, [0..64, 66..128]);
        assert_eq!(Load::of(&runs, small.method).programs, 63);
        let joined = Load::of(&after_erase(0, &after, WORDS), WORDS.method);
        assert_eq!(joined.programs, 64);
    }

    #[test]
    fn a_word_is_programmed_whole_only_where_it_was_blank() {
        let mut before = vec![0xFF; 16];
        (before[2], before[5], before[7]) = (0x11, 0x22, 0x33);
        let mut after = before.clone();
        for place in [3, 4, 8, 9, 12] {
            after[place] = 0;
        }
        // 3 and 4 stand beside bytes that stay; 12 takes its blank neighbour along.
        let runs = without_erase(256, &before, &after, WORDS);
        assert_eq!(runs, [259..261, 264..266, 268..270]);
        assert!(runs.iter().all(|run| {
            let run = (run.start - 256) as usize..(run.end - 256) as usize;
            before[run].iter().all(|byte| *byte == 0xFF)
        }));
        let load = Load::of(&runs, WORDS.method);
        assert_eq!((load.programs, load.words(), load.increments), (4, 2, 2));
    }

    #[test]
    fn blank_pages_are_left_out_after_an_erase() {
        let mut after = vec![0xFF; 64];
        after[17] = 0;
        after[63] = 0xFE;
        assert_eq!(after_erase(256, &after, PAGES), [272..288, 304..320]);
    }

    #[test]
    fn only_what_differs_is_programmed_without_an_erase() {
        let before = vec![0xFF; 64];
        let mut after = before.clone();
        for place in [0, 20, 30, 63] {
            after[place] = 0;
        }
        assert_eq!(
            without_erase(256, &before, &after, PAGES),
            [256..257, 276..287, 319..320]
        );
        assert!(without_erase(0, &after, &after, PAGES).is_empty());
    }

    #[test]
    fn bytes_are_looked_at_to_the_last() {
        let blank = vec![0xFF; 200];
        assert!(is_blank(&blank) && only_clears(&blank, &blank));
        for place in [0, 63, 64, 199] {
            let mut other = blank.clone();
            other[place] = 0xFE;
            assert!(!is_blank(&other) && only_clears(&blank, &other));
            assert!(!only_clears(&other, &blank));
        }
    }
}
