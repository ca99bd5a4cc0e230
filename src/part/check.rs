//! A parts file of a person's own, looked at as a whole: what is wrong in it, what is odd, what it
//! has to do with the table.

use std::time::Duration;

use serde::Serialize;

use super::schema::{Entry, read_all, tell};
use super::{
    Catalogue, EraseType, MakerName, Part, Relative, SupplyRange, Timing, density_by_id, maker_name,
};
use crate::text::{Reading, TextFault};

/// A part of the file that follows the schema.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CheckedPart {
    /// The part.
    pub part: Part,
    /// Parts of the table, and before it in the file, that answer with the same three ID bytes.
    pub shares_id_with: Vec<Relative>,
    /// Other parts that a package with one of its markings can be.
    pub marked_alike: Vec<String>,
    /// Whether the table has this very part, the same in every value.
    pub as_in_table: bool,
}

/// What was found in a parts file.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FileCheck {
    /// Name of the file.
    pub file: String,
    /// Its maker; `None` where the file is not TOML, so that no more of it is known than `faults`.
    pub maker: Option<String>,
    /// The parts that follow the schema.
    pub parts: Vec<CheckedPart>,
    /// How many parts it refuses.
    pub refused: usize,
    /// How many parts of the table they were held against.
    pub table_parts: usize,
    /// What is wrong: with any of these the file is not taken.
    pub faults: Vec<TextFault>,
    /// What is possible and rare: most often a slip.
    pub remarks: Vec<TextFault>,
}

impl Catalogue {
    /// Checks a file for [`Catalogue::with_user_file`], to its end where it is TOML.
    #[must_use]
    pub fn check_file(&self, text: impl AsRef<[u8]>, file: &str) -> FileCheck {
        let (mut reading, sheet) = read_all(text.as_ref(), file);
        let mut found = FileCheck {
            file: file.to_owned(),
            maker: sheet.as_ref().map(|sheet| sheet.maker.clone()),
            parts: Vec::new(),
            refused: sheet.as_ref().map_or(0, |sheet| sheet.refused.len()),
            table_parts: self.parts().len(),
            faults: Vec::new(),
            remarks: Vec::new(),
        };
        let mut table = self.clone();
        for entry in sheet.into_iter().flat_map(|sheet| sheet.entries) {
            if self.parts().contains(&entry.part) {
                found.parts.push(table.checked(&entry.part, true));
                continue;
            }
            found.remarks.extend(remarks(self, &entry, &reading));
            found.parts.push(table.checked(&entry.part, false));
            match table.refuse_clash(&entry) {
                Ok(()) => table.add(entry.part),
                Err(fault) => tell(&mut reading, entry.places.name, &entry.part.name, &fault),
            }
        }
        if let Err(error) = reading.end(Some(())) {
            found.faults = error.faults;
        }
        found
    }

    fn checked(&self, part: &Part, as_in_table: bool) -> CheckedPart {
        let mut with_it = self.clone();
        if !as_in_table {
            with_it.add(part.clone());
        }
        let meant = part
            .markings
            .iter()
            .filter_map(|text| with_it.by_marking(text));
        let mut marked_alike: Vec<String> = meant
            .flat_map(|marking| marking.candidates)
            .map(|other| other.name)
            .filter(|name| *name != part.name)
            .collect();
        marked_alike.sort();
        marked_alike.dedup();
        CheckedPart {
            part: part.clone(),
            shares_id_with: with_it.relatives(part),
            marked_alike,
            as_in_table,
        }
    }
}

/// What is odd in an entry that follows the schema, each with its byte offset.
fn remarks(table: &Catalogue, entry: &Entry, reading: &Reading<'_>) -> Vec<TextFault> {
    let (part, places) = (&entry.part, &entry.places);
    let mut odd: Vec<(usize, String)> = Vec::new();
    odd.extend(other_maker(part).map(|text| (places.jedec_id, text)));
    odd.extend(density(part).map(|text| (places.jedec_id, text)));
    odd.extend(not_marked_as_named(part).map(|text| (places.name, text)));
    odd.extend(odd_supply(table, part.supply).map(|text| (places.supply, text)));
    let program = odd_time(part.page_program, table, |part| vec![part.page_program]);
    odd.extend(program.map(|text| (places.page_program, text)));
    for (erase, at) in part.erase_types.iter().zip(&places.erase) {
        odd.extend(odd_erase(table, erase).map(|text| (*at, text)));
        let time = odd_time(erase.time, table, |part| erases_like(part, erase));
        odd.extend(time.map(|text| (*at, text)));
    }
    let write = odd_time(part.status_write, table, |part| vec![part.status_write]);
    odd.extend(write.map(|text| (places.status_write, text)));
    odd.extend(fast_clocks(table, part).map(|text| (places.sck_max, text)));
    odd.into_iter()
        .map(|(at, words)| {
            let (line, column) = reading.place(at);
            TextFault {
                line,
                column,
                part: Some(part.name.clone()),
                text: words,
            }
        })
        .collect()
}

/// The first byte is the maker's (JEP106, and the habits that [`maker_name`] lists).
fn other_maker(part: &Part) -> Option<String> {
    let MakerName { code, name, .. } = maker_name(*part.jedec_id.0.first()?);
    let name = name?;
    let own = part.maker.to_lowercase();
    let named = name.to_lowercase();
    let known = named.contains(&own) || own.contains(&named);
    (!known).then(|| format!("the first ID byte {code:02X} is one that {name} sends"))
}

fn density(part: &Part) -> Option<String> {
    let byte = *part.jedec_id.0.get(2)?;
    let usual = density_by_id(&part.jedec_id.0)?;
    (usual != u64::from(part.size_bytes))
        .then(|| format!("the third ID byte {byte:02X} usually stands for {usual} bytes"))
}

/// Whoever reads the package has to find the entry.
fn not_marked_as_named(part: &Part) -> Option<String> {
    let name: String = part
        .name
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .collect();
    let name = name.to_ascii_uppercase();
    let marked = part.markings.iter().any(|marking| name.contains(marking));
    (!marked).then(|| "none of its markings stands in its name".to_owned())
}

/// A range that no printed one holds opens `supply-level` where the part may not bear it.
fn odd_supply(table: &Catalogue, supply: SupplyRange) -> Option<String> {
    let holds = |part: &Part| part.supply.includes(supply.min) && part.supply.includes(supply.max);
    (!table.parts().iter().any(holds))
        .then(|| format!("no part of the table takes all of {supply}; look at it once more"))
}

/// A maximum outside those of the table: most often a slip of the unit.
fn odd_time(own: Timing, table: &Catalogue, of: impl Fn(&Part) -> Vec<Timing>) -> Option<String> {
    let known = || table.parts().iter().flat_map(&of).map(|time| time.max);
    let (longest, shortest) = (known().max()?, known().min()?);
    let max = words(own.max);
    if own.max > longest {
        let longest = words(longest);
        return Some(format!(
            "a maximum of {max}; no part of the table takes more than {longest} for it"
        ));
    }
    (own.max < shortest).then(|| {
        let shortest = words(shortest);
        format!(
            "a maximum of {max}; no part of the table is sure to have done it before {shortest}"
        )
    })
}

/// A time in the unit in which a file says it, or a larger one.
fn words(time: Duration) -> String {
    match time.as_micros() {
        micros if micros % 1000 == 0 => format!("{} ms", micros / 1000),
        micros => format!("{micros} us"),
    }
}

/// The times of the erases of the same size by the same opcode.
fn erases_like(part: &Part, erase: &EraseType) -> Vec<Timing> {
    let like = |one: &&EraseType| (one.size_bytes, one.opcode) == (erase.size_bytes, erase.opcode);
    part.erase_types
        .iter()
        .filter(like)
        .map(|one| one.time)
        .collect()
}

fn odd_erase(table: &Catalogue, erase: &EraseType) -> Option<String> {
    let (size_bytes, opcode) = (erase.size_bytes, erase.opcode);
    let mut types = table.parts().iter().flat_map(|part| &part.erase_types);
    let known = types.any(|erase| erase.opcode == opcode && erase.size_bytes == size_bytes);
    (!known).then(|| format!("no part of the table erases {size_bytes} bytes by {opcode:02X}h"))
}

fn fast_clocks(table: &Catalogue, part: &Part) -> Option<String> {
    let above = part.sck_max.iter().find_map(|(opcode, clock)| {
        let known = table.parts().iter();
        let fastest = known.filter_map(|part| part.sck_max.get(opcode)).max()?;
        (clock > fastest).then_some((*opcode, *fastest))
    });
    above.map(|(opcode, fastest)| {
        format!("no part of the table takes more than {fastest} with {opcode:02X}h")
    })
}
