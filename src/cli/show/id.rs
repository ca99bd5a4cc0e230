//! `id`

use crate::cli::figures::{a_size, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{IdReport, Kind, Wrap};
use crate::part::{Part, ProgramMethod, Standing};

/// What is on the clip, and whether anything speaks against it.
pub fn id(report: &IdReport, typed: &Typed) -> Screen {
    let answer = match &report.another {
        Some(_) => format!(
            "{} It is not the chip of {}.",
            answer(report).trim_end_matches(" Nothing speaks against it."),
            typed.unit_name().unwrap_or("the unit")
        ),
        None => answer(report),
    };
    let screen = Screen::new(answer);
    let (reads, same) = report.id_reads;
    let mut screen = screen.row(
        "JEDEC ID",
        format!("{}, the same in {same} of {reads} reads", report.jedec_id),
    );
    screen = screen.row("maker", report.maker.clone());
    if let Some(words) = &report.behind_id {
        screen = screen.row("behind it", words.clone());
    }
    if let Some(id) = &report.own_id {
        screen = screen.row(report.own_id_kind.unwrap_or("unique ID"), id.clone());
    }
    if let Some(part) = &report.part {
        screen = facts(screen, part, report);
    }
    screen = screen.row("SFDP", sfdp(report));
    for remark in &report.sfdp_remarks {
        screen = screen.row("remark", remark.clone());
    }
    for time in &report.times {
        screen = screen.row("times", time.clone());
    }
    for disagreement in &report.disagreements {
        screen = screen.row("differs", disagreement.clone());
    }
    if let Some(protection) = &report.protection {
        let ranges = protection.trim_end_matches(" is protected");
        screen = screen.row("protected", ranges);
    }
    if report.woken {
        screen = screen.row("woken", "it was in deep power-down");
    }
    if report.wel_was_set {
        screen = screen.row("WEL", "was set and has been cleared");
    }
    let (link, level, sck) = &report.link;
    let level = level.map_or_else(String::new, |level| format!(", declared {level}"));
    let mut screen = screen.row("link", format!("{link}{level}, {sck} asked"));
    if let Some(tells) = &report.another {
        screen = screen.row("another", tells.clone());
    }
    if let Some(journal) = &report.unfinished {
        let told = format!("{journal} tells of a write that did not end");
        screen = screen.row("journal", told);
    }
    next(screen.chip("untouched."), report, typed)
}

/// A backup, where nothing is known that holds it.
fn next(screen: Screen, report: &IdReport, typed: &Typed) -> Screen {
    if report.another.is_some() {
        return screen.next(Kind::AnotherChip.next());
    }
    if report.unfinished.is_some() {
        return screen
            .next("Give the same write command again, or go back:")
            .next(typed.change("restore"));
    }
    let screen = match &report.size_doubt {
        Some(_) if report.wrap == Some(Wrap::Repeats) => screen.next(
            "Read the marking again. A backup compares the whole halves, and is held if they are the same \
             throughout:",
        ),
        Some(_) => screen.next("Read the marking again. A backup is held until the size is settled:"),
        None => screen,
    };
    screen.next(typed.command("backup"))
}

fn answer(report: &IdReport) -> String {
    if let (Some(part), Some(_), true) = (
        &report.part,
        &report.size_doubt,
        report.disagreements.is_empty(),
    ) {
        let what = match report.standing {
            Standing::Known => format!("{} {}", part.maker, part.name),
            _ => "a part that the table does not know".into(),
        };
        let size = size(u64::from(part.size_bytes));
        return format!(
            "On the clip: {what}. It says {size}, and its upper half repeats the lower. The size is in doubt."
        );
    }
    let speaks = if report.disagreements.is_empty() {
        "Nothing speaks against it."
    } else {
        "The sources disagree; it can be read, not written."
    };
    match (&report.part, report.standing) {
        (Some(part), Standing::Known) => {
            format!(
                "On the clip: {} part, {} {}. {speaks}",
                a_size(u64::from(part.size_bytes)),
                part.maker,
                part.name
            )
        }
        (Some(part), _) => format!(
            "On the clip: {} part that the table does not know; it describes itself.",
            a_size(u64::from(part.size_bytes))
        ),
        (None, _) => {
            "On the clip: a part that neither the table nor the chip itself describes.".into()
        }
    }
}

fn sfdp(report: &IdReport) -> String {
    match &report.sfdp {
        None => "none".into(),
        Some(revision) if report.standing == Standing::Known && report.disagreements.is_empty() => {
            let but = if report.times.is_empty() {
                ""
            } else {
                ", but for times"
            };
            format!("{revision}; agrees with the table where both speak{but}")
        }
        Some(revision) => revision.clone(),
    }
}

/// `16 MiB by ID, by SFDP and by address wrap`, or why the last does not tell.
fn size_row(part: &Part, report: &IdReport) -> String {
    let size = size(u64::from(part.size_bytes));
    let by: Vec<String> = report.size_by.iter().map(|by| format!("by {by}")).collect();
    let told = match by.as_slice() {
        [] => size,
        [one] => format!("{size} {one}"),
        [first @ .., last] => format!("{size} {} and {last}", first.join(", ")),
    };
    match report.wrap.and_then(Wrap::not_settled) {
        Some(why) => format!("{told}; address wrap not settled: {why}"),
        None => told,
    }
}

fn facts(screen: Screen, part: &Part, report: &IdReport) -> Screen {
    let mut sizes: Vec<String> = part
        .erase_types
        .iter()
        .map(|kind| size(u64::from(kind.size_bytes)))
        .collect();
    sizes.dedup();
    if sizes.is_empty() {
        sizes.push("none that is known to work".into());
    }
    let program = match part.program {
        ProgramMethod::Page => format!("page program {}", size(u64::from(part.page_size_bytes))),
        ProgramMethod::Byte => "programmed byte by byte".into(),
        ProgramMethod::AaiWord => "programmed by bytes or words".into(),
    };
    let memory = if part.supply.from_memory {
        ", not read in a document"
    } else {
        ""
    };
    let supply = if part.supply.is_known() {
        format!("{}{memory}", part.supply)
    } else {
        "not known".into()
    };
    let mut screen = screen
        .row("supply", supply)
        .row("size", size_row(part, report))
        .row("erase", format!("{}; {program}", sizes.join(", ")));
    if let Some(addressing) = &report.addressing {
        screen = screen.row("address", addressing.clone());
    }
    if report.candidates.len() > 1 {
        screen = screen.row("may be", report.candidates.join(", "));
    }
    part.notes
        .iter()
        .fold(screen, |screen, note| screen.row("note", note.clone()))
}
