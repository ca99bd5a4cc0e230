//! The computer dies at every call on files, and of what is not synced any subset is lost.
//!
//! POSIX promises no order of what is not synced: a name may be there before an earlier one, in another
//! folder or in the same, and a file may have grown without its bytes.

use norlock::job::{Bench, Way};
use norlock::link::Link;
use norlock::unit::store::{Action, Fails, Loss};

use super::each;
use super::jobs::Job;
use super::ready::{Ready, ready};
use super::store::calls;
use crate::altered::Altered;
use crate::small::Small;

/// Subsets of one cut that are tried where there are more.
const SUBSETS_MAX: u64 = 256;
/// Operations of which all subsets are tried.
const OPERATIONS_MAX: usize = 8;

#[derive(Debug)]
struct Case {
    job: Job,
    call: usize,
}

/// Runs the job on a computer that dies at this call; its files keep what is not synced in suspense.
fn die(small: &Small, job: Job, call: usize) {
    let files = small.files().clone();
    let at = files.calls() + call;
    files.fail_at(at, 5, Fails::FromThenOn);
    // Nothing is sent from that call on.
    let link = Altered::new(small.mock().link(), move |link, batch, sck| {
        match files.calls() > at {
            true => Err(std::io::Error::from_raw_os_error(5).into()),
            false => link.transfer(batch, sck),
        }
    });
    let bench = Bench {
        way: Way::Link(Box::new(link)),
        ..small.bench()
    };
    // What a dead process says is heard by nobody.
    let _ = job.run_on(small, bench);
    small.files().fail_no_more();
}

/// The subsets to try: all of them, or as many as drawn.
fn subsets(small: &Small, seed: u64) -> Vec<u64> {
    let (ways, operations) = small.files().subsets();
    if operations <= OPERATIONS_MAX && std::env::var("NORLOCK_FAULTS").as_deref() == Ok("all") {
        return (0..ways).collect();
    }
    let mut draw = fastrand::Rng::with_seed(seed);
    let drawn = ways.min(SUBSETS_MAX);
    match ways <= SUBSETS_MAX {
        true => (0..ways).collect(),
        false => (0..drawn).map(|_| draw.u64(0..ways)).collect(),
    }
}

fn lose(ready: &Ready, dead: &Small, subset: u64) -> Small {
    let small = dead.copy();
    small.files().crash(Loss::Subset(subset));
    ready.check_kept(&small);
    small
}

fn cut(case: &Case) {
    let ready = ready(case.job);
    let dead = ready.copy();
    die(&dead, case.job, case.call);
    for subset in subsets(&dead, case.call as u64) {
        println!("{case:?}, subset {subset}");
        ready.finish(&lose(ready, &dead, subset));
    }
}

/// The calls at which something changed since the call before, or may change in it; between the others
/// files are only read.
fn cases() -> Vec<Case> {
    let reads = |action| {
        matches!(
            action,
            Action::Read | Action::Open | Action::Examine | Action::List | Action::Resolve
        )
    };
    let mut cases = Vec::new();
    for job in JOBS {
        let mut before = Action::Sync;
        for (call, action, _) in calls(job) {
            if !reads(action) || !reads(before) {
                cases.push(Case { job, call });
            }
            before = action;
        }
    }
    cases
}

/// Jobs that leave something in the unit folder.
const JOBS: [Job; 8] = [
    Job::FirstBackup,
    Job::Backup,
    Job::Tailor,
    Job::TailorAnew,
    Job::Write,
    Job::WriteResumed,
    Job::Restore,
    Job::RestoreResumed,
];

#[test]
fn any_subset_of_what_is_not_synced_is_lost() {
    each("cuts at a call on files", &cases(), 12, cut);
}

#[test]
fn the_computer_dies_twice() {
    each("two cuts in a row", &cases(), 20, |case| {
        let ready = ready(case.job);
        let mut draw = fastrand::Rng::with_seed(case.call as u64);
        let mut small = ready.copy();
        for _ in 0..2 {
            die(&small, case.job, draw.usize(..=case.call));
            let (ways, _) = small.files().subsets();
            small = lose(ready, &small, draw.u64(0..ways));
        }
        ready.finish(&small);
    });
}
