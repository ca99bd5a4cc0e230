//! `sfdp`

use crate::cli::screen::Screen;
use crate::job::SfdpReport;

/// Every field with its place, bits, value and raw number.
pub fn sfdp(report: &SfdpReport) -> Screen {
    let whole = if report.remarks.is_empty() {
        "Nothing in it contradicts itself."
    } else {
        "Some of it is odd."
    };
    let mut screen = Screen::new(format!(
        "SFDP {}, {} fields. {whole}",
        report.revision,
        report.fields.len()
    ));
    for field in &report.fields {
        let place = format!("{} DW{} {}", field.table, field.dword, field.bits);
        screen = screen.line(format!(
            "{place:<22} {}: {} ({})",
            field.name, field.value, field.raw
        ));
    }
    for remark in &report.remarks {
        screen = screen.row("remark", remark.clone());
    }
    if report.from_chip {
        screen.chip("untouched.").next("norlock id")
    } else {
        screen
    }
}
