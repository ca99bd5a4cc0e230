//! Breaks text into lines the way the screens do.

use crate::job::clean;

/// The last column that wrapped text fills. Screens are at most 60 columns wide; one stays free.
pub const COLUMNS: usize = 59;

/// Words that stay on one line with the number before them.
const UNITS: [&str; 16] = [
    "byte", "bytes", "bit", "bits", "block", "blocks", "page", "pages", "KiB", "MiB", "ms", "s",
    "kHz", "MHz", "V", "%",
];

/// Cleans `text` and breaks it at spaces into lines of at most `width` characters.
///
/// A number keeps its unit and an article its noun. A word longer than `width`, such as a path, is
/// not broken: what is typed again from a screen must be whole. There is always at least one line.
#[must_use]
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for atom in atoms(&clean(text)) {
        match lines.last_mut() {
            Some(line) if columns(line) + 1 + columns(&atom) <= width => {
                line.push(' ');
                line.push_str(&atom);
            }
            _ => lines.push(atom),
        }
    }
    if lines.is_empty() {
        lines.push(String::new());
    }
    lines
}

/// `text` behind `prefix`, its further lines indented to the same column.
#[must_use]
pub fn hanging(prefix: &str, text: &str) -> Vec<String> {
    let indent = columns(prefix);
    wrap(text, COLUMNS.saturating_sub(indent))
        .iter()
        .enumerate()
        .map(|(i, line)| match i {
            0 => format!("{prefix}{line}"),
            _ => format!("{:indent$}{line}", ""),
        })
        .collect()
}

/// A command behind `prefix`: where it does not fit, lines end as a shell wants it to go on on the next one, and
/// an option keeps its value.
#[must_use]
pub fn pasted(prefix: &str, command: &str) -> Vec<String> {
    let command = clean(command);
    let indent = columns(prefix);
    if indent + columns(&command) <= COLUMNS {
        return vec![format!("{prefix}{command}")];
    }
    let mut lines: Vec<String> = Vec::new();
    let mut words = shell_words(&command).peekable();
    while let Some(word) = words.next() {
        let is_value = |next: &&str| word.starts_with("--") && !next.starts_with('-');
        let atom = match words.next_if(is_value) {
            Some(value) => format!("{word} {value}"),
            None => word.to_owned(),
        };
        match lines.last_mut() {
            Some(line) if columns(line) + 1 + columns(&atom) + 2 <= COLUMNS - indent => {
                line.push(' ');
                line.push_str(&atom);
            }
            _ => lines.push(atom),
        }
    }
    let last = lines.len().saturating_sub(1);
    let line = |(i, line): (usize, &String)| {
        let before = if i == 0 { prefix } else { "" };
        let behind = if i < last { " \\" } else { "" };
        format!("{before:<indent$}{line}{behind}")
    };
    lines.iter().enumerate().map(line).collect()
}

/// The words of a command as they were typed, those in quotes whole.
pub fn shell_words(command: &str) -> impl Iterator<Item = &str> {
    let (mut quoted, mut escaped) = (false, false);
    let parts = command.split(move |c: char| {
        let space = c == ' ' && !quoted && !escaped;
        quoted ^= c == '\'' && !escaped;
        escaped = c == '\\' && !quoted && !escaped;
        space
    });
    parts.filter(|word| !word.is_empty())
}

/// Columns that a text takes, at one per character.
#[must_use]
pub fn columns(text: &str) -> usize {
    text.chars().count()
}

/// The words of `text`, with those joined that belong on one line.
fn atoms(text: &str) -> Vec<String> {
    let mut atoms: Vec<String> = Vec::new();
    let mut before = "";
    for word in text.split_whitespace() {
        match atoms.last_mut() {
            Some(atom) if belongs(before, word) => {
                atom.push(' ');
                atom.push_str(word);
            }
            _ => atoms.push(word.to_owned()),
        }
        before = word;
    }
    atoms
}

/// Whether no line may end between the two words.
fn belongs(before: &str, word: &str) -> bool {
    let number = before.starts_with(|c: char| c.is_ascii_digit())
        && before.ends_with(|c: char| c.is_ascii_digit());
    let unit = word.trim_end_matches([',', ';', ':', '.', '?']);
    (number && UNITS.contains(&unit)) || before == "a" || before == "an"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_at_spaces_and_fill_the_width() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("one two three", 6), ["one", "two", "three"]);
        assert_eq!(wrap("  ", 6), [""]);
    }

    #[test]
    fn a_number_keeps_its_unit_and_an_article_its_noun() {
        assert_eq!(wrap("it has 16 MiB, all", 9), ["it has", "16 MiB,", "all"]);
        assert_eq!(wrap("it has 16 eggs", 9), ["it has 16", "eggs"]);
        assert_eq!(wrap("it is a chip", 7), ["it is", "a chip"]);
    }

    #[test]
    fn long_words_stay_whole_and_hang() {
        assert_eq!(wrap("a/very/long/path", 5), ["a/very/long/path"]);
        let long = "word ".repeat(20);
        let lines = hanging("Next  ", &long);
        assert!(lines.iter().all(|line| columns(line) <= COLUMNS));
        assert!(lines[1].starts_with("      word"));
    }

    /// What a shell makes of the lines is the command (POSIX, Shell Command Language, 2.2.1: a backslash and a
    /// newline are removed).
    #[test]
    fn a_long_command_goes_on_as_a_shell_takes_it() {
        let command = "norlock write target.bin --unit 'my unit, that of the harbour' --spidev /dev/spidev0.0 \
                       --because 'it'\\''s \"so\"; and more of it' --sck 12.5MHz --lift-protection";
        let lines = pasted("Next  ", command);
        assert!(lines.len() > 2, "{lines:?}");
        assert!(
            lines.iter().all(|line| columns(line) <= COLUMNS),
            "{lines:?}"
        );
        assert!(
            lines.iter().all(|line| !line.ends_with("--unit \\")),
            "{lines:?}"
        );
        let typed = lines.join("\n").replace("\\\n", "");
        let typed = typed.trim_start_matches("Next  ");
        assert_eq!(shlex::split(typed).unwrap(), shlex::split(command).unwrap());
        assert_eq!(pasted("Next  ", "norlock id"), ["Next  norlock id"]);
    }

    #[test]
    fn control_characters_do_not_pass() {
        assert_eq!(wrap("a\x1b[1mb", 20), ["a<1B>[1mb"]);
        assert_eq!(wrap("two\nlines", 20), ["two<0A>lines"]);
    }
}
