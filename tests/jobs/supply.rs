//! The bench computer reports that its own supply dips: a write is held before the first clock, or stops
//! before the next block, and the same command goes on.

use norlock::job::{ChipState, Exit, Stop};
use norlock::mock::{Fault, Faults, Mock};

use crate::small::{Small, When};

fn dips(mock: &Mock, from_batch: u64, batches: Option<u64>) {
    let fault = Fault::HostUnderVoltage {
        from_batch,
        batches,
    };
    mock.set_faults(Faults::none().with(fault));
}

fn said(stop: &Stop) -> String {
    format!("{stop} {:?} {}", stop.evidence, stop.next)
}

#[test]
fn at_the_start_a_write_is_held_and_nothing_is_sent() {
    let small = Small::ready(1);
    dips(small.mock(), 0, None);
    let frames = small.mock().frames();
    for stop in [small.write().unwrap_err(), small.restore().unwrap_err()] {
        assert_eq!((stop.exit, stop.chip), (Exit::Held, ChipState::Untouched));
        assert_eq!(stop.held[0].interlock.id(), "supply-level");
        assert!(said(&stop).contains("stronger supply"), "{stop:?}");
    }
    assert_eq!(small.mock().frames(), frames);
    small.check_kept();
    // A read does not mind.
    let (mut unit, bench) = (small.unit(), small.bench());
    norlock::job::backup(&mut unit, bench, &mut norlock::job::Nobody).unwrap();
    drop(unit);
    small.power_up();
    small.write().unwrap();
    small.check_done(&small.target);
}

/// The alarm comes before batches of the writing in turn, for good or for the time of one look: no block is
/// begun under it, and the one in hand, if any, is finished.
#[test]
fn in_the_writing_no_block_is_begun_under_it() {
    let [first, last] = ["writing", "whole read"].map(|task| {
        let (small, mut batch) = (Small::ready(1), 0);
        let mut attendant = When::begins(task, || batch = small.mock().counters().batches);
        small.write_attended(&mut attendant).unwrap();
        drop(attendant);
        batch
    });
    let mut stopped = 0;
    for batch in (first..last).step_by(((last - first) as usize / 30).max(1)) {
        let small = Small::ready(1);
        let short = (batch % 5 == 0).then_some(4);
        dips(small.mock(), batch, short);
        let Err(stop) = small.write() else {
            // It came behind the last block, or went by between two looks.
            small.check_done(&small.target);
            continue;
        };
        stopped += 1;
        let text = said(&stop);
        assert!(text.contains("reports an under-voltage"), "{batch}: {text}");
        match small.unfinished() {
            None => assert_eq!((stop.exit, stop.chip), (Exit::Held, ChipState::Untouched)),
            Some(unfinished) => {
                small.check_stopped(&stop);
                let contents = unfinished.contents.unwrap();
                // Noted, but not begun: the sync of the note takes a while.
                for range in contents.in_hand() {
                    assert!(text.contains("noted, not changed"), "{batch}: {text}");
                    let range = range.start as usize..range.end as usize;
                    assert_eq!(small.cells()[range.clone()], small.found[range], "{batch}");
                }
                assert!(text.contains("Do not power the board"), "{text}");
                assert!(text.contains("restore"), "{text}");
            }
        }
        small.power_up();
        small.write().unwrap();
        small.check_done(&small.target);
    }
    assert!(stopped > 2, "{stopped}");
}

#[test]
fn protection_that_was_lifted_waits_for_a_good_supply() {
    let mut small = Small::ready(1);
    let protected = Fault::Protected { status_1: 0x24 };
    small.mock().set_faults(Faults::none().with(protected));
    small.lift_protection = true;
    let mock = small.mock().clone();
    let mut attendant = When::begins("writing", || dips(&mock, 0, None));
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
    assert!(said(&stop).contains("not put back yet"), "{stop:?}");
    assert_eq!(small.status(), 0, "nothing is written while it dips");
    small.power_up();
    small.write().unwrap();
    small.check_done(&small.target);
    assert_eq!(small.status(), 0x24);
}

#[test]
fn protection_is_not_lifted_while_it_dips() {
    let mut small = Small::ready(1);
    let protected = Fault::Protected { status_1: 0x24 };
    small.mock().set_faults(Faults::none().with(protected));
    small.lift_protection = true;
    let mock = small.mock().clone();
    let mut attendant = When::ends("second", || dips(&mock, 0, None));
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert_eq!((stop.exit, stop.chip), (Exit::Held, ChipState::Untouched));
    assert_eq!(stop.held[0].interlock.id(), "supply-level");
    assert_eq!(small.mock().counters().status_writes, 0);
    assert_eq!(small.status(), 0x24);
    assert!(small.unfinished().is_none());
}
