//! `write` and `restore`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::WriteReport;

/// What the chip now holds, and how that is known.
pub fn written(report: &WriteReport, typed: &Typed) -> Screen {
    let all = size(u64::from(report.size_bytes));
    if report.changed == 0 && report.journal.is_none() {
        return Screen::new(format!(
            "Two independent reads of {} agree and equal {}: nothing had to change.",
            report.unit, report.image
        ))
        .row("time", seconds(report.time))
        .chip("untouched.")
        .next(format!(
            "{} may go back on its board, unclipped first.",
            report.unit
        ));
    }
    let blocks = report.changed + report.left;
    let screen = Screen::new(format!(
        "All {all} of {} were read once more, at another SCK, and equal {}. {} of {} blocks of {} changed.",
        report.unit,
        report.image,
        count(report.changed.into()),
        count(blocks.into()),
        size(u64::from(report.size_bytes / blocks.max(1)))
    ));
    evidence(times(screen, report), report)
        .chip("changed as asked, complete.")
        .next("Lift and reseat the clip (docs/wiring.md has the order), then")
        .next(typed.command(&format!("verify {} --passes 3", report.image)))
        .next("and power the board only after that.")
}

fn times(screen: Screen, report: &WriteReport) -> Screen {
    let floor = report.floor + report.proof_floor;
    let screen = screen.row(
        "time",
        format!(
            "{}; modelled about {}, {:.2} times the floor of {}",
            seconds(report.time),
            seconds(report.modelled),
            report.modelled.as_secs_f64() / floor.as_secs_f64().max(f64::MIN_POSITIVE),
            seconds(floor)
        ),
    );
    screen.row(
        "floor",
        format!(
            "{} for erases, programs and one whole read; {} for reads before, journal and reading back",
            seconds(report.floor),
            seconds(report.proof_floor)
        ),
    )
}

fn evidence(screen: Screen, report: &WriteReport) -> Screen {
    let mut screen = screen.row("last read", format!("{}, downwards", report.last_read));
    if let Some(lanes) = &report.lanes {
        screen = screen.row("lanes", lanes);
    }
    if !report.unit_data.is_empty() {
        let whose = if report.replaced.is_some() {
            "as the backup has it"
        } else {
            "as the newest backup has it"
        };
        screen = screen.row(
            "unit data",
            format!("{}: {whose}", report.unit_data.join(" and ")),
        );
    }
    if let Some(replaced) = &report.replaced {
        screen = screen.row(
            "replaced",
            format!("what the chip held is kept as {}/{replaced}", report.unit),
        );
    }
    if report.lifted {
        screen = screen.row("protected", "lifted for this, put back and read back");
    }
    if report.resumed {
        screen = screen.row("resumed", "finished what an interrupted run had begun");
    }
    if let Some(journal) = &report.journal {
        screen = screen.row("journal", format!("{journal}, closed"));
    }
    screen
}
