//! What a journal says.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use super::{HEADER_BYTES, Header, JournalError, Kind, RECORD_BYTES, Record};
use crate::unit::digest::Digest;

/// How far a block has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlockState {
    /// In hand: it may be torn.
    Begun,
    /// It was read back and holds what it should.
    Done,
}

/// How a journal ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The write was complete.
    Closed,
    /// The write was given up with no block in hand.
    Abandoned,
}

/// What a journal says, up to its last whole record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contents {
    /// What the write started from.
    pub header: Header,
    /// How it ended; `None` is not ended.
    pub end: Option<End>,
    /// Number of whole records.
    pub records: u32,
    /// Whether the last record was torn and is taken as not written.
    pub torn_tail: bool,
    /// Digest of the last whole record, or of the header.
    pub(super) last: Digest,
    /// By start and end, so that blocks of several erase types keep apart.
    blocks: BTreeMap<(u32, u32), BlockState>,
}

impl Contents {
    /// Decodes a journal's bytes; `path` is for the message.
    ///
    /// # Errors
    /// `DamagedHeader`, `DamagedRecord`. A torn last record is none.
    pub fn decode(path: &Path, bytes: &[u8]) -> Result<Self, JournalError> {
        let refuse = |why| JournalError::DamagedHeader {
            path: path.to_owned(),
            why,
        };
        let (header, records) = bytes
            .split_first_chunk::<HEADER_BYTES>()
            .ok_or_else(|| refuse("it is short"))?;
        let mut contents = Self {
            header: Header::decode(header).map_err(refuse)?,
            end: None,
            records: 0,
            torn_tail: false,
            last: Digest::of(header),
            blocks: BTreeMap::new(),
        };
        let count = records.len().div_ceil(RECORD_BYTES);
        for (bytes, place) in records.chunks(RECORD_BYTES).zip(1..) {
            match Record::decode(bytes) {
                Some(record) => {
                    contents.check(path, &record).map_err(|error| match error {
                        JournalError::DamagedRecord { .. } => error,
                        _ => contents.damaged(path, "it contradicts those before it"),
                    })?;
                    contents.put(&record, Digest::of(bytes));
                }
                None if place == count => contents.torn_tail = true,
                None => return Err(contents.damaged(path, "its checksum differs")),
            }
        }
        Ok(contents)
    }

    /// Whether no block was ever begun, here or in a journal that this one supersedes.
    #[must_use]
    pub fn nothing_begun(&self) -> bool {
        self.records == 0 && self.header.supersedes.is_none()
    }

    /// The blocks in hand, by address.
    #[must_use]
    pub fn in_hand(&self) -> Vec<Range<u32>> {
        self.blocks_in(BlockState::Begun)
    }

    /// The blocks that are done, by address.
    #[must_use]
    pub fn done(&self) -> Vec<Range<u32>> {
        self.blocks_in(BlockState::Done)
    }

    /// How far a block has come; `None` is not begun.
    #[must_use]
    pub fn state(&self, block: &Range<u32>) -> Option<BlockState> {
        self.blocks.get(&(block.start, block.end)).copied()
    }

    /// Bytes up to the end of the last whole record: where the next one goes.
    #[must_use]
    pub fn size_bytes(&self) -> u64 {
        HEADER_BYTES as u64 + u64::from(self.records) * RECORD_BYTES as u64
    }

    fn blocks_in(&self, state: BlockState) -> Vec<Range<u32>> {
        self.blocks
            .iter()
            .filter(|(_, found)| **found == state)
            .map(|((start, end), _)| *start..*end)
            .collect()
    }

    /// Whether `record` may follow what is there.
    pub(super) fn check(&self, path: &Path, record: &Record) -> Result<(), JournalError> {
        if self.end.is_some() {
            return Err(JournalError::Ended {
                path: path.to_owned(),
            });
        }
        if Some(record.sequence) != self.records.checked_add(1) {
            return Err(self.damaged(path, "its sequence number is out of order"));
        }
        if record.before != self.last {
            return Err(self.damaged(path, "it follows another record"));
        }
        self.check_block(record.kind, &record.block)
    }

    fn check_block(&self, kind: Kind, block: &Range<u32>) -> Result<(), JournalError> {
        let outside = block.is_empty() || block.end > self.header.size_bytes;
        let block = block.clone();
        match kind {
            Kind::Begun if outside => Err(JournalError::Block { block }),
            Kind::Done if self.state(&block) != Some(BlockState::Begun) => {
                Err(JournalError::NotInHand { block })
            }
            Kind::Begun | Kind::Done => Ok(()),
            Kind::Closed | Kind::Abandoned => match self.in_hand().into_iter().next() {
                Some(block) => Err(JournalError::StillInHand { block }),
                None => Ok(()),
            },
        }
    }

    /// Puts a record that was checked in; `digest` is its own.
    pub(super) fn put(&mut self, record: &Record, digest: Digest) {
        let key = (record.block.start, record.block.end);
        match record.kind {
            Kind::Begun => {
                self.blocks.insert(key, BlockState::Begun);
            }
            Kind::Done => {
                self.blocks.insert(key, BlockState::Done);
            }
            Kind::Closed => self.end = Some(End::Closed),
            Kind::Abandoned => self.end = Some(End::Abandoned),
        }
        self.records = record.sequence;
        self.last = digest;
    }

    fn damaged(&self, path: &Path, why: &'static str) -> JournalError {
        JournalError::DamagedRecord {
            path: path.to_owned(),
            record: self.records.saturating_add(1),
            why,
        }
    }
}
