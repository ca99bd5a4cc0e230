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
        true => format!("All {all} units: done, as said above."),
        false => format!("{well} of {all} units: done. The others are not, as said above."),
    });
    let widest = units.iter().map(|unit| unit.unit.chars().count()).max();
    let width = widest.unwrap_or(0).min(24);
    units.iter().fold(screen, |screen, unit| {
        let mark = if unit.exit == Exit::True { " |" } else { "-|" };
        let words = format!("{}, exit code {}", unit.exit.meaning(), unit.exit.number());
        screen.item(&format!("  {:<width$} {mark} ", unit.unit), words)
    })
}
