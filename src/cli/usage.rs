//! A line that is not understood, and a help that was asked for.

use std::ffi::OsString;

use super::args::Command;
use super::line::{End, FORM, Help, Line, Outcome, Report};
use super::look::{complain, say};
use crate::job::{ChipState, Exit, Stop, clean};

/// The line with `help`, which is no command, as what is meant by it: options before a command take no value.
pub fn meant(mut words: Vec<OsString>) -> Vec<OsString> {
    let is_option = |word: &&OsString| word.to_string_lossy().starts_with('-');
    let at = 1 + words.iter().skip(1).take_while(is_option).count();
    if words.get(at).is_some_and(|word| word == "help") {
        words.remove(at);
        // Behind a command's name it is that command's.
        let behind = words.len().min(at + 1);
        words.insert(behind, "--help".into());
    }
    words
}

/// Prints clap's answer: help and version are answers, all else is a usage fault.
pub fn refused(error: &clap::Error, words: &[OsString]) -> Exit {
    // What was typed is quoted in it, and is shown, not obeyed.
    let text = error.render().to_string();
    let lines: Vec<_> = text.trim_end().lines().map(clean).collect();
    let text = lines.join("\n");
    let exit = match error.use_stderr() {
        true => Exit::Usage,
        false => Exit::True,
    };
    match (wants_json(words), exit) {
        (true, Exit::True) => told(text),
        (true, _) => stopped(&stop(&text, command(words)), command(words)),
        (false, Exit::True) => say(&text),
        (false, _) => complain(&text),
    }
    exit
}

/// Whether the line asks for JSON, as far as a line can be told that is not understood.
fn wants_json(words: &[OsString]) -> bool {
    let mut options = words.iter().take_while(|word| *word != "--");
    options.any(|word| word == "--json")
}

/// The command that the line names: options before it take no value.
fn command(words: &[OsString]) -> Option<&'static str> {
    let mut words = words.iter().skip(1).filter_map(|word| word.to_str());
    let first = words.find(|word| !word.starts_with('-'))?;
    Command::NAMES.into_iter().find(|name| *name == first)
}

fn told(text: String) {
    let data = serde_json::to_value(Report::Help(&Help { text })).unwrap_or_default();
    ended(Exit::True, Outcome::Told(&data));
}

fn stopped(stop: &Stop, command: Option<&str>) {
    ended(stop.exit, Outcome::Stopped { command, stop });
}

fn ended(exit: Exit, outcome: Outcome<'_>) {
    let (form, of) = (FORM, None);
    let end = End {
        form,
        of,
        exit,
        outcome,
    };
    Line::Ended(end).say();
}

/// The same as other stops are told: clap's first paragraph is what happened.
fn stop(text: &str, command: Option<&str>) -> Stop {
    let mut lines = text.lines().filter(|line| !line.trim().is_empty());
    let first = lines.next().unwrap_or_default();
    let headline = first.trim_start_matches("error: ");
    let next = ["norlock", command.unwrap_or_default(), "--help"];
    let next: Vec<_> = next.into_iter().filter(|word| !word.is_empty()).collect();
    let mut stop = Stop::new(Exit::Usage, headline, next.join(" "));
    stop.chip = ChipState::NotMet;
    lines
        .filter(|line| !line.starts_with("For more information"))
        .fold(stop, |stop, line| match line.trim().split_once(": ") {
            Some((label @ ("Usage" | "tip"), text)) => stop.row(&label.to_lowercase(), text),
            _ => stop.row("", line.trim()),
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(line: &str) -> Vec<OsString> {
        line.split(' ').map(Into::into).collect()
    }

    #[test]
    fn json_counts_wherever_it_stands_as_an_option() {
        for (line, wanted) in [
            ("norlock --json", true),
            ("norlock id --unheard-of --json", true),
            ("norlock parts -- --json", false),
            ("norlock --jsonx id", false),
        ] {
            assert_eq!(wants_json(&words(line)), wanted, "{line}");
        }
    }

    #[test]
    fn the_command_is_told_where_the_line_names_one() {
        for (line, wanted) in [
            ("norlock --json id --zzz", Some("id")),
            ("norlock levitate id", None),
            ("norlock --json", None),
        ] {
            assert_eq!(command(&words(line)), wanted, "{line}");
        }
    }

    #[test]
    fn what_is_wrong_comes_first() {
        let text = "error: unexpected argument '--zzz' found\n\n  tip: another\n\nUsage: norlock id\n\n\
                    For more information, try '--help'.";
        let stop = stop(text, Some("id"));
        assert_eq!(stop.headline, "unexpected argument '--zzz' found");
        let rows = [("tip", "another"), ("usage", "norlock id")];
        assert_eq!(stop.evidence, rows.map(|(a, b)| (a.into(), b.into())));
        assert_eq!(stop.next, "norlock id --help");
    }
}
