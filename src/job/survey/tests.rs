//! What is counted and judged, from readings that are made here.

use std::collections::BTreeMap;
use std::path::Path;

use super::classify::{Diagnosis, Evidence, Verdict, classify};
use super::guess::vote;
use super::plan::Condition;
use super::readings::{Readings, Votes};
use super::stretches::Nature;
use super::tally::Tally;
use crate::chip::Frames;
use crate::jedec::{Hertz, opcode};
use crate::unit::store::{SimulatedStore, Store};

const SIZE_BYTES: u32 = 128 << 10;
const PASSES: usize = 6;
const SEED: u64 = 7;

/// Code-like bytes.
fn first_bytes() -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(SEED);
    (0..SIZE_BYTES).map(|_| random.u8(..)).collect()
}

/// Passes that all read the same code-like bytes, but for where `wrong` strikes them.
fn readings(wrong: impl Fn(usize, &mut [u8])) -> Readings {
    let first = first_bytes();
    let store = SimulatedStore::new();
    store.create_folder(Path::new("/survey")).unwrap();
    let file = |pass: usize| {
        let mut bytes = match pass {
            0 => first.clone(),
            _ => vec![0; first.len()],
        };
        wrong(pass, &mut bytes);
        let path = Path::new("/survey").join(pass.to_string());
        store.replace(&path, &bytes).unwrap();
        store.open(&path).unwrap()
    };
    Readings {
        files: (0..PASSES).map(file).collect(),
        size_bytes: SIZE_BYTES,
        exempt: Vec::new(),
    }
}

fn strike(bytes: &mut [u8]) {
    for byte in bytes {
        *byte ^= 0x5A;
    }
}

fn conditions() -> Vec<Condition> {
    let of = |number: usize| Condition {
        sck: Hertz::mhz([5, 20, 10][number % 3]),
        level: [0, 2, 1][number % 3],
        opcode: [opcode::READ, opcode::FAST_READ][number / 3 % 2],
        frames: Frames::of(SIZE_BYTES, 0, 2048, 2048),
    };
    (0..PASSES).map(of).collect()
}

fn tally(readings: &Readings) -> Tally {
    let tally = Tally::of(readings, &conditions(), 4096, &mut |_| false);
    tally.unwrap().unwrap()
}

/// Each asks by itself, before each window.
#[test]
fn counting_and_voting_both_stop() {
    let (readings, conditions) = (readings(|_, _| ()), conditions());
    let store = SimulatedStore::new();
    store.create_folder(Path::new("/survey")).unwrap();
    for (at, stops) in [(0, true), (SIZE_BYTES - 4096, true), (SIZE_BYTES, false)] {
        let (mut counted, mut voted) = (0, 0);
        let tally = Tally::of(&readings, &conditions, 4096, &mut |done| {
            counted = done;
            done >= at
        });
        assert_eq!(tally.unwrap().is_none(), stops, "counting at {at}");
        let path = Path::new("/survey").join(at.to_string());
        let mut file = store.create(&path, u64::from(SIZE_BYTES)).unwrap();
        let votes = Votes::all(&conditions);
        let guess = vote(&readings, &votes, 4096, file.as_mut(), &mut |done| {
            voted = done;
            done >= at
        });
        assert_eq!(guess.unwrap().is_none(), stops, "voting at {at}");
        assert_eq!([counted, voted], [at.min(SIZE_BYTES - 4096); 2]);
    }
}

fn judged(tally: &Tally, nature: &Nature) -> Vec<Diagnosis> {
    let conditions = conditions();
    let evidence = Evidence {
        conditions: &conditions,
        tally,
        nature,
        lost: &[],
        repeats: 0,
        size_bytes: SIZE_BYTES,
    };
    classify(&evidence, &mut |_| Ok::<_, ()>(None)).unwrap()
}

#[test]
fn passes_that_differ_are_never_steady() {
    let steady = tally(&readings(|_, _| ()));
    assert_eq!(judged(&steady, &Nature::default()), []);
    let struck = tally(&readings(|pass, bytes| {
        if pass == 1 {
            strike(&mut bytes[5000..5040]);
        }
    }));
    let one = BTreeMap::from([(1, 1)]);
    for (dead, wild, moved) in [
        (1, 1, one.clone()),
        (0, 0, one),
        (1, 1, BTreeMap::new()),
        (2, 2, BTreeMap::new()),
    ] {
        let nature = Nature { dead, moved, wild };
        let found = judged(&struck, &nature);
        assert_eq!(found.len(), 1, "{nature:?}: {found:?}");
        assert_eq!(found[0].verdict, Verdict::Noise, "{nature:?}");
        let reason = &found[0].reason;
        assert!(reason.contains("1 wrong stretches in 1 of 6"), "{reason}");
    }
}

/// Ten wrong frames and two, in the passes at the highest SCK: by chance 1 in 140, with one of two splits
/// 1 in 70.
#[test]
fn the_better_of_two_splits_may_be_luck() {
    let tally = tally(&readings(|pass, bytes| {
        let frames = [0, 10, 0, 0, 2, 0][pass];
        for frame in 0..frames {
            bytes[frame * 8192 + pass * 1000] ^= 1 << (frame % 8);
        }
    }));
    assert_eq!(tally.passes[1].clusters, 10);
    let found = judged(&tally, &Nature::default());
    assert_eq!(found[0].verdict, Verdict::Noise, "{found:?}");
}

#[test]
fn stretches_are_kept_wherever_they_begin() {
    for start in [4056, 4090, 4095, 4096, 4097, 4103, 4104, 4105, 4110_u32] {
        let range = start as usize..start as usize + 40;
        let tally = tally(&readings(|pass, bytes| {
            if pass == 1 {
                strike(&mut bytes[range.clone()]);
            }
        }));
        let begins: Vec<u32> = tally.stretches.iter().map(|one| one.range.start).collect();
        assert_eq!((begins, tally.stretch_count), (vec![start], 1));
        assert_eq!(tally.passes[1].stretch_bytes, 40, "from {start}");
        assert_eq!(tally.moved_bits, 0, "from {start}");
    }
}

/// A piece is longer than the shortest stretch.
#[test]
fn a_stretch_may_end_with_the_chip() {
    for length in [24, 25, 31, 32, 33] {
        let readings = readings(|pass, bytes| {
            if pass == 2 {
                strike(&mut bytes[SIZE_BYTES as usize - length..]);
            }
        });
        let tally = tally(&readings);
        assert_eq!(tally.passes[2].stretch_bytes, length as u64);
        let nature = Nature::of(&readings, &conditions(), &tally).unwrap();
        assert_eq!(nature.pieces(), 1, "{length}: {nature:?}");
        assert_eq!(judged(&tally, &nature)[0].verdict, Verdict::Noise);
    }
}

/// A stretch is shorter than a piece, and what lies behind it has content.
#[test]
fn a_short_dead_stretch_is_dead() {
    for (start, length) in [(5000, 24), (5000, 28), (5000, 31), (5000, 32), (5000, 100)] {
        for level in [0x00, 0xFF] {
            let readings = readings(|pass, bytes| {
                if pass > 0 {
                    // What the others hold as it differs from the first pass.
                    let first = first_bytes();
                    let dead = &mut bytes[start..start + length];
                    for (at, byte) in dead.iter_mut().enumerate().filter(|_| pass == 2) {
                        *byte = first[start + at] ^ level;
                    }
                }
            });
            let tally = tally(&readings);
            let nature = Nature::of(&readings, &conditions(), &tally).unwrap();
            assert_eq!(
                (nature.wild, nature.moved()),
                (0, 0),
                "{length}: {nature:?}"
            );
            assert_eq!(
                judged(&tally, &nature)[0].verdict,
                Verdict::Dead,
                "{length}"
            );
        }
    }
}

/// Two slow passes of six do not agree: all together say, not those with 03h.
#[test]
fn what_is_right_goes_by_all_where_the_slow_ones_tie() {
    let votes = Votes::slowest(&conditions());
    assert_eq!(votes.count(), 2);
    assert_eq!(votes.winner([0, 0, 1, 1, 1, 1].into_iter()), 1);
    assert_eq!(votes.winner([1, 1, 0, 0, 0, 0].into_iter()), 0);
    // The slow ones agree.
    assert_eq!(votes.winner([0, 1, 1, 0, 1, 1].into_iter()), 0);
}

/// In all passes alike, so that no pass shows it.
#[test]
fn a_bit_that_never_moves_is_stuck() {
    let stuck = tally(&readings(|pass, bytes| {
        if pass == 0 {
            bytes.iter_mut().for_each(|byte| *byte |= 1 << 3);
        }
    }));
    let found = judged(&stuck, &Nature::default());
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].verdict, Verdict::StuckBit);
    let reason = &found[0].reason;
    assert!(
        reason.starts_with("bit 3 is 1 in every byte of 32 of 32"),
        "{reason}"
    );
}

#[test]
fn halves_that_are_equal_are_told() {
    let (steady, conditions) = (tally(&readings(|_, _| ())), conditions());
    let evidence = Evidence {
        conditions: &conditions,
        tally: &steady,
        nature: &Nature::default(),
        lost: &[],
        repeats: u64::from(SIZE_BYTES / 2),
        size_bytes: SIZE_BYTES,
    };
    let found = classify(&evidence, &mut |_| Ok::<_, ()>(None)).unwrap();
    let verdicts: Vec<Verdict> = found.iter().map(|one| one.verdict).collect();
    assert_eq!(verdicts, [Verdict::Smaller]);
}
