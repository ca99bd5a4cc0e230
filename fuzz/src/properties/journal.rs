//! A journal's bytes: as they are, and with digests that fit, since chance finds none.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use norlock::unit::Digest;
use norlock::unit::journal::{BlockState, Contents, HEADER_BYTES, Kind, RECORD_BYTES, Record};

/// Where the header's own digest stands.
const DIGEST_AT: usize = 480;

/// Reads a journal.
pub fn check(bytes: &[u8]) -> bool {
    let plain = read(bytes);
    let Some((header, rest)) = bytes.split_first_chunk::<HEADER_BYTES>() else {
        return plain;
    };
    let mut journal = header[..DIGEST_AT].to_vec();
    journal.extend(Digest::of(&journal).0);
    let mut before = Digest::of(&journal);
    for (raw, sequence) in rest.chunks_exact(RECORD_BYTES).zip(1..) {
        let record = record(raw, sequence, before).encode();
        before = Digest::of(&record);
        journal.extend(record);
    }
    read(&journal) || plain
}

/// A record of kind and block as in `raw`, in its place.
fn record(raw: &[u8], sequence: u32, before: Digest) -> Record {
    let kinds = [Kind::Begun, Kind::Done, Kind::Closed, Kind::Abandoned];
    let kind = kinds[usize::from(raw[4]) % kinds.len()];
    let number = |at: usize| u32::from_le_bytes([raw[at], raw[at + 1], raw[at + 2], raw[at + 3]]);
    let block = match kind {
        Kind::Begun | Kind::Done => number(8)..number(8).saturating_add(number(12)),
        Kind::Closed | Kind::Abandoned => 0..0,
    };
    Record {
        sequence,
        kind,
        block,
        before,
    }
}

fn read(bytes: &[u8]) -> bool {
    let Ok(contents) = Contents::decode(Path::new("write-1"), bytes) else {
        return false;
    };
    let header = bytes.first_chunk::<HEADER_BYTES>().unwrap();
    assert_eq!(&contents.header.encode().unwrap(), header);
    let whole = contents.size_bytes() as usize;
    assert!(whole <= bytes.len() && (contents.torn_tail || whole == bytes.len()));
    let mut told: BTreeMap<(u32, u32), BlockState> = BTreeMap::new();
    for raw in bytes[HEADER_BYTES..whole].chunks(RECORD_BYTES) {
        let record = Record::decode(raw).unwrap();
        let key = (record.block.start, record.block.end);
        match record.kind {
            Kind::Begun => told.insert(key, BlockState::Begun),
            Kind::Done => told.insert(key, BlockState::Done),
            Kind::Closed | Kind::Abandoned => None,
        };
    }
    let as_told = |wanted: BlockState| -> Vec<Range<u32>> {
        let found = told.iter().filter(|(_, state)| **state == wanted);
        found.map(|((start, end), _)| *start..*end).collect()
    };
    assert_eq!(contents.in_hand(), as_told(BlockState::Begun));
    assert_eq!(contents.done(), as_told(BlockState::Done));
    assert!(contents.end.is_none() || contents.in_hand().is_empty());
    true
}
