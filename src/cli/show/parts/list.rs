//! The table, or the parts in it that fit.

use serde::Serialize;

use crate::cli::figures::size;
use crate::cli::line::Report;
use crate::cli::run::Answer;
use crate::cli::screen::Screen;
use crate::cli::wrap::columns;
use crate::job::{Exit, Stop};
use crate::part::{Catalogue, JedecId, Part, Selection};

use super::no_chip;

/// Columns for the name in the table.
const NAME_COLUMNS: usize = 12;

/// The parts that fit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Fitting<'a> {
    /// In the order of the table.
    pub parts: Vec<&'a Part>,
}

/// The parts that fit, a line each; as data only if asked for.
///
/// # Errors
/// A stop with exit code 1 where none does, with what each condition alone leaves.
pub fn list(catalogue: &Catalogue, selection: &Selection, json: bool) -> Result<Answer, Stop> {
    let all = catalogue.parts().len();
    let fitting = catalogue.select(selection);
    let answer = match (selection.is_empty(), fitting.len()) {
        (true, _) => format!("{all} parts."),
        (false, 0) => return Err(none(catalogue, selection)),
        (false, count) => format!("{count} of {all} parts: {}.", words(selection)),
    };
    let screen = fitting
        .iter()
        .fold(Screen::new(answer), |screen, part| line(screen, part));
    let screen = if fitting.iter().any(|part| part.supply.from_memory) {
        screen.row("*", "this range was not read in a document")
    } else {
        screen
    };
    let screen = if selection.is_empty() {
        screen
    } else {
        screen.next("norlock parts NAME explains one of them.")
    };
    if !json {
        return Ok(Answer::shown(Exit::True, screen));
    }
    let report = Fitting { parts: fitting };
    Ok(Answer::new(Exit::True, screen, Report::Parts(&report)))
}

fn line(screen: Screen, part: &Part) -> Screen {
    let memory = if part.supply.from_memory { "*" } else { "" };
    let (id, size) = (part.jedec_id.to_string(), size(u64::from(part.size_bytes)));
    let facts = format!("{id:<17} {size:>7}  {}{memory}", part.supply);
    // A long name stands on a line of its own, so that the columns stay narrow.
    if columns(&part.name) > NAME_COLUMNS {
        screen
            .line(format!("  {}", part.name))
            .line(format!("  {:NAME_COLUMNS$} {facts}", ""))
    } else {
        screen.line(format!("  {:NAME_COLUMNS$} {facts}", part.name))
    }
}

fn none(catalogue: &Catalogue, selection: &Selection) -> Stop {
    let headline = format!("No part in the table fits: {}.", words(selection));
    let next = "Ask for less; norlock parts alone shows the whole table.";
    let mut stop = no_chip(Exit::Different, headline, next);
    let conditions = selection.conditions();
    for alone in conditions.iter().filter(|_| conditions.len() > 1) {
        let count = catalogue.select(alone).len();
        stop = stop.row("alone", format!("{}: {count}", words(alone)));
    }
    let by_maker = Selection {
        maker: selection.maker.clone(),
        ..Selection::default()
    };
    if catalogue.select(&by_maker).is_empty() {
        stop = stop.row("makers", catalogue.makers().join(", "));
    }
    stop
}

/// `maker Winbond, 16 MiB, for 3.3 V, ID EF 40, with 'JV'`.
fn words(selection: &Selection) -> String {
    let id = selection.id_start.clone().map(JedecId);
    let conditions = [
        selection
            .maker
            .as_ref()
            .map(|maker| format!("maker '{maker}'")),
        selection.size_bytes.map(|bytes| size(u64::from(bytes))),
        selection.level.map(|level| format!("for {level}")),
        id.map(|id| format!("ID {id}")),
        selection.text.as_ref().map(|text| format!("with '{text}'")),
    ];
    conditions
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(", ")
}
