//! Deterministic simulation: whole lives of units from a seed, with faults at every layer.
//!
//! A life is a unit with its chip, files and person, and the commands that the person gives; see `life`.
//! After every command, however it ended, `oracle` judges by the cells and the files. A person acts on what
//! the program says alone (`person`). Faults are drawn anew for each command, from kinds and rates drawn for
//! each life (`swarm`); in the end all are switched off, and what was begun has to be reached.
//!
//! No outside source: the fault model is that of `norlock::mock` and of the simulated store.

mod arm;
mod board;
mod command;
mod files;
mod kinds;
mod life;
mod oracle;
mod person;
mod process;
mod reach;
mod report;
mod run;
mod swarm;
mod truth;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering::SeqCst};
use std::time::{Duration, Instant};

use life::Life;
use report::Report;

/// Lives of the quick tier; others are as many as `NORLOCK_SIMULATE` says.
const LIVES: u64 = 24;

/// Lives `seed`, and tells what went wrong, with how to see it again.
fn life_of(seed: u64, real: bool) -> Result<(Report, u64), String> {
    let mut life = Life::new(seed, real);
    let lived = catch_unwind(AssertUnwindSafe(|| life.live()));
    let wrong = match lived {
        Ok(Ok(())) => return Ok((life.report, life.trace)),
        Ok(Err(wrong)) => wrong,
        Err(_) => "panicked".to_owned(),
    };
    let profile = if cfg!(debug_assertions) {
        ""
    } else {
        "--profile fast "
    };
    let real = if real { "NORLOCK_SIMULATE=real " } else { "" };
    Err(format!(
        "seed {seed}, job {}: {wrong}\n  {}\nagain: {real}NORLOCK_SEED={seed} cargo test {profile}--locked --test faults simulator::one_seed -- --nocapture",
        life.report.jobs(),
        life.story.join("\n  ")
    ))
}

/// Two threads live seeds from `first` on, until `enough` says so.
fn live_many(first: u64, real: bool, enough: impl Fn(u64, u64) -> bool + Sync) -> Report {
    let (next, jobs) = (AtomicU64::new(0), AtomicU64::new(0));
    let (report, failures) = (Mutex::new(Report::default()), Mutex::new(Vec::new()));
    let live = || loop {
        let number = next.fetch_add(1, SeqCst);
        if enough(number, jobs.load(SeqCst)) || failures.lock().unwrap().len() >= 5 {
            return;
        }
        match life_of(first + number, real) {
            Ok((lived, _)) => {
                jobs.fetch_add(lived.jobs(), SeqCst);
                report.lock().unwrap().add(&lived);
            }
            Err(failure) => failures.lock().unwrap().push(failure),
        }
    };
    std::thread::scope(|scope| {
        let threads = [scope.spawn(live), scope.spawn(live)];
        threads
            .into_iter()
            .for_each(|thread| thread.join().unwrap());
    });
    let failures = failures.into_inner().unwrap();
    let report = report.into_inner().unwrap();
    assert!(
        failures.is_empty(),
        "after {} jobs:\n{}",
        report.jobs(),
        failures.join("\n\n")
    );
    report
}

#[test]
fn lives_from_seeds() {
    let asked = std::env::var("NORLOCK_SIMULATE").unwrap_or_default();
    let first = std::env::var("NORLOCK_SEED")
        .ok()
        .and_then(|seed| seed.parse().ok())
        .unwrap_or(1);
    let start = Instant::now();
    let number = |end: &str| {
        asked
            .strip_suffix(end)
            .and_then(|number| number.trim().parse::<u64>().ok())
    };
    let report = match (number("min"), number("jobs")) {
        (Some(minutes), _) => {
            let time = Duration::from_secs(60 * minutes);
            live_many(first, true, |_, _| start.elapsed() >= time)
        }
        (_, Some(jobs)) => live_many(first, true, |_, done| done >= jobs),
        _ => live_many(first, false, |number, _| number >= LIVES),
    };
    let seconds = start.elapsed().as_secs_f64();
    let rate = report.jobs() as f64 / seconds;
    println!(
        "{report}{:.0} simulated seconds, {} of them the person's, in {seconds:.1} s, {rate:.0} jobs a second, seeds from {first}",
        report.simulated.as_secs_f64(),
        report.waited.as_secs(),
    );
    assert_eq!(report.wrong, 0);
}

#[test]
fn one_seed() {
    let Some(seed) = std::env::var("NORLOCK_SEED")
        .ok()
        .and_then(|seed| seed.parse().ok())
    else {
        return;
    };
    let real = std::env::var("NORLOCK_SIMULATE").is_ok();
    let (report, trace) = life_of(seed, real).unwrap_or_else(|failure| panic!("{failure}"));
    println!("{report}trace {trace:016X}");
}

#[test]
fn a_seed_is_the_same_life_each_time() {
    for seed in [1, 2, 3] {
        let traces = [
            life_of(seed, false).unwrap().1,
            life_of(seed, false).unwrap().1,
        ];
        assert_eq!(traces[0], traces[1], "seed {seed}");
    }
}
