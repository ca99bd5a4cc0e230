//! The journal of a write: which blocks were begun and which are done, so that an interrupted write
//! can be finished or undone.
//!
//! # Order of things
//! [`Journal::begun`] returns only when its record is synced; only then may the block be erased. A
//! block that is begun and not done is *in hand*: it may be torn, its cells may read differently
//! each time or right by luck, so it is always erased and rewritten whole. [`Journal::done`] comes
//! after the block has been read back.
//!
//! # Which journal counts
//! `journal/write-N` is numbered from 1, for writes and restores alike. Only the newest tells the
//! state of the unit; an older one was closed, or was superseded by the next, which then carries its
//! blocks in hand. Damage to a journal never blocks a restore: [`Journal::supersede`] does not need
//! to read the old one.
//!
//! # Form of the file
//! Published in `docs/files.md`; a test holds the two tables equal.
//!
//! A header of 512 bytes, then records of 64 bytes each. All numbers are little-endian, unused bytes
//! zero, digests SHA-256 (FIPS 180-4).
//!
//! | header bytes | what |
//! |---|---|
//! | 0..16 | `norlock journal` and a line feed |
//! | 16..20 | form of the file, 1 |
//! | 20..24 | number of this journal |
//! | 24..28 | number of the journal it supersedes, or 0 |
//! | 28 | intent: 1 write, 2 restore |
//! | 29 | addressing as found: 1 three bytes, 2 four-byte mode, 3 bank or extended address register |
//! | 30 | value of that register, else 0 |
//! | 31 | how protection is lifted and put back: 0 by writes that last, 1 by writes that end with the supply |
//! | 32..36 | size of the chip in bytes |
//! | 36..40 | 0 |
//! | 40..72 | digest of the target |
//! | 72..104 | digest of the baseline |
//! | 104..136 | digest of the worklist |
//! | 136..168 | digest of the region map, or zeros for none |
//! | 168..185 | JEDEC ID: its length (1 byte), then up to 16 bytes |
//! | 185..218 | unique ID: its length, then up to 32 bytes; length 0 for none |
//! | 218..411 | part name: its length, then up to 192 bytes of UTF-8, cut if longer |
//! | 411..444 | status registers as found: their count, then 16 pairs of read opcode and value |
//! | 444..480 | 0 |
//! | 480..512 | digest of bytes 0..480 |
//!
//! | record bytes | what |
//! |---|---|
//! | 0..4 | sequence number, from 1 |
//! | 4 | kind: 1 begun, 2 done, 3 closed, 4 abandoned |
//! | 5..8 | 0 |
//! | 8..12 | address of the block; 0 for kinds 3 and 4 |
//! | 12..16 | size of the block in bytes; 0 for kinds 3 and 4 |
//! | 16..48 | digest of the 64 bytes of the record before; of the header for the first |
//! | 48..56 | 0 |
//! | 56..64 | first 8 bytes of the digest of bytes 0..56 |
//!
//! The header gets its name in one step, whole, before anything is erased; a damaged header is
//! damage. Each record is synced before the next is written, so a crash can spoil only the last one:
//! a last record that is short or does not check is taken as not written, since the erase it
//! announces had not begun. A record that does not check with another behind it is damage.

mod contents;
mod error;
mod header;
mod record;

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

pub use contents::{BlockState, Contents, End};
pub use error::JournalError;
pub use header::{HEADER_BYTES, Header, Intent};
pub use record::{Kind, RECORD_BYTES, Record};

use super::digest::Digest;
use super::folder::Unit;
use super::store::{Publish, StoreFile, UNFINISHED_SUFFIX};

/// Name of the folder in the unit folder that holds the journals.
pub const FOLDER: &str = "journal";

const PREFIX: &str = "write-";

/// A journal open to be written on.
pub struct Journal {
    path: PathBuf,
    file: Box<dyn StoreFile>,
    contents: Contents,
}

impl fmt::Debug for Journal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Journal")
            .field("path", &self.path)
            .field("contents", &self.contents)
            .finish_non_exhaustive()
    }
}

/// A unit's newest journal, if it tells of a write that did not end.
#[derive(Debug)]
pub struct UnfinishedWrite {
    /// Number of the journal.
    pub number: u32,
    /// Where it lies.
    pub path: PathBuf,
    /// What it says, or why that cannot be told.
    pub contents: Result<Contents, JournalError>,
}

impl Journal {
    /// Begins the next journal; space for `blocks` blocks is reserved. The number in `header` is
    /// filled in. On return the header is durable.
    ///
    /// # Errors
    /// `Unfinished` if the newest journal did not end; `Header` if the header cannot be encoded;
    /// `Store`, with `Full`; `Unit` if the unit is only viewed. No journal is left behind.
    pub fn begin(unit: &Unit, header: Header, blocks: u32) -> Result<Self, JournalError> {
        if let Some(unfinished) = Self::find_unfinished(unit)? {
            return Err(JournalError::Unfinished {
                path: unfinished.path,
            });
        }
        Self::create(unit, header, blocks, None, &[])
    }

    /// Begins a journal in place of the newest one, which may be damaged. `in_hand` are the blocks
    /// that may be torn: they are begun in the new journal from its first durable moment.
    ///
    /// # Errors
    /// As [`Self::begin`], without `Unfinished`; `Block` for a block outside the chip.
    pub fn supersede(
        unit: &Unit,
        header: Header,
        blocks: u32,
        in_hand: &[Range<u32>],
    ) -> Result<Self, JournalError> {
        let newest = newest(unit)?;
        Self::create(unit, header, blocks, newest, in_hand)
    }

    fn create(
        unit: &Unit,
        mut header: Header,
        blocks: u32,
        supersedes: Option<u32>,
        in_hand: &[Range<u32>],
    ) -> Result<Self, JournalError> {
        unit.must_be_locked().map_err(JournalError::unit)?;
        let store = unit.store();
        let folder = unit.folder().join(FOLDER);
        if !store.exists(&folder)? {
            store.create_folder(&folder)?;
        }
        header.number = newest(unit)?.unwrap_or(0).saturating_add(1);
        header.supersedes = supersedes;
        let path = path_of(unit, header.number);
        let (contents, bytes) = first_bytes(&path, &header, in_hand)?;

        let unfinished = path.with_extension(UNFINISHED_SUFFIX.trim_start_matches('.'));
        let mut file = store.create(&unfinished, reserve_bytes(blocks, in_hand.len()))?;
        let made = file
            .write_all_at(0, &bytes)
            .and_then(|()| store.publish(&unfinished, &path, Publish::Extendable));
        if let Err(error) = made {
            // Best effort: opening the unit sweeps away what stays.
            let _ = store.remove(&unfinished);
            return Err(error.into());
        }
        let file = store.open_to_extend(&path)?;
        Ok(Self {
            path,
            file,
            contents,
        })
    }

    /// Opens the journal of [`UnfinishedWrite`] to go on with it. What it says is synced first, so
    /// that nothing is built on records that a crash could still take back.
    ///
    /// # Errors
    /// `Ended` if there is nothing to go on with; those of [`Contents::decode`]; `Store`.
    pub fn resume(unit: &Unit, number: u32) -> Result<Self, JournalError> {
        unit.must_be_locked().map_err(JournalError::unit)?;
        let path = path_of(unit, number);
        let mut file = unit.store().open_to_extend(&path)?;
        file.sync()?;
        let contents = read(unit, number)?;
        if contents.end.is_some() {
            return Err(JournalError::Ended { path });
        }
        Ok(Self {
            path,
            file,
            contents,
        })
    }

    /// The newest journal of a unit, if it did not end or cannot be read.
    ///
    /// # Errors
    /// `Store`, if the folder cannot be looked at.
    pub fn find_unfinished(unit: &Unit) -> Result<Option<UnfinishedWrite>, JournalError> {
        let Some(number) = newest(unit)? else {
            return Ok(None);
        };
        let path = path_of(unit, number);
        let contents = read(unit, number);
        let ended = matches!(&contents, Ok(contents) if contents.end.is_some());
        Ok((!ended).then_some(UnfinishedWrite {
            number,
            path,
            contents,
        }))
    }

    /// What the journal says now.
    #[must_use]
    pub fn contents(&self) -> &Contents {
        &self.contents
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Takes a block in hand. On return that is durable, and the block may be erased.
    ///
    /// A block may be begun again, whatever its state.
    ///
    /// # Errors
    /// `Block` for an empty block or one outside the chip; `Store`: the block must not be erased.
    pub fn begun(&mut self, block: Range<u32>) -> Result<(), JournalError> {
        self.append(Kind::Begun, block)
    }

    /// Notes that a block in hand holds what it should and was read back. One sync.
    ///
    /// # Errors
    /// `NotInHand` for any other block; `Store`: the block stays in hand.
    pub fn done(&mut self, block: Range<u32>) -> Result<(), JournalError> {
        self.append(Kind::Done, block)
    }

    /// Ends the journal of a write that is complete.
    ///
    /// # Errors
    /// `StillInHand` if a block is in hand; `Store`: the journal is still open.
    pub fn close(mut self) -> Result<(), JournalError> {
        self.append(Kind::Closed, 0..0)
    }

    /// Ends the journal of a write that is given up with no block in hand.
    ///
    /// # Errors
    /// As [`Self::close`].
    pub fn abandon(mut self) -> Result<(), JournalError> {
        self.append(Kind::Abandoned, 0..0)
    }

    fn append(&mut self, kind: Kind, block: Range<u32>) -> Result<(), JournalError> {
        let record = next(&self.contents, kind, block);
        self.contents.check(&self.path, &record)?;
        let bytes = record.encode();
        self.file.write_all_at(self.contents.size_bytes(), &bytes)?;
        self.file.sync()?;
        self.contents.put(&record, Digest::of(&bytes));
        Ok(())
    }
}

/// The record that follows what is there.
fn next(contents: &Contents, kind: Kind, block: Range<u32>) -> Record {
    Record {
        sequence: contents.records.saturating_add(1),
        kind,
        block,
        before: contents.last,
    }
}

/// The bytes a journal is published with.
fn first_bytes(
    path: &Path,
    header: &Header,
    in_hand: &[Range<u32>],
) -> Result<(Contents, Vec<u8>), JournalError> {
    let mut bytes = header.encode()?.to_vec();
    let mut contents = Contents::decode(path, &bytes)?;
    for block in in_hand {
        let record = next(&contents, Kind::Begun, block.clone());
        contents.check(path, &record)?;
        contents.put(&record, Digest::of(&record.encode()));
        bytes.extend_from_slice(&record.encode());
    }
    Ok((contents, bytes))
}

/// Room for each block begun and done once, for those in hand, and for the end.
fn reserve_bytes(blocks: u32, in_hand: usize) -> u64 {
    let records = u64::from(blocks) * 2 + in_hand as u64 + 1;
    HEADER_BYTES as u64 + records * RECORD_BYTES as u64
}

fn path_of(unit: &Unit, number: u32) -> PathBuf {
    unit.folder().join(FOLDER).join(format!("{PREFIX}{number}"))
}

fn read(unit: &Unit, number: u32) -> Result<Contents, JournalError> {
    let path = path_of(unit, number);
    let contents = Contents::decode(&path, &unit.store().read(&path)?)?;
    match contents.header.number {
        inside if inside == number => Ok(contents),
        inside => Err(JournalError::Number { path, inside }),
    }
}

/// The highest number of a journal there is.
fn newest(unit: &Unit) -> Result<Option<u32>, JournalError> {
    let folder = unit.folder().join(FOLDER);
    if !unit.store().exists(&folder)? {
        return Ok(None);
    }
    Ok(unit
        .store()
        .list(&folder)?
        .iter()
        .filter_map(|entry| entry.name.strip_prefix(PREFIX)?.parse().ok())
        .max())
}

#[cfg(test)]
mod tests;
