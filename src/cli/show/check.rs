//! `check`

use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::CheckReport;

/// What hashing the folder again found.
pub fn check(report: &CheckReport, typed: &Typed) -> Screen {
    let answer = match (report.is_clean(), report.intact.len()) {
        (true, 0) => format!("{} has no image yet.", report.unit),
        (true, 1) => format!(
            "All of {}: its one image hashes as it did when it was kept.",
            report.unit
        ),
        (true, images) => format!(
            "All of {}: {images} images hash as they did when they were kept.",
            report.unit
        ),
        (false, _) => format!("Something in {} is not as it was kept.", report.unit),
    };
    let mut screen = Screen::new(answer);
    for file in &report.intact {
        screen = screen.row("intact", file.clone());
    }
    for finding in &report.findings {
        screen = screen.row("finding", finding.clone());
    }
    if let Some(journal) = &report.unfinished {
        screen = screen.row(
            "journal",
            format!("{journal} tells of a write that did not end"),
        );
    }
    match (report.is_clean(), &report.unfinished) {
        (_, Some(_)) => {
            let back = typed.change("restore");
            screen
                .next("Give the same write command again, or go back:")
                .next(back)
        }
        (true, None) => screen,
        (false, None) => {
            screen.next("Compare with the copy kept away from here before anything is written.")
        }
    }
}
