//! A journal of 64 records that was cut short or has a bit flipped: the same write refuses, or goes on
//! rightly, and `restore` works whatever the damage is.
//!
//! Every prefix and every bit, judged by what the journal says, is in `src/unit/journal/tests.rs`; here
//! the whole job is run on them, and the cells judge.

use std::sync::OnceLock;

use norlock::job::Exit;
use norlock::mock::Torn;
use norlock::unit::store::Store;

use super::each;
use crate::small::Small;

const HEADER: usize = 512;
const RECORD: usize = 64;
const LENGTH: usize = HEADER + 64 * RECORD;

#[derive(Debug, Clone, Copy)]
enum Damage {
    /// So many bytes are left.
    Prefix(usize),
    /// This bit is flipped.
    Bit(usize),
}

/// A write that was interrupted again and again, until its journal has 64 records. Some blocks are done,
/// one is torn, the others were not begun.
fn interrupted() -> &'static (Small, Vec<u8>) {
    static MADE: OnceLock<(Small, Vec<u8>)> = OnceLock::new();
    MADE.get_or_init(|| {
        let small = Small::ready(1);
        let record = small.station.folder.join("unit.toml");
        let short = small.files().read(&record).unwrap();
        for n in 0.. {
            let ahead = if n == 0 { 15 } else { 1 };
            small.cut(ahead, Torn::Prefix, None, n);
            small.write().unwrap_err();
            small.power_up();
            let journal = small.unfinished().unwrap();
            let records = journal.contents.unwrap().records;
            assert!(records <= 64);
            if records == 64 {
                let bytes = small.files().read(&journal.path).unwrap();
                assert_eq!(bytes.len(), LENGTH);
                // Without its notes of all these runs, which only cost time to read.
                small.files().replace(&record, &short).unwrap();
                return (small, bytes);
            }
        }
        unreachable!()
    })
}

fn damaged(damage: Damage) -> Small {
    let (small, _) = interrupted();
    let small = small.copy();
    let path = small.unfinished().unwrap().path;
    small.files().corrupt(&path, |bytes| match damage {
        Damage::Prefix(length) => bytes.truncate(length),
        Damage::Bit(bit) => bytes[bit / 8] ^= 1 << (bit % 8),
    });
    small
}

/// Whether only the end of the journal is damaged, so that it may be gone on with.
fn is_tail(damage: Damage) -> bool {
    match damage {
        Damage::Prefix(length) => length >= HEADER,
        Damage::Bit(bit) => bit / 8 >= LENGTH - RECORD,
    }
}

fn write(damage: Damage) {
    let small = damaged(damage);
    let before = small.cells();
    match small.write() {
        Ok(report) => {
            assert!(is_tail(damage) && report.resumed);
            small.check_done(&small.target);
        }
        Err(stop) => {
            assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
            assert_eq!(small.mock().modifying_operations(), 0, "{stop:?}");
            assert!(small.cells() == before);
            small.check_kept();
        }
    }
}

fn restore(damage: Damage) {
    let small = damaged(damage);
    small.restore().unwrap();
    small.check_done(&small.found);
    // The way is free again.
    small.write().unwrap();
    small.check_done(&small.target);
}

fn every() -> Vec<Damage> {
    let prefixes = (0..LENGTH).map(Damage::Prefix);
    prefixes.chain((0..LENGTH * 8).map(Damage::Bit)).collect()
}

#[test]
fn a_write_on_a_damaged_journal_is_refused_or_right() {
    each("damaged journals, written on", &every(), 60, |damage| {
        write(*damage)
    });
    // What is sampled above may miss them: the last record torn, each way.
    each(
        "torn ends",
        &[LENGTH, LENGTH - 1, LENGTH - RECORD],
        3,
        |length| {
            let small = damaged(Damage::Prefix(*length));
            small.write().unwrap();
            small.check_done(&small.target);
        },
    );
}

#[test]
fn a_damaged_journal_never_holds_a_restore() {
    // A restore is a whole job each time: one bit in each byte.
    let some = |damage: &Damage| !matches!(damage, Damage::Bit(bit) if (bit / 8 + bit) % 8 != 0);
    let damages: Vec<Damage> = every().into_iter().filter(some).collect();
    each("damaged journals, restored from", &damages, 30, |damage| {
        restore(*damage)
    });
}
