//! What entries of the table say: every fact, once where several parts have it in common.

use serde::Serialize;

use crate::cli::figures::{size, span};
use crate::cli::screen::Screen;
use crate::jedec::opcode::READ_JEDEC_ID;
use crate::part::{
    BusyPoll, EraseType, FourByte, Mark, Marking, Part, ProgramMethod, Relative, Timing,
};

use super::Entry;

/// A label and its lines.
type Fact = (&'static str, Vec<String>);

/// What a marking or a name means, with every fact of the parts that it can stand for.
pub fn meaning(found: &Marking, entries: &[Entry<'_>]) -> Screen {
    let parts = entries.iter().map(|entry| {
        let bytes = size(u64::from(entry.part.size_bytes));
        format!("{} {}, {bytes}", entry.part.maker, entry.part.name)
    });
    let screen = rows(Screen::new(answer(found)), "part", parts);
    let all: Vec<(&str, Vec<Fact>)> = entries
        .iter()
        .map(|entry| (entry.part.name.as_str(), facts(entry)))
        .collect();
    let mut screen = in_common(screen, &all);
    if entries.iter().any(|entry| !entry.part.memory.is_empty()) {
        let means = "what is named under unread was not read in a document: it can hold a write, and \
                     never allow one";
        screen = screen.row("means", means);
    }
    next(screen, found)
}

fn answer(found: &Marking) -> String {
    let supply = found.supply();
    let names = found.names().join(" or ");
    if supply.is_empty() {
        format!(
            "'{}' may mean parts of different levels: {names}.",
            found.text
        )
    } else {
        format!("'{}' is {names}: {supply}.", found.text)
    }
}

fn next(screen: Screen, found: &Marking) -> Screen {
    if found.may_be_low_voltage() && found.supply().is_empty() {
        screen.next("Do not connect it yet: give all that is printed on the chip; if that is not readable, see its datasheet.")
    } else if found.may_be_low_voltage() {
        screen.next("Do not connect it to 3.3 V: it takes a supply and a level translator of its own (docs/wiring.md).")
    } else if found.supply().from_memory {
        screen.next("This range was not read in a document: read the datasheet before connecting, and give it with --supply.")
    } else {
        screen.next("Measure the supply, take it away, seat the clip (docs/wiring.md), then: norlock contact")
    }
}

/// A fact that all parts have alike stands once; else each part's own stands behind its name.
fn in_common(mut screen: Screen, all: &[(&str, Vec<Fact>)]) -> Screen {
    let Some((_, first)) = all.first() else {
        return screen;
    };
    for (at, (label, lines)) in first.iter().enumerate() {
        let of = |facts: &[Fact]| facts.get(at).map(|(_, lines)| lines.clone());
        let same = all
            .iter()
            .all(|(_, facts)| of(facts).as_ref() == Some(lines));
        let shown: Vec<String> = if same {
            lines.clone()
        } else {
            all.iter()
                .map(|(name, facts)| (name, of(facts).unwrap_or_default()))
                .filter(|(_, lines)| !lines.is_empty())
                .map(|(name, lines)| format!("{name}: {}", lines.join("; ")))
                .collect()
        };
        screen = rows(screen, label, shown);
    }
    screen
}

/// Rows under one label.
fn rows(screen: Screen, label: &str, texts: impl IntoIterator<Item = String>) -> Screen {
    let labels = std::iter::once(label).chain(std::iter::repeat(""));
    labels
        .zip(texts)
        .fold(screen, |screen, (label, text)| screen.row(label, text))
}

/// Every fact of a part. All parts have the same labels in the same order.
fn facts(entry: &Entry<'_>) -> Vec<Fact> {
    let part = entry.part;
    vec![
        (
            "marking",
            vec![format!("begins with {}", part.markings.join(" or "))],
        ),
        ("JEDEC ID", vec![part.jedec_id.to_string()]),
        ("shares ID", shares(&entry.shares_id_with)),
        ("supply", vec![supply(part)]),
        ("erase", erases(part)),
        ("program", vec![program(part)]),
        ("SR write", vec![times(part.status_write)]),
        ("SCK", vec![clocks(part)]),
        ("address", addressing(part)),
        ("status", vec![status(part)]),
        ("busy", vec![busy(part).to_owned()]),
        ("unique ID", vec![unique_id(part)]),
        ("SFDP", vec![sfdp(part).to_owned()]),
        ("power-up", vec![power_up(part).to_owned()]),
        ("note", part.notes.clone()),
        ("source", vec![source(part)]),
        ("unread", vec![fields(part)]),
    ]
}

/// Parts of the same ID, those that are told apart alike together.
pub fn shares(relatives: &[Relative]) -> Vec<String> {
    let mut groups: Vec<(&[Mark], Vec<&str>)> = Vec::new();
    for relative in relatives {
        let marks = relative.told_apart_by.as_slice();
        match groups.iter_mut().find(|(known, _)| *known == marks) {
            Some((_, names)) => names.push(&relative.name),
            None => groups.push((marks, vec![&relative.name])),
        }
    }
    groups
        .into_iter()
        .map(|(marks, names)| {
            let words: Vec<&str> = marks.iter().map(|mark| mark_words(*mark)).collect();
            let how = match words.as_slice() {
                [] => "nothing tells them apart, so the safe value of each fact is used".to_owned(),
                words => format!("told apart by {}", words.join(" or by ")),
            };
            format!("with {}: {how}", names.join(" and "))
        })
        .collect()
}

const fn mark_words(mark: Mark) -> &'static str {
    match mark {
        Mark::IdBytes => "more ID bytes",
        Mark::Marking => "the marking",
        Mark::Sfdp => "SFDP",
    }
}

fn supply(part: &Part) -> String {
    let memory = if part.supply.from_memory {
        ", not read in a document"
    } else {
        ""
    };
    format!("{}{memory}", part.supply)
}

fn erases(part: &Part) -> Vec<String> {
    let mut lines: Vec<String> = part.erase_types.iter().map(erase).collect();
    if lines.is_empty() {
        lines.push("no way is known".to_owned());
    }
    if let Some(chip) = &part.chip_erase {
        let opcode = chip.opcode;
        lines.push(format!("whole chip by {opcode:02X}h: {}", times(chip.time)));
    }
    lines
}

fn erase(kind: &EraseType) -> String {
    let four = kind.opcode_4byte;
    let four = four.map_or_else(String::new, |code| format!(", {code:02X}h with 4 bytes"));
    let place = kind.only_in.as_ref().map_or_else(String::new, |place| {
        format!(", only in 0x{:06X} to 0x{:06X}", place.start, place.end)
    });
    let bytes = size(u64::from(kind.size_bytes));
    let opcode = kind.opcode;
    format!(
        "{bytes} by {opcode:02X}h{four}: {}{place}",
        times(kind.time)
    )
}

fn times(time: Timing) -> String {
    format!("{}, at most {}", span(time.typical), span(time.max))
}

fn program(part: &Part) -> String {
    let how = match part.program {
        ProgramMethod::Page => {
            format!("a page of {} by 02h", size(u64::from(part.page_size_bytes)))
        }
        ProgramMethod::Byte => "one byte by 02h".to_owned(),
        ProgramMethod::AaiWord => "words by ADh, bytes by 02h".to_owned(),
    };
    let quad: Vec<String> = part
        .lane_programs
        .iter()
        .map(|code| format!("{code:02X}h"))
        .collect();
    let quad = match quad.is_empty() {
        true => String::new(),
        false => format!("; on four lanes by {}", quad.join(", ")),
    };
    format!("{how}: {}{quad}", times(part.page_program))
}

fn clocks(part: &Part) -> String {
    let clocks = part.sck_max.iter();
    let clocks: Vec<String> = clocks
        .map(|(opcode, clock)| format!("{opcode:02X}h up to {clock}"))
        .collect();
    clocks.join(", ")
}

fn addressing(part: &Part) -> Vec<String> {
    let three = part.addressing.three_byte.then(|| "3 bytes".to_owned());
    let ways = part.addressing.four_byte.iter().map(four_byte);
    three.into_iter().chain(ways).collect()
}

fn four_byte(way: &FourByte) -> String {
    match way {
        FourByte::Dedicated { opcodes } => {
            let codes: Vec<String> = opcodes.iter().map(|code| format!("{code:02X}h")).collect();
            format!("4 bytes by opcodes of their own: {}", codes.join(", "))
        }
        FourByte::Mode {
            enter,
            exit,
            write_enable,
        } => {
            let first = if *write_enable {
                ", each after 06h"
            } else {
                ""
            };
            format!("4 bytes in a mode: {enter:02X}h enters, {exit:02X}h leaves{first}")
        }
        FourByte::ExtendedRegister => "4th byte in a register: C5h writes, C8h reads".to_owned(),
        FourByte::BankRegister { extadd } => {
            let bit = if *extadd {
                "; its bit 7 asks for 4 bytes"
            } else {
                ""
            };
            format!("4th byte in the bank register: 17h writes, 16h reads{bit}")
        }
    }
}

fn status(part: &Part) -> String {
    let layout = name_of(&part.status);
    let protection = if part.tells_protected_ranges() {
        "its protection table was read, ranges are told"
    } else {
        "its protection table was not read, any protect bit counts as the whole chip"
    };
    format!("as '{layout}'; {protection}")
}

/// How a value is written in a parts file.
fn name_of(value: &impl Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    value.as_str().unwrap_or_default().to_owned()
}

const fn busy(part: &Part) -> &'static str {
    match part.busy {
        BusyPoll::Status => "bit 0 of 05h (WIP)",
        BusyPoll::FlagStatus => "bit 0 of 05h (WIP), then bit 7 of 70h",
    }
}

fn unique_id(part: &Part) -> String {
    match &part.unique_id {
        None => "none known".to_owned(),
        Some(how) => {
            let (length, opcode, dummies) = (how.length_bytes, how.opcode, how.dummy_bytes);
            match (how.opcode, how.address) {
                (READ_JEDEC_ID, _) => {
                    format!(
                        "{length} bytes by {opcode:02X}h, behind the first {dummies} of the answer"
                    )
                }
                (_, Some(address)) => {
                    format!("{length} bytes by {opcode:02X}h at 0x{address:06X}")
                }
                _ => format!("{length} bytes by {opcode:02X}h behind {dummies} dummy bytes"),
            }
        }
    }
}

const fn sfdp(part: &Part) -> &'static str {
    match part.has_sfdp {
        Some(true) => "yes",
        Some(false) => "none",
        None => "not known whether it has any",
    }
}

const fn power_up(part: &Part) -> &'static str {
    if part.protected_at_power_up {
        "all blocks are protected"
    } else {
        "as the status registers were left"
    }
}

fn source(part: &Part) -> String {
    part.source.to_string()
}

/// The facts that were not read in a document.
pub fn fields(part: &Part) -> String {
    if part.memory.is_empty() {
        return "nothing: every fact was read in the source".to_owned();
    }
    let fields: Vec<&str> = part.memory.iter().map(|name| field_words(name)).collect();
    fields.join(", ")
}

fn field_words(field: &str) -> &str {
    match field {
        "*" => "every fact",
        "jedec_id" => "JEDEC ID",
        "size_bytes" => "size",
        "page_size_bytes" => "page size",
        "program" => "how it is programmed",
        "page_program" => "program times",
        "erase" => "erase types",
        "erase_time" => "erase times",
        "chip_erase" => "chip erase",
        "status_write" => "SR write time",
        "sck_max" => "SCK limits",
        "quad_program" => "quad page program",
        "status" => "status layout",
        "has_sfdp" => "SFDP",
        "unique_id" => "unique ID",
        "protected_at_power_up" => "power-up state",
        "stacked" => "number of dies",
        plain => plain,
    }
}
