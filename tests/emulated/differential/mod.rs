//! Our simulated chip against the emulator's models: the same random frames, and every byte that comes
//! back compared, besides the cells and the backing file.
//!
//! Where they differ the datasheet decides. If ours was wrong it is mended; if the model is wrong the
//! difference stands in [`differences::LIST`], and must still be met.
//!
//! `NORLOCK_DIFFERENTIAL_CASES` sets how many sequences a part gets, `NORLOCK_DIFFERENTIAL_SEED`
//! draws others.

mod differences;
mod operation;
mod parts;
mod run;
mod sides;
mod step;
mod strategy;
mod theirs;
mod windows;

use std::collections::{BTreeMap, VecDeque};
use std::sync::Mutex;

use crate::is_skipped;
use differences::LIST;
use parts::Subject;
use run::{Outcome, Tally};

/// Parts that run at the same time.
const AT_ONCE: usize = 2;
/// Sequences for each part.
const CASES: u64 = 10;

#[test]
fn our_chip_and_the_models_agree() {
    if is_skipped() {
        return;
    }
    let waiting: VecDeque<Subject> = chosen();
    let all = waiting.len();
    let every = parts::all().len() == all;
    let waiting = Mutex::new(waiting);
    let outcomes: Mutex<Vec<Outcome>> = Mutex::default();
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                loop {
                    let Some(subject) = waiting.lock().unwrap().pop_front() else {
                        return;
                    };
                    let job = std::panic::AssertUnwindSafe(|| {
                        run::run(&subject, number("CASES", CASES), number("SEED", 0))
                    });
                    let outcome = std::panic::catch_unwind(job);
                    let outcome =
                        outcome.unwrap_or_else(|panic| Outcome::broken(&subject, &*panic));
                    println!("{}", outcome.line());
                    outcomes.lock().unwrap().push(outcome);
                }
            });
        }
    });
    judge(&outcomes.into_inner().unwrap(), all, every);
}

fn judge(outcomes: &[Outcome], all: usize, every: bool) {
    assert_eq!(outcomes.len(), all, "a thread has ended early");
    let mut met: Tally = BTreeMap::new();
    for outcome in outcomes {
        for (name, count) in &outcome.met {
            *met.entry(name).or_default() += count;
        }
    }
    let mut gone = Vec::new();
    for difference in LIST {
        let count = met.get(difference.name).copied().unwrap_or(0);
        println!(
            "{count:>7} {}: {}; right: {:?}; {}",
            difference.name, difference.theirs, difference.right, difference.source
        );
        // With a few parts only, some have no reason to be met.
        if count == 0 && every {
            gone.push(difference.name);
        }
    }
    let failed: Vec<&str> = outcomes
        .iter()
        .filter_map(|outcome| outcome.failure.as_deref())
        .collect();
    assert!(failed.is_empty(), "{}", failed.join("\n\n"));
    assert!(gone.is_empty(), "on the list, but no longer met: {gone:?}");
}

/// All, or those that `NORLOCK_EMULATED` names.
fn chosen() -> VecDeque<Subject> {
    let named = std::env::var("NORLOCK_EMULATED").ok();
    let wanted = |subject: &Subject| {
        named.as_ref().is_none_or(|names| {
            names
                .split(',')
                .any(|name| matches!(name.trim(), "most" | "all") || name.trim() == subject.model)
        })
    };
    parts::all().into_iter().filter(wanted).collect()
}

fn number(name: &str, otherwise: u64) -> u64 {
    match std::env::var(format!("NORLOCK_DIFFERENTIAL_{name}")) {
        Err(_) => otherwise,
        Ok(text) => text
            .parse()
            .unwrap_or_else(|_| panic!("NORLOCK_DIFFERENTIAL_{name}: {text} is not a number")),
    }
}
