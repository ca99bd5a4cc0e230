//! Protection lifted for a write is back however the run ends: the process killed at any frame, the
//! chip's supply kept or lost, by writes that last and by writes that end with the supply.
//!
//! What 50h does: GD25Q16C Rev 2.9, 7.3 and W25Q128JV Rev. I, 8.2.2; the stored registers are not
//! changed and come back at power-up.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering::SeqCst;

use norlock::job::{Attendant, ChipState, Exit, Task};
use norlock::mock::{Fault, Faults, Torn};
use norlock::part::Catalogue;
use norlock::unit::store::{Fails, Loss};

use crate::small::{KILLED, PARTS, Small, When};

/// BP0 and BP3: 64 KiB at the bottom (GD25Q16C Rev 2.9, Table 1.0); any bit is all where no table was
/// read.
const FOUND: u8 = 0x24;

fn ready(volatile: bool) -> Small {
    if volatile {
        Small::volatile(1)
    } else {
        Small::ready(1)
    }
}

fn protected(volatile: bool) -> Small {
    protect(ready(volatile))
}

fn protect(mut small: Small) -> Small {
    let fault = Fault::Protected { status_1: FOUND };
    small.mock().set_faults(Faults::none().with(fault));
    small.mock().set_faults(Faults::none());
    small.lift_protection = true;
    small
}

/// As `Small::write`, in a process that is killed after so many frames.
fn killed_after(small: &Small, frames: u64) -> bool {
    small.watch.kill_in.store(frames, SeqCst);
    let result = catch_unwind(AssertUnwindSafe(|| small.write()));
    let killed = result
        .err()
        .and_then(|panic| panic.downcast::<String>().ok());
    small.watch.kill_in.store(0, SeqCst);
    assert!(killed.as_ref().is_none_or(|text| **text == KILLED));
    killed.is_some()
}

/// The frames of an undisturbed run: all, the first that lifts and the last that puts back.
fn frames_of_a_run(volatile: bool) -> (u64, u64, u64) {
    let small = protected(volatile);
    let before = small.mock().frames();
    let log = small.traced(|| small.write().map(drop));
    assert_eq!(small.status(), FOUND);
    let writes = |code: &u8| *code == 0x01;
    let first = log.iter().position(writes).unwrap() as u64;
    let last = log.iter().rposition(writes).unwrap() as u64;
    (small.mock().frames() - before, first, last)
}

#[test]
fn a_documented_part_is_lifted_by_a_write_that_ends_with_the_supply() {
    let small = protected(true);
    let log = small.traced(|| small.write().map(drop));
    small.check_done(&small.target);
    let enabled: Vec<u8> = log
        .windows(2)
        .filter(|pair| pair[1] == 0x01)
        .map(|pair| pair[0])
        .collect();
    assert_eq!(enabled, [0x50, 0x50], "lifted and put back");
    assert_eq!(small.mock().counters().status_writes, 0);
    assert_eq!(small.status(), FOUND);
    small.power_up();
    assert_eq!(small.status(), FOUND);
}

#[test]
fn without_a_table_it_is_lifted_by_writes_that_last() {
    let small = protected(false);
    let log = small.traced(|| small.write().map(drop));
    small.check_done(&small.target);
    assert!(!log.contains(&0x50));
    assert_eq!(small.mock().counters().status_writes, 2);
    assert_eq!(small.status(), FOUND);
}

fn killed_everywhere(volatile: bool, step: usize) {
    let (_, first, last) = frames_of_a_run(volatile);
    let ready = ready(volatile);
    let (mut kills, mut lifted) = (0, 0);
    for frame in (first - 2..=last + 4).step_by(step) {
        for power_lost in [false, true] {
            let small = protect(ready.copy());
            assert!(killed_after(&small, frame + 1), "{frame}: not killed");
            kills += 1;
            lifted += u32::from(small.status() & 0xFC != FOUND);
            if power_lost {
                small.power_up();
                if volatile {
                    assert_eq!(small.status(), FOUND, "{frame}: by itself");
                }
            }
            let go_back = (frame / step as u64) % 2 == 0;
            if go_back {
                small.restore().unwrap();
                small.check_done(&small.found);
            } else {
                small.write().unwrap();
                small.check_done(&small.target);
            }
            assert_eq!(small.status(), FOUND, "{frame} {power_lost}");
            small.power_up();
            assert_eq!(
                small.status(),
                FOUND,
                "{frame} {power_lost}: after power-up"
            );
        }
    }
    assert!(kills > 20 && lifted > kills / 3, "{kills} {lifted}");
}

#[test]
fn killed_at_any_frame_it_is_back_after_the_next_run() {
    killed_everywhere(false, 2);
}

#[test]
fn killed_with_a_lift_that_ends_with_the_supply_it_is_back_too() {
    killed_everywhere(true, 9);
}

#[test]
fn after_a_power_cut_at_every_operation_it_is_back_by_itself() {
    let ready = ready(true);
    let small = protect(ready.copy());
    small.write().unwrap();
    let operations = small.mock().modifying_operations();
    assert!(operations >= 17, "{operations}");
    for operation in 1..=operations {
        let small = protect(ready.copy());
        let torn = Torn::ALL[operation as usize % Torn::ALL.len()];
        let loss = (operation % 4 < 2).then_some(Loss::Drop);
        small.cut(operation, torn, loss, operation);
        let stop = small.write().unwrap_err();
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        small.power_up();
        // A chip that is still busy kept its supply.
        if torn != Torn::StillBusy {
            assert_eq!(small.status(), FOUND, "{operation}");
        }
        small.write().unwrap();
        small.check_done(&small.target);
        assert_eq!(small.status(), FOUND, "{operation}");
    }
}

/// The process is killed with protection lifted for good, as journals without a mark say; then the part
/// is one whose writes end with the supply. It is put back by a write that lasts.
#[test]
fn a_lift_is_put_back_in_its_own_way() {
    let (_, first, _) = frames_of_a_run(true);
    let mut small = protected(true);
    // It was taken for a part whose table nobody has read, so nothing was told of 50h.
    let known = small.station.catalogue.clone();
    let text = crate::small::PARTS.replace("\"gigadevice\"", "\"winbond\"");
    let builtin = norlock::part::Catalogue::builtin().unwrap();
    small.station.catalogue = builtin.with_user_file(&text, "harbour.toml").unwrap();
    assert!(killed_after(&small, first + 12));
    assert_eq!(small.status() & 0xFC, 0, "not lifted: this shows nothing");
    small.station.catalogue = known;
    small.write().unwrap();
    assert_eq!(small.status(), FOUND);
    small.power_up();
    assert_eq!(small.status(), FOUND, "what is stored was not put back");
}

/// Asks to stop as soon as a task has ended.
struct StopBehind {
    task: &'static str,
    in_hand: &'static str,
    ended: bool,
}

impl Attendant for StopBehind {
    fn begins(&mut self, task: &Task) {
        self.in_hand = task.name;
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {
        self.ended |= self.in_hand == self.task;
    }
    fn stop_asked(&self) -> bool {
        self.ended
    }
}

#[test]
fn a_person_who_stops_before_it_is_lifted_leaves_the_registers_alone() {
    for volatile in [false, true] {
        let small = protected(volatile);
        let mut attendant = StopBehind {
            task: "second",
            in_hand: "",
            ended: false,
        };
        small.station.trace.lock().unwrap().clear();
        let stop = small.write_attended(&mut attendant).unwrap_err();
        assert_eq!(stop.exit, Exit::Stopped, "{stop:?}");
        assert_eq!(stop.chip, ChipState::Untouched);
        let trace = small.station.trace.lock().unwrap().clone();
        assert!(!trace.iter().any(|sent| sent.out[0] == 0x01), "{volatile}");
        assert_eq!(small.status(), FOUND);
        assert!(small.unfinished().is_none());
    }
}

/// A failed sync ends all that changes the chip, register writes too; the next run puts it back.
#[test]
fn where_files_fail_it_is_put_back_by_the_next_run() {
    let small = protected(false);
    let (files, watch) = (small.files().clone(), std::sync::Arc::clone(&small.watch));
    let mut attendant = When::begins("writing", || {
        let at = files.calls();
        files.fail_at(at, 5, Fails::FromThenOn);
        watch.quiet_after_call.store(at, SeqCst);
    });
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert!(format!("{stop:?}").contains("not put back yet"), "{stop:?}");
    assert_eq!(small.watch.not_quiet.load(SeqCst), 0);
    assert_ne!(small.status(), FOUND);
    small.power_up();
    small.write().unwrap();
    small.check_done(&small.target);
    assert_eq!(small.status(), FOUND);
}

/// Through a contact that has just given other bytes no register is written.
#[test]
fn where_a_block_does_not_read_back_it_is_put_back_by_the_next_run() {
    let small = protected(false);
    let mock = small.mock().clone();
    let mut attendant = When::begins("writing", || {
        let silent = Fault::SilentErase {
            from_operation: 0,
            operations: None,
        };
        mock.set_faults(Faults::none().with(silent));
    });
    let stop = small.write_attended(&mut attendant).unwrap_err();
    assert!(stop.headline.contains("does not read back"), "{stop:?}");
    assert!(format!("{stop:?}").contains("not put back yet"), "{stop:?}");
    assert_ne!(small.status(), FOUND);
    small.mock().set_faults(Faults::none());
    small.write().unwrap();
    small.check_done(&small.target);
    assert_eq!(small.status(), FOUND);
}

/// The table was corrected meanwhile: that the part takes 50h was read nowhere.
#[test]
fn a_lift_that_nobody_knows_how_to_put_back_holds_the_next_run() {
    let (_, first, _) = frames_of_a_run(true);
    let mut small = protected(true);
    assert!(killed_after(&small, first + 12));
    assert_ne!(small.status() & 0xFC, FOUND);
    let text = PARTS.replace("memory = []", "memory = [\"status\"]");
    let none = Catalogue::default();
    small.station.catalogue = none.with_user_file(&text, "harbour.toml").unwrap();
    let cells = small.cells();
    let stop = small.write().unwrap_err();
    let held: Vec<&str> = stop.held.iter().map(|held| held.interlock.id()).collect();
    assert_eq!(held, ["writable"], "{stop:?}");
    assert!(small.cells() == cells);
}
