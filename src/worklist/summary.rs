//! The worklist as a screen and as `worklist-1.txt`.

use std::ops::Range;
use std::time::Duration;

use super::{Action, Estimate, Place, Worklist};
use crate::image::{Entry, Hatch, Holds, Span, Staff, show_size, wrap};
use crate::part::ProgramMethod;

/// What becomes of a run of smallest blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    Left { blank: bool },
    Erased { blank: bool },
    Programmed,
}

impl Worklist {
    /// The worklist in lines of at most 60 columns: the answer, the staff, the times and the order.
    #[must_use]
    pub fn summary(&self, estimate: &Estimate) -> Vec<String> {
        let cell = self.cell_size_bytes();
        let mut lines = wrap("", "", &self.headline(cell, estimate));
        lines.push(String::new());
        lines.extend(self.staff(cell).lines());
        lines.push(String::new());
        lines.extend(self.times(estimate));
        if !self.is_empty() {
            lines.extend(wrap("  order      ", "             ", &self.order()));
        }
        lines
    }

    /// Blocks that change and blocks in all, counted as the summary does.
    #[must_use]
    pub fn blocks(&self) -> (u32, u32) {
        self.counted(self.cell_size_bytes())
    }

    fn counted(&self, cell: u32) -> (u32, u32) {
        let all = self.size_bytes / cell;
        let changed = (0..all).filter(|index| self.fate(cell_range(*index, cell)).is_changed());
        (u32::try_from(changed.count()).unwrap_or(all), all)
    }

    fn headline(&self, cell: u32, estimate: &Estimate) -> String {
        if self.is_empty() {
            return "Nothing would change: the target equals the newest backup.".to_owned();
        }
        let (changed, all) = self.counted(cell);
        let time = match estimate.total() {
            short if short < Duration::from_secs(10) => seconds(short),
            long => format!("{:.0}", long.as_secs_f64()),
        };
        let shared = self.upwards().filter(|step| step.shared).count();
        let unit_data = match shared {
            0 if self.spans.iter().any(|span| span.holds == Holds::UnitData) => {
                "The unit's own data stays where it is.".to_owned()
            }
            0 => "The map names no unit data.".to_owned(),
            1 => "One erase covers unit data as well.".to_owned(),
            _ => format!("{shared} erases cover unit data as well."),
        };
        format!("{changed} of {all} blocks would change, in about {time} s. {unit_data}")
    }

    /// The block size that the picture counts in: as large as the steps and the regions allow.
    fn cell_size_bytes(&self) -> u32 {
        let erases = self.erase_types.iter().map(|erase| erase.size_bytes);
        let largest = erases.max().unwrap_or(self.block_size_bytes());
        let steps = self.upwards().map(|step| step.size_bytes());
        let mut cell = steps.min().unwrap_or(largest);
        let fits = |cell: u32| self.spans.iter().all(|span| span.range.start % cell == 0);
        while cell > self.block_size_bytes() && !fits(cell) {
            cell /= 2;
        }
        cell
    }

    /// What becomes of the smallest blocks in one cell of the picture. No step is smaller than a cell, so
    /// all of them belong to the same step, or to none.
    fn fate(&self, range: Range<u32>) -> Fate {
        let block = self.block_size_bytes();
        let place = |address: u32| usize::try_from(address / block).unwrap_or(usize::MAX);
        let (first, end) = (place(range.start), place(range.end));
        let mut blocks = self.blocks.get(first..end).unwrap_or_default().iter();
        let blank = blocks.all(|block| block.blank);
        match self.action_at(first) {
            None => Fate::Left { blank },
            Some(Action::Erase { .. }) => Fate::Erased { blank },
            Some(Action::Program) => Fate::Programmed,
        }
    }

    /// What is done to a smallest block.
    fn action_at(&self, index: usize) -> Option<Action> {
        let upto = self.blocks.get(..=index).unwrap_or_default().iter();
        let found = upto.rev().find_map(|block| match block.place {
            Place::Left => Some(None),
            Place::Begins { action, .. } => Some(Some(action)),
            Place::Within => None,
        });
        found.flatten()
    }

    fn staff(&self, cell: u32) -> Staff {
        let mut staff = Staff::new(|count| count.to_string()).ending_at(self.size_bytes);
        let shared = self.upwards().filter(|step| step.shared);
        let shared: Vec<_> = shared.map(|step| step.range).collect();
        for span in &self.spans {
            let first = span.range.start.div_ceil(cell);
            let mut label = span.name();
            if span.range.start % cell != 0 {
                staff.push(Entry {
                    address: span.range.start,
                    label: label.to_owned(),
                    amount: 0,
                    columns: vec!["in the block above".to_owned()],
                    hatch: Hatch::Falling,
                });
                label = "";
            }
            for index in first..span.range.end.div_ceil(cell) {
                let range = cell_range(index, cell);
                staff.push(Entry {
                    address: range.start,
                    label: label.to_owned(),
                    amount: 1,
                    columns: vec![self.kind(span, &range, &shared)],
                    hatch: self.hatch(span, &range),
                });
                label = "";
            }
        }
        staff
    }

    /// What is said about a block.
    fn kind(&self, span: &Span, range: &Range<u32>, shared: &[Range<u32>]) -> String {
        let text = match (self.fate(range.clone()), span.holds) {
            (Fate::Erased { blank: false }, _) => "erase, program",
            (Fate::Erased { blank: true }, _) => "erase, stay blank",
            (Fate::Programmed, _) => "program, no erase",
            (Fate::Left { .. }, Holds::UnitData) => "left: unit data",
            (Fate::Left { .. }, Holds::Keep) => "left: as found",
            (Fate::Left { blank: true }, _) => "left: blank already",
            (Fate::Left { blank: false }, _) => "left: equal already",
        };
        let overlaps = |one: &Range<u32>| one.start < range.end && range.start < one.end;
        let shared = shared.iter().any(overlaps);
        if shared {
            return format!("{text}, shared");
        }
        text.to_owned()
    }

    /// How a picture shows a block.
    fn hatch(&self, span: &Span, range: &Range<u32>) -> Hatch {
        match (self.fate(range.clone()), span.holds) {
            (Fate::Erased { .. } | Fate::Programmed, _) => Hatch::Level,
            (Fate::Left { blank: true }, Holds::Replaceable) => Hatch::Empty,
            (Fate::Left { .. }, holds) => Hatch::from(holds),
        }
    }

    fn times(&self, estimate: &Estimate) -> Vec<String> {
        let mut rows = vec![("before", "two full reads".to_owned(), estimate.before)];
        for erases in &estimate.erases {
            let size = show_size(u64::from(erases.size_bytes));
            let count = grouped(u64::from(erases.count));
            let times = if erases.count == 1 { "time" } else { "times" };
            rows.push(("erase", format!("{count} {times} {size}"), erases.time));
        }
        if estimate.programs > 0 {
            let s = if estimate.programs == 1 { "" } else { "s" };
            let what = match self.rates.method {
                ProgramMethod::Page => "page",
                ProgramMethod::Byte => "byte",
                ProgramMethod::AaiWord => "word",
            };
            let programs = format!("{} {what}{s}", grouped(estimate.programs));
            rows.push(("program", programs, estimate.program));
        }
        let s = if estimate.steps == 1 { "" } else { "s" };
        let synced = format!("{} step{s} noted", grouped(u64::from(estimate.steps)));
        rows.push(("journal", synced, estimate.journal));
        let size = show_size(estimate.read_back_bytes);
        rows.push(("read back", size, estimate.read_back));
        let size = show_size(u64::from(estimate.size_bytes));
        rows.push(("whole read", size, estimate.whole_read));
        if self.is_empty() {
            rows.truncate(1);
        }
        let shown: Vec<String> = rows.iter().map(|(_, _, time)| seconds(*time)).collect();
        let width = shown.iter().map(String::len).max().unwrap_or(0);
        let lines = rows.iter().zip(shown);
        lines
            .map(|((key, text, _), time)| format!("  {key:<11}{text:<21}about {time:>width$} s"))
            .collect()
    }
}

impl Fate {
    fn is_changed(self) -> bool {
        !matches!(self, Fate::Left { .. })
    }
}

fn cell_range(index: u32, cell: u32) -> Range<u32> {
    index * cell..(index + 1) * cell
}

fn seconds(time: Duration) -> String {
    format!("{:.1}", time.as_secs_f64())
}

/// A number with commas between thousands.
#[must_use]
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    text
}
