//! Every call on files fails, once or from then on, in every job; then the computer dies.
//!
//! No outside source: which error numbers a call on files may give is POSIX's, with the reserve of space
//! (posix_fallocate) and quotas of Linux.

use std::path::PathBuf;
use std::sync::atomic::Ordering::SeqCst;

use norlock::unit::store::{Action, Fails, Loss};

use super::each;
use super::jobs::Job;
use super::ready::ready;
use super::truth::Failed;
use crate::small::Small;

/// EIO, ENOSPC, EROFS, EACCES, EDQUOT, EMFILE.
const ERRORS: [i32; 6] = [5, 28, 30, 13, 122, 24];

#[derive(Debug)]
struct Case {
    job: Job,
    call: usize,
    action: Action,
    /// Whether it is about the region map.
    map: bool,
    errno: i32,
    failure: Fails,
    loss: Loss,
    /// Whether the chip loses its supply with the computer.
    dark: bool,
    /// Whether what is read is worked on beside the link.
    real_time: bool,
}

/// The calls that a job makes, by number from its first.
pub fn calls(job: Job) -> Vec<(usize, Action, PathBuf)> {
    let small = ready(job).copy();
    job.run(&small).unwrap();
    let log = small.files().log();
    let witness = |n: usize| {
        // The witness itself looks at what was opened and reads what was synced: no part of the job.
        let (action, path) = &log[n];
        let after = |before| log[n - 1] == (before, path.clone());
        path.starts_with("/bench/gauge-07/journal")
            && match action {
                Action::Read => after(Action::Sync) || after(Action::Read),
                Action::Examine => after(Action::Open),
                _ => false,
            }
    };
    let calls = (0..log.len()).filter(|n| !witness(*n));
    calls.map(|n| (n, log[n].0, log[n].1.clone())).collect()
}

fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for job in Job::ALL {
        for (call, action, path) in calls(job) {
            for errno in ERRORS {
                for failure in [Fails::Once, Fails::FromThenOn] {
                    let n = cases.len();
                    let losses = [Loss::Drop, Loss::Keep, Loss::Tear(n as u64)];
                    cases.push(Case {
                        job,
                        call,
                        action,
                        map: path.ends_with("regions.toml"),
                        errno,
                        failure,
                        loss: losses[n / 2 % 3],
                        dark: n % 4 < 2,
                        real_time: n / 4 % 2 == 1,
                    });
                }
            }
        }
    }
    cases
}

fn fail(case: &Case) {
    let ready = ready(case.job);
    let mut small = ready.copy();
    small.station.real_time = case.real_time;
    let at = small.files().calls() + case.call;
    small.files().fail_at(at, case.errno, case.failure);
    if matches!(case.action, Action::Sync | Action::SyncFolder) {
        small.watch.quiet_after_call.store(at, SeqCst);
    }
    let result = case.job.run(&small);
    let loud = small.watch.not_quiet.load(SeqCst);
    assert_eq!(loud, 0, "the chip was changed after a failed sync");
    small.files().fail_no_more();
    small.watch.quiet_after_call.store(usize::MAX, SeqCst);
    if case.map && matches!(case.job, Job::Restore | Job::RestoreResumed) {
        // A restore goes on without its map, and may take unit data along in an erase and put it back.
        small.watch.hurt.store(0, SeqCst);
    }
    let lasting = case.failure == Fails::FromThenOn;
    let done = result.is_ok();
    ready.check_outcome(&small, &result, Failed::Files { lasting });
    ready.check_kept(&small);
    small.files().crash(case.loss);
    dies(&small, case.dark);
    if done {
        ready.check_done(&small);
    } else {
        ready.check_kept(&small);
        ready.finish_what_was_begun(&small, case.errno == ERRORS[0]);
    }
}

/// The computer comes back, with or without the chip's supply.
fn dies(small: &Small, dark: bool) {
    small.mock().monitor().uncover(0..u32::MAX);
    if dark {
        small.power_up();
    }
}

#[test]
fn every_call_on_files_fails() {
    let cases = cases();
    assert!(cases.len() > 10_000, "{}", cases.len());
    each("calls on files", &cases, 150, fail);
}
