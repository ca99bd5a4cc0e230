//! `worklist`

use crate::cli::figures::about_seconds;
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::WorklistReport;

/// The answer and the staff with its costs, which the worklist itself draws.
pub fn worklist(report: &WorklistReport, target: &str, typed: &Typed) -> Screen {
    let mut lines = report.lines.iter();
    let mut answer = Vec::new();
    for line in lines.by_ref().take_while(|line| !line.is_empty()) {
        answer.push(line.as_str());
    }
    let screen = lines.fold(Screen::new(answer.join(" ")), |screen, line| {
        screen.line(line.clone())
    });
    let (floor, proof) = (report.estimate.floor, report.estimate.proof_floor);
    let ratio = report.estimate.total().as_secs_f64() / (floor + proof).as_secs_f64();
    let screen = match &report.unfinished {
        Some(journal) => screen
            .row(
                "unfinished",
                format!("{journal} tells of a write that did not end; it goes on from there"),
            )
            .chip("changed in part; all above counts from the baseline."),
        None => screen
            .row(
                "counts from",
                format!("{}, the newest backup; no chip was met", report.baseline),
            )
            .chip("untouched."),
    };
    screen
        .line(format!(
            "  floor      {} for erases, programs, one read",
            about_seconds(floor)
        ))
        .line(format!(
            "             {} for what makes it safe",
            about_seconds(proof)
        ))
        .line(format!(
            "  modelled   {ratio:.2} times the floor, both together"
        ))
        .line(format!("  kept as    {}, for reading only", report.file))
        .next(typed.change(&format!("write {target}")))
}
