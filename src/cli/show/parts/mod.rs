//! `parts`: the table, a search in it, and what an entry says.

mod check;
mod entry;
mod list;

use serde::Serialize;

use crate::cli::line::Report;
use crate::cli::run::Answer;
use crate::job::{ChipState, Exit, Stop};
use crate::part::{Catalogue, Marking, Part, Refused, Relative, Selection};

pub use check::checked;
pub use list::Fitting;

/// What a marking or a name means before anything is connected; without one, the parts that fit.
pub fn parts(
    catalogue: &Catalogue,
    text: Option<&str>,
    selection: &Selection,
    json: bool,
) -> Result<Answer, Stop> {
    let Some(text) = text else {
        return list::list(catalogue, selection, json);
    };
    if let Some(refused) = catalogue.refused_by_marking(text) {
        return Err(not_driven(refused, text));
    }
    let found = catalogue
        .by_name_or_marking(text)
        .ok_or_else(|| not_known(text, catalogue.marked_beginning(text).len()))?;
    let entries: Vec<Entry<'_>> = found
        .candidates
        .iter()
        .map(|part| Entry::of(catalogue, part))
        .collect();
    let screen = entry::meaning(&found, &entries);
    Ok(Answer::new(
        Exit::True,
        screen,
        Report::PartsMarked(&Found::of(&found, &entries)),
    ))
}

/// A part with what the rest of the table says about it.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Entry<'a> {
    #[serde(flatten)]
    part: &'a Part,
    shares_id_with: Vec<Relative>,
    tells_protected_ranges: bool,
}

impl<'a> Entry<'a> {
    fn of(catalogue: &Catalogue, part: &'a Part) -> Self {
        Self {
            part,
            shares_id_with: catalogue.relatives(part),
            tells_protected_ranges: part.tells_protected_ranges(),
        }
    }
}

/// What a marking or a name means.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Found<'a> {
    marking: &'a str,
    candidates: &'a [Entry<'a>],
    supply_min_mv: u32,
    supply_max_mv: u32,
    low_voltage: bool,
}

impl<'a> Found<'a> {
    fn of(found: &'a Marking, candidates: &'a [Entry<'a>]) -> Self {
        let supply = found.supply();
        Self {
            marking: &found.text,
            candidates,
            supply_min_mv: supply.min.0,
            supply_max_mv: supply.max.0,
            low_voltage: found.may_be_low_voltage(),
        }
    }
}

/// `begun` parts are marked with more than the text.
fn not_known(text: &str, begun: usize) -> Stop {
    if begun > 0 {
        let letters: String = text.chars().filter(char::is_ascii_alphanumeric).collect();
        let next = format!(
            "Type all that is printed. To list what has it: norlock parts --text {letters}"
        );
        let headline = match begun {
            1 => format!("'{text}' is too short for a marking: 1 part begins so."),
            begun => format!("'{text}' is too short for a marking: {begun} parts begin so."),
        };
        return unknown_level(headline, &next);
    }
    let next = "Find the part's datasheet and read its supply range before anything is connected; then \
                give it: --supply 2.7V-3.6V, or add the part: --parts FILE (docs/adding-a-part.md)";
    unknown_level(format!("The table knows no part marked '{text}'."), next)
}

fn unknown_level(headline: String, next: &str) -> Stop {
    no_chip(Exit::Different, headline, next).row(
        "means",
        "which level it bears is not known; a 1.8 V part is destroyed by 3.3 V",
    )
}

fn not_driven(refused: &Refused, text: &str) -> Stop {
    let next = "Leave it to a program for such parts.";
    let headline = format!(
        "'{text}' is {}, which norlock does not drive.",
        refused.name
    );
    no_chip(Exit::Held, headline, next)
        .row("means", refused.why.clone())
        .row("source", refused.source.to_string())
}

/// A stop of a command that meets no chip.
fn no_chip(exit: Exit, headline: String, next: &str) -> Stop {
    let mut stop = Stop::new(exit, headline, next);
    stop.chip = ChipState::NotMet;
    stop
}
