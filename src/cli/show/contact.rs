//! `contact`

use crate::cli::screen::Screen;
use crate::job::{ContactReport, Rung};

/// The verdict, the ladder, and what to do.
pub fn contact(report: &ContactReport, unit: &str) -> Screen {
    if !report.good {
        let sign = report
            .sign
            .clone()
            .unwrap_or_else(|| "the reads do not agree".into());
        return ladder(
            Screen::new("The contact is not good enough."),
            &report.ladder,
        )
        .row("seen", sign)
        .chip("untouched.")
        .next("Take the supply away, reseat the clip, then run norlock contact again.");
    }
    let proven = report.proven.map(|sck| sck.to_string()).unwrap_or_default();
    let mut screen = Screen::new(format!(
        "The clip is seated: every read is the same up to {proven}."
    ));
    if let Some(id) = &report.jedec_id {
        let part = report
            .part
            .as_deref()
            .unwrap_or("a part the table does not know");
        screen = screen.row("JEDEC ID", format!("{id}, {part}"));
    }
    screen = screen.row(
        "SFDP",
        if report.sfdp {
            "answers, twice the same"
        } else {
            "none"
        },
    );
    screen = ladder(screen, &report.ladder);
    if let Some((link, level, sck)) = &report.link {
        let level = level.map_or_else(String::new, |level| format!(", declared {level}"));
        screen = screen.row("link", format!("{link}{level}, {sck} asked"));
    }
    if report.look.as_ref().is_some_and(|look| look.woken) {
        screen = screen.row("woken", "the chip was in deep power-down");
    }
    screen
        .chip("untouched.")
        .next(format!("norlock id, or norlock backup --unit {unit}"))
}

fn ladder(screen: Screen, rungs: &[Rung]) -> Screen {
    rungs.iter().fold(screen, |screen, rung| {
        screen.row(
            "SCK",
            format!("{}: {} of {} reads right", rung.sck, rung.same, rung.reads),
        )
    })
}
