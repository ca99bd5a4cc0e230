//! ELF files, System V Application Binary Interface, chapters 4 and 5.

use super::place::{Fields, Look, Place, Stop};
use super::{Checked, Finding, Format};

const IDENT_BYTES: usize = 16;
const HEADER_BYTES: usize = 64;
const TYPES: [&str; 5] = ["", "relocatable", "executable", "shared", "core"];
const SEGMENT_IS_EMPTY: u32 = 0;
const SECTION_IS_EMPTY: u32 = 0;
const SECTION_TAKES_NO_PLACE: u32 = 8;

/// Where the fields stand that differ between 32 and 64 bits.
#[derive(Clone, Copy)]
struct Class {
    bits: u32,
    header_bytes: u16,
    segment_bytes: u16,
    section_bytes: u16,
    /// Program header: offset and size in the file. Section header: the same.
    in_segment: (usize, usize),
    in_section: (usize, usize),
    tables_at: (usize, usize),
    counts_at: usize,
}

const CLASS_32: Class = Class {
    bits: 32,
    header_bytes: 52,
    segment_bytes: 32,
    section_bytes: 40,
    in_segment: (4, 16),
    in_section: (16, 20),
    tables_at: (28, 32),
    counts_at: 40,
};
const CLASS_64: Class = Class {
    bits: 64,
    header_bytes: 64,
    segment_bytes: 56,
    section_bytes: 64,
    in_segment: (8, 32),
    in_section: (24, 32),
    tables_at: (32, 40),
    counts_at: 52,
};

impl Class {
    /// An address or size.
    fn word(self, fields: &Fields<'_>, at: usize) -> u64 {
        match self.bits {
            32 => fields.u32(at).into(),
            _ => fields.u64(at),
        }
    }
}

/// A table of headers: where, how many, how long each.
struct Table {
    at: u64,
    entries: u16,
    entry_bytes: u16,
}

impl Table {
    fn end(&self) -> u64 {
        let bytes = u64::from(self.entries) * u64::from(self.entry_bytes);
        self.at.saturating_add(bytes)
    }
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(bytes) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let ident = bytes
        .first_chunk::<IDENT_BYTES>()
        .copied()
        .unwrap_or_default();
    let (class, big_endian) = match (ident[4], ident[5]) {
        (1, order @ (1 | 2)) => (CLASS_32, order == 2),
        (2, order @ (1 | 2)) => (CLASS_64, order == 2),
        _ => return Ok(None),
    };
    let fields = Fields {
        bytes: &bytes,
        big_endian,
    };
    let Some(kind) = TYPES
        .get(usize::from(fields.u16(16)))
        .filter(|kind| !kind.is_empty())
    else {
        return Ok(None);
    };
    let counts = class.counts_at;
    let of_version_1 = ident[6] == 1 && fields.u32(20) == 1;
    let padded = ident.get(9..) == Some(&[0; 7]);
    if !of_version_1 || !padded || fields.u16(counts) != class.header_bytes {
        return Ok(None);
    }
    let segments = Table {
        at: class.word(&fields, class.tables_at.0),
        entries: fields.u16(counts + 4),
        entry_bytes: fields.u16(counts + 2),
    };
    let sections = Table {
        at: class.word(&fields, class.tables_at.1),
        entries: fields.u16(counts + 8),
        entry_bytes: fields.u16(counts + 6),
    };
    let file = File {
        class,
        big_endian,
        segments,
        sections,
        names: fields.u16(counts + 10),
    };
    let mut end = u64::from(class.header_bytes);
    let checked = match file.check(place, &mut end) {
        Err(Stop::Spent) => Checked::TOO_MUCH,
        checked => checked?,
    };
    let order = if big_endian { "big" } else { "little" };
    let found = Finding::new(place.offset, Format::Elf, Some(end), checked);
    Ok(Some(found.with_detail(format!(
        "{kind}, {} bits, {order} endian",
        class.bits
    ))))
}

struct File {
    class: Class,
    big_endian: bool,
    segments: Table,
    sections: Table,
    /// Which section holds the sections' names.
    names: u16,
}

impl File {
    /// Both tables, and all that they name, lie within the image; `end` becomes the end of the last.
    fn check(&self, place: &Place<'_>, end: &mut u64) -> Look<Checked> {
        if let Some(fault) = self.fault_of_tables(end) {
            return Ok(fault);
        }
        if *end > place.left_bytes() {
            return Ok(Checked::Cut);
        }
        for index in 0..self.segments.entries {
            let bytes = entry(place, &self.segments, index)?;
            let fields = self.fields(&bytes);
            if fields.u32(0) != SEGMENT_IS_EMPTY {
                self.cover(&fields, self.class.in_segment, end);
            }
        }
        for index in 0..self.sections.entries {
            let bytes = entry(place, &self.sections, index)?;
            let fields = self.fields(&bytes);
            let kind = fields.u32(4);
            if index == 0 && kind != SECTION_IS_EMPTY {
                return Ok(fault(
                    "first section",
                    "an empty one",
                    format!("type {kind:X}h"),
                ));
            }
            if kind != SECTION_IS_EMPTY && kind != SECTION_TAKES_NO_PLACE {
                self.cover(&fields, self.class.in_section, end);
            }
        }
        Ok(match *end > place.left_bytes() {
            true => Checked::Cut,
            false => Checked::HeaderOnly("its tables lie within it, it has no checksum"),
        })
    }

    /// What is wrong with the tables' own numbers; `end` becomes the end of the last.
    fn fault_of_tables(&self, end: &mut u64) -> Option<Checked> {
        let class = self.class;
        for (table, wanted) in [
            (&self.segments, class.segment_bytes),
            (&self.sections, class.section_bytes),
        ] {
            if table.entries > 0 && table.entry_bytes != wanted {
                let found = format!("{} bytes", table.entry_bytes);
                return Some(fault(
                    "headers of tables",
                    &format!("{wanted} bytes"),
                    found,
                ));
            }
            if table.entries > 0 {
                *end = table.end().max(*end);
            }
        }
        let sections = self.sections.entries;
        (self.names >= sections.max(1)).then(|| {
            let found = format!("number {}", self.names);
            fault("section of names", &format!("one of {sections}"), found)
        })
    }

    fn fields<'a>(&self, bytes: &'a [u8]) -> Fields<'a> {
        Fields {
            bytes,
            big_endian: self.big_endian,
        }
    }

    fn cover(&self, fields: &Fields<'_>, (at, size): (usize, usize), end: &mut u64) {
        let size = self.class.word(fields, size);
        *end = self.class.word(fields, at).saturating_add(size).max(*end);
    }
}

fn fault(what: &'static str, wanted: &str, found: String) -> Checked {
    Checked::Disagrees {
        what,
        wanted: wanted.to_owned(),
        found,
    }
}

/// One header of a table, as much of it as is looked at. It costs something even where it is at hand:
/// many files could share one long table.
fn entry(place: &Place<'_>, table: &Table, index: u16) -> Look<[u8; 40]> {
    let mut bytes = [0; 40];
    place.budget.spend(bytes.len() as u64)?;
    let length = usize::from(table.entry_bytes).min(bytes.len());
    let at = table.at + u64::from(index) * u64::from(table.entry_bytes);
    place.read(at, bytes.get_mut(..length).unwrap_or_default())?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::formats::place::{Budget, Window};

    #[test]
    fn a_table_at_hand_is_paid_for() {
        let mut image = b"\x7FELF\x01\x01\x01".to_vec();
        image.resize(IDENT_BYTES, 0);
        image.extend([2, 0, 40, 0, 1, 0, 0, 0]);
        image.extend([0; 16]);
        image.extend([52, 0, 32, 0, 0, 0, 40, 0, 100, 0, 1, 0]);
        image[32] = 64;
        image.resize(64 + 100 * 40, 0);
        let window = Window {
            offset: 0,
            bytes: image.clone(),
        };
        for (units, wanted) in [
            (
                4000,
                Checked::HeaderOnly("its tables lie within it, it has no checksum"),
            ),
            (3999, Checked::TOO_MUCH),
        ] {
            let place = Place {
                image: &image,
                image_size_bytes: image.len() as u64,
                offset: 0,
                window: &window,
                budget: &Budget::new(units),
            };
            assert_eq!(look(&place).unwrap().unwrap().checked, wanted);
        }
    }
}
