//! `sfdp`

use crate::cli::commands::KeptFile;
use crate::cli::figures::size;
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::SfdpReport;

/// Every field with its place, bits, value and raw number.
pub fn sfdp(report: &SfdpReport, kept: Option<&KeptFile>, typed: &Typed) -> Screen {
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
    screen = erases(screen, report);
    if let Some(KeptFile { file, size_bytes }) = kept {
        screen = screen.row("kept as", format!("{file}, {size_bytes} bytes"));
    }
    if report.from_chip {
        screen.chip("untouched.").next(typed.command("id"))
    } else {
        screen
    }
}

/// The sector map in force, and where each erase type works.
fn erases(mut screen: Screen, report: &SfdpReport) -> Screen {
    if let Some(doubt) = &report.erase_doubt {
        return screen.row("erase", format!("nothing is erased by it. {doubt}"));
    }
    if let Some(layout) = &report.layout {
        let ids: Vec<String> = layout.maps.iter().map(|id| format!("{id:02X}h")).collect();
        let words = match &layout.doubt {
            None => format!("ID {} is in force", ids.join(", ")),
            Some(doubt) if ids.is_empty() => doubt.clone(),
            Some(doubt) => format!("one of ID {}. {doubt}", ids.join(", ")),
        };
        screen = screen.row("sector map", words);
    }
    for kind in &report.erases {
        let ranges = kind.ranges.iter();
        let ranges: Vec<String> = ranges
            .map(|range| format!("0x{:06X} to 0x{:06X}", range.start, range.end))
            .collect();
        let places = match (ranges.is_empty(), &report.layout) {
            (true, _) => "nowhere".to_owned(),
            (false, None) => "everywhere".to_owned(),
            (false, Some(_)) => ranges.join(", "),
        };
        let (size, code) = (size(kind.size_bytes.into()), kind.opcode);
        screen = screen.row("erase", format!("{size} by {code:02X}h: {places}"));
    }
    screen
}
