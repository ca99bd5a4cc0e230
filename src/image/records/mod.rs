//! Pieces that come as text: Intel HEX files and Motorola S-records.
//!
//! Intel, *Hexadecimal Object File Format Specification*, revision A (1988); Motorola, *M68000 Family
//! Programmer's Reference Manual* (M68000PM/AD, revision 1), appendix C. The three-byte count S6 is
//! common practice.
//!
//! Such a file is read line by line and never held whole: what is kept of it is where runs of adjoining
//! data begin.

mod cursor;
mod decode;
mod lines;
mod problem;

pub use problem::{RecordError, RecordProblem};

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;

use serde::Serialize;

use super::ReadAt;
use crate::jedec::Address;
pub(super) use cursor::Cursor;
use decode::Decoder;
use lines::{Lines, Place};
use problem::Fault;

/// Runs that are remembered of a file; each takes some 60 bytes.
pub(super) const RUNS_MAX: usize = 16 * 1024;
/// What is looked at to tell how a file is written.
pub(super) const HEAD_BYTES: usize = 1024;

/// How a piece is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// The bytes themselves.
    Raw,
    /// Intel HEX.
    IntelHex,
    /// Motorola S-records.
    SRecord,
}

impl Form {
    /// How a file is written that begins with `head`, its first [`HEAD_BYTES`] or all of it.
    pub(super) fn of(head: &[u8]) -> Self {
        let first = head.trim_ascii_start();
        let first = first.split(|byte| *byte == b'\n').next();
        let first = first.unwrap_or_default().trim_ascii_end();
        let plain = |byte: &u8| matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n');
        let all_plain = head.iter().all(plain);
        // Damage behind the first record does not make a file of records another one.
        let is = |form: &Self| {
            form.begins(first) && (all_plain || Decoder::new(*form).take(first).is_ok())
        };
        let forms = [Self::IntelHex, Self::SRecord];
        forms.into_iter().find(is).unwrap_or(Self::Raw)
    }

    /// First line of `head` that is a whole record, where others stand before it.
    pub(super) fn behind_others(head: &[u8]) -> Option<u64> {
        let is_record = |line: &[u8]| {
            let is = |form: Self| form.begins(line) && Decoder::new(form).take(line).is_ok();
            is(Self::IntelHex) || is(Self::SRecord)
        };
        let mut lines = (1..).zip(head.split(|byte| *byte == b'\n'));
        let found = lines.find(|(_, line)| is_record(line.trim_ascii()));
        found.map(|(number, _)| number)
    }

    /// Whether a line begins as a record of this form does.
    fn begins(self, line: &[u8]) -> bool {
        match (self, line) {
            (Self::IntelHex, [b':', digit, ..]) => digit.is_ascii_hexdigit(),
            (Self::SRecord, [b'S', kind, digit, ..]) => {
                kind.is_ascii_digit() && digit.is_ascii_hexdigit()
            }
            _ => false,
        }
    }
}

/// The data of one record.
#[derive(Debug)]
struct Datum {
    address: u32,
    bytes: Vec<u8>,
}

impl Datum {
    fn end(&self) -> u64 {
        u64::from(self.address) + self.bytes.len() as u64
    }
}

/// Adjoining data that stand one behind the other in the file.
#[derive(Debug, Clone, Copy)]
struct Run {
    /// First address behind it.
    end: u64,
    /// Its first record.
    place: Place,
    /// What the lines before that one mean for it.
    decoder: Decoder,
}

/// The records of a file, one after the other.
struct Records<'a> {
    lines: Lines<'a>,
    decoder: Decoder,
}

impl<'a> Records<'a> {
    fn new(file: &'a dyn ReadAt, size_bytes: u64, place: Place, decoder: Decoder) -> Self {
        let lines = Lines::new(file, size_bytes, place);
        Self { lines, decoder }
    }

    /// The next data, where they stand, and the decoder before them.
    fn next(&mut self) -> Result<Option<(Place, Decoder, Datum)>, Fault> {
        while let Some((place, line)) = self.lines.next()? {
            let before = self.decoder;
            if let Some(datum) = self.decoder.take(line)? {
                return Ok(Some((place, before, datum)));
            }
        }
        if self.decoder.has_ended() {
            return Ok(None);
        }
        Err(RecordProblem::NoEnd.at(1))
    }
}

/// A file of records that was read through once.
pub(super) struct RecordFile<'a> {
    file: &'a dyn ReadAt,
    size_bytes: u64,
    form: Form,
    /// By first address.
    runs: BTreeMap<u32, Run>,
}

/// Why a file of records could not be used.
#[derive(Debug)]
pub(super) enum Unusable {
    Damaged(RecordError),
    Io(io::Error),
}

impl<'a> RecordFile<'a> {
    /// Reads all records of `file`, which messages call `name`.
    pub fn read(
        file: &'a dyn ReadAt,
        size_bytes: u64,
        form: Form,
        name: &str,
    ) -> Result<Self, Unusable> {
        let mut found = Self {
            file,
            size_bytes,
            form,
            runs: BTreeMap::new(),
        };
        let mut records = found.records();
        let mut current = None;
        loop {
            let result = records.next();
            let result = result.and_then(|record| match record {
                Some((place, decoder, datum)) => found.add(&mut current, place, decoder, &datum),
                None => Ok(false),
            });
            match result {
                Ok(true) => {}
                Ok(false) => return Ok(found),
                Err(Fault::Io(error)) => return Err(Unusable::Io(error)),
                Err(Fault::At(column, problem)) => {
                    return Err(Unusable::Damaged(RecordError {
                        file: name.to_owned(),
                        line: records.lines.last(),
                        column,
                        problem,
                    }));
                }
            }
        }
    }

    fn records(&self) -> Records<'a> {
        let decoder = Decoder::new(self.form);
        Records::new(self.file, self.size_bytes, Place::START, decoder)
    }

    /// Adds a record's data to the run at `current`, or begins another.
    fn add(
        &mut self,
        current: &mut Option<u32>,
        place: Place,
        decoder: Decoder,
        datum: &Datum,
    ) -> Result<bool, Fault> {
        let column = if self.form == Form::IntelHex { 4 } else { 5 };
        if let Some(address) = self.taken(datum) {
            return Err(RecordProblem::Twice(Address(address)).at(column));
        }
        let end = datum.end();
        let begun = self.runs.len();
        let run = current.map_or(None, |start| self.runs.get_mut(&start));
        match run {
            Some(run) if run.end == u64::from(datum.address) => run.end = end,
            _ if begun == RUNS_MAX => return Err(RecordProblem::Scattered.at(column)),
            _ => {
                let run = Run {
                    end,
                    place,
                    decoder,
                };
                self.runs.insert(datum.address, run);
                *current = Some(datum.address);
            }
        }
        Ok(true)
    }

    /// First address of `datum` that was given before.
    fn taken(&self, datum: &Datum) -> Option<u32> {
        let before = self.runs.range(..=datum.address).next_back();
        if before.is_some_and(|(_, run)| run.end > u64::from(datum.address)) {
            return Some(datum.address);
        }
        let (start, _) = self.runs.range(datum.address..).next()?;
        (u64::from(*start) < datum.end()).then_some(*start)
    }

    /// Adjoining bytes, by address; ends may be 4 GiB.
    pub fn ranges(&self) -> impl Iterator<Item = Range<u64>> + '_ {
        let runs = self.runs.iter();
        runs.map(|(start, run)| u64::from(*start)..run.end)
    }

    /// The first record, in the file's order, whose data do not lie within `window`: its line and address.
    pub fn outside(&self, window: &Range<u64>) -> Option<(u64, u32)> {
        let mut records = self.records();
        while let Ok(Some((place, _, datum))) = records.next() {
            if u64::from(datum.address) < window.start || datum.end() > window.end {
                return Some((place.line, datum.address));
            }
        }
        None
    }
}

#[cfg(test)]
mod tests;
