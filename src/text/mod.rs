//! A TOML file as a person writes it: all that is wrong in it in one run, each fault at its line and column.
//!
//! The files are those of [`Catalogue`](crate::part::Catalogue::with_user_file),
//! [`RegionMap`](crate::image::RegionMap::parse), [`UnitFile`](crate::unit::UnitFile::parse),
//! [`ShelfFile`](crate::job::ShelfFile::parse) and [`BenchFile`](crate::mock::BenchFile). One with a fault gives a
//! [`TextError`]. A fault ends nothing: what has one is left out, the rest is read, and all faults are told, up to 100.
//! Only behind a fault of the notation itself, such as a quote that is not closed, nothing has a certain meaning
//! any more, and that one alone is told.

mod access;
mod failure;
mod keys;
mod nearest;
#[cfg(test)]
mod tests;
mod value;

use std::cell::RefCell;
use std::fmt;

use serde::Serialize;
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

pub(crate) use nearest::perhaps;
use value::{At, State};

/// Faults of one file that are told; behind so many a person mends first.
const FAULTS_MAX: usize = 100;

/// What is wrong at one place of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct TextFault {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The part it is about, where it is about one.
    pub part: Option<String>,
    /// What is wrong there, and what is wanted.
    pub text: String,
}

impl fmt::Display for TextFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}: ", self.line, self.column)?;
        if let Some(part) = &self.part {
            write!(f, "{part}: ")?;
        }
        f.write_str(&self.text)
    }
}

/// All that is wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextError {
    /// The file, as it was named.
    pub file: String,
    /// What is wrong, in the order of the file; never empty.
    pub faults: Vec<TextFault>,
}

impl std::error::Error for TextError {}

impl fmt::Display for TextError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.faults.iter().enumerate() {
            match index {
                0 => write!(f, "{}, {fault}", self.file)?,
                _ => write!(f, "; {fault}")?,
            }
        }
        Ok(())
    }
}

/// Byte of the text, the part it is about, and what is wrong.
type Noted = (usize, Option<String>, String);

/// A file that is being read, and what was found wrong in it so far.
///
/// Whoever reads a file gives the type that holds it, as for any other deserializer, and adds here what types
/// cannot say.
#[derive(Debug)]
pub(crate) struct Reading<'a> {
    file: String,
    text: &'a str,
    faults: Vec<Noted>,
}

impl<'a> Reading<'a> {
    /// Reads a file. What has a fault is left out: a member of a list, a table, a key that may be absent. A key that
    /// may not be absent then holds nothing, with an empty span. No value where nothing can be read at all.
    pub fn of<T: DeserializeOwned>(file: &str, bytes: &'a [u8]) -> (Self, Option<T>) {
        let file = file.to_owned();
        let (text, broken) = match std::str::from_utf8(bytes) {
            Ok(text) => (text, None),
            Err(error) => {
                let (good, _) = bytes.split_at(error.valid_up_to());
                (std::str::from_utf8(good).unwrap_or_default(), Some(bytes))
            }
        };
        // Editors that put a byte order mark in front do not count it as a column.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reading = Self {
            file,
            text,
            faults: Vec::new(),
        };
        if let Some(bytes) = broken {
            reading.fault(text.len(), no_text(bytes));
            return (reading, None);
        }
        match DeTable::parse(text) {
            Ok(table) => {
                let value = reading.walk(table);
                (reading, value)
            }
            // The parser knows of more, but those most often only follow from the first.
            Err(error) => {
                let at = error.span().map_or(0, |span| span.start);
                reading.fault(at, notation(error.message()));
                (reading, None)
            }
        }
    }

    /// Reads again and again what is without the faults that were found, until there is none that is new.
    fn walk<T: DeserializeOwned>(&mut self, table: Spanned<DeTable<'_>>) -> Option<T> {
        let root = Spanned::new(table.span(), DeValue::Table(table.into_inner()));
        let state = RefCell::new(State::default());
        let at = At::new(&root, &state);
        let value = loop {
            let before = state.borrow().progress();
            let read = at.give(std::marker::PhantomData::<T>).ok();
            let mut state = state.borrow_mut();
            let stands = state.progress() == before || state.faults.len() >= FAULTS_MAX;
            match read {
                Some(value) if state.faults.is_empty() || state.is_last => break Some(value),
                Some(_) => state.is_last = true,
                None if stands => break None,
                None => {}
            }
        };
        let found = state.into_inner().faults;
        found
            .into_iter()
            .for_each(|(at, text)| self.fault(at, text));
        value
    }

    /// Adds a fault at a byte of the text.
    pub fn fault(&mut self, at: usize, what: impl fmt::Display) {
        self.note(at, None, what);
    }

    /// Adds a fault of a part, if that has a name.
    pub fn fault_of(&mut self, at: usize, part: &str, what: impl fmt::Display) {
        let named = Some(part.to_owned()).filter(|part| !part.trim().is_empty());
        self.note(at, named, what);
    }

    fn note(&mut self, at: usize, part: Option<String>, what: impl fmt::Display) {
        if self.faults.len() < FAULTS_MAX {
            self.faults.push((at, part, what.to_string()));
        }
    }

    /// The file once more, as a type that knows some of its keys only, for their places.
    pub fn places<T: DeserializeOwned>(&self) -> Option<T> {
        toml::from_str(self.text).ok()
    }

    /// Whether nothing was found wrong so far.
    pub fn is_clean(&self) -> bool {
        self.faults.is_empty()
    }

    /// Line and column, from 1, of a byte of the text.
    pub fn place(&self, at: usize) -> (usize, usize) {
        let before = self.text.get(..at).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let line = before.matches('\n').count() + 1;
        let column = before
            .get(line_start..)
            .map_or(0, |line| line.chars().count());
        (line, column + 1)
    }

    /// The value, if nothing is wrong.
    ///
    /// # Errors
    /// All that is wrong, in the order of the file.
    pub fn end<T>(mut self, value: Option<T>) -> Result<T, TextError> {
        match value {
            Some(value) if self.is_clean() => Ok(value),
            _ => {
                self.faults.sort();
                let fault = |(at, part, text): &Noted| {
                    let (line, column) = self.place(*at);
                    TextFault {
                        line,
                        column,
                        part: part.clone(),
                        text: text.clone(),
                    }
                };
                let faults = self.faults.iter().map(fault).collect();
                let file = self.file;
                Err(TextError { file, faults })
            }
        }
    }
}

/// What is wrong with how the file is written, where it can be said better than by the parser.
fn notation(message: &str) -> String {
    let better = [
        (
            "invalid basic string, expected `\"`",
            "the quote that closes this text is missing",
        ),
        (
            "invalid literal string, expected `'`",
            "the quote that closes this text is missing",
        ),
        (
            "string values must be quoted",
            "this is no value: put a text, and a number with its unit, in quotes, and 0x in front of a hexadecimal number",
        ),
        (
            "key with no value",
            "'=' and a value are missing behind the key",
        ),
        (
            "missing comma between array elements",
            "a comma is missing before this, or the ']' that closes the list",
        ),
        (
            "unexpected leading zero",
            "a number does not begin with 0: leave it out, or put 0x in front if it is hexadecimal",
        ),
        ("duplicate key", "duplicate key: it stands there already"),
        (
            "unexpected key or value",
            "what stands before this has ended: a new line is missing, or quotes around a whole value",
        ),
        (
            "invalid exponent",
            "this is no number: behind the e digits are missing, or 0x in front if it is hexadecimal",
        ),
    ];
    let known = better
        .iter()
        .find(|(begins, _)| message.starts_with(begins));
    match known {
        Some((_, words)) => (*words).to_owned(),
        None => message.trim().replace('\n', ", "),
    }
}

/// What bytes are that are no UTF-8.
fn no_text(bytes: &[u8]) -> &'static str {
    match bytes {
        [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..] => {
            "this is UTF-16 and not UTF-8 text: save the file as UTF-8"
        }
        _ => "this is not UTF-8 text: save the file as UTF-8, or leave out what stands here",
    }
}
