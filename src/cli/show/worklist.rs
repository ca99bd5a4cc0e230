//! `worklist`

use crate::cli::figures::about_seconds;
use crate::cli::screen::Screen;
use crate::job::WorklistReport;

/// The answer and the staff with its costs, which the worklist itself draws.
pub fn worklist(report: &WorklistReport, target: &str) -> Screen {
    let mut lines = report.lines.iter();
    let mut answer = Vec::new();
    for line in lines.by_ref().take_while(|line| !line.is_empty()) {
        answer.push(line.as_str());
    }
    let screen = lines.fold(Screen::new(answer.join(" ")), |screen, line| {
        screen.line(line.clone())
    });
    let floor = about_seconds(report.estimate.floor);
    screen
        .line(format!(
            "  floor      the chip's own times and one read  {floor}"
        ))
        .line(format!("  kept as    {}, for reading only", report.file))
        .chip("untouched.")
        .next(format!(
            "norlock write {target} --unit {} --spidev PATH",
            report.unit
        ))
}
