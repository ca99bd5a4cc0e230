//! The supply fails at every modifying operation of a small job, with every kind of torn result: the
//! same command, or `restore`, ends byte-exact.
//!
//! No outside source: what a torn operation leaves is the fault model of `norlock::mock::Torn`.

use norlock::job::{ChipState, Exit, RestoreOrder};
use norlock::mock::{Fault, Faults, Torn};
use norlock::unit::store::Loss;

use crate::small::Small;

/// What the files lose: nothing durable ever, and of the rest as drawn; or the computer lives on.
const LOSSES: [Option<Loss>; 4] = [
    Some(Loss::Drop),
    Some(Loss::Keep),
    Some(Loss::Tear(11)),
    None,
];

fn loss(n: u64) -> Option<Loss> {
    LOSSES[(n % 4) as usize]
}

#[derive(Clone, Copy)]
enum End {
    Write,
    Restore,
}

fn operations_of_a_write(lift: bool) -> u64 {
    let small = prepared(lift);
    small.write().unwrap();
    small.check_done(&small.target);
    small.mock().modifying_operations()
}

/// A unit ready to be written; where protection is to be lifted, the lower half is protected.
fn prepared(lift: bool) -> Small {
    let mut small = Small::ready(1);
    if lift {
        // BP and TB of the family: some low range that the target changes.
        small
            .mock()
            .set_faults(Faults::none().with(Fault::Protected { status_1: 0x24 }));
        small.lift_protection = true;
    }
    small
}

#[track_caller]
fn end(small: &Small, how: End) {
    // The promise is three tries; the same command once is enough.
    let (report, holds) = match how {
        End::Write => (small.write().unwrap(), &small.target),
        End::Restore => (small.restore().unwrap(), &small.found),
    };
    assert!(report.resumed);
    small.check_done(holds);
    if matches!(how, End::Restore) {
        // None where the cut came before anything was changed: the chip held the backup.
        assert!(small.replaced().len() <= 1);
    }
}

fn every_cut(lift: bool, how: End) {
    let operations = operations_of_a_write(lift);
    assert!(operations >= 19, "{operations}");
    for operation in 1..=operations {
        for (torn, n) in Torn::ALL.into_iter().zip(0..) {
            let small = prepared(lift);
            let status = small.status();
            small.cut(operation, torn, loss(operation + n), operation * 8 + n);
            let stop = small.write().unwrap_err();
            small.check_stopped(&stop);
            small.power_up();
            let unfinished = small.unfinished().unwrap();
            // The computer that lives on has noted how the run ended, the dead one how it began.
            let last = small.operations().pop().unwrap();
            if loss(operation + n).is_none() {
                assert_eq!(last.outcome, stop.headline);
                assert_eq!(last.chip, ChipState::ChangedInPart.words().unwrap());
            } else {
                assert_eq!(
                    (last.command.as_str(), last.outcome.as_str()),
                    ("write", "begun")
                );
            }
            assert!(unfinished.contents.is_ok());
            end(&small, how);
            assert_eq!(small.status(), status, "protection at {operation} {torn:?}");
        }
    }
}

#[test]
fn the_same_write_finishes_after_a_cut_at_every_operation() {
    every_cut(false, End::Write);
}

#[test]
fn restore_goes_back_after_a_cut_at_every_operation() {
    every_cut(false, End::Restore);
}

#[test]
fn protection_that_was_lifted_is_back_after_a_cut_at_every_operation() {
    every_cut(true, End::Write);
}

#[test]
fn a_second_cut_in_the_resumed_run_changes_nothing() {
    let operations = operations_of_a_write(false);
    let mut random = fastrand::Rng::with_seed(5);
    for n in 0..60 {
        let small = prepared(false);
        let mut torn = || Torn::ALL[random.usize(..5)];
        let (one, two) = (torn(), torn());
        small.cut(random.u64(1..=operations), one, loss(n), n);
        small.check_stopped(&small.write().unwrap_err());
        small.power_up();
        small.cut(random.u64(1..=operations), two, loss(n / 4), n + 1000);
        let how = if n % 2 == 0 { End::Write } else { End::Restore };
        let again = match how {
            End::Write => small.write(),
            End::Restore => small.restore(),
        };
        let Err(stop) = again else {
            // It had less left to do than the cut was ahead.
            continue;
        };
        small.check_stopped(&stop);
        small.power_up();
        end(&small, how);
    }
}

#[test]
fn a_restore_survives_a_cut_at_every_operation() {
    let small = prepared(false);
    small.write().unwrap();
    let before = small.mock().modifying_operations();
    small.restore().unwrap();
    let operations = small.mock().modifying_operations() - before;
    for operation in 1..=operations {
        let small = prepared(false);
        small.write().unwrap();
        let torn = Torn::ALL[(operation % 5) as usize];
        small.cut(operation, torn, loss(operation / 5), operation);
        small.check_stopped(&small.restore().unwrap_err());
        small.power_up();
        // The target cannot be written now: what was begun comes first.
        let refused = small.write().unwrap_err();
        assert_eq!(refused.exit, Exit::Unfinished);
        assert!(refused.headline.contains("unfinished restore"), "{refused}");
        end(&small, End::Restore);
    }
}

#[test]
fn torn_cells_without_a_journal_are_named_by_hand() {
    let small = prepared(false);
    small.cut(3, Torn::Unstable, Some(Loss::Keep), 3);
    small.check_stopped(&small.write().unwrap_err());
    small.power_up();
    let journal = small.unfinished().unwrap().path;
    small.files().corrupt(&journal, |bytes| bytes[100] ^= 1);
    let refused = small.write().unwrap_err();
    assert_eq!(refused.exit, Exit::Unfinished);
    assert!(refused.headline.contains("damaged"), "{refused}");
    assert!(refused.next.contains("restore"), "{refused:?}");
    // Nobody knows which block was in hand, and its cells read differently each time.
    let held = small.restore().unwrap_err();
    assert_eq!(held.exit, Exit::Unfinished);
    assert_eq!(held.held[0].interlock.id(), "twin-read");
    let order = RestoreOrder {
        rewrite: std::iter::once(0xB010..0xB800).collect(),
        ..RestoreOrder::default()
    };
    small.restore_as(order).unwrap();
    small.check_done(&small.found);
}
