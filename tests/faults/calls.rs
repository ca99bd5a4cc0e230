//! Every call that a write makes on its files fails once, or from then on.

use std::sync::atomic::Ordering::SeqCst;

use norlock::job::{ChipState, Exit};
use norlock::unit::store::{Action, Failure, Loss};

use crate::small::Small;

const EIO: i32 = 5;
const ENOSPC: i32 = 28;

/// The calls of a write to fail: all but most of the reads, which are many and alike.
fn calls() -> Vec<(usize, Action)> {
    let small = Small::ready(1);
    let paper = small.station.paper();
    let before = small.files().calls();
    small.write_as_a_command(&paper).unwrap();
    let log = small.files().log();
    let mut calls = Vec::new();
    let mut reads = 0;
    for (n, (action, path)) in log.iter().enumerate().skip(before) {
        // The witness itself reads what was synced; it is no part of the write.
        let witness = *action == Action::Read && log[n - 1] == (Action::Sync, path.clone());
        if witness && path.starts_with("/bench/gauge-07/journal") {
            continue;
        }
        let many = matches!(action, Action::Read | Action::Examine);
        reads += usize::from(many);
        if !many || reads % 9 == 0 {
            calls.push((n - before, *action));
        }
    }
    assert!(calls.len() > 60, "{}", calls.len());
    calls
}

fn fail(call: usize, action: Action, errno: i32, failure: Failure) {
    let context = format!("call {call}, {action:?}, errno {errno}, {failure:?}");
    let small = Small::ready(1);
    let paper = small.station.paper();
    let at = small.files().calls() + call;
    small.files().fail_at(at, errno, failure);
    if matches!(action, Action::Sync | Action::SyncFolder) {
        small.watch.quiet_after_call.store(at, SeqCst);
    }
    let result = small.write_as_a_command(&paper);
    let operations = small.mock().modifying_operations();
    small.files().fail_no_more();
    assert_eq!(small.watch.not_quiet.load(SeqCst), 0, "{context}");
    match result {
        Ok(_) => assert!(small.cells() == small.target, "{context}"),
        Err(stop) => {
            let context = format!("{context}: {stop:?}");
            match (stop.exit, stop.chip) {
                // An interlock that cannot see its evidence holds.
                (Exit::Held, ChipState::Untouched) => assert!(!stop.held.is_empty()),
                (Exit::FileFault, ChipState::Untouched | ChipState::NotMet) => {
                    assert_eq!(operations, 0, "{context}");
                }
                // Begun in the journal, and perhaps not on the chip.
                (Exit::Unfinished, ChipState::ChangedInPart | ChipState::Untouched) => {}
                (Exit::Unfinished, ChipState::Changed) => {
                    assert!(small.cells() == small.target, "{context}");
                }
                _ => panic!("{context}"),
            }
            if stop.chip == ChipState::Untouched {
                assert_eq!(operations, 0, "{context}");
            }
        }
    }
    small.check_kept();
    let loss = if call % 2 == 0 {
        Loss::Drop
    } else {
        Loss::Keep
    };
    small.files().crash(loss);
    small.power_up();
    if call % 5 == 4 {
        small
            .restore()
            .unwrap_or_else(|stop| panic!("{context}: {stop:?}"));
        small.check_done(&small.found);
    } else {
        small
            .write()
            .unwrap_or_else(|stop| panic!("{context}: {stop:?}"));
        small.check_done(&small.target);
    }
}

#[test]
fn every_call_fails_once() {
    for (call, action) in calls() {
        fail(call, action, EIO, Failure::Once);
    }
}

#[test]
fn every_call_fails_from_then_on() {
    for (call, action) in calls() {
        fail(call, action, EIO, Failure::FromThenOn);
    }
}

#[test]
fn the_disk_is_full_at_every_call_that_writes() {
    let writes = |action: Action| {
        matches!(
            action,
            Action::Write
                | Action::Create
                | Action::Reserve
                | Action::CreateFolder
                | Action::Rename
        )
    };
    for (call, action) in calls().into_iter().filter(|(_, action)| writes(*action)) {
        fail(call, action, ENOSPC, Failure::Once);
        fail(call, action, ENOSPC, Failure::FromThenOn);
    }
}
