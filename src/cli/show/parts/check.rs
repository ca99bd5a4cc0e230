//! A check of a person's own parts file.

use crate::cli::figures::{count, size};
use crate::cli::line::Report;
use crate::cli::run::Answer;
use crate::cli::screen::Screen;
use crate::job::Exit;
use crate::part::{CheckedPart, FileCheck};

use super::entry::{fields, shares};

/// What the check found; exit code 5 where the file cannot be taken.
pub fn checked(found: &FileCheck) -> Answer {
    let exit = if found.faults.is_empty() {
        Exit::True
    } else {
        Exit::FileFault
    };
    Answer::new(exit, screen(found), Report::PartsChecked(found))
}

fn screen(found: &FileCheck) -> Screen {
    let screen = Screen::new(answer(found));
    let screen = found
        .faults
        .iter()
        .fold(screen, |screen, one| screen.row("fault", one.to_string()));
    let (known, new): (Vec<_>, Vec<_>) = found.parts.iter().partition(|one| one.as_in_table);
    let screen = new.into_iter().fold(screen, part);
    let screen = match known.len() {
        0 => screen,
        known => screen.row("as in the table", parts(known)),
    };
    let screen = found
        .remarks
        .iter()
        .fold(screen, |screen, one| screen.row("remark", one.to_string()));
    let screen = screen.row("checked", extent(found));
    if found.faults.is_empty() && found.parts.is_empty() {
        screen.next("Add a part: docs/adding-a-part.md shows one.")
    } else if found.faults.is_empty() {
        screen
            .next("Compare each number with the datasheet once more: a wrong one that is possible shows nowhere.")
            .next(format!("norlock id --parts {}", found.file))
    } else {
        screen.next("Mend the file, then check it again.")
    }
}

/// How far the check came.
fn extent(found: &FileCheck) -> &'static str {
    if found.maker.is_none() {
        "only how the file is written: what stands in it shows once that is mended"
    } else if found.faults.is_empty() {
        "keys, values, how they go together, and names, IDs and markings against the table"
    } else {
        "keys and values to the end of the file; how a part with a fault goes together with itself and \
         the table shows once that is mended"
    }
}

fn answer(found: &FileCheck) -> String {
    let file = &found.file;
    match found.faults.len() {
        0 if found.parts.is_empty() && found.refused == 0 => {
            format!("{file} has no part in it. As it is, it adds nothing to the table.")
        }
        0 => {
            let maker = found.maker.as_deref().unwrap_or_default();
            let refused = match found.refused {
                0 => String::new(),
                refused => format!(" and {} to refuse", parts(refused)),
            };
            format!(
                "{file} can be used: {} by {maker}{refused}, held against the {} of the table.",
                parts(found.parts.len()),
                parts(found.table_parts),
            )
        }
        1 => format!("{file} has a fault and cannot be used."),
        faults => format!("{file} has {faults} faults and cannot be used."),
    }
}

fn parts(number: usize) -> String {
    match number {
        1 => "1 part".to_owned(),
        number => format!("{} parts", count(number as u64)),
    }
}

fn part(screen: Screen, one: &CheckedPart) -> Screen {
    let part = &one.part;
    let bytes = size(u64::from(part.size_bytes));
    let facts = format!("{}, {}, {bytes}, {}", part.name, part.jedec_id, part.supply);
    let mut screen = screen.row("part", facts);
    for line in shares(&one.shares_id_with) {
        screen = screen.row("shares ID", line);
    }
    if !one.marked_alike.is_empty() {
        screen = screen.row("marked as", one.marked_alike.join(", "));
    }
    screen.row("unread", fields(part))
}
