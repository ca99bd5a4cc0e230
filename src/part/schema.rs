//! The form of a parts file: one maker, its parts, every value checked before it is believed.

mod entry;
mod fault;
mod piece;
mod refused;

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use super::{Part, Refused};
use crate::text::{Reading, TextError};
use entry::RawPart;
pub(super) use fault::PartFault;
use refused::RawRefused;

/// A part with what only the catalogue needs.
pub(super) struct Entry {
    pub(super) part: Part,
    /// Whether the file says that other parts answer 9Fh with the same bytes.
    pub(super) shares_id: bool,
    pub(super) places: Places,
}

/// Byte offsets in the file of what can be remarked on.
pub(super) struct Places {
    pub(super) name: usize,
    pub(super) jedec_id: usize,
    pub(super) supply: usize,
    pub(super) page_program: usize,
    pub(super) erase: Vec<usize>,
    pub(super) status_write: usize,
    pub(super) sck_max: usize,
}

/// What a file says, as far as it can be believed.
pub(super) struct Sheet {
    pub(super) maker: String,
    pub(super) entries: Vec<Entry>,
    pub(super) refused: Vec<Refused>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    maker: Spanned<String>,
    #[serde(default)]
    part: Vec<RawPart>,
    #[serde(default)]
    refused: Vec<RawRefused>,
}

/// Reads a parts file: its parts, and those that it refuses.
///
/// # Errors
/// All that is wrong in it.
pub(super) fn read(text: &[u8], file: &str) -> Result<Sheet, TextError> {
    let (reading, sheet) = read_all(text, file);
    reading.end(sheet)
}

/// Reads a parts file to its end, without the parts that have a fault. Nothing is said where nothing of it can
/// be read.
pub(super) fn read_all<'a>(text: &'a [u8], file: &str) -> (Reading<'a>, Option<Sheet>) {
    let (mut reading, raw) = Reading::of::<RawFile>(file, text);
    let sheet = raw.map(|raw| checked(&raw, &mut reading));
    (reading, sheet)
}

fn checked(raw: &RawFile, reading: &mut Reading<'_>) -> Sheet {
    let maker = raw.maker.get_ref();
    // Where its fault is told already, the span is empty.
    if maker.trim().is_empty() && !raw.maker.span().is_empty() {
        let fault = PartFault::Empty { what: "maker" };
        reading.fault(raw.maker.span().start, fault);
    }
    let (mut entries, mut refused, mut named) = (Vec::new(), Vec::new(), BTreeMap::new());
    for part in &raw.part {
        let (name, at) = (part.name.get_ref(), part.name.span().start);
        let first = *named.entry(name).or_insert(at);
        match part.entry(maker) {
            Ok(entry) if first == at => entries.push(entry),
            Ok(_) => {
                let (line, _) = reading.place(first);
                tell(reading, at, name, &PartFault::NameTwice { line });
            }
            Err(found) => found
                .iter()
                .for_each(|located| tell(reading, located.at, name, &located.fault)),
        }
    }
    for one in &raw.refused {
        match one.check(maker) {
            Ok(one) => refused.push(one),
            Err(located) => tell(reading, located.at, one.name.get_ref(), &located.fault),
        }
    }
    Sheet {
        maker: maker.clone(),
        entries,
        refused,
    }
}

/// Tells a fault of a part.
pub(super) fn tell(reading: &mut Reading<'_>, at: usize, part: &str, fault: &PartFault) {
    reading.fault_of(at, part, fault);
}

/// A fault and the byte where the value that has it begins.
struct Located {
    at: usize,
    fault: PartFault,
}

/// Passes if `holds`, else points at `value`.
fn require<T>(holds: bool, value: &Spanned<T>, fault: PartFault) -> Result<(), Located> {
    if holds {
        Ok(())
    } else {
        Err(Located {
            at: value.span().start,
            fault,
        })
    }
}
