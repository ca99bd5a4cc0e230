//! What the simulator of whole lives has found, each by itself.

use std::path::Path;

use norlock::job::{self, Exit, Nobody};
use norlock::link::Link;
use norlock::mock::{Failure, Fault, Faults, Torn};
use norlock::unit::Unit;
use norlock::unit::store::{self, Action, Store};

use crate::small::{Small, StopAfter};

/// A page and its command are 263 bytes. A link that takes less left the chip erased for good: each try
/// stopped at the first page again.
#[test]
fn a_link_whose_messages_are_shorter_than_a_page_writes_in_pieces() {
    for bytes in [21, 128, 262] {
        let small = Small::ready(1);
        let mut limits = small.mock().link().limits();
        (limits.batch_out_bytes, limits.batch_in_bytes) = (bytes, 4096);
        small.mock().set_limits(limits);
        small.write().unwrap();
        small.check_done(&small.target);
    }
}

#[test]
fn a_link_that_shortens_its_messages_during_a_program_goes_on() {
    let before = Small::ready(1);
    let batches = before.mock().counters().batches;
    before
        .write_attended(&mut StopAfter::blocks(1))
        .unwrap_err();
    let ended = before.mock().counters().batches;
    for at_batch in (batches..ended).rev().step_by(3).take(12) {
        let small = Small::ready(1);
        let mut limits = small.mock().link().limits();
        (limits.batch_out_bytes, limits.batch_in_bytes) = (300, 300);
        small.mock().set_limits(limits);
        let error = Failure::TooLong;
        let fault = Fault::Link {
            at_batch,
            error,
            lasting: false,
        };
        small.mock().set_faults(Faults::none().with(fault));
        let stopped = small.write();
        if let Err(stop) = stopped {
            assert!(stop.next.contains("gain"), "{stop:?}");
            small.mock().set_faults(Faults::none());
            small.write().unwrap();
        }
        small.check_done(&small.target);
    }
}

/// A disk that fails is not an image of another size.
#[test]
fn a_target_that_cannot_be_read_for_the_plan_is_the_disks_fault() {
    let small = Small::ready(1);
    let paper = small.station.paper();
    let before = small.files().calls();
    small.write_as_a_command(&paper).unwrap();
    let log = small.files().log();
    let reads = (before..log.len())
        .filter(|n| log[*n].0 == Action::Read && log[*n].1.ends_with("target.bin"));
    let mut told = 0;
    for call in reads.map(|n| n - before).step_by(3).collect::<Vec<_>>() {
        let small = Small::ready(1);
        let paper = small.station.paper();
        small
            .files()
            .fail_at(small.files().calls() + call, 5, store::Failure::Once);
        if let Err(stop) = small.write_as_a_command(&paper) {
            assert!(!stop.next.contains("sizes must agree"), "{stop:?}");
            told += usize::from(stop.exit == Exit::FileFault);
        }
    }
    assert!(told > 3, "{told}");
}

/// Torn cells read differently each time: a sample there said that the best of contacts is bad, just where
/// the person had been told to look at it before going on.
#[test]
fn blocks_that_were_left_torn_do_not_count_against_the_contact() {
    let small = Small::ready(1);
    small.cut(2, Torn::Unstable, None, 3);
    let stop = small.write().unwrap_err();
    assert!(
        stop.next.contains("norlock contact --unit FOLDER"),
        "{stop:?}"
    );
    small.power_up();
    let unit = Unit::view(small.station.store(), &small.station.folder).unwrap();
    let torn = small.unfinished().unwrap().contents.unwrap().in_hand();
    assert_eq!(torn.first(), Some(&(0xA000..0xB000)), "where a sample lies");
    assert!(!job::contact(None, small.bench(), &mut Nobody).unwrap().good);
    let report = job::contact(Some(&unit), small.bench(), &mut Nobody).unwrap();
    assert!(
        report.good && report.proven == Some(small.station.sck),
        "{report:?}"
    );
    let target = small.files().open(Path::new("/bench/target.bin")).unwrap();
    let report = job::verify(target.as_ref(), Some(&unit), 2, small.bench(), &mut Nobody);
    assert!(!report.unwrap().is_equal());
    job::protection(Some(&unit), small.bench(), &mut Nobody).unwrap();
}
