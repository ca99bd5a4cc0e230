//! Counts over all readings, window by window: memory does not grow with the chip times the passes.
//!
//! A reading is *wrong* where it is not what the passes at the lowest SCK say by majority. Wrong bytes that
//! stand close together are a *stretch*, which tells by its content; the others are counted bit by bit.

use std::ops::Range;

use super::plan::Condition;
use super::readings::{Readings, Votes};
use crate::unit::store::StoreError;

/// What is looked at together.
pub(super) const WINDOW_BYTES: u32 = 4096;
/// Bytes looked at beyond a window, so that a stretch that begins at its end is seen as one.
const AHEAD_BYTES: u32 = 32;
/// Wrong bytes that make a stretch, at least half of it.
const STRETCH_BYTES: usize = 24;
/// Right bytes that end it.
const GAP_BYTES: usize = 8;
/// Bytes from the end of a frame that are its edge.
pub(super) const EDGE_BYTES: u32 = 4;
/// Stretches that are kept to be looked at.
const STRETCHES_MAX: usize = 96;
/// Bits that are kept for the report; all are counted.
const BITS_MAX: usize = 4096;
/// Byte values in a window by which it is packed or code, so that a bit that never moves in it is stuck.
/// Seven-bit text has less than 100.
const VARIED: u32 = 100;
/// Bytes other than FF by which a window is no longer blank.
const LONE_MAX: usize = 128;

/// One pass.
#[derive(Debug, Clone, Default)]
pub(super) struct OfPass {
    /// Wrong bits outside stretches.
    pub bits: u64,
    /// Wrong bytes within stretches.
    pub stretch_bytes: u64,
    /// Groups of neighbouring frames with wrong bits.
    pub clusters: u64,
    /// The same of frames with stretches.
    pub stretch_clusters: u64,
    /// Frames with wrong bits.
    pub frames: u64,
    /// Those of them with wrong bits at their edges alone.
    pub edge_frames: u64,
    frame: Option<(Range<u32>, bool)>,
    stretch_frame: Option<Range<u32>>,
}

/// One block.
#[derive(Debug, Clone, Default)]
pub(super) struct OfBlock {
    /// Wrong bits outside stretches, of all passes.
    pub bits: u64,
    /// Bits that were wrong in two passes or more.
    pub repeated: u64,
    /// Those of them that are 1 in a window that is blank.
    pub repeated_blank: u64,
    /// Wrong bytes within stretches.
    pub stretch_bytes: u64,
    /// Windows in which a bit never moves.
    pub stuck: u64,
    /// Lone zeros in windows that are blank otherwise, by their address modulo 4.
    pub lone: [u64; 4],
}

/// A bit that not all passes agree on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Moved {
    pub address: u32,
    pub bit: u8,
    /// What it mostly is at the lowest SCK.
    pub is: bool,
    /// Passes that read the other value.
    pub wrong: u32,
}

/// A run of wrong bytes in one pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Stretch {
    pub pass: usize,
    pub range: Range<u32>,
}

/// All that is counted.
#[derive(Debug, Clone)]
pub(super) struct Tally {
    pub passes: Vec<OfPass>,
    pub blocks: Vec<OfBlock>,
    pub block_bytes: u32,
    /// The first bits that moved, by address.
    pub moved: Vec<Moved>,
    /// Bits that moved, outside stretches.
    pub moved_bits: u64,
    /// Wrong bits away from the edges of frames that were wrong in one pass.
    pub single: u64,
    /// Bits that were wrong in more than one, likewise.
    pub repeated_bits: u64,
    /// And how often these were.
    pub repeated: u64,
    /// Bytes with a wrong bit, by bit and by what was read.
    pub directions: [[u64; 2]; 8],
    /// Stretches, thinned out evenly.
    pub stretches: Vec<Stretch>,
    /// All stretches.
    pub stretch_count: u64,
    thin: u64,
    /// Varied windows, and those in which a bit is always 0 or always 1.
    pub varied_windows: u64,
    pub stuck: [[u64; 2]; 8],
}

/// The buffers of a window.
struct Window {
    start: u32,
    /// Bytes that count.
    length: usize,
    base: Vec<u8>,
    /// What each pass has wrong.
    wrong: Vec<Vec<u8>>,
}

impl Tally {
    /// Counts over all of `readings`; `None` once it is to stop, which is asked with how many bytes of the chip are
    /// behind it.
    pub fn of(
        readings: &Readings,
        conditions: &[Condition],
        block_bytes: u32,
        stop_asked: &mut dyn FnMut(u32) -> bool,
    ) -> Result<Option<Self>, StoreError> {
        let size = readings.size_bytes;
        let passes = readings.files.len();
        let mut tally = Self {
            passes: vec![OfPass::default(); passes],
            blocks: vec![OfBlock::default(); size.div_ceil(block_bytes.max(1)) as usize],
            block_bytes: block_bytes.max(1),
            moved: Vec::new(),
            moved_bits: 0,
            single: 0,
            repeated_bits: 0,
            repeated: 0,
            directions: [[0; 2]; 8],
            stretches: Vec::new(),
            stretch_count: 0,
            thin: 1,
            varied_windows: 0,
            stuck: [[0; 2]; 8],
        };
        let votes = Votes::slowest(conditions);
        let mut open = vec![false; passes];
        let mut window = Window {
            start: 0,
            length: 0,
            base: Vec::new(),
            wrong: vec![Vec::new(); passes],
        };
        while window.start < size {
            if stop_asked(window.start) {
                return Ok(None);
            }
            if window.load(readings, &votes)? {
                tally.stretches(&mut window, conditions, &mut open);
                tally.bits(&window, conditions);
            } else {
                open.fill(false);
            }
            tally.look(&window);
            window.start = window.start.saturating_add(WINDOW_BYTES);
        }
        for pass in &mut tally.passes {
            pass.close_frame();
        }
        Ok(Some(tally))
    }

    fn block(&mut self, address: u32) -> Option<&mut OfBlock> {
        self.blocks.get_mut((address / self.block_bytes) as usize)
    }

    /// Takes the stretches out of a window. `open` says in which passes one reached its end.
    fn stretches(&mut self, window: &mut Window, conditions: &[Condition], open: &mut [bool]) {
        let per_pass = window.wrong.iter_mut().zip(conditions).zip(open);
        for (pass, ((wrong, condition), open)) in per_pass.enumerate() {
            let runs = runs(wrong, *open);
            let goes_on = std::mem::take(open);
            for run in runs {
                let begins_here = !(goes_on && run.start <= GAP_BYTES);
                wrong[run.clone()].fill(0);
                // One that lies ahead altogether begins in the next window.
                if run.start >= window.length {
                    continue;
                }
                *open |= run.end + GAP_BYTES >= window.length;
                let end = run.end.min(window.length);
                let range = window.start + run.start as u32..window.start + end as u32;
                let bytes = u64::from(range.end - range.start);
                if let Some(of_pass) = self.passes.get_mut(pass) {
                    of_pass.stretch_bytes += bytes;
                    of_pass.stretch(&range, condition);
                }
                if let Some(block) = self.block(range.start) {
                    block.stretch_bytes += bytes;
                }
                if begins_here {
                    self.keep(Stretch { pass, range });
                }
            }
        }
    }

    /// Keeps stretches evenly: once there are too many, every second, then every fourth.
    fn keep(&mut self, stretch: Stretch) {
        if self.stretch_count % self.thin == 0 {
            if self.stretches.len() == STRETCHES_MAX {
                let mut number = 0;
                self.stretches.retain(|_| {
                    number += 1;
                    number % 2 == 1
                });
                self.thin *= 2;
            }
            self.stretches.push(stretch);
        }
        self.stretch_count += 1;
    }

    /// Counts the wrong bits of a window that are in no stretch.
    fn bits(&mut self, window: &Window, conditions: &[Condition]) {
        let base = window.base.get(..window.length).unwrap_or_default();
        let blank = is_blank(base);
        for (place, is) in base.iter().enumerate() {
            let any = window.wrong.iter().fold(0, |any, wrong| any | wrong[place]);
            if any != 0 {
                self.column(window, conditions, place, *is, any, blank);
            }
        }
    }

    /// Counts the bits of one byte that some passes have wrong.
    fn column(
        &mut self,
        window: &Window,
        conditions: &[Condition],
        place: usize,
        is: u8,
        any: u8,
        blank: bool,
    ) {
        let address = window.start + place as u32;
        let (mut times, mut inner) = ([0_u32; 8], [0_u32; 8]);
        for (pass, wrong) in window.wrong.iter().enumerate() {
            let wrong = wrong[place];
            let (Some(of_pass), Some(condition)) =
                (self.passes.get_mut(pass), conditions.get(pass))
            else {
                continue;
            };
            if wrong == 0 {
                continue;
            }
            of_pass.bits += u64::from(wrong.count_ones());
            let at_edge = of_pass.frame_of(address, condition);
            for bit in (0..8).filter(|bit| wrong >> bit & 1 == 1) {
                times[bit] += 1;
                inner[bit] += u32::from(!at_edge);
            }
        }
        let mut repeated = 0;
        for bit in (0..8).filter(|bit| any >> bit & 1 == 1) {
            let is = is >> bit & 1 == 1;
            self.moved_bits += 1;
            self.directions[bit][usize::from(!is)] += 1;
            match inner[bit] {
                0 => {}
                1 => self.single += 1,
                more => {
                    self.repeated_bits += 1;
                    self.repeated += u64::from(more);
                    repeated += 1;
                }
            }
            if self.moved.len() < BITS_MAX {
                self.moved.push(Moved {
                    address,
                    bit: bit as u8,
                    is,
                    wrong: times[bit],
                });
            }
        }
        if let Some(block) = self.block(address) {
            block.bits += times.iter().map(|times| u64::from(*times)).sum::<u64>();
            block.repeated += repeated;
            block.repeated_blank += if blank { repeated } else { 0 };
        }
    }

    /// Looks at what a window holds by majority.
    fn look(&mut self, window: &Window) {
        let base = window.base.get(..window.length).unwrap_or_default();
        let lone = lone_zeros(base);
        // Flags that stand at regular places are data, and say nothing of the rest of the block.
        let by_place = (0..4).map(|rest| lone.iter().filter(|place| **place % 4 == rest).count());
        let regular = by_place.max().unwrap_or(0) * 8 > lone.len() * 7;
        if regular && lone.len() >= 3 {
            return;
        }
        if !lone.is_empty() {
            if let Some(block) = self.block(window.start) {
                for place in lone {
                    block.lone[place % 4] += 1;
                }
            }
            return;
        }
        let mut seen = [false; 256];
        let (mut ones, mut any) = (0xFF, 0);
        for byte in base {
            seen[usize::from(*byte)] = true;
            ones &= byte;
            any |= byte;
        }
        if (seen.iter().filter(|seen| **seen).count() as u32) < VARIED {
            return;
        }
        self.varied_windows += 1;
        if ones | !any == 0 {
            return;
        }
        for bit in 0..8 {
            self.stuck[bit][1] += u64::from(ones >> bit & 1);
            self.stuck[bit][0] += u64::from(!any >> bit & 1);
        }
        if let Some(block) = self.block(window.start) {
            block.stuck += 1;
        }
    }
}

impl Window {
    /// Loads what the readings have here, and takes the majority for the base; whether any pass differs.
    fn load(&mut self, readings: &Readings, votes: &Votes) -> Result<bool, StoreError> {
        let left = readings.size_bytes - self.start;
        self.length = left.min(WINDOW_BYTES) as usize;
        let loaded = left.min(WINDOW_BYTES + AHEAD_BYTES) as usize;
        self.base.resize(loaded, 0);
        readings.read(0, self.start, &mut self.base)?;
        let mut differs = false;
        for (pass, wrong) in self.wrong.iter_mut().enumerate() {
            wrong.resize(loaded, 0);
            differs |= readings.differing(pass, self.start, wrong)?;
        }
        if !differs {
            return Ok(false);
        }
        for place in 0..loaded {
            let column = self.wrong.iter().map(|wrong| wrong[place]);
            if column.clone().any(|byte| byte != 0) {
                let winner = votes.winner(column);
                self.base[place] ^= winner;
                self.wrong
                    .iter_mut()
                    .for_each(|wrong| wrong[place] ^= winner);
            }
        }
        Ok(true)
    }
}

impl OfPass {
    /// Notes a wrong byte in its frame; whether it is at the edge of it.
    fn frame_of(&mut self, address: u32, condition: &Condition) -> bool {
        let inside = |frame: &Range<u32>| frame.contains(&address);
        if !self.frame.as_ref().is_some_and(|(frame, _)| inside(frame)) {
            let new = condition.frames.around(address).unwrap_or_default();
            let neighbour = self
                .frame
                .as_ref()
                .is_some_and(|(last, _)| last.end == new.start);
            self.clusters += u64::from(!neighbour);
            self.close_frame();
            self.frame = Some((new, true));
        }
        let Some((frame, edge_only)) = &mut self.frame else {
            return false;
        };
        let from_end = frame.end.saturating_sub(address + 1);
        let at_edge = address.saturating_sub(frame.start).min(from_end) < EDGE_BYTES;
        *edge_only &= at_edge;
        at_edge
    }

    fn close_frame(&mut self) {
        if let Some((_, edge_only)) = &self.frame {
            self.frames += 1;
            self.edge_frames += u64::from(*edge_only);
        }
    }

    fn stretch(&mut self, range: &Range<u32>, condition: &Condition) {
        let first = condition.frames.around(range.start).unwrap_or_default();
        let last = self.stretch_frame.as_ref();
        let neighbour =
            last.is_some_and(|last| first.start <= last.end && last.start <= first.start);
        self.stretch_clusters += u64::from(!neighbour);
        let end = condition.frames.around(range.end.saturating_sub(1));
        self.stretch_frame = Some(end.unwrap_or(first));
    }
}

/// Runs of wrong bytes that are long and dense enough; the first also if one `goes_on` from before.
fn runs(wrong: &[u8], goes_on: bool) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut run: Option<(Range<usize>, usize)> = None;
    let mut close = |run: Option<(Range<usize>, usize)>| {
        if let Some((range, count)) = run {
            let dense = count >= STRETCH_BYTES && count * 2 >= range.len();
            if dense || (goes_on && range.start <= GAP_BYTES) {
                found.push(range);
            }
        }
    };
    for place in (0..wrong.len()).filter(|place| wrong[*place] != 0) {
        match &mut run {
            Some((range, count)) if place - range.end < GAP_BYTES => {
                range.end = place + 1;
                *count += 1;
            }
            _ => close(run.replace((place..place + 1, 1))),
        }
    }
    close(run);
    found
}

fn is_blank(window: &[u8]) -> bool {
    window.iter().filter(|byte| **byte != 0xFF).count() <= LONE_MAX
}

/// Where a window that is blank otherwise has bytes with one zero and none beside them; empty where it holds
/// more of anything else, or nothing. By chance some do meet; of data nearly all do.
fn lone_zeros(window: &[u8]) -> Vec<usize> {
    let places = window.iter().enumerate().filter(|(_, byte)| **byte != 0xFF);
    let places: Vec<usize> = places.map(|(place, _)| place).take(LONE_MAX + 1).collect();
    let apart = |number: usize| {
        let gap = |two: &[usize]| two[1] - two[0] > 2;
        let before = number.saturating_sub(1);
        let around = places.get(before..(number + 2).min(places.len()));
        around.unwrap_or_default().windows(2).all(gap)
    };
    let single =
        |(number, place): &(usize, &usize)| window[**place].count_zeros() == 1 && apart(*number);
    let lone: Vec<usize> = places
        .iter()
        .enumerate()
        .filter(single)
        .map(|(_, place)| *place)
        .collect();
    match places.len() <= LONE_MAX && lone.len() * 2 >= places.len() {
        true => lone,
        false => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_are_long_and_dense() {
        let mut wrong = vec![0; 200];
        wrong[10..40].fill(1);
        wrong[60] = 1;
        wrong[100..190]
            .iter_mut()
            .step_by(4)
            .for_each(|byte| *byte = 1);
        assert_eq!(runs(&wrong, false), vec![Range { start: 10, end: 40 }]);
        wrong[100..190]
            .iter_mut()
            .step_by(2)
            .for_each(|byte| *byte = 1);
        assert_eq!(runs(&wrong, false), [10..40, 100..189]);
        wrong[0] = 1;
        assert_eq!(runs(&wrong, false), [10..40, 100..189]);
        assert_eq!(runs(&wrong, true)[0], 0..1);
    }

    #[test]
    fn lone_zeros_are_no_data() {
        let mut window = vec![0xFF; 4096];
        assert!(lone_zeros(&window).is_empty() && is_blank(&window));
        window[100] = 0xFE;
        window[3001] = 0x7F;
        assert_eq!(lone_zeros(&window), [100, 3001]);
        // Two that meet by chance take nothing from the others; what mostly meets is data.
        window[200] = 0xBF;
        window[3002] = 0x7F;
        assert_eq!(lone_zeros(&window), [100, 200]);
        window[3003] = 0xF0;
        assert!(lone_zeros(&window).is_empty());
    }
}
