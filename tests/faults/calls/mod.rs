//! Every call on files and every batch on the link fails, in every job; and what a journal and an
//! unsynced file may have become is met by the same command.
//!
//! A quick run takes some cases of each kind, as drawn; `NORLOCK_FAULTS=all` takes every one, on two
//! threads, and a number that many of each kind. `NORLOCK_FAULTS_SEED` draws others.

mod jobs;
mod journal;
mod link;
mod ready;
mod store;
mod subsets;
mod truth;

use std::any::Any;
use std::fmt::Debug;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering::SeqCst};

/// Runs the cases that this run takes; `few` is how many of them a quick run takes.
fn each<C: Debug + Sync>(what: &str, cases: &[C], few: usize, run: impl Fn(&C) + Sync) {
    let seed = std::env::var("NORLOCK_FAULTS_SEED").map_or(7, |seed| seed.parse().unwrap());
    let wanted = match std::env::var("NORLOCK_FAULTS").as_deref() {
        Ok("all") => cases.len(),
        Ok(number) => number.parse().unwrap(),
        Err(_) => few,
    };
    let mut taken: Vec<&C> = cases.iter().collect();
    if wanted < cases.len() {
        fastrand::Rng::with_seed(seed).shuffle(&mut taken);
        taken.truncate(wanted);
    }
    let (next, failed) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let work = || {
        while let Some(case) = taken.get(next.fetch_add(1, SeqCst)) {
            if let Err(panic) = catch_unwind(AssertUnwindSafe(|| run(case))) {
                let mut failed = failed.lock().unwrap();
                failed.push(format!("{case:?}: {}", words(panic.as_ref())));
            }
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        work();
    });
    let failed = failed.into_inner().unwrap();
    let (tried, all) = (taken.len(), cases.len());
    println!("{what}: {tried} of {all} cases, seed {seed}");
    assert!(
        failed.is_empty(),
        "{what}: {} of {tried} cases failed, seed {seed}:\n{}",
        failed.len(),
        failed[..failed.len().min(8)].join("\n")
    );
}

fn words(panic: &(dyn Any + Send)) -> &str {
    let owned = panic.downcast_ref::<String>().map(String::as_str);
    owned
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("a panic without words")
}
