//! Cuts with something more to them: protection that was lifted, another command in between, and a
//! journal that is lost as well.

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

/// A unit of which a low range, which the target changes, is protected.
fn protected() -> Small {
    let mut small = Small::ready(1);
    // BP and TB of the family.
    small
        .mock()
        .set_faults(Faults::none().with(Fault::Protected { status_1: 0x24 }));
    small.lift_protection = true;
    small
}

/// Status writes, with which such a job begins and ends, are torn in every way, others in one.
#[test]
fn protection_that_was_lifted_is_back_after_a_cut_at_every_operation() {
    let small = protected();
    small.write().unwrap();
    let operations = small.mock().modifying_operations();
    assert!(operations >= 19, "{operations}");
    for operation in 1..=operations {
        let status_write = operation == 1 || operation == operations;
        let turn = |n: &usize| status_write || *n == operation as usize % Torn::ALL.len();
        for n in (0..Torn::ALL.len()).filter(turn) {
            let small = protected();
            let status = small.status();
            let loss = LOSSES[(operation as usize / 2 + n) % LOSSES.len()];
            small.cut(operation, Torn::ALL[n], loss, operation * 8 + n as u64);
            let stop = small.write().unwrap_err();
            small.check_stopped(&stop);
            small.power_up();
            small.write().unwrap();
            small.check_done(&small.target);
            assert_eq!(small.status(), status, "{operation} {:?}", Torn::ALL[n]);
        }
    }
}

/// What is in unit.toml between a cut and the next run, and which commands wait.
#[test]
fn a_cut_is_told_until_the_same_command_has_finished() {
    for loss in LOSSES {
        let small = Small::ready(1);
        small.write().unwrap();
        small.cut(5, Torn::Prefix, loss, 5);
        let stop = small.restore().unwrap_err();
        small.check_stopped(&stop);
        small.power_up();
        assert!(small.unfinished().unwrap().contents.is_ok());
        // The computer that lives on has noted how the run ended, the dead one how it began.
        let last = small.operations().pop().unwrap();
        let changed = ChipState::ChangedInPart.words().unwrap();
        let told = match loss {
            None => (last.outcome == stop.headline, last.chip == changed),
            Some(_) => (last.outcome == "begun", last.command == "restore"),
        };
        assert_eq!(told, (true, true), "{last:?}");
        let refused = small.write().unwrap_err();
        assert_eq!(refused.exit, Exit::Unfinished);
        assert!(refused.headline.contains("unfinished restore"), "{refused}");
        assert!(small.restore().unwrap().resumed);
        small.check_done(&small.found);
        assert_eq!(small.replaced().len(), 1);
    }
}

#[test]
fn torn_cells_without_a_journal_are_named_by_hand() {
    let small = Small::ready(1);
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
