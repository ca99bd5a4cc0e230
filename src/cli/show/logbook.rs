//! `logbook`

use std::path::Path;

use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{Logbook, Shelf};

/// Where the page is, and what it tells at its top.
pub fn logbook(logbook: &Logbook, page: &Path, typed: &Typed) -> Screen {
    let operations = match logbook.operations.len() {
        1 => "1 operation".to_owned(),
        all => format!("{all} operations"),
    };
    let mut screen = Screen::new(format!("The logbook of {} has {operations}.", logbook.unit))
        .row("page", page.display().to_string());
    if let Some(last) = logbook.operations.last() {
        screen = screen.row("last", format!("{}: {}", last.command, last.outcome));
    }
    for finding in &logbook.findings {
        screen = screen.row("finding", finding.clone());
    }
    match &logbook.unfinished {
        Some(unfinished) => screen
            .row(
                "journal",
                format!(
                    "{} tells of a {} that did not end",
                    unfinished.journal,
                    unfinished.command.unwrap_or("write or restore")
                ),
            )
            .next("Give the same command again, or go back:")
            .next(typed.change("restore")),
        None => screen,
    }
}

/// Where the page is, and a line for each unit.
pub fn shelf(shelf: &Shelf, page: &Path) -> Screen {
    let widest = shelf
        .units
        .iter()
        .map(|unit| unit.folder.chars().count())
        .max();
    let width = widest.unwrap_or(0).min(24);
    let screen = shelf
        .units
        .iter()
        .fold(Screen::new(shelf.summary()), |screen, unit| {
            let mark = if unit.unfinished || unit.damage.is_some() {
                "-|"
            } else {
                " |"
            };
            screen.item(&format!("  {:<width$} {mark} ", unit.folder), unit.state())
        });
    screen.row("page", page.display().to_string())
}
