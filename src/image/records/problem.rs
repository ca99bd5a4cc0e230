//! What can be wrong in a file of records.

use std::io;

use super::{Form, RUNS_MAX};
use crate::jedec::Address;

/// What is wrong in a file of records, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}, line {line}, column {column}: {problem}")]
pub struct RecordError {
    /// The file, as it was named.
    pub file: String,
    /// Line, from 1.
    pub line: u64,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong there.
    pub problem: RecordProblem,
}

/// What can be wrong in a file of records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RecordProblem {
    /// A line that does not begin as records do.
    #[error("a record begins with {}", match .0 { Form::SRecord => "'S' and a digit", _ => "':'" })]
    NoRecord(Form),
    /// Something else than digits.
    #[error("{} is no hexadecimal digit", show(*.0))]
    NoDigit(u8),
    /// A line cut short, or two joined.
    #[error("the line is not as long as it says")]
    Length,
    /// A damaged line.
    #[error("the line is damaged: its checksum does not fit")]
    Checksum,
    /// A type that the form does not have.
    #[error("there is no such type of record")]
    Type,
    /// Data that reaches past a segment's 64 KiB, or past 4 GiB.
    #[error("the data reach past the end of what can be addressed")]
    PastTheEnd,
    /// The count of records is another one.
    #[error("{said} data records are announced, {found} stand above: lines are missing")]
    Count {
        /// The count that the file gives.
        said: u32,
        /// Data records before it.
        found: u64,
    },
    /// Lines behind the end record.
    #[error("something follows the end record: two files in one")]
    AfterTheEnd,
    /// No end record.
    #[error("the file ends without its end record: it was cut short")]
    NoEnd,
    /// Two contents for one byte.
    #[error("the byte at {0} is given a second time")]
    Twice(Address),
    /// Addresses without any order.
    #[error("the addresses jump more than {RUNS_MAX} times")]
    Scattered,
}

impl RecordProblem {
    pub(super) fn at(self, column: usize) -> Fault {
        Fault::At(column, self)
    }
}

/// Why records cannot be read: the problem at a column of the line at hand, or the file itself.
#[derive(Debug)]
pub(super) enum Fault {
    At(usize, RecordProblem),
    Io(io::Error),
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// A character as it can be printed.
fn show(byte: u8) -> String {
    match byte {
        b' '..=b'~' => format!("'{}'", char::from(byte)),
        _ => format!("the byte {byte:02X}h"),
    }
}
