//! The picture of a flash: a vertical rule, as on a tide staff, with addresses running downwards.

mod picture;
#[cfg(test)]
mod tests;

use super::picture::Hatch;
use crate::jedec::Address;

/// Columns that a screen may take.
const WIDTH: usize = 60;

/// One mark on the staff.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Where it begins.
    pub address: u32,
    /// What begins here, marked `-|`; empty for a change within it, marked `|`.
    pub label: String,
    /// How much of it there is; neighbours of one kind add up.
    pub amount: u64,
    /// What there is to say about it; the first is its kind, and stands in the legend of a picture.
    pub columns: Vec<String>,
    /// How a picture shows that kind.
    pub hatch: Hatch,
}

enum Row {
    Mark(Entry),
    Note(Option<u32>, String),
}

/// Marks and notes, to be shown as lines.
pub struct Staff {
    show_amount: fn(u64) -> String,
    rows: Vec<Row>,
    end: Option<u32>,
}

impl Staff {
    /// An empty staff whose amounts are shown by `show_amount`.
    #[must_use]
    pub fn new(show_amount: fn(u64) -> String) -> Self {
        Self {
            show_amount,
            rows: Vec::new(),
            end: None,
        }
    }

    /// The same with the first address behind it: in a picture, how far the last mark reaches.
    #[must_use]
    pub fn ending_at(mut self, address: u32) -> Self {
        self.end = Some(address);
        self
    }

    /// Adds a mark, or folds it into the one above where both are of one kind: the same columns,
    /// and no other label.
    pub fn push(&mut self, entry: Entry) {
        if let Some(Row::Mark(last)) = self.rows.last_mut() {
            let same_label = entry.label.is_empty() || entry.label == last.label;
            let same_kind = entry.columns == last.columns && entry.hatch == last.hatch;
            if same_label && same_kind {
                last.amount += entry.amount;
                return;
            }
        }
        self.rows.push(Row::Mark(entry));
    }

    /// Adds a remark below the last mark, at an address or none.
    pub fn note(&mut self, address: Option<u32>, text: &str) {
        self.rows.push(Row::Note(address, text.to_owned()));
    }

    /// The picture, at most 60 columns wide.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let widths = self.widths();
        for row in &self.rows {
            match row {
                Row::Mark(entry) => self.mark_lines(entry, &widths, &mut lines),
                Row::Note(address, text) => note_lines(*address, text, &widths, &mut lines),
            }
        }
        lines
    }

    fn mark_lines(&self, entry: &Entry, widths: &Widths, lines: &mut Vec<String>) {
        let mark = if entry.label.is_empty() { " |" } else { "-|" };
        let rule = rule(Some(entry.address), mark, widths);
        let values = self.values(entry, widths);
        if entry.label.len() <= widths.label {
            let label = format!("{:<1$}", entry.label, widths.label);
            lines.push(format!("{rule} {label}  {values}").trim_end().to_owned());
        } else {
            lines.push(format!("{rule} {}", entry.label));
            note_lines(None, values.trim_start(), widths, lines);
        }
    }

    /// The amount and all columns of one entry.
    fn values(&self, entry: &Entry, widths: &Widths) -> String {
        let amount = (self.show_amount)(entry.amount);
        let mut text = format!("{amount:>0$}", widths.amount);
        for (index, column) in entry.columns.iter().enumerate() {
            let width = widths.columns.get(index).copied().unwrap_or(0);
            text.push_str(&format!("  {column:<width$}"));
        }
        text.trim_end().to_owned()
    }

    fn widths(&self) -> Widths {
        let mut widths = Widths::default();
        for row in &self.rows {
            let address = match row {
                Row::Mark(entry) => Some(entry.address),
                Row::Note(address, _) => *address,
            };
            let shown = address.map_or(0, |address| Address(address).to_string().len());
            widths.address = widths.address.max(shown);
            let Row::Mark(entry) = row else { continue };
            widths.label = widths.label.max(entry.label.len());
            widths.amount = widths.amount.max((self.show_amount)(entry.amount).len());
            for (index, column) in entry.columns.iter().enumerate() {
                match widths.columns.get_mut(index) {
                    Some(width) => *width = column.len().max(*width),
                    None => widths.columns.push(column.len()),
                }
            }
        }
        let columns: usize = widths.columns.iter().map(|width| width + 2).sum();
        let others = widths.address + 8 + widths.amount + columns;
        widths.label = widths.label.min(WIDTH.saturating_sub(others));
        widths
    }
}

#[derive(Default)]
struct Widths {
    address: usize,
    label: usize,
    amount: usize,
    columns: Vec<usize>,
}

fn rule(address: Option<u32>, mark: &str, widths: &Widths) -> String {
    let shown = address.map_or(String::new(), |address| Address(address).to_string());
    format!("  {shown:>0$} {mark}", widths.address)
}

fn note_lines(address: Option<u32>, text: &str, widths: &Widths, lines: &mut Vec<String>) {
    let first = format!("{}   ", rule(address, " |", widths));
    let next = format!("{}   ", rule(None, " |", widths));
    lines.extend(wrap(&first, &next, text));
}

/// Breaks `text` between words into lines of at most 60 columns, `first` before the first line and
/// `next` before each further one.
#[must_use]
pub fn wrap(first: &str, next: &str, text: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut empty = true;
    // Runs of spaces within a fitting text are columns and stay.
    if first.len() + text.len() <= WIDTH {
        return vec![format!("{first}{text}").trim_end().to_owned()];
    }
    for word in text.split_whitespace() {
        if !empty && line.len() + 1 + word.len() > WIDTH {
            lines.push(std::mem::replace(&mut line, next.to_owned()));
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    lines.push(line);
    lines
}
