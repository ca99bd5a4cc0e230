//! `contact`

use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{ContactReport, Rung};

/// The verdict, the ladder, and what to do.
pub fn contact(report: &ContactReport, typed: &Typed) -> Screen {
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
    let mut screen = Screen::new(answer(report));
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
    next(screen.chip("untouched."), report, typed)
}

fn answer(report: &ContactReport) -> String {
    let proven = report.proven.map(|sck| sck.to_string()).unwrap_or_default();
    let asked = report.link.as_ref().map(|(_, _, asked)| *asked);
    match asked.filter(|_| report.advised.is_some()) {
        Some(asked) => format!(
            "The clip is seated: every read is the same up to {proven}, but not up to the {asked} asked."
        ),
        None => format!("The clip is seated: every read is the same up to {proven}."),
    }
}

/// Where the SCK asked for is not proven, a step below what is leaves some margin.
fn next(screen: Screen, report: &ContactReport, typed: &Typed) -> Screen {
    let Some(advised) = report.advised else {
        return screen.next(typed.command("id"));
    };
    let sck = advised.to_string().replace(' ', "");
    screen
        .next(format!(
            "Use --sck {sck}, one step below, or shorten the wires."
        ))
        .next(typed.command(&format!("id --sck {sck}")))
}

fn ladder(screen: Screen, rungs: &[Rung]) -> Screen {
    rungs.iter().fold(screen, |screen, rung| {
        screen.row(
            "SCK",
            format!("{}: {} of {} reads right", rung.sck, rung.same, rung.reads),
        )
    })
}
