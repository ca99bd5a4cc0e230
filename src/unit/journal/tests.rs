use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::chip::AddressingFound;
use crate::part::JedecId;
use crate::unit::store::{Fails, Loss, SimulatedStore, Store, StoreError};

const FOLDER_OF_UNIT: &str = "/gauge-07";
const BLOCK_BYTES: u32 = 0x10000;

fn header() -> Header {
    Header {
        number: 0,
        supersedes: None,
        intent: Intent::Write,
        target: Digest::of(b"target"),
        baseline: Digest::of(b"baseline"),
        worklist: Digest::of(b"worklist"),
        region_map: Some(Digest::of(b"regions")),
        part: "Winbond W25Q128JV".into(),
        jedec_id: JedecId(vec![0xEF, 0x40, 0x18]),
        unique_id: vec![0xD1; 8],
        size_bytes: 16 << 20,
        status: vec![(0x05, 0x00), (0x35, 0x02), (0x15, 0x60)],
        addressing: AddressingFound::Register(1),
        volatile_lift: true,
    }
}

fn unit() -> (SimulatedStore, Unit) {
    let store = SimulatedStore::new();
    let unit = open(&store);
    (store, unit)
}

fn open(store: &SimulatedStore) -> Unit {
    Unit::open_or_create(Arc::new(store.clone()), Path::new(FOLDER_OF_UNIT)).unwrap()
}

fn block(n: u32) -> Range<u32> {
    n * BLOCK_BYTES..(n + 1) * BLOCK_BYTES
}

fn decode(bytes: &[u8]) -> Result<Contents, JournalError> {
    Contents::decode(Path::new("write-1"), bytes)
}

/// The bytes of a journal of 64 records: 31 blocks done, one in hand, one begun again.
fn bytes_of_64_records() -> Vec<u8> {
    let (store, unit) = unit();
    let mut journal = Journal::begin(&unit, header(), 32).unwrap();
    for n in 0..31 {
        journal.begun(block(n)).unwrap();
        journal.done(block(n)).unwrap();
    }
    journal.begun(block(31)).unwrap();
    journal.begun(block(3)).unwrap();
    store.read(journal.path()).unwrap()
}

#[test]
fn the_header_comes_back() {
    for header in [
        header(),
        Header {
            supersedes: Some(3),
            intent: Intent::Restore,
            region_map: None,
            unique_id: Vec::new(),
            status: Vec::new(),
            addressing: AddressingFound::FourByte,
            ..header()
        },
    ] {
        assert_eq!(Header::decode(&header.encode().unwrap()), Ok(header));
    }
    let long = Header {
        part: "é".repeat(200),
        ..header()
    };
    let back = Header::decode(&long.encode().unwrap()).unwrap();
    assert_eq!(back.part, "é".repeat(96));
    // A name is not cut within a character.
    let odd = Header {
        part: format!("x{}", long.part),
        ..header()
    };
    let back = Header::decode(&odd.encode().unwrap()).unwrap();
    assert_eq!(back.part, format!("x{}", "é".repeat(95)));
    let many = Header {
        status: (0..16).map(|n| (n, n)).collect(),
        ..header()
    };
    assert_eq!(Header::decode(&many.encode().unwrap()), Ok(many));
    let too_long = Header {
        unique_id: vec![0; 33],
        ..header()
    };
    assert!(matches!(
        too_long.encode(),
        Err(JournalError::Header { max: 32, .. })
    ));
}

/// Its digest is right, and still it is none that norlock writes.
#[test]
fn a_header_that_no_journal_has_is_refused() {
    let short = Header {
        jedec_id: JedecId(vec![0xEF, 0x40]),
        ..header()
    };
    let long = Header {
        jedec_id: JedecId(vec![0xEF, 0x40, 0x18, 0x00]),
        ..header()
    };
    let refused = Err("its JEDEC ID is too short");
    assert_eq!(Header::decode(&short.encode().unwrap()), refused);
    assert!(Header::decode(&long.encode().unwrap()).is_ok());
    // The bytes behind the size are of no use.
    let mut odd = header().encode().unwrap();
    odd[36] = 1;
    let digest = Digest::of(&odd[..480]).0;
    odd[480..].copy_from_slice(&digest);
    let refused = Err("it holds what no journal says");
    assert_eq!(Header::decode(&odd), refused);
}

#[test]
fn a_journal_under_another_number_is_refused() {
    let (store, unit) = unit();
    let journal = Journal::begin(&unit, header(), 8).unwrap();
    let bytes = store.read(journal.path()).unwrap();
    store.replace(&path_of(&unit, 3), &bytes).unwrap();
    let found = Journal::find_unfinished(&unit).unwrap().unwrap();
    let refused = matches!(found.contents, Err(JournalError::Number { inside: 1, .. }));
    assert!(refused, "{:?}", found.contents);
}

/// A header of 512 bytes, and 64 for each of: begun, done, in hand from before, the end.
#[test]
fn room_is_reserved_for_every_record() {
    assert_eq!(reserve_bytes(8, 2), 512 + (8 + 8 + 2 + 1) * 64);
}

#[test]
fn the_form_is_the_documented_one() {
    let bytes = bytes_of_64_records();
    assert_eq!(bytes.len(), 512 + 64 * 64);
    assert_eq!(&bytes[..16], b"norlock journal\n");
    assert_eq!(bytes[16..24], [1, 0, 0, 0, 1, 0, 0, 0]);
    assert_eq!(bytes[168..172], [3, 0xEF, 0x40, 0x18]);
    assert_eq!(bytes[411..418], [3, 0x05, 0x00, 0x35, 0x02, 0x15, 0x60]);
    assert_eq!(bytes[480..512], Digest::of(&bytes[..480]).0);
    // The third record: block 1 is begun.
    let third = &bytes[512 + 128..512 + 192];
    assert_eq!(
        third[..16],
        [3, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0]
    );
    assert_eq!(third[16..48], Digest::of(&bytes[512 + 64..512 + 128]).0);
    assert_eq!(third[56..], Digest::of(&third[..56]).0[..8]);
}

/// What the first `n` records say, made without the decoder: the states after each record.
fn true_prefixes() -> Vec<Vec<(u32, BlockState)>> {
    let mut states = vec![Vec::new()];
    let mut now: Vec<(u32, BlockState)> = Vec::new();
    for n in 0..31 {
        now.push((n, BlockState::Begun));
        states.push(now.clone());
        now[n as usize].1 = BlockState::Done;
        states.push(now.clone());
    }
    now.push((31, BlockState::Begun));
    states.push(now.clone());
    now[3].1 = BlockState::Begun;
    states.push(now);
    states
}

fn says(contents: &Contents) -> Vec<(u32, BlockState)> {
    (0..256)
        .filter_map(|n| Some((n, contents.state(&block(n))?)))
        .collect()
}

#[test]
fn every_prefix_is_refused_or_true() {
    let (bytes, prefixes) = (bytes_of_64_records(), true_prefixes());
    for length in 0..=bytes.len() {
        let decoded = decode(&bytes[..length]);
        if length < HEADER_BYTES {
            assert!(matches!(decoded, Err(JournalError::DamagedHeader { .. })));
            continue;
        }
        let contents = decoded.unwrap();
        let whole = (length - HEADER_BYTES) / RECORD_BYTES;
        assert_eq!(contents.records as usize, whole);
        assert_eq!(
            contents.torn_tail,
            (length - HEADER_BYTES) % RECORD_BYTES != 0
        );
        assert_eq!(says(&contents), prefixes[whole]);
    }
}

#[test]
fn every_flipped_bit_is_refused_or_costs_the_last_record() {
    let mut bytes = bytes_of_64_records();
    let last = bytes.len() - RECORD_BYTES;
    let prefixes = true_prefixes();
    for bit in 0..bytes.len() * 8 {
        let (at, mask) = (bit / 8, 1 << (bit % 8));
        bytes[at] ^= mask;
        match decode(&bytes) {
            Err(JournalError::DamagedHeader { .. }) => assert!(at < HEADER_BYTES, "bit {bit}"),
            Err(JournalError::DamagedRecord { record, .. }) => {
                assert_eq!(record as usize, (at - HEADER_BYTES) / RECORD_BYTES + 1);
            }
            Err(other) => panic!("bit {bit}: {other}"),
            Ok(contents) => {
                assert!(at >= last && contents.torn_tail, "bit {bit} went unnoticed");
                assert_eq!(says(&contents), prefixes[63]);
            }
        }
        bytes[at] ^= mask;
    }
}

#[test]
fn records_cannot_be_left_out_swapped_or_brought_from_another_journal() {
    let bytes = bytes_of_64_records();
    let record = |n: usize| HEADER_BYTES + n * RECORD_BYTES..HEADER_BYTES + (n + 1) * RECORD_BYTES;
    let mut without = bytes.clone();
    without.drain(record(5));
    let mut swapped = bytes.clone();
    swapped.copy_within(record(9), record(8).start);
    let mut foreign = Header {
        worklist: Digest::of(b"another"),
        ..header()
    }
    .encode()
    .unwrap()
    .to_vec();
    foreign.extend(&bytes[HEADER_BYTES..]);
    for (damaged, says) in [
        (without, "record 6 does not check: its sequence number is"),
        (swapped, "record 9 does not check: its sequence number is"),
        (foreign, "record 1 does not check: it follows another"),
    ] {
        let error = decode(&damaged).unwrap_err();
        assert!(
            matches!(error, JournalError::DamagedRecord { .. }),
            "{error}"
        );
        assert!(error.to_string().contains(says), "{error}");
    }
}

#[test]
fn a_journal_is_gone_on_with_after_a_torn_record() {
    let (store, unit) = unit();
    let mut journal = Journal::begin(&unit, header(), 8).unwrap();
    journal.begun(block(0)).unwrap();
    journal.done(block(0)).unwrap();
    journal.begun(block(1)).unwrap();
    let path = journal.path().to_owned();
    assert!(store.corrupt(&path, |bytes| bytes.extend([0; 40])));
    drop((journal, unit));
    store.crash(Loss::Drop);

    let unit = open(&store);
    let found = Journal::find_unfinished(&unit).unwrap().unwrap();
    let contents = found.contents.unwrap();
    assert!(contents.torn_tail);
    assert_eq!(
        contents.header,
        Header {
            number: 1,
            ..header()
        }
    );
    assert_eq!(
        (contents.in_hand(), contents.done()),
        (vec![block(1)], vec![block(0)])
    );

    let mut journal = Journal::resume(&unit, found.number).unwrap();
    journal.begun(block(2)).unwrap();
    journal.done(block(2)).unwrap();
    let error = journal.done(block(2)).unwrap_err();
    assert!(matches!(error, JournalError::NotInHand { .. }));
    journal.done(block(1)).unwrap();
    journal.close().unwrap();
    let contents = decode(&store.read(&path).unwrap()).unwrap();
    assert_eq!(
        (contents.end, contents.torn_tail),
        (Some(End::Closed), false)
    );
    assert!(Journal::find_unfinished(&unit).unwrap().is_none());
    assert!(matches!(
        Journal::resume(&unit, 1),
        Err(JournalError::Ended { .. })
    ));
}

#[test]
fn blocks_outside_the_chip_and_early_ends_are_refused() {
    let (_, unit) = unit();
    let mut journal = Journal::begin(&unit, header(), 8).unwrap();
    for outside in [5..5, (16 << 20) - 1..(16 << 20) + 1] {
        assert!(matches!(
            journal.begun(outside),
            Err(JournalError::Block { .. })
        ));
    }
    journal.begun(block(4)).unwrap();
    assert!(matches!(
        journal.close(),
        Err(JournalError::StillInHand { .. })
    ));
    let second = Journal::begin(&unit, header(), 8);
    assert!(matches!(second, Err(JournalError::Unfinished { .. })));
}

#[test]
fn a_write_given_up_leaves_the_way_free() {
    let (store, unit) = unit();
    Journal::begin(&unit, header(), 8)
        .unwrap()
        .abandon()
        .unwrap();
    let second = Journal::begin(&unit, header(), 8).unwrap();
    assert_eq!(
        (
            second.contents().header.number,
            second.contents().header.supersedes
        ),
        (2, None)
    );
    assert_eq!(store.mode(second.path()).unwrap(), 0o600);
}

#[test]
fn damage_never_blocks_a_restore() {
    let (store, unit) = unit();
    let mut journal = Journal::begin(&unit, header(), 8).unwrap();
    journal.begun(block(0)).unwrap();
    journal.done(block(0)).unwrap();
    journal.begun(block(1)).unwrap();
    let path = journal.path().to_owned();
    store.corrupt(&path, |bytes| bytes[HEADER_BYTES + 9] ^= 1);
    let found = Journal::find_unfinished(&unit).unwrap().unwrap();
    let error = found.contents.unwrap_err().to_string();
    let says = "record 1 does not check: its checksum differs";
    assert!(error.contains(says), "{error}");
    assert!(Journal::resume(&unit, 1).is_err());

    let restore = Header {
        intent: Intent::Restore,
        ..header()
    };
    let journal = Journal::supersede(&unit, restore, 8, &[block(1), block(7)]).unwrap();
    assert_eq!(journal.contents().header.supersedes, Some(1));
    drop(journal);
    let found = Journal::find_unfinished(&unit).unwrap().unwrap();
    assert_eq!(
        (found.number, found.contents.unwrap().in_hand()),
        (2, vec![block(1), block(7)])
    );
}

#[test]
fn a_viewed_unit_gets_no_journal() {
    let (store, unit) = unit();
    drop(unit);
    let unit = Unit::view(Arc::new(store), Path::new(FOLDER_OF_UNIT)).unwrap();
    let refused = Journal::begin(&unit, header(), 8);
    assert!(matches!(refused, Err(JournalError::Unit(_))));
}

#[test]
fn room_is_made_before_the_first_block() {
    let (store, unit) = unit();
    store.set_capacity_bytes(Some(4096));
    let refused = Journal::begin(&unit, header(), 64);
    assert!(matches!(
        refused,
        Err(JournalError::Store(StoreError::Full { .. }))
    ));
    assert!(Journal::find_unfinished(&unit).unwrap().is_none());
    assert!(Journal::begin(&unit, header(), 8).is_ok());
}

/// A crash at every step of a write: whatever `begun` said yes to is in hand or further afterwards,
/// whatever `done` said yes to is done, and no journal is refused.
#[test]
fn a_crash_at_any_step_loses_nothing_that_was_promised() {
    let mut steps = 0;
    for n in 0.. {
        for loss in [
            Loss::Keep,
            Loss::Drop,
            Loss::Tear(n as u64),
            Loss::Tear(n as u64 + 1000),
        ] {
            let (store, unit) = unit();
            store.fail_at(store.calls() + n, 5, Fails::FromThenOn);
            let mut promised = Vec::new();
            let ended = work(&unit, &mut promised).is_ok();
            store.crash(loss);
            check_promises(&store, &promised, ended);
            steps = if ended { n } else { steps };
        }
        if steps > 0 {
            break;
        }
    }
    assert!(steps > 20, "a write takes more steps than {steps}");
}

fn work(unit: &Unit, promised: &mut Vec<(u32, BlockState)>) -> Result<(), JournalError> {
    let mut journal = Journal::begin(unit, header(), 3)?;
    for n in 0..3 {
        journal.begun(block(n))?;
        promised.push((n, BlockState::Begun));
        journal.done(block(n))?;
        promised[n as usize].1 = BlockState::Done;
    }
    journal.close()
}

fn check_promises(store: &SimulatedStore, promised: &[(u32, BlockState)], ended: bool) {
    let unit = open(store);
    let Some(found) = Journal::find_unfinished(&unit).unwrap() else {
        // Ended, or never begun: a close that failed in its sync may still have arrived.
        let all_done = promised.len() == 3 && promised[2].1 == BlockState::Done;
        assert!(ended || promised.is_empty() || all_done);
        return;
    };
    assert!(!ended);
    let contents = found.contents.unwrap();
    for (n, state) in promised {
        let found = contents.state(&block(*n));
        // One further than promised is fine: the record arrived although the sync said no.
        assert!(
            found == Some(*state) || found == Some(BlockState::Done),
            "block {n}"
        );
    }
}
