//! Whether `survey` tells what is wrong with a unit.
//!
//! `cargo bench -p benches --bench survey` surveys simulated suspect units of each class of faults, and healthy ones,
//! with seeds that were never used to set a threshold. It prints which verdict each class got above the
//! detection limit, and how often it is right by strength. It fails where less than 97 of 100 above the limit
//! are right, where one of them is called steady, or where a healthy unit is not. `NORLOCK_SUSPECTS` sets the
//! units of each class, `NORLOCK_SUSPECT_SEED` another first seed.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "the units of the tests are made here, and one that cannot be made has to end this"
)]

#[path = "../tests/jobs/altered.rs"]
#[allow(dead_code, reason = "what the tests alter")]
mod altered;
#[path = "../tests/jobs/real_time.rs"]
#[allow(dead_code, reason = "time is virtual here")]
mod real_time;
#[path = "../tests/jobs/station.rs"]
#[allow(dead_code, reason = "only the bench itself is of use here")]
mod station;
#[path = "../tests/jobs/suspects/mod.rs"]
mod suspects;

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::time::Instant;

use norlock::job::Verdict;
use suspects::{is_right, surveyed, suspect};

/// Units of each class; 12 classes.
const EACH: u64 = 40;
/// First seed of those that judge. Those from 1,000,000 and 2,000,000 on judged before, and what they missed
/// led to changes.
const SEED: u64 = 3_000_000;
const RIGHT_MIN: f64 = 0.97;
/// Upper ends of the classes of strength.
const STRENGTHS: [f64; 7] = [0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 9.0];

/// What came of one unit.
struct Outcome {
    class: Verdict,
    strength: f64,
    said: Option<Verdict>,
    right: bool,
}

fn main() -> ExitCode {
    let number = |name: &str, or: u64| {
        let text = std::env::var(name).ok();
        text.and_then(|text| text.parse().ok()).unwrap_or(or)
    };
    let (each, seed) = (
        number("NORLOCK_SUSPECTS", EACH),
        number("NORLOCK_SUSPECT_SEED", SEED),
    );
    let verbose = std::env::var_os("NORLOCK_SUSPECTS_TOLD").is_some();
    let start = Instant::now();
    let mut outcomes = Vec::new();
    for class in Verdict::ALL {
        for unit in 0..each {
            let suspect = suspect(class, seed + unit);
            let report = surveyed(&suspect);
            let outcome = Outcome {
                class,
                strength: suspect.strength,
                said: report.as_ref().map(|report| report.verdict()),
                right: is_right(&suspect, report.as_ref()),
            };
            if verbose && !outcome.right && (suspect.strength >= 1.0 || class == Verdict::Steady) {
                println!("{}: {:?}", suspect.what, report.map(|one| one.findings));
            }
            outcomes.push(outcome);
        }
    }
    println!(
        "{} units from seed {seed}, 24 passes each, in {:.1} s\n",
        outcomes.len(),
        start.elapsed().as_secs_f64()
    );
    matrix(&outcomes);
    curve(&outcomes);
    match holds(&outcomes) {
        true => ExitCode::SUCCESS,
        false => ExitCode::FAILURE,
    }
}

/// Which verdicts the units of each class got, above the limit.
fn matrix(outcomes: &[Outcome]) {
    println!("| above the limit | units | verdicts |\n|---|---|---|");
    for class in Verdict::ALL {
        let own = outcomes.iter().filter(|one| one.class == class);
        let own: Vec<&Outcome> = own.filter(|one| judged(one)).collect();
        let mut said: BTreeMap<&str, u64> = BTreeMap::new();
        for one in &own {
            let words = one.said.map_or("held by contact", Verdict::words);
            *said.entry(words).or_default() += 1;
        }
        let mut said: Vec<(&str, u64)> = said.into_iter().collect();
        said.sort_by_key(|(words, times)| (*words != class.words(), u64::MAX - times));
        let said: Vec<String> = said
            .iter()
            .map(|(words, times)| format!("{words} {times}"))
            .collect();
        println!(
            "| {} | {} | {} |",
            class.words(),
            own.len(),
            said.join(", ")
        );
    }
    println!();
}

fn judged(outcome: &Outcome) -> bool {
    outcome.strength >= 1.0 || outcome.class == Verdict::Steady
}

/// How often the verdict is right, by class and strength; for no fault at all, how often it is steady.
fn curve(outcomes: &[Outcome]) {
    let ends: Vec<String> = STRENGTHS.iter().map(ToString::to_string).collect();
    println!("| strength up to | {} |", ends.join(" | "));
    println!("|---|{}", "---|".repeat(STRENGTHS.len()));
    for class in Verdict::ALL
        .into_iter()
        .filter(|class| *class != Verdict::Steady)
    {
        let mut cells = Vec::new();
        for (number, end) in STRENGTHS.iter().enumerate() {
            let begin = number
                .checked_sub(1)
                .map_or(-1.0, |before| STRENGTHS[before]);
            let own = outcomes
                .iter()
                .filter(|one| one.class == class && one.strength > begin && one.strength <= *end);
            let own: Vec<&Outcome> = own.collect();
            let right = own.iter().filter(|one| match one.strength > 0.0 {
                true => one.right,
                false => one.said == Some(Verdict::Steady),
            });
            cells.push(match own.len() {
                0 => "-".to_owned(),
                all => format!("{} of {all}", right.count()),
            });
        }
        println!("| {} | {} |", class.words(), cells.join(" | "));
    }
    println!();
}

fn holds(outcomes: &[Outcome]) -> bool {
    let all: Vec<&Outcome> = outcomes.iter().filter(|one| judged(one)).collect();
    let right = all.iter().filter(|one| one.right).count();
    let share = right as f64 / all.len().max(1) as f64;
    let faulty = all.iter().filter(|one| one.class != Verdict::Steady);
    let missed = faulty
        .filter(|one| one.said == Some(Verdict::Steady))
        .count();
    let none = outcomes.iter().filter(|one| one.strength == 0.0);
    let alarms = none.clone().filter(|one| one.said != Some(Verdict::Steady));
    let (none, alarms) = (none.count(), alarms.count());
    println!(
        "right           {:6.2} %  at least {:.0} %, of {} above the limit",
        share * 100.0,
        RIGHT_MIN * 100.0,
        all.len()
    );
    println!("called steady   {missed:6}    none of them");
    println!("false alarms    {alarms:6}    none of {none} without a fault");
    let holds = share >= RIGHT_MIN && missed == 0 && alarms == 0;
    if !holds {
        eprintln!("A bound above does not hold.");
    }
    holds
}
