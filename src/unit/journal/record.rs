//! One record: 64 bytes, see the table in the parent module.

use std::ops::Range;

use crate::unit::digest::Digest;

/// Bytes in a record.
pub const RECORD_BYTES: usize = 64;

/// Bytes that the checksum covers.
const CHECKED_BYTES: usize = 56;

/// What a record says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A block is taken in hand.
    Begun,
    /// A block in hand is done.
    Done,
    /// The write is complete.
    Closed,
    /// The write is given up, no block in hand.
    Abandoned,
}

/// A record, decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// Place in the journal, from 1.
    pub sequence: u32,
    /// What it says.
    pub kind: Kind,
    /// Of which block; `0..0` where it ends the journal.
    pub block: Range<u32>,
    /// Digest of the record before it, or of the header.
    pub before: Digest,
}

impl Record {
    /// The record's bytes.
    #[must_use]
    pub fn encode(&self) -> [u8; RECORD_BYTES] {
        let kind = match self.kind {
            Kind::Begun => 1,
            Kind::Done => 2,
            Kind::Closed => 3,
            Kind::Abandoned => 4u8,
        };
        let size_bytes = self.block.end.saturating_sub(self.block.start);
        let mut checked = Vec::with_capacity(RECORD_BYTES);
        checked.extend(self.sequence.to_le_bytes());
        checked.extend([kind, 0, 0, 0]);
        checked.extend(self.block.start.to_le_bytes());
        checked.extend(size_bytes.to_le_bytes());
        checked.extend(self.before.0);
        checked.resize(CHECKED_BYTES, 0);
        let checksum = checksum(&checked);
        let mut bytes = [0; RECORD_BYTES];
        for (to, from) in bytes.iter_mut().zip(checked.iter().chain(&checksum)) {
            *to = *from;
        }
        bytes
    }

    /// Decodes 64 bytes; `None` unless they are exactly what [`Self::encode`] would give.
    #[must_use]
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let bytes: &[u8; RECORD_BYTES] = bytes.try_into().ok()?;
        let (sequence, rest) = bytes.split_first_chunk::<4>()?;
        let (kind, rest) = rest.split_first_chunk::<4>()?;
        let (start, rest) = rest.split_first_chunk::<4>()?;
        let (size, rest) = rest.split_first_chunk::<4>()?;
        let before = rest.first_chunk::<32>()?;
        let start = u32::from_le_bytes(*start);
        let record = Self {
            sequence: u32::from_le_bytes(*sequence),
            kind: match kind {
                [1, ..] => Kind::Begun,
                [2, ..] => Kind::Done,
                [3, ..] => Kind::Closed,
                [4, ..] => Kind::Abandoned,
                _ => return None,
            },
            block: start..start.checked_add(u32::from_le_bytes(*size))?,
            before: Digest(*before),
        };
        (record.encode() == *bytes).then_some(record)
    }
}

fn checksum(checked: &[u8]) -> [u8; 8] {
    let [a, b, c, d, e, f, g, h, ..] = Digest::of(checked).0;
    [a, b, c, d, e, f, g, h]
}
