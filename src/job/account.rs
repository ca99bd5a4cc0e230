//! What accounts for each block of a chip that is about to be written: its baseline, the unit's journal, or
//! nothing.

use std::ops::Range;

use super::Stop;
use crate::image::{Entry, Hatch, Span, Staff, show_size};
use crate::interlock::Unexplained;
use crate::unit::Unfinished;
use crate::unit::store::StoreFile;

/// What a chip holds whose write was interrupted: the target where a block is done, anything where one
/// was begun, else the baseline.
pub(super) struct Expected<'a> {
    pub baseline: Box<dyn StoreFile>,
    pub target: &'a dyn StoreFile,
    pub done: Vec<Range<u32>>,
    pub begun: &'a [Range<u32>],
}

/// What accounts for a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum By {
    /// It is as in the baseline.
    Baseline,
    /// The journal says that it was begun, or that it is done and so holds the target.
    Journal,
    /// It holds something else.
    Nothing,
}

/// A whole chip, in runs of blocks that the same thing accounts for. Empty where no account is needed.
#[derive(Debug, Default)]
pub(super) struct Account(Vec<(Range<u32>, By)>);

impl Account {
    /// Compares what was read with what is expected, in blocks of `block` bytes.
    pub(super) fn of(
        present: &Unfinished,
        expected: &Expected<'_>,
        block: u32,
    ) -> Result<Self, Stop> {
        let size = u32::try_from(expected.baseline.size_bytes()?).unwrap_or(u32::MAX);
        let (mut a, mut b) = (vec![0; block as usize], vec![0; block as usize]);
        let mut account = Self::default();
        let mut at = 0;
        while at < size {
            let end = at.saturating_add(block).min(size);
            let within = |ranges: &[Range<u32>]| {
                let mut ranges = ranges.iter();
                ranges.any(|range| range.start <= at && end <= range.end)
            };
            let (a, b) = (&mut a[..(end - at) as usize], &mut b[..(end - at) as usize]);
            present.read_at(u64::from(at), a)?;
            let done = within(&expected.done);
            let image = match done {
                true => expected.target,
                false => expected.baseline.as_ref(),
            };
            image.read_exact_at(u64::from(at), b)?;
            account.push(
                at..end,
                match (within(expected.begun), a == b) {
                    (true, _) => By::Journal,
                    (false, true) if done => By::Journal,
                    (false, true) => By::Baseline,
                    (false, false) => By::Nothing,
                },
            );
            at = end;
        }
        Ok(account)
    }

    fn push(&mut self, range: Range<u32>, by: By) {
        match self.0.last_mut() {
            Some((last, same)) if *same == by => last.end = range.end,
            _ => self.0.push((range, by)),
        }
    }

    /// The ranges that nothing accounts for.
    pub(super) fn unexplained(&self) -> Vec<Unexplained> {
        let odd = self.0.iter().filter(|(_, by)| *by == By::Nothing);
        odd.map(|(range, _)| Unexplained {
            range: range.clone(),
        })
        .collect()
    }

    /// The picture of it, by region; no lines where nothing is unexplained.
    pub(super) fn staff(&self, spans: &[Span], baseline: &str) -> Vec<String> {
        if self.unexplained().is_empty() {
            return Vec::new();
        }
        let mut staff = Staff::new(show_size);
        for span in spans {
            let mut label = span.name();
            for (range, by) in &self.0 {
                let start = range.start.max(span.range.start);
                let end = range.end.min(span.range.end);
                if start >= end {
                    continue;
                }
                staff.push(Entry {
                    address: start,
                    label: std::mem::take(&mut label).to_owned(),
                    amount: u64::from(end - start),
                    columns: vec![match by {
                        By::Baseline => format!("like {baseline}"),
                        By::Journal => "as the journal says".to_owned(),
                        By::Nothing => "unexplained".to_owned(),
                    }],
                    hatch: match by {
                        By::Baseline => Hatch::Dotted,
                        By::Journal => Hatch::Rising,
                        By::Nothing => Hatch::Level,
                    },
                });
            }
        }
        staff.lines()
    }
}
