//! A screen: the answer first, evidence below it, then the state of the chip and what to do next.
//!
//! ```text
//! The answer, a sentence or two.
//!
//!   label  evidence, wrapped with a
//!          hanging indent
//!
//! Chip  what state it is in.
//! Next  what to do.
//! ```
//! All text is cleaned of control characters here, so that no caller has to remember it.

use crate::jedec::Address;

use super::figures::hash_lines;
use super::wrap::{COLUMNS, columns, hanging, pasted, shell_words, wrap};
use crate::job::clean;

/// What a command says when it ends.
#[derive(Debug, Clone, Default)]
pub struct Screen {
    answer: String,
    evidence: Vec<Evidence>,
    chip: Option<String>,
    next: Vec<String>,
    verbatim: Option<String>,
}

/// One piece of evidence.
#[derive(Debug, Clone)]
enum Evidence {
    /// A labelled text. Two spaces follow the longest label.
    Row { label: String, text: String },
    /// A labelled table line; one space may follow its label, so that the table stays narrow.
    Table { label: String, lines: Vec<String> },
    /// A line of a staff, the picture of the flash.
    Staff { mark: String, text: String },
}

impl Screen {
    /// A screen that begins with `answer`.
    #[must_use]
    pub fn new(answer: impl Into<String>) -> Self {
        Self {
            answer: answer.into(),
            ..Self::default()
        }
    }

    /// A screen that is a text for programs, and nothing else.
    #[must_use]
    pub fn verbatim(text: String) -> Self {
        Self {
            verbatim: Some(text),
            ..Self::default()
        }
    }

    /// Adds an evidence row.
    #[must_use]
    pub fn row(mut self, label: &str, text: impl Into<String>) -> Self {
        self.evidence.push(Evidence::Row {
            label: clean(label).into_owned(),
            text: text.into(),
        });
        self
    }

    /// Adds a SHA-256 in groups of eight.
    #[must_use]
    pub fn hash(self, label: &str, digest: &[u8; 32]) -> Self {
        self.table(label, hash_lines(digest))
    }

    /// Adds a staff line where a region begins.
    #[must_use]
    pub fn region(self, start: Address, text: impl Into<String>) -> Self {
        self.staff(format!("  {start} -| "), text)
    }

    /// Adds a staff line for a change or a detail within a region.
    #[must_use]
    pub fn within(self, start: Address, text: impl Into<String>) -> Self {
        self.staff(format!("  {start}  | "), text)
    }

    /// Adds a line of a list: `text` wraps beside `mark`, whose spacing is kept.
    #[must_use]
    pub fn item(self, mark: &str, text: impl Into<String>) -> Self {
        self.staff(clean(mark).into_owned(), text)
    }

    /// Adds a line that was laid out elsewhere.
    #[must_use]
    pub fn line(self, text: impl Into<String>) -> Self {
        self.staff(String::new(), text)
    }

    /// Says what state the chip is in.
    #[must_use]
    pub fn chip(mut self, state: impl Into<String>) -> Self {
        self.chip = Some(state.into());
        self
    }

    /// Says what to do next. Said again, it begins a new line, so that a command stands alone.
    #[must_use]
    pub fn next(mut self, step: impl Into<String>) -> Self {
        self.next.push(step.into());
        self
    }

    /// The screen as text of `width` columns, with a line end behind each line. `dim` dims the evidence.
    #[must_use]
    pub fn render(&self, dim: bool, width: usize) -> String {
        if let Some(text) = &self.verbatim {
            return format!("{text}\n");
        }
        let mut lines = wrap(&self.answer, width);
        let evidence = self.evidence_lines(width);
        if !evidence.is_empty() {
            lines.push(String::new());
        }
        lines.extend(evidence.into_iter().map(|line| dimmed(line, dim)));
        if self.chip.is_some() || !self.next.is_empty() {
            lines.push(String::new());
        }
        if let Some(chip) = &self.chip {
            lines.extend(hanging("Chip  ", chip, width));
        }
        let mut prefix = "Next  ";
        for (part, is_command) in self.next.iter().flat_map(|step| parted(step)) {
            lines.extend(match is_command {
                true => pasted(prefix, part, width),
                false => hanging(prefix, part, width),
            });
            prefix = "      ";
        }
        lines.iter().map(|line| format!("{line}\n")).collect()
    }

    fn table(mut self, label: &str, lines: Vec<String>) -> Self {
        self.evidence.push(Evidence::Table {
            label: clean(label).into_owned(),
            lines,
        });
        self
    }

    fn staff(mut self, mark: String, text: impl Into<String>) -> Self {
        self.evidence.push(Evidence::Staff {
            mark,
            text: text.into(),
        });
        self
    }

    /// The evidence, with an empty line between a staff and rows.
    fn evidence_lines(&self, width: usize) -> Vec<String> {
        let column = self.label_column();
        let mut lines = Vec::new();
        let mut staff_before = None;
        for piece in &self.evidence {
            if staff_before.is_some_and(|before| before != piece.is_staff()) {
                lines.push(String::new());
            }
            staff_before = Some(piece.is_staff());
            lines.extend(piece.lines(column, width));
        }
        lines
    }

    /// Where the text of labelled rows begins, counted from the label.
    fn label_column(&self) -> usize {
        let width = |piece: &Evidence| match piece {
            Evidence::Row { label, .. } => columns(label) + 2,
            Evidence::Table { label, .. } => columns(label) + 1,
            Evidence::Staff { .. } => 0,
        };
        self.evidence.iter().map(width).max().unwrap_or(0)
    }
}

impl Evidence {
    fn is_staff(&self) -> bool {
        matches!(self, Self::Staff { .. })
    }

    fn lines(&self, column: usize, width: usize) -> Vec<String> {
        match self {
            Self::Row { label, text } => hanging(&format!("  {label:<column$}"), text, width),
            Self::Table { label, lines } => {
                let labels = std::iter::once(label.as_str()).chain(std::iter::repeat(""));
                let table_line =
                    |(label, line): (&str, &String)| format!("  {label:<column$}{}", clean(line));
                let whole: Vec<String> = labels.zip(lines).map(table_line).collect();
                match whole.iter().all(|line| columns(line) <= width + 1) {
                    true => whole,
                    false => hanging(&format!("  {label:<column$}"), &lines.join(" "), width),
                }
            }
            Self::Staff { mark, text } => staff_lines(mark, text, width),
        }
    }
}

/// A step in pieces, and which of them is a command: one behind a colon, to the end of its sentence. What is typed
/// again from a screen begins a line, and goes on as a shell takes it.
fn parted(step: &str) -> Vec<(&str, bool)> {
    if is_command(step) {
        return vec![(step, true)];
    }
    let (mut parts, mut rest, mut from) = (Vec::new(), step, 0);
    while let Some(at) = rest[from..].find(": norlock ") {
        let (words, behind) = (&rest[..=from + at], &rest[from + at + 2..]);
        let end = sentence_end(behind);
        if is_command(&behind[..end]) {
            parts.extend([(words, false), (&behind[..end], true)]);
            (rest, from) = (behind[end..].trim_start_matches(". "), 0);
        } else {
            from += at + 2;
        }
    }
    if !rest.is_empty() {
        parts.push((rest, false));
    }
    parts
}

/// Where a sentence ends that begins a text: before a stop outside quotes, as a shell takes them.
fn sentence_end(text: &str) -> usize {
    let (mut quoted, mut escaped) = (false, false);
    for (at, c) in text.char_indices() {
        if !quoted && text[at..].starts_with(". ") {
            return at;
        }
        quoted ^= c == '\'' && !escaped;
        escaped = c == '\\' && !quoted && !escaped;
    }
    text.len()
}

/// Whether it is a command and no sentence about one, which has its stops.
fn is_command(text: &str) -> bool {
    let stops = |word: &str| word.ends_with([',', ';', ':', '.']) && !word.starts_with(['.', '/']);
    let starts = ["norlock ", "cp "]
        .iter()
        .any(|name| text.starts_with(name));
    starts && !shell_words(text).any(stops)
}

/// A staff line as it is where it fits, since its columns were laid out by the caller. Where it does not, its words
/// go on in the column where they begin.
fn staff_lines(mark: &str, text: &str, width: usize) -> Vec<String> {
    let whole = format!("{mark}{}", clean(text));
    if columns(&whole) <= width + 1 {
        return vec![whole];
    }
    let at = match mark.len() {
        0 => laid_out(&whole),
        marked => marked,
    };
    let (mark, text) = whole.split_at(at);
    hanging(mark, text, width)
}

/// Where the words begin of a line that was laid out elsewhere: behind the rule of a staff, else behind a label, else
/// behind the spaces in front.
fn laid_out(line: &str) -> usize {
    let indent = line.len() - line.trim_start().len();
    let mut rules = ["-| ", " | "].iter();
    let rule = rules.find_map(|rule| Some(line.find(rule)? + rule.len()));
    let label = || {
        let (_, words) = line[indent..].split_once("  ")?;
        Some(line.len() - words.trim_start().len())
    };
    let found = rule.or_else(label).filter(|at| *at <= COLUMNS / 2);
    found.unwrap_or(indent)
}

/// The line between the terminal's sequences for faint and normal (ECMA-48 SGR 2 and 0).
fn dimmed(line: String, dim: bool) -> String {
    if dim && !line.is_empty() {
        format!("\x1b[2m{line}\x1b[0m")
    } else {
        line
    }
}

#[cfg(test)]
mod tests;
