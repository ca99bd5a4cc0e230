//! `protect`

use crate::cli::figures::size;
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::image::{Entry, Hatch, Staff, show_size};
use crate::jedec::Address;
use crate::jedec::status::{Protection, StatusLock, VolatileForm};
use crate::job::{ProtectionChange, ProtectionReport};

/// What is protected, how it stands in the registers, and what can be done about it.
pub fn protect(report: &ProtectionReport, typed: &Typed) -> Screen {
    let mut screen = Screen::new(answer(report));
    for line in staff(report) {
        screen = screen.line(line);
    }
    screen = screen.row("part", part(report));
    if let Some(change) = &report.change {
        screen = screen.row("before", change.before.to_string());
        screen = screen.row("lasts", lasts(change));
    } else if let Some(found) = &report.until_power_off {
        let lasts = format!("until the supply is cut, as norlock set it; found: {found}");
        screen = screen.row("lasts", lasts);
    }
    if let Some(found) = &report.unfinished {
        screen = screen.row("unfinished", unfinished(found));
    }
    let registers = report.registers.iter();
    let registers = registers.map(|one| format!("{} {:02X}", one.name, one.value));
    screen = screen
        .row("registers", registers.collect::<Vec<_>>().join(", "))
        .row("locked", locked(report))
        .row("one-time", one_time(report));
    if report.lock.is_none_or(StatusLock::is_by_pin) {
        screen = screen.row("volatile", volatile(report));
    }
    screen = screen.row("table", table(report));
    if report.change.is_none() {
        for (label, settings) in settings(report) {
            screen = screen.row(label, settings);
        }
    }
    if report.locks_read > 0 {
        screen = screen.row("own locks", own_locks(report));
    } else if let Some(beside) = report.beside {
        screen = screen.row("beside", format!("{beside}: not looked at"));
    }
    screen = screen.row("link", report.link.clone());
    end(screen, report, typed)
}

fn answer(report: &ProtectionReport) -> String {
    let protects = match &report.protection {
        Protection::None if !report.all_looked_at => {
            "No block protect bit is set; sector locks were not looked at.".into()
        }
        Protection::None => "No range is protected.".into(),
        Protection::Range { range } if range.len() as u64 == u64::from(report.size_bytes) => {
            "The whole chip is protected.".into()
        }
        Protection::Range { .. } if !report.all_looked_at => {
            format!("{}; sector locks were not looked at.", report.protection)
        }
        Protection::Range { .. } => format!("{}, the rest is not.", report.protection),
        Protection::Blocks { ranges } => format!("{} ranges are protected.", ranges.len()),
        Protection::Unknown { .. } => sentence(&report.protection),
    };
    match &report.change {
        None => protects,
        Some(change) if change.written => format!("Written and read back: {}", lower(&protects)),
        Some(_) => format!("Nothing had to be written: {}", lower(&protects)),
    }
}

/// A sentence's first letter, small; an address begins with a digit.
fn lower(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + letters.as_str()
    })
}

fn sentence(protection: &Protection) -> String {
    let text = protection.to_string();
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_ascii_uppercase());
    let first = first.map(String::from).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

/// The chip from its first address to its last, by what is protected.
fn staff(report: &ProtectionReport) -> Vec<String> {
    let mut staff = Staff::new(show_size);
    // Locks that were not looked at may protect what the bits do not.
    let rest = match report.all_looked_at {
        true => "not protected",
        false => "no bit set",
    };
    let mut at = 0;
    let mut mark = |until: u32, label: &str| {
        if until > at {
            staff.push(Entry {
                address: at,
                label: label.into(),
                amount: u64::from(until - at),
                columns: Vec::new(),
                hatch: Hatch::Empty,
            });
            at = until;
        }
    };
    match report.protection.ranges() {
        Some(ranges) => ranges.iter().for_each(|range| {
            mark(range.start, rest);
            mark(range.end, "protected");
        }),
        None => mark(report.size_bytes, "perhaps protected"),
    }
    mark(report.size_bytes, rest);
    staff.lines()
}

fn part(report: &ProtectionReport) -> String {
    format!("{}, {}", report.part, size(u64::from(report.size_bytes)))
}

fn lasts(change: &ProtectionChange) -> &'static str {
    if change.until_power_off {
        "until the supply is cut; then as it is stored"
    } else {
        "until it is changed again"
    }
}

fn locked(report: &ProtectionReport) -> String {
    match report.lock {
        None if !report.lock_known => "not known".into(),
        None => "no: the registers can be written".into(),
        Some(StatusLock::WhileWpLow) => {
            "while WP# is low; with WP# high they can be written".into()
        }
        Some(StatusLock::UntilPowerCycle) => {
            "until the next power-up, whatever WP# does; if it is still so after that, for ever"
                .into()
        }
        Some(StatusLock::ForEver) => "for ever; no command and no power cycle ends it".into(),
    }
}

/// Bits that can be set once; no command here writes them.
fn one_time(report: &ProtectionReport) -> String {
    let Some(bits) = &report.one_time else {
        return "not known: the status registers were not read in a document".into();
    };
    let named = |wanted: bool| -> Vec<&str> {
        let bits = bits.iter().filter(|bit| bit.set == Some(wanted));
        bits.map(|bit| bit.name).collect()
    };
    let told = |names: Vec<&str>, word: &str| {
        (!names.is_empty()).then(|| format!("{} {word}", names.join(", ")))
    };
    let parts = [
        told(named(true), "set for ever"),
        told(named(false), "not set"),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    match parts.is_empty() {
        true => "none in these registers".into(),
        false => parts.join("; "),
    }
}

/// Locks of single blocks that were read.
fn own_locks(report: &ProtectionReport) -> String {
    let closed = match report.locked.len() {
        0 => "none is closed".to_owned(),
        1 => "those of one range are closed".to_owned(),
        more => format!("those of {more} ranges are closed"),
    };
    format!("{} read; {closed}", report.locks_read)
}

fn volatile(report: &ProtectionReport) -> &'static str {
    match report.volatile_form {
        Some(VolatileForm::Enabled) => "a change can be made to end with the supply",
        Some(VolatileForm::Always) => "every change ends with the supply",
        None if report.one_time.is_none() => "not known",
        None => "none known: a change lasts",
    }
}

fn table(report: &ProtectionReport) -> String {
    match (report.offered.len(), report.one_time.is_some()) {
        (0, false) => "not read for this part: nothing can be set".into(),
        (0, true) => "nothing can be set as it is now".into(),
        (rows, _) => {
            format!("read; {rows} settings, none and all among them; norlock protect lists them")
        }
    }
}

/// What can be asked for, shortly: by its other end where a range begins at 0 or ends with the array.
fn settings(report: &ProtectionReport) -> Vec<(&'static str, String)> {
    let ranges = report.offered.iter().filter_map(Protection::ranges);
    let ranges: Vec<_> = ranges
        .flatten()
        .filter(|range| range.len() as u64 != u64::from(report.size_bytes))
        .collect();
    let list = |ends: Vec<u32>| {
        let ends: Vec<String> = ends
            .into_iter()
            .map(|end| Address(end).to_string())
            .collect();
        ends.join(", ")
    };
    let bottom = ranges.iter().filter(|range| range.start == 0);
    let top = ranges.iter().filter(|range| range.end == report.size_bytes);
    let sides = [
        (
            "bottom",
            "from 0x000000 to ".to_owned(),
            list(bottom.map(|range| range.end).collect()),
        ),
        (
            "top",
            format!("to {} from ", Address(report.size_bytes)),
            list(top.map(|range| range.start).collect()),
        ),
    ];
    let some = sides.into_iter().filter(|(_, _, ends)| !ends.is_empty());
    some.map(|(label, from, ends)| (label, from + &ends))
        .collect()
}

/// Registers as an interrupted write found them.
fn unfinished(found: &str) -> String {
    match found.is_empty() {
        true => {
            "a write is not finished, and its journal is damaged: this may not be as it was found"
                .into()
        }
        false => format!("a write is not finished; this may not be as it was found: {found}"),
    }
}

fn end(screen: Screen, report: &ProtectionReport, typed: &Typed) -> Screen {
    match &report.change {
        Some(change) if change.written => screen
            .chip("its protection changed as asked; its array untouched.")
            .next(typed.command("protect")),
        Some(_) => screen.chip("untouched.").next(typed.command("protect")),
        None if report.unfinished.is_some() => screen
            .chip("untouched.")
            .next("Give the command that began the write again, or go back:")
            .next(typed.change("restore")),
        None if report.offered.is_empty() => screen.chip("untouched.").next(typed.command("id")),
        None => screen
            .chip("untouched.")
            .next("To change it, with none, all or a range of the part's table:")
            .next(typed.command("protect --set RANGE")),
    }
}
