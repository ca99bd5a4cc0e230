//! The picture of a flash: a vertical rule, as on a tide staff, with addresses running downwards.

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
    /// What there is to say about it.
    pub columns: Vec<String>,
}

enum Row {
    Mark(Entry),
    Note(Option<u32>, String),
}

/// Marks and notes, to be shown as lines.
pub struct Staff {
    show_amount: fn(u64) -> String,
    rows: Vec<Row>,
}

impl Staff {
    /// An empty staff whose amounts are shown by `show_amount`.
    #[must_use]
    pub fn new(show_amount: fn(u64) -> String) -> Self {
        Self {
            show_amount,
            rows: Vec::new(),
        }
    }

    /// Adds a mark, or folds it into the one above where both are of one kind: the same columns,
    /// and no other label.
    pub fn push(&mut self, entry: Entry) {
        if let Some(Row::Mark(last)) = self.rows.last_mut() {
            let same_label = entry.label.is_empty() || entry.label == last.label;
            if same_label && entry.columns == last.columns {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::show_size;

    fn entry(address: u32, label: &str, amount: u64, columns: &[&str]) -> Entry {
        Entry {
            address,
            label: label.into(),
            amount,
            columns: columns.iter().map(|c| (*c).to_owned()).collect(),
        }
    }

    #[test]
    fn neighbours_of_one_kind_fold() {
        let mut staff = Staff::new(|n| n.to_string());
        staff.push(entry(0, "boot", 4, &["erase, program"]));
        staff.push(entry(
            0x4_0000,
            "boot-settings",
            1,
            &["left: equal already"],
        ));
        staff.push(entry(0x5_0000, "system", 100, &["erase, program"]));
        staff.push(entry(0x69_0000, "", 4, &["erase, program"]));
        staff.push(entry(0x6D_0000, "", 48, &["erase, stay blank"]));
        staff.push(entry(0xFC_0000, "calibration", 1, &["left: unit data"]));
        assert_eq!(
            staff.lines(),
            [
                "  0x000000 -| boot             4  erase, program",
                "  0x040000 -| boot-settings    1  left: equal already",
                "  0x050000 -| system         104  erase, program",
                "  0x6D0000  |                 48  erase, stay blank",
                "  0xFC0000 -| calibration      1  left: unit data",
            ]
        );
    }

    #[test]
    fn notes_stand_below_their_mark() {
        let mut staff = Staff::new(|bytes| format!("{} KiB", bytes / 1024));
        staff.push(entry(0, "boot", 236 << 10, &["code-like", "6.2"]));
        staff.push(entry(0x3_B000, "", 20 << 10, &["blank"]));
        staff.push(entry(0x5_0000, "system", 2112 << 10, &["packed", "8.0"]));
        staff.note(None, "gzip stream; its length and CRC-32 agree");
        staff.note(Some(0x7_A3C0), "holds 5E, target 7E: bit 5 is 0, not 1");
        assert_eq!(
            staff.lines(),
            [
                "  0x000000 -| boot     236 KiB  code-like  6.2",
                "  0x03B000  |           20 KiB  blank",
                "  0x050000 -| system  2112 KiB  packed     8.0",
                "            |   gzip stream; its length and CRC-32 agree",
                "  0x07A3C0  |   holds 5E, target 7E: bit 5 is 0, not 1",
            ]
        );
    }

    #[test]
    fn nothing_is_wider_than_60_columns() {
        let mut staff = Staff::new(show_size);
        staff.push(entry(
            0,
            "a-name-of-thirty-two-characters.",
            4096,
            &["left: equal already"],
        ));
        staff.push(entry(0x100_0000, "short", 4096, &["left: equal already"]));
        staff.note(None, &"some words and more ".repeat(9));
        let lines = staff.lines();
        assert!(lines.iter().all(|line| line.len() <= 60), "{lines:#?}");
        assert_eq!(lines[0], "    0x000000 -| a-name-of-thirty-two-characters.");
        assert_eq!(lines[1], "              |   4 KiB  left: equal already");
        assert!(lines[2].starts_with("  0x01000000 -| short"));
        assert_eq!(
            lines.last().map(String::as_str),
            Some("              |   some words and more")
        );
    }
}
