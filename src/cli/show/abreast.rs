//! How several units ended that were worked on at once.

use crate::cli::abreast::AbreastReport;
use crate::cli::screen::Screen;
use crate::job::Exit;

/// A line for each unit, behind the answers of all.
pub fn abreast(report: &AbreastReport) -> Screen {
    let units = &report.units;
    let well = units.iter().filter(|unit| unit.exit == Exit::True).count();
    let all = units.len();
    let screen = Screen::new(match well == all {
        true => format!("All {all} units: done."),
        false => format!("{well} of {all} units: done."),
    });
    let widest = units.iter().map(|unit| unit.unit.chars().count()).max();
    let width = widest.unwrap_or(0).min(24);
    units.iter().fold(screen, |screen, unit| {
        let mark = if unit.exit == Exit::True { " |" } else { "-|" };
        let words = match unit.exit {
            Exit::True => "done".to_owned(),
            other => format!("{}, exit code {}", short(other), other.number()),
        };
        screen.item(&format!("  {:<width$} {mark} ", unit.unit), words)
    })
}

/// What a code means here; each unit's own answer says more.
fn short(exit: Exit) -> &'static str {
    match exit {
        Exit::True => "done",
        Exit::Different => "compared and different",
        Exit::Usage => "not understood",
        Exit::Held => "held by an interlock",
        Exit::ChipFault => "link or chip fault",
        Exit::FileFault => "file fault",
        Exit::Unfinished => "unfinished journal",
        Exit::Stopped => "stopped",
    }
}
