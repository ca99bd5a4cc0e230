//! `tailor`

use crate::cli::figures::{count, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::jedec::Address;
use crate::job::TailorReport;

/// What was put where, and what stays.
pub fn tailor(report: &TailorReport, typed: &Typed) -> Screen {
    let mut screen = Screen::new(format!(
        "{} of {} is made from {}; what differs from it stands below, all else is the unit's own.",
        report.target, report.unit, report.baseline
    ));
    for region in &report.tailored.regions {
        let changed = if region.changed_bytes == 0 {
            "equal already".to_owned()
        } else {
            format!("{} differ", count(region.changed_bytes))
        };
        let piece = match &region.piece {
            Some(_) => size(region.piece_bytes),
            None => "filled".to_owned(),
        };
        let text = format!("{:<14} {piece:<8} {changed}", region.name);
        screen = screen.region(Address(region.range.start), text);
    }
    for unaligned in &report.tailored.unaligned {
        screen = screen.row("border", unaligned.to_string());
    }
    if !report.kept.is_empty() {
        screen = screen.row("kept", report.kept.join(", "));
    }
    screen
        .hash("SHA-256", &report.tailored.sha256)
        .next(typed.command(&format!("worklist {}", report.target)))
}
