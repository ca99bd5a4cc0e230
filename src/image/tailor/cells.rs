//! What becomes of the blocks of a region.

use std::ops::Range;

use serde::Serialize;

/// Parts that a region's picture may have.
const PARTS_MAX: usize = 12;

/// What becomes of a block, as far as flash is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Becomes {
    /// It is the baseline's.
    AsFound,
    /// It is blank in both.
    StaysBlank,
    /// It has other content.
    New,
    /// It has content where it was blank.
    NewWhereBlank,
    /// It is blank where it had content.
    NowBlank,
}

/// Neighbouring blocks of which the same becomes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Extent {
    /// Where they lie, half-open, within the region.
    pub range: Range<u32>,
    /// What becomes of them.
    pub becomes: Becomes,
}

/// What was seen of a block, or of several taken together.
#[derive(Debug, Clone, Copy, Default)]
struct Cell {
    differs: bool,
    content_before: bool,
    content_after: bool,
}

impl Cell {
    fn with(self, other: Self) -> Self {
        Self {
            differs: self.differs || other.differs,
            content_before: self.content_before || other.content_before,
            content_after: self.content_after || other.content_after,
        }
    }

    fn becomes(self) -> Becomes {
        match (self.differs, self.content_before, self.content_after) {
            (false, true, _) => Becomes::AsFound,
            (false, false, _) | (_, false, false) => Becomes::StaysBlank,
            (true, true, true) => Becomes::New,
            (true, false, true) => Becomes::NewWhereBlank,
            (true, true, false) => Becomes::NowBlank,
        }
    }
}

/// The blocks of a range, seen before and after.
pub(super) struct Cells {
    range: Range<u32>,
    /// Blocks begin at its multiples, the first at the range's start.
    size_bytes: u32,
    cells: Vec<Cell>,
}

impl Cells {
    pub fn new(range: Range<u32>, size_bytes: u32) -> Self {
        Self {
            range,
            size_bytes: size_bytes.max(1),
            cells: Vec::new(),
        }
    }

    /// Takes the bytes at `address`, which follow those before.
    pub fn look(&mut self, mut address: u32, mut before: &[u8], mut after: &[u8]) {
        while !before.is_empty() && before.len() == after.len() {
            let left = self.size_bytes - address % self.size_bytes;
            let length = before
                .len()
                .min(usize::try_from(left).unwrap_or(usize::MAX));
            let (old, new);
            (old, before) = before.split_at(length);
            (new, after) = after.split_at(length);
            self.see(address, old, new);
            // A block ends within 4 GiB.
            address = address.saturating_add(u32::try_from(length).unwrap_or(left));
        }
    }

    /// Takes bytes of one block.
    fn see(&mut self, address: u32, before: &[u8], after: &[u8]) {
        let seen = Cell {
            differs: before != after,
            content_before: has_content(before),
            content_after: has_content(after),
        };
        let index = address / self.size_bytes - self.range.start / self.size_bytes;
        match self
            .cells
            .get_mut(usize::try_from(index).unwrap_or(usize::MAX))
        {
            Some(cell) => *cell = cell.with(seen),
            None => self.cells.push(seen),
        }
    }

    /// Bytes that are blank, before and after.
    pub fn blank_bytes(&self) -> (u64, u64) {
        let blank = |is: fn(&Cell) -> bool| {
            let cells = self.cells.iter().zip(0..).filter(|(cell, _)| is(cell));
            let sizes = cells.map(|(_, index)| self.range_of(index));
            sizes.map(|range| u64::from(range.end - range.start)).sum()
        };
        (
            blank(|cell| !cell.content_before),
            blank(|cell| !cell.content_after),
        )
    }

    /// Where a block lies, or the range's share of it.
    fn range_of(&self, index: u32) -> Range<u32> {
        let first = self.range.start / self.size_bytes;
        let start = u64::from(first + index) * u64::from(self.size_bytes);
        let end = start + u64::from(self.size_bytes);
        let within = |address: u64| {
            let address = u32::try_from(address).unwrap_or(u32::MAX);
            address.clamp(self.range.start, self.range.end)
        };
        within(start)..within(end)
    }

    /// Neighbours of one kind together, in blocks so large that there are few; and that size.
    pub fn into_parts(mut self) -> (Vec<Extent>, u32) {
        loop {
            let parts = self.parts();
            let doubled = self.size_bytes.checked_mul(2);
            match doubled {
                Some(doubled) if parts.len() > PARTS_MAX => self.join(doubled),
                _ => return (parts, self.size_bytes),
            }
        }
    }

    fn parts(&self) -> Vec<Extent> {
        let mut parts: Vec<Extent> = Vec::new();
        for (cell, index) in self.cells.iter().zip(0..) {
            let (range, becomes) = (self.range_of(index), cell.becomes());
            match parts.last_mut() {
                Some(last) if last.becomes == becomes => last.range.end = range.end,
                _ => parts.push(Extent { range, becomes }),
            }
        }
        parts
    }

    /// Takes blocks together in pairs.
    fn join(&mut self, doubled: u32) {
        let first = self.range.start / self.size_bytes;
        let mut joined: Vec<Cell> = Vec::new();
        for (cell, index) in self.cells.iter().zip(first..) {
            match joined.last_mut() {
                Some(last) if index % 2 == 1 => *last = last.with(*cell),
                _ => joined.push(*cell),
            }
        }
        self.cells = joined;
        self.size_bytes = doubled;
    }
}

/// Whether any byte is not blank.
pub(super) fn has_content(bytes: &[u8]) -> bool {
    bytes.iter().any(|byte| *byte != 0xFF)
}

/// Whether there is more than one byte value.
pub(super) fn is_varied(bytes: &[u8]) -> bool {
    bytes.iter().any(|byte| Some(byte) != bytes.first())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts(start: u32, before: &[u8], after: &[u8], size: u32) -> (Vec<Extent>, u32, (u64, u64)) {
        let end = start + before.len() as u32;
        let mut cells = Cells::new(start..end, size);
        // In chunks that end anywhere.
        let mut address = start;
        for (old, new) in before.chunks(7).zip(after.chunks(7)) {
            cells.look(address, old, new);
            address += old.len() as u32;
        }
        let blank = cells.blank_bytes();
        let (parts, size) = cells.into_parts();
        (parts, size, blank)
    }

    #[test]
    fn blocks_are_told_before_and_after() {
        // Blocks of 4 bytes; the range begins and ends within one.
        let before = b"ab\xFF\xFF\xFF\xFFcdefghij\xFF\xFF\xFF\xFFk";
        let after = b"ab\xFF\xFF\xFF\xFFcdeZ\xFF\xFF\xFF\xFFm\xFF\xFF\xFFk";
        let (parts, size, blank) = parts(2, before, after, 4);
        let shown: Vec<_> = parts
            .iter()
            .map(|part| (part.range.start, part.range.end, part.becomes))
            .collect();
        assert_eq!(size, 4);
        assert_eq!(
            shown,
            [
                (2, 4, Becomes::AsFound),
                (4, 8, Becomes::StaysBlank),
                (8, 12, Becomes::New),
                (12, 16, Becomes::NowBlank),
                (16, 20, Becomes::NewWhereBlank),
                (20, 21, Becomes::AsFound),
            ]
        );
        assert_eq!(blank, (8, 8));
    }

    #[test]
    fn many_parts_are_taken_together_in_larger_blocks() {
        // From an odd block on, every other block changes.
        let before = vec![0; 4 * 1000];
        let mut after = before.clone();
        for block in (0..1000).step_by(2) {
            after[block * 4] = 1;
        }
        let (found, size, _) = parts(4, &before, &after, 4);
        let found: Vec<_> = found.iter().map(|part| part.range.clone()).collect();
        assert_eq!((found, size), (vec![4..4000, 4000..4004], 8));
        // Once only so many that they can be shown.
        after.copy_from_slice(&before);
        for block in (0..1000).step_by(200) {
            after[block * 4] = 1;
        }
        let (found, size, _) = parts(0, &before, &after, 4);
        assert_eq!((found.len(), size), (10, 4));
    }
}
