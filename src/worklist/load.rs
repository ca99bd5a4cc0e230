//! What is programmed into a block, and how long that takes the chip.

use std::ops::Range;
use std::time::Duration;

use crate::part::{Part, ProgramMethod};

/// How much there is to program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Load {
    pub programs: u32,
    pub bytes: u32,
}

impl Load {
    pub fn of(runs: &[Range<u32>]) -> Self {
        Self {
            programs: u32::try_from(runs.len()).unwrap_or(u32::MAX),
            bytes: runs.iter().map(|run| run.end - run.start).sum(),
        }
    }

    pub fn and(self, other: Self) -> Self {
        Self {
            programs: self.programs + other.programs,
            bytes: self.bytes + other.bytes,
        }
    }
}

/// The chip's own time for programming.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rates {
    pub method: ProgramMethod,
    pub typical: Duration,
}

impl Rates {
    pub fn of(part: &Part) -> Self {
        Self {
            method: part.program,
            typical: part.page_program.typical,
        }
    }

    /// Program operations that the chip sees.
    pub fn operations(&self, load: Load) -> u32 {
        match self.method {
            ProgramMethod::Page => load.programs,
            ProgramMethod::Byte => load.bytes,
            ProgramMethod::AaiWord => load.bytes.div_ceil(2),
        }
    }

    pub fn time(&self, load: Load) -> Duration {
        self.typical.saturating_mul(self.operations(load))
    }
}

/// The pages of an erased block that are to be programmed: all that are not blank.
pub(super) fn after_erase(start: u32, after: &[u8], page_size_bytes: u32) -> Vec<Range<u32>> {
    let blank = |page: &[u8]| page.iter().all(|byte| *byte == 0xFF);
    pages(start, after, page_size_bytes)
        .filter(|(_, page)| !blank(page))
        .map(|(address, page)| address..address + length(page))
        .collect()
}

/// The parts of pages that differ: from the first differing byte of each page to the last.
pub(super) fn without_erase(
    start: u32,
    before: &[u8],
    after: &[u8],
    page_size_bytes: u32,
) -> Vec<Range<u32>> {
    let old = pages(start, before, page_size_bytes);
    let new = pages(start, after, page_size_bytes);
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

/// Whether programming alone turns `before` into `after`.
///
/// Page program clears bits wherever it is sent. Byte and AAI programming are held to erased bytes,
/// which is the careful reading (common practice, no source).
pub(super) fn reaches(
    method: ProgramMethod,
    before: &[u8],
    after: &[u8],
    runs_blank: bool,
) -> bool {
    let only_clears = before.iter().zip(after).all(|(old, new)| new & !old == 0);
    only_clears && (method == ProgramMethod::Page || runs_blank)
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

    #[test]
    fn blank_pages_are_left_out_after_an_erase() {
        let mut after = vec![0xFF; 64];
        after[17] = 0;
        after[63] = 0xFE;
        assert_eq!(after_erase(256, &after, 16), [272..288, 304..320]);
    }

    #[test]
    fn only_what_differs_is_programmed_without_an_erase() {
        let before = vec![0xFF; 64];
        let mut after = before.clone();
        for place in [0, 20, 30, 63] {
            after[place] = 0;
        }
        assert_eq!(
            without_erase(256, &before, &after, 16),
            [256..257, 276..287, 319..320]
        );
        assert!(without_erase(0, &after, &after, 16).is_empty());
    }

    #[test]
    fn byte_and_word_parts_program_erased_bytes_only() {
        let (old, new) = ([0xF0], [0x70]);
        assert!(reaches(ProgramMethod::Page, &old, &new, false));
        assert!(!reaches(ProgramMethod::Byte, &old, &new, false));
        assert!(reaches(ProgramMethod::AaiWord, &[0xFF], &new, true));
        assert!(!reaches(ProgramMethod::Page, &new, &old, false));
    }
}
