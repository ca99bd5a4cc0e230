//! The form of a parts file: one maker, its parts, every value checked before it is believed.

mod entry;
mod fault;
mod piece;
mod refused;

use serde::Deserialize;
use toml::Spanned;

pub use fault::PartFault;

use super::{Part, Refused};
use entry::RawPart;
use refused::RawRefused;

/// Why a parts file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum CatalogueError {
    /// Not TOML, an unknown key, a missing key or a value of the wrong kind.
    #[error("{file}, line {line}, column {column}: {message}")]
    Syntax {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Column in characters, from 1.
        column: usize,
        /// What is wrong there.
        message: String,
        /// The parser's own report.
        source: Box<toml::de::Error>,
    },
    /// A value that no part can have, or that contradicts another.
    #[error("{file}, line {line}, column {column}: {part}: {fault}")]
    Value {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Column in characters, from 1.
        column: usize,
        /// The part it is about.
        part: String,
        /// What is wrong there.
        #[source]
        fault: PartFault,
    },
}

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
pub(super) struct Reading {
    pub(super) maker: String,
    pub(super) entries: Vec<Entry>,
    pub(super) refused: Vec<Refused>,
    /// What is wrong, in the order of the file.
    pub(super) faults: Vec<CatalogueError>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    maker: String,
    #[serde(default)]
    part: Vec<RawPart>,
    #[serde(default)]
    refused: Vec<RawRefused>,
}

/// Reads a parts file: its parts, and those that it refuses.
///
/// # Errors
/// The first fault.
pub(super) fn read(text: &str, file: &str) -> Result<(Vec<Entry>, Vec<Refused>), CatalogueError> {
    let reading = read_all(text, file)?;
    match reading.faults.into_iter().next() {
        Some(fault) => Err(fault),
        None => Ok((reading.entries, reading.refused)),
    }
}

/// Reads a parts file to its end, whatever is wrong with its values.
///
/// # Errors
/// `Syntax`, behind which nothing of the file can be read.
pub(super) fn read_all(text: &str, file: &str) -> Result<Reading, CatalogueError> {
    let raw: RawFile = toml::from_str(text).map_err(|source| syntax(text, file, source))?;
    let (mut entries, mut refused, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    for (index, part) in raw.part.iter().enumerate() {
        let mut before = raw.part.iter().take(index);
        match part.entry(&raw.maker) {
            Ok(entry) => match before.find(|one| one.name.get_ref() == part.name.get_ref()) {
                None => entries.push(entry),
                Some(first) => {
                    let (line, _) = position(text, first.name.span().start);
                    let (at, name) = (part.name.span().start, part.name.get_ref());
                    faults.push(value(text, file, at, name, PartFault::NameTwice { line }));
                }
            },
            Err(found) => {
                faults.extend(found.into_iter().map(|located| {
                    value(text, file, located.at, part.name.get_ref(), located.fault)
                }))
            }
        }
    }
    for one in &raw.refused {
        match one.check(&raw.maker) {
            Ok(one) => refused.push(one),
            Err(fault) => faults.push(value(text, file, fault.at, one.name.get_ref(), fault.fault)),
        }
    }
    Ok(Reading {
        maker: raw.maker,
        entries,
        refused,
        faults,
    })
}

fn syntax(text: &str, file: &str, mut source: toml::de::Error) -> CatalogueError {
    let (line, column) = position(text, source.span().map_or(0, |span| span.start));
    // The report would otherwise quote the whole file.
    source.set_input(None);
    CatalogueError::Syntax {
        file: file.to_owned(),
        line,
        column,
        message: source.message().replace('\n', ", "),
        source: Box::new(source),
    }
}

/// An error about the value at byte `at`.
pub(super) fn value(
    text: &str,
    file: &str,
    at: usize,
    part: &str,
    fault: PartFault,
) -> CatalogueError {
    let (line, column) = position(text, at);
    CatalogueError::Value {
        file: file.to_owned(),
        line,
        column,
        part: part.to_owned(),
        fault,
    }
}

/// Line and column, from 1, of the byte at `offset`.
pub(crate) fn position(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    let line = before.matches('\n').count() + 1;
    let column = before
        .get(line_start..)
        .map_or(0, |line| line.chars().count());
    (line, column + 1)
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

#[cfg(test)]
mod tests {
    use super::position;

    #[test]
    fn positions_count_lines_and_characters_from_one() {
        let text = "a = 1\nb\u{e9} = 2\n";
        assert_eq!(position(text, 0), (1, 1));
        assert_eq!(position(text, 6), (2, 1));
        assert_eq!(position(text, 9), (2, 3));
        assert_eq!(position(text, 999), (3, 1));
    }
}
