//! `sfdp`

use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::SfdpReport;

/// Every field with its place, bits, value and raw number.
pub fn sfdp(report: &SfdpReport, typed: &Typed) -> Screen {
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
    let mut table = "";
    for field in &report.fields {
        if field.table != table {
            let apart = if table.is_empty() {
                screen
            } else {
                screen.line("")
            };
            table = &field.table;
            screen = apart
                .line(format!("{table}, by DWORD:"))
                .line("  no.  bits   as read  means");
        }
        let mark = format!(
            "  {:>3}  {:<5}  {:>7X}  ",
            field.dword, field.bits, field.raw
        );
        screen = screen.item(&mark, format!("{}: {}", field.name, field.value));
    }
    for remark in &report.remarks {
        screen = screen.row("remark", remark.clone());
    }
    if report.from_chip {
        screen.chip("untouched.").next(typed.command("id"))
    } else {
        screen
    }
}
