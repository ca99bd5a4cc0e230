//! `shelf`

use crate::cli::screen::Screen;
use crate::cli::shelf::{ShelfReport, Shelved};
use crate::interlock::Interlock;

/// How far each unit came, and which is next.
pub fn shelf_row(report: &ShelfReport, file: &str) -> Screen {
    let units = &report.units;
    let through = units.iter().filter(|unit| unit.due.is_empty()).count();
    let answer = match units.len() {
        1 if through == 1 => "The unit is through all stages.".to_owned(),
        all if through == all => format!("All {all} units are through all stages."),
        all => {
            let are = if through == 1 { "is" } else { "are" };
            format!("{through} of {all} units {are} through all stages.")
        }
    };
    let widest = units.iter().map(|unit| unit.unit.chars().count()).max();
    let width = widest.unwrap_or(0).min(24);
    let screen = units.iter().fold(Screen::new(answer), |screen, unit| {
        let mark = if unit.stopped.is_some() { "-|" } else { " |" };
        screen.item(&format!("  {:<width$} {mark} ", unit.unit), state(unit))
    });
    let stopped = units.iter().find(|unit| unit.stopped.is_some());
    let offline = Interlock::OfflineHash.id();
    let no_hash = stopped.is_some_and(|unit| unit.held.iter().any(|held| held == offline));
    let screen = match no_hash {
        true => screen.next(format!(
            "Say in {file} where the hash is kept, in the stage itself: write target.bin --offline STICK/{{unit}}"
        )),
        false => screen,
    };
    match stopped.or_else(|| units.iter().find(|unit| !unit.due.is_empty())) {
        Some(next) => screen.next(format!(
            "Give the same command again, with {file} and all its options: it goes on with {}.",
            next.unit
        )),
        None => screen.next("norlock logbook --shelf FOLDER makes one page of them all."),
    }
}

fn state(unit: &Shelved) -> String {
    let done = match unit.done.as_slice() {
        [] => String::new(),
        done => format!("{} done now", done.join(", ")),
    };
    let rest = match (&unit.stopped, unit.due.as_slice()) {
        (Some(stopped), _) => {
            let (stage, exit) = (&stopped.stage, stopped.exit.number());
            let held = match unit.held.as_slice() {
                [] => String::new(),
                held => format!(", held by {}", held.join(", ")),
            };
            format!("stopped at {stage}{held}, exit code {exit}")
        }
        (None, []) if done.is_empty() => "nothing was due".to_owned(),
        (None, []) => String::new(),
        (None, due) => format!("waits for {}", due.join(", ")),
    };
    let parts = [done, rest].into_iter().filter(|part| !part.is_empty());
    parts.collect::<Vec<_>>().join("; ")
}
