//! Breaks text into lines the way the screens do.

use crate::job::clean;

/// The last column that wrapped text fills. Screens are at most 60 columns wide; one stays free.
pub const COLUMNS: usize = 59;

/// On a terminal narrower than the screens, text with less room than this beside its label stands below it.
const BESIDE_MIN: usize = 24;

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

/// `text` behind `prefix`, its further lines indented to the same column. On a terminal that leaves it too little
/// room there, it stands below.
#[must_use]
pub fn hanging(prefix: &str, text: &str, width: usize) -> Vec<String> {
    let (first, indent) = placed(prefix, width);
    let lines = wrap(text, width.saturating_sub(indent));
    behind(prefix, first, indent, lines)
}

/// A command behind `prefix`: where it does not fit, lines end as a shell wants it to go on on the next one, and
/// an option keeps its value.
#[must_use]
pub fn pasted(prefix: &str, command: &str, width: usize) -> Vec<String> {
    let command = clean(command);
    let (first, indent) = placed(prefix, width);
    let room = width.saturating_sub(indent);
    if columns(&command) <= room {
        return behind(prefix, first, indent, vec![command.into_owned()]);
    }
    let room = room.saturating_sub(" \\".len());
    let mut lines: Vec<String> = Vec::new();
    let mut words = shell_words(&command).peekable();
    while let Some(word) = words.next() {
        let is_value = |next: &&str| {
            let fits = columns(word) + 1 + columns(next) <= room;
            word.starts_with("--") && !next.starts_with('-') && fits
        };
        let atom = match words.next_if(is_value) {
            Some(value) => format!("{word} {value}"),
            None => word.to_owned(),
        };
        match lines.last_mut() {
            Some(line) if columns(line) + 1 + columns(&atom) <= room => {
                line.push(' ');
                line.push_str(&atom);
            }
            _ => lines.push(atom),
        }
    }
    let last = lines.len().saturating_sub(1);
    lines[..last]
        .iter_mut()
        .for_each(|line| line.push_str(" \\"));
    behind(prefix, first, indent, lines)
}

/// Where text behind `prefix` stands: whether on the same line, and in which column.
fn placed(prefix: &str, width: usize) -> (bool, usize) {
    let beside = columns(prefix);
    let spaces = prefix.chars().take_while(|c| *c == ' ').count();
    let below = spaces.min(2) + 2;
    match width < COLUMNS && width < beside + BESIDE_MIN {
        true => (false, below),
        false => (true, beside),
    }
}

/// Lines behind `prefix`, or below it.
fn behind(prefix: &str, first: bool, indent: usize, lines: Vec<String>) -> Vec<String> {
    let label = prefix.trim_end();
    let own_line = (!first && !label.is_empty()).then(|| label.to_owned());
    let line = |(i, line): (usize, String)| match (i, first) {
        (0, true) => format!("{prefix}{line}"),
        _ => format!("{:indent$}{line}", ""),
    };
    let lines = lines.into_iter().enumerate().map(line);
    own_line.into_iter().chain(lines).collect()
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
        let lines = hanging("Next  ", &long, COLUMNS);
        assert!(lines.iter().all(|line| columns(line) <= COLUMNS));
        assert!(lines[1].starts_with("      word"));
    }

    /// What a shell makes of the lines is the command (POSIX, Shell Command Language, 2.2.1: a backslash and a
    /// newline are removed).
    #[test]
    fn a_long_command_goes_on_as_a_shell_takes_it() {
        let command = "norlock write target.bin --unit 'my unit, that of the harbour' --spidev /dev/spidev0.0 \
                       --because 'it'\\''s \"so\"; and more of it' --sck 12.5MHz --lift-protection";
        let lines = pasted("Next  ", command, COLUMNS);
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
        assert_eq!(
            pasted("Next  ", "norlock id", COLUMNS),
            ["Next  norlock id"]
        );
    }

    #[test]
    fn on_a_narrow_terminal_text_stands_below_its_label() {
        let text = "ID reads FF FF FF, 8 times of 8";
        assert_eq!(
            hanging("  seen     ", text, 19),
            [
                "  seen",
                "    ID reads FF FF",
                "    FF, 8 times of",
                "    8"
            ]
        );
        assert_eq!(hanging("", "one two", 19), ["  one two"]);
        assert_eq!(
            pasted("Next  ", "norlock verify target.bin --passes 3", 19),
            [
                "Next",
                "  norlock verify \\",
                "  target.bin \\",
                "  --passes 3"
            ]
        );
        let long = pasted("Next  ", "norlock id --marking 25Q128JVSQ", 19);
        assert_eq!(long[2..], ["  --marking \\", "  25Q128JVSQ"]);
    }

    #[test]
    fn control_characters_do_not_pass() {
        assert_eq!(wrap("a\x1b[1mb", 20), ["a<1B>[1mb"]);
        assert_eq!(wrap("two\nlines", 20), ["two<0A>lines"]);
    }
}
