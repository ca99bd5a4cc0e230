//! What differs, as it is found: counted by byte, by bit and by erase block.

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Duration;

use super::{Difference, DifferingBlocks, VerifyReport};
use crate::image::{Holds, RegionMap, Span};
use crate::jedec::{Address, Hertz};
use crate::unit::Operation;

/// Differing bytes that are kept for the report; all are counted.
const KEPT: usize = 4096;

/// What differs in one block, in one pass.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    bytes: u64,
    bits_low: u64,
    bits_high: u64,
}

impl Tally {
    fn add(&mut self, other: Self) {
        self.bytes += other.bytes;
        self.bits_low += other.bits_low;
        self.bits_high += other.bits_high;
    }

    /// One byte that differs.
    fn of(wanted: u8, holds: u8) -> Self {
        Self {
            bytes: 1,
            bits_low: u64::from((wanted & !holds).count_ones()),
            bits_high: u64::from((holds & !wanted).count_ones()),
        }
    }
}

/// One erase block, over the passes. Passes may come back to it in any order of frames.
#[derive(Debug, Default)]
struct Block {
    /// The pass that `now` counts, from 1.
    pass: usize,
    now: Tally,
    /// The pass in which most bytes differed.
    most: Tally,
    /// How many passes it differed in.
    passes: u32,
}

impl Block {
    fn count(&mut self, pass: usize, tally: Tally) {
        if self.pass != pass {
            (self.pass, self.now) = (pass, Tally::default());
            self.passes += 1;
        }
        self.now.add(tally);
        if self.now.bytes >= self.most.bytes {
            self.most = self.now;
        }
    }
}

/// What differs from the image.
#[derive(Debug)]
pub(super) struct Found {
    block_bytes: u32,
    bytes: BTreeMap<u32, (u8, BTreeMap<usize, u8>)>,
    blocks: BTreeMap<u32, Block>,
    differing: Vec<u64>,
    /// Sum over a spread of address and byte, so that passes in any order compare.
    marks: Vec<u64>,
}

impl Found {
    pub(super) fn new(block_bytes: u32) -> Self {
        Self {
            block_bytes: block_bytes.max(1),
            bytes: BTreeMap::new(),
            blocks: BTreeMap::new(),
            differing: Vec::new(),
            marks: Vec::new(),
        }
    }

    /// A new pass.
    pub(super) fn begin(&mut self) {
        self.differing.push(0);
        self.marks.push(0);
    }

    /// Whether no pass found a byte that differs.
    pub(super) fn is_equal(&self) -> bool {
        self.differing.iter().all(|bytes| *bytes == 0)
    }

    /// Holds what the pass has read at `address` against what is wanted there.
    pub(super) fn compare(&mut self, address: Address, wanted: &[u8], holds: &[u8]) {
        let pass = self.differing.len();
        for (at, (wanted, holds)) in (address.0..).zip(wanted.iter().zip(holds)) {
            if wanted == holds {
                continue;
            }
            if let (Some(count), Some(mark)) = (self.differing.last_mut(), self.marks.last_mut()) {
                *count += 1;
                let spread =
                    (u64::from(at) << 8 | u64::from(*holds)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                *mark = mark.wrapping_add(spread ^ spread >> 29);
            }
            let block = self.blocks.entry(at / self.block_bytes).or_default();
            block.count(pass, Tally::of(*wanted, *holds));
            if self.bytes.len() < KEPT || self.bytes.contains_key(&at) {
                self.bytes
                    .entry(at)
                    .or_insert((*wanted, BTreeMap::new()))
                    .1
                    .insert(pass - 1, *holds);
            }
        }
    }

    /// The report on passes at each of `sck` over `within`.
    pub(super) fn report(
        self,
        size_bytes: u32,
        (sck, within): (Vec<Hertz>, &[Range<u32>]),
        map: Option<&RegionMap>,
        (time, floor): (Duration, Duration),
    ) -> VerifyReport {
        let passes_agree = self.marks.windows(2).all(|two| two[0] == two[1])
            && self.differing.windows(2).all(|two| two[0] == two[1]);
        let spans = map.map(RegionMap::spans).unwrap_or_default();
        let compared_bytes = within
            .iter()
            .map(|range| u64::from(range.end - range.start))
            .sum();
        VerifyReport {
            size_bytes,
            regions: Vec::new(),
            compared_bytes,
            floor,
            unfinished: None,
            unrecorded: None,
            operation: Operation::default(),
            sck,
            lanes: None,
            passes_agree,
            differences: self.differences(&spans),
            blocks: self.joined(&spans, size_bytes),
            unit_data: self.equal_unit_data(&spans, within),
            differing: self.differing,
            time,
        }
    }

    /// Regions of unit data that were compared whole and are equal.
    fn equal_unit_data(&self, spans: &[Span], within: &[Range<u32>]) -> Vec<String> {
        let compared = |span: &Span| {
            let whole =
                |range: &Range<u32>| range.start <= span.range.start && span.range.end <= range.end;
            within.iter().any(whole)
        };
        let block = |at: u32| at / self.block_bytes;
        let touched = |span: &Span| {
            let last = span.range.end.saturating_sub(1);
            let blocks = self.blocks.range(block(span.range.start)..=block(last));
            // A block may be shared with a neighbour; which byte it was is known of the first ones.
            let known = self.bytes.len() < KEPT;
            blocks.count() > 0 && !(known && self.bytes.range(span.range.clone()).next().is_none())
        };
        spans
            .iter()
            .filter(|span| span.holds == Holds::UnitData && compared(span) && !touched(span))
            .map(|span| span.name().to_owned())
            .collect()
    }

    fn differences(&self, spans: &[Span]) -> Vec<Difference> {
        let passes = self.differing.len();
        let of = |(at, (wanted, holds)): (&u32, &(u8, BTreeMap<usize, u8>))| Difference {
            address: Address(*at),
            wanted: *wanted,
            holds: (0..passes)
                .map(|pass| holds.get(&pass).copied().unwrap_or(*wanted))
                .collect(),
            region: region(spans, *at),
        };
        self.bytes.iter().map(of).collect()
    }

    /// The blocks that differ, those that touch within one region as one.
    fn joined(&self, spans: &[Span], size_bytes: u32) -> Vec<DifferingBlocks> {
        let mut all: Vec<DifferingBlocks> = Vec::new();
        for (number, block) in &self.blocks {
            let start = number * self.block_bytes;
            let range = start..start.saturating_add(self.block_bytes).min(size_bytes);
            let region = region(spans, start);
            let one = DifferingBlocks {
                range,
                blocks: 1,
                region,
                bytes: block.most.bytes,
                bits_low: block.most.bits_low,
                bits_high: block.most.bits_high,
                passes: block.passes,
            };
            match all.last_mut() {
                Some(last) if last.range.end == one.range.start && last.region == one.region => {
                    last.range.end = one.range.end;
                    last.blocks += 1;
                    last.bytes += one.bytes;
                    last.bits_low += one.bits_low;
                    last.bits_high += one.bits_high;
                    last.passes = last.passes.min(one.passes);
                }
                _ => all.push(one),
            }
        }
        all
    }
}

/// Name of what `at` lies in.
fn region(spans: &[Span], at: u32) -> Option<String> {
    let span = spans.iter().find(|span| span.range.contains(&at));
    span.map(|span| span.name().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_told_by_the_way_they_are_wrong() {
        let tally = Tally::of(0b1111_0000, 0b0011_1110);
        assert_eq!((tally.bytes, tally.bits_low, tally.bits_high), (1, 2, 3));
    }
}
