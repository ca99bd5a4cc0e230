//! What can go wrong with a journal.

use std::ops::Range;
use std::path::PathBuf;

use crate::jedec::Address;
use crate::unit::error::UnitError;
use crate::unit::store::StoreError;

/// Why a call on a journal failed. None of these blocks a restore.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// The file could not be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The unit does not allow it.
    #[error(transparent)]
    Unit(Box<UnitError>),
    /// The newest journal tells of a write that did not end.
    #[error("{} tells of a write that did not end", path.display())]
    Unfinished {
        /// The journal.
        path: PathBuf,
    },
    /// The journal has ended; nothing is added to it.
    #[error("{} has ended", path.display())]
    Ended {
        /// The journal.
        path: PathBuf,
    },
    /// The header is short, is no journal's, or does not check.
    #[error("{}: the header does not check: {why}", path.display())]
    DamagedHeader {
        /// The journal.
        path: PathBuf,
        /// What is wrong.
        why: &'static str,
    },
    /// A record does not check, and it is not the last.
    #[error("{}: record {record} does not check: {why}", path.display())]
    DamagedRecord {
        /// The journal.
        path: PathBuf,
        /// Its place, from 1.
        record: u32,
        /// What is wrong.
        why: &'static str,
    },
    /// The file bears another number than its header.
    #[error("{} is numbered {inside} inside", path.display())]
    Number {
        /// The journal.
        path: PathBuf,
        /// Number in the header.
        inside: u32,
    },
    /// A header field is longer than its place.
    #[error("the journal has room for {max} bytes of {field}, not for {got}")]
    Header {
        /// The field.
        field: &'static str,
        /// Bytes it has.
        got: usize,
        /// Bytes there is room for.
        max: usize,
    },
    /// A block that is empty or reaches past the chip.
    #[error("{} to {} is not a block of the chip", Address(block.start), Address(block.end))]
    Block {
        /// The block.
        block: Range<u32>,
    },
    /// A block was said to be done that is not in hand.
    #[error("the block at {} is not in hand", Address(block.start))]
    NotInHand {
        /// The block.
        block: Range<u32>,
    },
    /// A journal was to end with a block in hand.
    #[error("the block at {} is still in hand", Address(block.start))]
    StillInHand {
        /// The first such block.
        block: Range<u32>,
    },
}

impl JournalError {
    /// Wraps a unit's error.
    pub(super) fn unit(error: UnitError) -> Self {
        Self::Unit(Box::new(error))
    }
}
