//! `tailor`

use crate::cli::figures::{count, size};
use crate::cli::screen::Screen;
use crate::jedec::Address;
use crate::job::TailorReport;

/// What was put where, and what stays.
pub fn tailor(report: &TailorReport) -> Screen {
    let mut screen = Screen::new(format!(
        "{} of {} is made from {}; everything else in it is the unit's own.",
        report.target, report.unit, report.baseline
    ));
    for region in &report.tailored.regions {
        let changed = if region.changed_bytes == 0 {
            "equal already".to_owned()
        } else {
            format!("{} bytes differ", count(region.changed_bytes))
        };
        let piece = match &region.piece {
            Some(_) => format!("piece {}, {changed}", size(region.piece_bytes)),
            None => format!("filled, {changed}"),
        };
        screen = screen.line(format!(
            "  {} -| {:<16} {piece}",
            Address(region.range.start),
            region.name
        ));
    }
    for unaligned in &report.tailored.unaligned {
        screen = screen.row("border", unaligned.to_string());
    }
    if !report.kept.is_empty() {
        screen = screen.row("kept", report.kept.join(", "));
    }
    screen
        .hash("SHA-256", &report.tailored.sha256)
        .next(format!(
            "norlock worklist {} --unit {}",
            report.target, report.unit
        ))
}
