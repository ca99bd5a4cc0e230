//! Where SFDP and a part of the table agree.

use std::time::Duration;

use super::identify::Disagreement;
use super::{Part, SfdpFacts, Timing};

/// A fact that both SFDP and the table give.
pub(super) struct Check {
    /// Name of the field, as in `memory`.
    field: &'static str,
    /// Whether the part agrees with what the chip shows.
    agrees: fn(&Part, Option<&SfdpFacts>) -> bool,
    /// What the table says, for a sentence.
    expected: fn(&Part) -> String,
    /// What the chip shows, for a sentence.
    seen: fn(&SfdpFacts) -> String,
}

const CHECKS: [Check; 6] = [
    Check {
        field: "has_sfdp",
        agrees: |part, sfdp| {
            !part.is_documented("has_sfdp") || part.has_sfdp.is_none_or(|has| has == sfdp.is_some())
        },
        expected: |part| presence(part.has_sfdp == Some(true)).to_owned(),
        seen: |_| presence(true).to_owned(),
    },
    Check {
        field: "size_bytes",
        agrees: |part, sfdp| sfdp.is_none_or(|s| s.density_bytes == u64::from(part.size_bytes)),
        expected: |part| format!("{} bytes", part.size_bytes),
        seen: |sfdp| format!("{} bytes", sfdp.density_bytes),
    },
    Check {
        field: "page_size_bytes",
        agrees: |part, sfdp| {
            let page = sfdp.and_then(|s| s.page_size_bytes);
            page.is_none_or(|page| part.page_size_bytes == 1 || page == part.page_size_bytes)
        },
        expected: |part| format!("{} bytes", part.page_size_bytes),
        seen: |sfdp| format!("{} bytes", sfdp.page_size_bytes.unwrap_or(0)),
    },
    Check {
        field: "erase",
        agrees: |part, sfdp| sfdp.is_none_or(|sfdp| erase_agrees(part, sfdp)),
        expected: |part| list(part.erase_types.iter().map(|e| (e.size_bytes, e.opcode))),
        seen: |sfdp| list(sfdp.erase_types.iter().map(|e| (e.size_bytes, e.opcode))),
    },
    Check {
        field: "addressing",
        agrees: |part, sfdp| {
            sfdp.is_none_or(|s| s.addressing.three_byte == part.addressing.three_byte)
        },
        expected: |part| address_bytes(part.addressing.three_byte).to_owned(),
        seen: |sfdp| address_bytes(sfdp.addressing.three_byte).to_owned(),
    },
    Check {
        field: "supply",
        agrees: |part, sfdp| {
            let supply = sfdp.and_then(|s| s.supply);
            supply.is_none_or(|supply| !supply.intersection(part.supply).is_empty())
        },
        expected: |part| part.supply.to_string(),
        seen: |sfdp| {
            let supply = sfdp.supply;
            supply.map_or_else(String::new, |supply| supply.to_string())
        },
    },
];

/// Whether nothing that was read in a document about the part contradicts the chip.
pub(super) fn is_possible(part: &Part, sfdp: Option<&SfdpFacts>) -> bool {
    CHECKS
        .iter()
        .all(|check| !part.is_documented(check.field) || (check.agrees)(part, sfdp))
}

/// The facts on which none of the candidates agrees with the chip.
pub(super) fn disagreements(candidates: &[&Part], sfdp: Option<&SfdpFacts>) -> Vec<Disagreement> {
    let Some(first) = candidates.first() else {
        return Vec::new();
    };
    CHECKS
        .iter()
        .filter(|check| !candidates.iter().any(|part| (check.agrees)(part, sfdp)))
        .map(|check| {
            let expected = (check.expected)(first);
            let seen = sfdp.map_or_else(|| presence(false).to_owned(), check.seen);
            Disagreement::between("SFDP", check.field, expected, seen)
        })
        .collect()
}

/// The table's erase types must all be in SFDP, and no opcode may erase another size there. SFDP may
/// have more: the table leaves out types that work only in places set by the chip's registers.
fn erase_agrees(part: &Part, sfdp: &SfdpFacts) -> bool {
    let all_there = part.erase_types.iter().all(|table| {
        let same =
            |e: &super::SfdpErase| e.size_bytes == table.size_bytes && e.opcode == table.opcode;
        sfdp.erase_types.iter().any(same)
    });
    let none_differs = sfdp.erase_types.iter().all(|found| {
        let mut same_opcode = part
            .erase_types
            .iter()
            .filter(|table| table.opcode == found.opcode)
            .peekable();
        same_opcode.peek().is_none() || same_opcode.any(|t| t.size_bytes == found.size_bytes)
    });
    all_there && none_differs
}

/// Times of erase and program that SFDP and what was read in a document give otherwise.
///
/// SFDP has times in coarse steps, and a maximum as a multiple of the typical one. So they differ only
/// where the longer typical one is more than half above the shorter, or one maximum above twice the other.
pub(super) fn times(part: &Part, sfdp: &SfdpFacts) -> Vec<String> {
    let mut pairs = Vec::new();
    if part.is_documented("page_program") {
        let time = sfdp.page_program.map(|time| (part.page_program, time));
        pairs.extend(time.map(|time| ("program of a page".to_owned(), time)));
    }
    if part.is_documented("erase_time") {
        pairs.extend(part.erase_types.iter().filter_map(|table| {
            let mut found = sfdp.erase_types.iter();
            let same =
                found.find(|e| e.size_bytes == table.size_bytes && e.opcode == table.opcode)?;
            let words = format!("erase of {} KiB", table.size_bytes / 1024);
            Some((words, (table.time, same.time?)))
        }));
    }
    let halves =
        |one: Duration, two: Duration, halves: u32| one.max(two) * 2 > one.min(two) * halves;
    let differing = pairs.into_iter().filter(|(_, (table, sfdp))| {
        halves(table.typical, sfdp.typical, 3) || halves(table.max, sfdp.max, 4)
    });
    let words = differing.map(|(what, (table, sfdp))| {
        format!(
            "{what}: {} in the table, {} in SFDP",
            shown(table),
            shown(sfdp)
        )
    });
    // An erase that works in several places stands in the table once for each of them.
    let mut told = Vec::new();
    for words in words {
        if !told.contains(&words) {
            told.push(words);
        }
    }
    told
}

/// `150 ms, at most 2000 ms`.
fn shown(time: Timing) -> String {
    let (typical, max) = (time.typical.as_secs_f64(), time.max.as_secs_f64());
    if max < 0.01 {
        format!("{:.1} ms, at most {:.1} ms", typical * 1e3, max * 1e3)
    } else {
        format!("{:.0} ms, at most {:.0} ms", typical * 1e3, max * 1e3)
    }
}

fn presence(has_sfdp: bool) -> &'static str {
    if has_sfdp { "SFDP" } else { "no SFDP" }
}

fn address_bytes(three_byte: bool) -> &'static str {
    if three_byte {
        "addresses of three bytes"
    } else {
        "addresses of four bytes only"
    }
}

/// `4 KiB by 20h, 64 KiB by D8h`.
fn list(types: impl Iterator<Item = (u32, u8)>) -> String {
    let mut types: Vec<(u32, u8)> = types.collect();
    types.sort_unstable();
    types.dedup();
    let words: Vec<String> = types
        .into_iter()
        .map(|(size, opcode)| match size {
            size if size >= 1024 => format!("{} KiB by {opcode:02X}h", size / 1024),
            size => format!("{size} bytes by {opcode:02X}h"),
        })
        .collect();
    if words.is_empty() {
        "no erase type".to_owned()
    } else {
        words.join(", ")
    }
}
