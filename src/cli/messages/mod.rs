//! Every error and every refusal as a person reads it, in one text: `tests/data/messages.txt`.
//!
//! Read it from end to end when a message is added or changed: does it say what happened, what that means at
//! the bench, and what to do next? `NORLOCK_WRITE_MESSAGES=1 cargo test --lib messages` writes it anew.

mod corpus;
mod errors;
mod files;
mod refusals;
mod sources;

use std::path::PathBuf;

use super::show;
use super::wrap::COLUMNS;
use crate::interlock::Panel;
use crate::job::Stop;

/// Writes the text anew instead of comparing it.
const WRITE: &str = "NORLOCK_WRITE_MESSAGES";

/// The screen of a stop.
fn screen(stop: &Stop) -> String {
    format!("{}\n", show::stop(stop).render(false, COLUMNS))
}

/// The screen of what a panel holds, which has to be something.
fn held(judge: impl FnOnce(&mut Panel)) -> String {
    held_by(Panel::default(), judge)
}

fn held_by(mut panel: Panel, judge: impl FnOnce(&mut Panel)) -> String {
    judge(&mut panel);
    assert!(panel.is_held(), "nothing is held");
    screen(&Stop::held(&panel))
}

fn all() -> String {
    let parts = [
        (
            "Refusals of the interlocks, in their order",
            refusals::told(),
        ),
        ("Errors of the layers below, by kind", errors::told()),
        ("Broken files", files::told()),
        (
            "Other stops, as the sources have them, by command",
            sources::told(),
        ),
    ];
    let parts =
        parts.map(|(title, text)| format!("{title}\n{}\n\n{text}", "=".repeat(title.len())));
    parts.join("\n")
}

#[test]
fn every_message_is_as_it_was_read() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/messages.txt");
    let told = all();
    if std::env::var_os(WRITE).is_some() {
        std::fs::write(&path, told).unwrap();
        return;
    }
    let read = std::fs::read_to_string(&path).unwrap_or_default();
    let mut lines = told.lines().zip(read.lines()).enumerate();
    if let Some((index, (told, read))) = lines.find(|(_, (told, read))| told != read) {
        let line = index + 1;
        panic!(
            "line {line} of {}:\n  was read  {read}\n  is told   {told}\n{WRITE}=1 writes it anew",
            path.display()
        );
    }
    assert!(
        told == read,
        "a message more or less; {WRITE}=1 writes them anew"
    );
}
