//! Writes that stop for other reasons than the supply, journals that are spoilt, chips that lie.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use norlock::job::{self, Attendant, ChipState, Exit, Nobody, RestoreOrder, Stop, Task};
use norlock::mock::{AddressBit, Content, Fault, Faults, Flips, Miso, Torn};
use norlock::part::Catalogue;
use norlock::unit::journal::{HEADER_BYTES, RECORD_BYTES};
use norlock::unit::store::{Loss, Store};
use norlock::unit::witness::WitnessedStore;
use norlock::unit::{Digest, Recorded, Unit};

use crate::small::{PARTS, Small, StopAfter, When, changed};

/// Erase blocks that the small write takes in hand, see `Small::ready`.
const BLOCKS: usize = 4;

#[track_caller]
fn finishes(small: &Small) {
    small.power_up();
    small.write().unwrap();
    small.check_done(&small.target);
}

#[track_caller]
fn last_operation_tells(small: &Small, stop: &Stop) {
    let last = small.operations().pop().unwrap();
    assert_eq!(last.outcome, stop.headline);
    assert_eq!(last.chip, stop.chip.words().unwrap());
}

#[test]
fn a_person_stops_after_every_number_of_blocks() {
    for k in 0..BLOCKS {
        let small = Small::ready(1);
        let stop = small.write_attended(&mut StopAfter::blocks(k)).unwrap_err();
        if k == 0 {
            assert_eq!(
                (stop.exit, stop.chip),
                (Exit::Stopped, ChipState::Untouched)
            );
            assert_eq!(small.mock().modifying_operations(), 0);
            assert!(small.unfinished().is_none());
            assert!(stop.next.contains("starts over"), "{stop:?}");
        } else {
            small.check_stopped(&stop);
            assert!(stop.next.contains("goes on"), "{stop:?}");
            let rows = &stop.evidence;
            let counts = format!("{k} read back, 0 in hand, {} not begun", BLOCKS - k);
            assert!(rows.iter().any(|(_, text)| *text == counts), "{rows:?}");
        }
        last_operation_tells(&small, &stop);
        finishes(&small);
    }
}

#[test]
fn protection_is_put_back_where_a_person_stops() {
    for k in 0..BLOCKS {
        let mut small = Small::ready(1);
        small.lift_protection = true;
        small
            .mock()
            .set_faults(Faults::none().with(Fault::Protected { status_1: 0x24 }));
        let stop = small.write_attended(&mut StopAfter::blocks(k)).unwrap_err();
        if k == 0 {
            // Two status writes went out, so it is not untouched.
            assert_eq!((stop.exit, stop.chip), (Exit::Stopped, ChipState::PutBack));
        } else {
            small.check_stopped(&stop);
        }
        last_operation_tells(&small, &stop);
        assert_eq!(small.unfinished().is_some(), k > 0);
        assert_eq!(small.status(), 0x24);
        finishes(&small);
        assert_eq!(small.status(), 0x24);
    }
}

#[test]
fn a_person_stops_in_the_last_read_and_only_that_is_left() {
    let small = Small::ready(1);
    let mut attendant = StopIn {
        task: "whole read",
        in_hand: "",
    };
    let stop = small.write_attended(&mut attendant).unwrap_err();
    small.check_stopped(&stop);
    assert!(stop.headline.contains("was stopped"), "{stop:?}");
    assert!(small.cells() == small.target);
    last_operation_tells(&small, &stop);
    let operations = small.mock().modifying_operations();
    finishes(&small);
    assert_eq!(small.mock().modifying_operations(), operations);
}

/// Asks to stop as soon as a task begins.
struct StopIn {
    task: &'static str,
    in_hand: &'static str,
}

impl Attendant for StopIn {
    fn begins(&mut self, task: &Task) {
        self.in_hand = task.name;
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.in_hand == self.task
    }
}

#[test]
fn a_pin_that_keeps_protection_is_noticed_before_any_block() {
    let mut small = Small::ready(1);
    small.lift_protection = true;
    let faults = Faults::none().with(Fault::Protected { status_1: 0xA4 });
    small
        .mock()
        .set_faults(faults.with(Fault::WriteProtectPin { lock_bit: true }));
    let stop = small.write().unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Held, ChipState::NotTaken),
        "{stop:?}"
    );
    assert_eq!(stop.held[0].interlock.id(), "writable");
    assert!(small.unfinished().is_none());
    small.check_kept();
}

#[test]
fn lost_contact_stops_before_the_next_erase_and_the_same_command_goes_on() {
    let small = Small::ready(1);
    let before = small.mock().frames();
    small.write().unwrap();
    let frames = small.mock().frames() - before;
    let shows = [Miso::High, Miso::Low, Miso::Noise];
    let lengths = [Some(1), Some(7), Some(60), None];
    for n in 0..150_u64 {
        let small = Small::ready(1);
        let from_frame = small.mock().frames() + 1 + n * frames / 150;
        let fault = Fault::LooseContact {
            shows: shows[(n % 3) as usize],
            from_frame,
            frames: lengths[(n / 3 % 4) as usize],
        };
        small
            .mock()
            .set_faults(Faults::seeded(n).with(fault.clone()));
        let result = small.write();
        let operations = small.mock().modifying_operations();
        small.check_kept();
        match result {
            Ok(_) => assert!(small.cells() == small.target, "{fault:?}"),
            Err(stop) if operations == 0 => {
                let untouched = matches!(stop.exit, Exit::Held | Exit::ChipFault);
                // Noted in the journal, and the erase was not taken.
                let noted = stop.exit == Exit::Unfinished && small.unfinished().is_some();
                assert!(untouched || noted, "{fault:?} {stop:?}");
            }
            Err(stop) => {
                small.check_stopped(&stop);
                last_operation_tells(&small, &stop);
            }
        }
        finishes(&small);
    }
}

#[test]
fn a_torn_tail_of_the_journal_is_forgiven() {
    for spoil in 0..5 {
        let small = Small::ready(1);
        small.write_attended(&mut StopAfter::blocks(2)).unwrap_err();
        let journal = small.unfinished().unwrap().path;
        assert!(small.files().corrupt(&journal, |bytes| match spoil {
            0 => bytes.extend([0x5A; 20]),
            1 => bytes.extend([0; RECORD_BYTES]),
            2 => bytes.truncate(bytes.len() - 10),
            3 => *bytes.last_mut().unwrap() ^= 1,
            _ => bytes.truncate(bytes.len() - RECORD_BYTES),
        }));
        finishes(&small);
    }
}

#[test]
fn a_damaged_journal_holds_a_write_and_never_a_restore() {
    for place in [10, 60, HEADER_BYTES + 20, HEADER_BYTES + RECORD_BYTES + 1] {
        let small = Small::ready(1);
        small.write_attended(&mut StopAfter::blocks(2)).unwrap_err();
        let journal = small.unfinished().unwrap().path;
        small
            .files()
            .corrupt(&journal, |bytes| bytes[place] ^= 0x10);
        let stop = small.write().unwrap_err();
        assert_eq!(
            (stop.exit, stop.chip),
            (Exit::Unfinished, ChipState::ChangedInPart)
        );
        assert!(stop.next.contains("restore"), "{stop:?}");
        let report = small.restore().unwrap();
        assert!(report.resumed && report.replaced.is_some());
        small.check_done(&small.found);
        small.write().unwrap();
        small.check_done(&small.target);
    }
}

#[test]
fn a_journal_that_cannot_be_read_at_all_never_holds_a_restore() {
    let small = Small::ready(1);
    small.write_attended(&mut StopAfter::blocks(2)).unwrap_err();
    let journal = small.unfinished().unwrap().path;
    small.files().corrupt(&journal, Vec::clear);
    assert_eq!(small.write().unwrap_err().exit, Exit::Unfinished);
    small.restore().unwrap();
    small.check_done(&small.found);
}

#[test]
fn another_target_waits_until_the_first_is_finished() {
    let small = Small::ready(1);
    small.write_attended(&mut StopAfter::blocks(1)).unwrap_err();
    let cells = small.cells();
    let stop = small.write_other().unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Unfinished, ChipState::ChangedInPart)
    );
    assert!(stop.headline.contains("another image"), "{stop}");
    assert!(small.cells() == cells);
    finishes(&small);
}

#[test]
fn a_finished_write_again_changes_nothing() {
    let small = Small::ready(1);
    small.write().unwrap();
    let operations = small.mock().modifying_operations();
    let again = small.write().unwrap();
    assert_eq!(
        (again.changed, again.resumed, again.journal),
        (0, false, None)
    );
    assert_eq!(small.mock().modifying_operations(), operations);
    small.check_done(&small.target);
}

#[test]
fn a_block_in_hand_is_finished_under_other_borders() {
    for (torn, ahead) in [
        (Torn::Unstable, 8),
        (Torn::RandomBits, 8),
        (Torn::Prefix, 12),
    ] {
        let mut small = Small::ready(1);
        small.cut(ahead, torn, Some(Loss::Drop), 9);
        small.write().unwrap_err();
        small.power_up();
        let in_hand = small.unfinished().unwrap().contents.unwrap().in_hand();
        assert_eq!(
            in_hand,
            [std::ops::Range {
                start: 0,
                end: 0x8000
            }]
        );
        // The table was corrected meanwhile: the part erases 4 KiB only.
        let small_blocks: String = PARTS
            .lines()
            .filter(|line| !line.contains("0x52") && !line.contains("0xD8"))
            .map(|line| format!("{line}\n"))
            .collect();
        let catalogue = Catalogue::builtin().unwrap();
        small.station.catalogue = catalogue.with_user_file(&small_blocks, "new.toml").unwrap();
        finishes(&small);
    }
}

#[test]
fn damage_outside_the_worklist_is_found_at_the_end_and_mended() {
    let small = Small::ready(1);
    // A15 is lost while blocks are written: they land, and read back, 32 KiB higher.
    let fault = Fault::AddressLine {
        line: 15,
        is: AddressBit::High,
    };
    let mut attendant = When::begins("writing", || {
        small.mock().set_faults(Faults::none().with(fault.clone()));
    });
    let mut clears = When::begins("whole read", || small.mock().set_faults(Faults::none()));
    let stop = small
        .write_attended(&mut Both(&mut attendant, &mut clears))
        .unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Unfinished, ChipState::ChangedBeyond),
        "{stop:?}"
    );
    assert!(
        stop.headline
            .contains("after all blocks had read back right"),
        "{stop}"
    );
    last_operation_tells(&small, &stop);
    let again = small.write().unwrap_err();
    assert_eq!(again.exit, Exit::Unfinished, "{again:?}");
    assert_eq!(again.held[0].interlock.id(), "nothing-unexplained");
    for account in ["as the journal says", "unexplained", "like as-found.bin"] {
        let told = again
            .evidence
            .iter()
            .any(|(_, line)| line.ends_with(account));
        assert!(told, "{account}: {again:#?}");
    }
    small.restore().unwrap();
    assert!(small.cells() == small.found);
    assert!(small.unfinished().is_none());
}

struct Both<'a>(&'a mut dyn job::Attendant, &'a mut dyn job::Attendant);

impl job::Attendant for Both<'_> {
    fn begins(&mut self, task: &job::Task) {
        self.0.begins(task);
        self.1.begins(task);
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

#[test]
fn a_journal_that_forgets_to_sync_is_caught() {
    let small = Small::ready(1);
    let files: Arc<dyn Store> = Arc::new(small.files().clone());
    let store = WitnessedStore::beside(files, small.mock(), Duration::ZERO);
    let store: Arc<dyn Store> = Arc::new(store.leaving_out_journal_syncs());
    let mut unit = Unit::open(store, &small.station.folder).unwrap();
    let order = small.order("/bench/target.bin");
    let stop = job::write(&mut unit, order, small.bench(), &mut Nobody).unwrap_err();
    assert_eq!(stop.exit, Exit::Unfinished);
    assert_eq!(small.mock().monitor().violations(), 1);
    assert!(stop.headline.contains("without a durable record"), "{stop}");
    assert_eq!(small.mock().modifying_operations(), 0);
}

/// Faults that begin when the chip is being written; each must end in a truthful stop.
fn during_the_write(fault: Fault, says: &str) {
    let small = Small::ready(1);
    let mut attendant = When::begins("writing", || {
        small
            .mock()
            .set_faults(Faults::seeded(3).with(fault.clone()));
    });
    let stop = small.write_attended(&mut attendant).unwrap_err();
    small.check_stopped(&stop);
    let text = format!("{stop} {:?}", stop.evidence);
    assert!(text.contains(says), "{fault:?}: {text}");
    last_operation_tells(&small, &stop);
    finishes(&small);
}

#[test]
fn erases_and_programs_that_do_nothing_are_noticed() {
    let (says, operations) = ("does not read back as written", None);
    for from_operation in [0, 2, 4] {
        during_the_write(
            Fault::SilentErase {
                from_operation,
                operations,
            },
            says,
        );
    }
    for from_operation in [0, 2, 9, 15] {
        during_the_write(
            Fault::SilentProgram {
                from_operation,
                operations,
            },
            says,
        );
    }
    let one = Some(1);
    during_the_write(
        Fault::SilentErase {
            from_operation: 1,
            operations: one,
        },
        says,
    );
    during_the_write(
        Fault::SilentProgram {
            from_operation: 7,
            operations: one,
        },
        says,
    );
}

#[test]
fn weak_cells_and_slow_chips_are_noticed() {
    let weak = Fault::WeakCells {
        addresses: 0x9000..0x9100,
        bits: 0xFF,
        chance: 0.5,
    };
    during_the_write(weak, "differs from the image near");
    let weak = Fault::WeakCells {
        addresses: 0x0100..0x0200,
        bits: 0x01,
        chance: 0.5,
    };
    during_the_write(weak, "does not read back as written");
    during_the_write(Fault::Slow { factor: 50.0 }, "was not done after");
    let flips = Flips {
        addresses: Some(0x8000..0x8004),
        ..Flips::default()
    };
    during_the_write(Fault::Flips(flips), "does not read back as written");
}

#[test]
fn another_chip_of_the_same_kind_is_noticed() {
    for content in [Content::Same, Content::Blank, Content::Other] {
        for after_operation in [0, 1, 5, 16] {
            let fault = Fault::Swapped {
                after_operation,
                jedec_id: None,
                unique_id: Some(vec![1, 2, 3, 4, 5, 6, 7, 8]),
                content,
            };
            let small = Small::ready(1);
            let mut attendant = When::begins("writing", || {
                small
                    .mock()
                    .set_faults(Faults::seeded(3).with(fault.clone()));
            });
            let stop = small.write_attended(&mut attendant).unwrap_err();
            assert_eq!((stop.exit, stop.chip), (Exit::Unfinished, changed(&stop)));
            // The same command on the other chip: not this unit.
            let again = small.write().unwrap_err();
            assert_eq!(again.exit, Exit::Unfinished);
            assert_eq!(again.held[0].interlock.id(), "same-unit");
            // Nothing was sent to that chip; the unit's own is told of beside it.
            assert_eq!(again.chip, ChipState::Untouched);
            assert!(again.evidence.iter().any(|(label, _)| label == "own chip"));
            small.check_kept();
        }
    }
}

#[test]
fn a_twin_put_on_after_the_reads_is_noticed_before_anything_is_begun() {
    let small = Small::ready(1);
    let fault = Fault::Swapped {
        after_operation: 0,
        jedec_id: None,
        unique_id: Some(vec![1, 2, 3, 4, 5, 6, 7, 8]),
        content: Content::Same,
    };
    let mut attendant = When::ends("second", || {
        small.mock().set_faults(Faults::none().with(fault.clone()));
    });
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::ChipFault, ChipState::Untouched),
        "{stop:?}"
    );
    assert!(stop.headline.contains("Another chip"), "{stop}");
    assert!(small.unfinished().is_none());
    small.check_kept();
}

#[test]
fn a_replacement_becomes_the_unit_and_both_ids_are_kept() {
    let small = Small::ready(1);
    small.write().unwrap();
    let old = small
        .unit()
        .file()
        .identity
        .clone()
        .unwrap()
        .unique_id
        .unwrap();
    small
        .mock()
        .set_truth(0, &vec![0xFF; small.found.len()])
        .unwrap();
    small.mock().set_unique_id(vec![8, 7, 6, 5, 4, 3, 2, 1]);
    for stop in [small.write().unwrap_err(), small.restore().unwrap_err()] {
        assert_eq!((stop.exit, stop.chip), (Exit::Held, ChipState::Untouched));
        assert_eq!(stop.held[0].interlock.id(), "same-unit");
    }
    let replacement = || RestoreOrder {
        replacement: true,
        ..RestoreOrder::default()
    };
    // It is interrupted as well.
    small.cut(7, Torn::RandomBits, Some(Loss::Drop), 7);
    assert_eq!(
        small.restore_as(replacement()).unwrap_err().exit,
        Exit::Unfinished
    );
    small.power_up();
    // The unit file has the old one still, and the journal this one.
    let unit = small.unit();
    let report = job::contact(Some(&unit), small.bench(), &mut Nobody).unwrap();
    drop(unit);
    assert!(report.good && !report.is_of_another(), "{report:?}");
    small.restore_as(replacement()).unwrap();
    assert!(small.cells() == small.found);
    let unit = small.unit();
    let identity = unit.file().identity.clone().unwrap();
    assert_eq!(
        identity.unique_id.as_deref(),
        Some("08 07 06 05 04 03 02 01")
    );
    let operations = &unit.file().operations;
    let replaced = |one: &&Recorded| one.outcome.contains("was replaced");
    let ids = &operations.iter().rfind(replaced).unwrap().outcome;
    assert!(
        ids.contains(&old) && ids.contains("08 07 06 05 04 03 02 01"),
        "{ids}"
    );
    drop(unit);
    assert_eq!(small.replaced().len(), 1);
    small.write().unwrap();
    assert!(small.cells() == small.target);
}

#[test]
fn what_a_restore_replaces_is_kept_once_however_often_it_is_stopped() {
    let small = Small::ready(1);
    small.write().unwrap();
    // Stopped before its journal begins, after what is there was kept.
    let full = small.files().clone();
    let before = full.calls();
    small.restore().unwrap();
    let log = full.log();
    let journal = log.iter().enumerate().skip(before).find(|(_, (_, path))| {
        path.starts_with("/bench/gauge-07/journal") && path.extension().is_some()
    });
    let at = journal.unwrap().0 - before;

    let small = Small::ready(1);
    small.write().unwrap();
    let files = small.files();
    files.fail_at(files.calls() + at, 28, norlock::unit::store::Fails::Once);
    let stop = small.restore().unwrap_err();
    assert_eq!(stop.held[0].interlock.id(), "journal-ready", "{stop:?}");
    assert_eq!(small.replaced(), ["replaced-1.bin"]);
    small.power_up();
    let report = small.restore().unwrap();
    assert_eq!(report.replaced.as_deref(), Some("replaced-1.bin"));
    assert_eq!(small.replaced(), ["replaced-1.bin"]);
    assert_eq!(small.station.image("replaced-1.bin"), small.target);
    small.check_done(&small.found);
    assert!(
        !files
            .exists(Path::new("/bench/gauge-07/replaced-2.bin"))
            .unwrap()
    );
}

/// Half as long again as the part's longest operation, where the unit's journal tells of the run that began it;
/// and never less than a chip is waited for of which nothing is known.
#[test]
fn a_chip_that_a_killed_run_left_busy_is_waited_for() {
    // The first entry is that of the part on the clip: 100 s for a chip erase, and 6 s.
    let slow = PARTS.replacen("time_ms = [2000, 6000]", "time_ms = [20000, 100000]", 1);
    let [slow, quick] = [slow.as_str(), PARTS].map(|parts| {
        let none = Catalogue::default();
        none.with_user_file(parts, "harbour.toml").unwrap()
    });
    for (catalogue, waited_ms, too_long_ms) in [(slow, 140_000, 160_000), (quick, 55_000, 65_000)] {
        let mut small = Small::ready(1);
        small.station.catalogue = catalogue;
        let busy = |small: &Small, ms| {
            let faults = Faults::none().with(Fault::Busy { ms });
            small.mock().set_faults(faults);
        };
        small.write_attended(&mut StopAfter::blocks(2)).unwrap_err();
        busy(&small, too_long_ms);
        let stop = small.write().unwrap_err();
        assert!(stop.headline.contains("still busy"), "{stop:?}");
        assert_eq!(stop.exit, Exit::Unfinished);
        busy(&small, waited_ms);
        small.write().unwrap();
        small.check_done(&small.target);
        // Without a journal nobody knows what it is busy with.
        busy(&small, 65_000);
        let stop = small.write().unwrap_err();
        assert!(stop.headline.contains("still busy"), "{stop:?}");
        let untouched = (Exit::ChipFault, ChipState::Untouched);
        assert_eq!((stop.exit, stop.chip), untouched);
    }
}

/// Does something each time that a task has come so far.
struct At<'a>(Box<dyn FnMut(u64) + 'a>);

impl Attendant for At<'_> {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, done: u64, _place: Option<&str>) {
        (self.0)(done);
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

/// Between two blocks the chip is asked who it is: one that answers as another is not erased, nor is that noted.
#[test]
fn a_chip_that_answers_as_another_between_two_blocks_is_left_alone() {
    let (small, mut operations) = (Small::ready(1), 0);
    let mut attendant = At(Box::new(|done| {
        if done == 1 && operations == 0 {
            operations = small.mock().modifying_operations();
            let bytes = vec![0xC8, 0x40, 0x14];
            let fault = Fault::LyingId { bytes };
            small.mock().set_faults(Faults::none().with(fault));
        }
    }));
    let stop = small.write_attended(&mut attendant).unwrap_err();
    drop(attendant);
    small.check_stopped(&stop);
    assert!(operations > 0);
    assert_eq!(small.mock().modifying_operations(), operations);
    let contents = small.unfinished().unwrap().contents.unwrap();
    assert!(contents.in_hand().is_empty(), "{contents:?}");
    finishes(&small);
}

/// What is gone back to changes midway: the journal is of that one from then on, and the mix is kept too.
#[test]
fn a_restore_to_another_backup_has_its_own_journal_and_keeps_the_mix() {
    let small = Small::ready(1);
    small.write().unwrap();
    job::backup(&mut small.unit(), small.bench(), &mut Nobody).unwrap();
    let to = |to: u32, blocks: usize| {
        let order = RestoreOrder {
            to,
            offline: small.station.paper(),
            ..RestoreOrder::default()
        };
        let mut stops = StopAfter::blocks(blocks);
        job::restore(&mut small.unit(), &order, small.bench(), &mut stops).unwrap_err()
    };
    to(1, 3);
    let mix = small.cells();
    to(2, 1);
    let header = small.unfinished().unwrap().contents.unwrap().header;
    assert_eq!(header.target, Digest::of(&small.target));
    assert!(header.supersedes.is_some(), "{header:?}");
    assert_eq!(small.replaced().len(), 2, "{:?}", small.replaced());
    assert!(small.station.image("replaced-2.bin") == mix);
}

/// One more read closes the account of what an earlier run had in hand.
#[test]
fn what_was_in_hand_under_other_borders_is_not_done_before_it_reads_as_written() {
    let mut small = Small::ready(1);
    small.cut(8, Torn::RandomBits, Some(Loss::Drop), 9);
    small.write().unwrap_err();
    small.power_up();
    let small_blocks: String = PARTS
        .lines()
        .filter(|line| !line.contains("0x52") && !line.contains("0xD8"))
        .map(|line| format!("{line}\n"))
        .collect();
    let none = Catalogue::default();
    small.station.catalogue = none.with_user_file(&small_blocks, "new.toml").unwrap();
    let (mock, byte) = (small.mock().clone(), small.target[0x7000]);
    let mut attendant = When::ends("writing", || mock.set_truth(0x7000, &[!byte]).unwrap());
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert!(stop.headline.contains("does not read back"), "{stop:?}");
    let contents = small.unfinished().unwrap().contents.unwrap();
    assert!(contents.in_hand().contains(&(0..0x8000)), "{contents:?}");
    small.restore().unwrap();
    small.check_done(&small.found);
}

#[test]
fn a_write_that_had_nothing_to_change_is_in_the_record() {
    let small = Small::ready(1);
    small.write().unwrap();
    let before = small.operations().len();
    small.write().unwrap();
    let operations = small.operations();
    assert_eq!(operations.len(), before + 1);
    assert_eq!(operations.last().unwrap().outcome, "nothing to change");
}
