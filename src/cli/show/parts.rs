//! `parts`

use serde::Serialize;

use crate::cli::figures::size;
use crate::cli::run::Answer;
use crate::cli::screen::Screen;
use crate::cli::wrap::columns;
use crate::job::{Exit, Stop};
use crate::part::{Catalogue, Marking, Part, Refused};

/// Columns for the name in the table.
const NAME_COLUMNS: usize = 12;

/// What a marking means before anything is connected; without one, the whole table.
pub fn parts(catalogue: &Catalogue, marking: Option<&str>) -> Result<Answer, Stop> {
    let Some(text) = marking else {
        return Ok(Answer::new(
            Exit::True,
            table(catalogue),
            &catalogue.parts(),
        ));
    };
    if let Some(refused) = catalogue.refused_by_marking(text) {
        return Err(not_driven(refused, text));
    }
    match catalogue.by_marking(text) {
        Some(found) => Ok(Answer::new(Exit::True, meaning(&found), &Found::of(&found))),
        None => {
            let next = "Find the part's datasheet and read its supply range before anything is connected; then \
                        give it: --supply 2.7V-3.6V, or add the part: --parts FILE";
            let mut stop = Stop::new(
                Exit::Different,
                format!("The table knows no part marked '{text}'."),
                next,
            )
            .row(
                "means",
                "which level it stands is not known; a 1.8 V part is destroyed by 3.3 V",
            );
            stop.chip = crate::job::ChipState::NotMet;
            Err(stop)
        }
    }
}

fn not_driven(refused: &Refused, text: &str) -> Stop {
    let next = "Leave it to a program for such parts.";
    let headline = format!(
        "'{text}' is {}, which norlock does not drive.",
        refused.name
    );
    let source = &refused.source;
    let mut stop = Stop::new(Exit::Held, headline, next)
        .row("means", refused.why.clone())
        .row(
            "source",
            format!("{}, {}, {}", source.title, source.revision, source.place),
        );
    stop.chip = crate::job::ChipState::NotMet;
    stop
}

#[derive(Serialize)]
struct Found<'a> {
    marking: &'a str,
    candidates: &'a [Part],
    supply_min_mv: u32,
    supply_max_mv: u32,
    low_voltage: bool,
}

impl<'a> Found<'a> {
    fn of(found: &'a Marking) -> Self {
        let supply = found.supply();
        Self {
            marking: &found.text,
            candidates: &found.candidates,
            supply_min_mv: supply.min.0,
            supply_max_mv: supply.max.0,
            low_voltage: found.may_be_low_voltage(),
        }
    }
}

fn meaning(found: &Marking) -> Screen {
    let supply = found.supply();
    let names = found.names().join(" or ");
    let answer = if supply.is_empty() {
        format!(
            "'{}' may mean parts of different levels: {names}.",
            found.text
        )
    } else {
        format!("'{}' is {names}: {supply}.", found.text)
    };
    let mut screen = Screen::new(answer);
    for part in &found.candidates {
        screen = screen
            .row(
                "part",
                format!(
                    "{} {}, {}",
                    part.maker,
                    part.name,
                    size(u64::from(part.size_bytes))
                ),
            )
            .row("JEDEC ID", part.jedec_id.to_string())
            .row("supply", part.supply.to_string())
            .row(
                "source",
                format!(
                    "{}, {}, {}",
                    part.source.title, part.source.revision, part.source.place
                ),
            );
        if !part.memory.is_empty() {
            screen = screen.row(
                "memory",
                format!("not read in a document: {}", part.memory.join(", ")),
            );
        }
    }
    if found.may_be_low_voltage() {
        screen.next("Do not connect it to 3.3 V: it takes a supply and a level translator of its own (docs/wiring.md).")
    } else if supply.from_memory {
        screen.next("The range is from memory: read the datasheet before connecting, and give it with --supply.")
    } else {
        screen.next("Measure the supply, take it away, seat the clip (docs/wiring.md), then: norlock contact")
    }
}

fn table(catalogue: &Catalogue) -> Screen {
    let screen = Screen::new(format!("{} parts.", catalogue.parts().len()));
    catalogue
        .parts()
        .iter()
        .fold(screen, |screen, part| {
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
        })
        .row("*", "the range is from memory, not from a datasheet")
}
