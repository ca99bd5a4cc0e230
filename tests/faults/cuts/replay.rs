//! One case alone, with runs that are really cut: nothing is forked in the middle of them.

use norlock::job::{ChipState, Exit};

use super::bench::{State, Subject};
use super::geometry::Geometry;
use super::id::{Case, Cut, Job};
use super::wire::TraceHash;
use crate::small::changed;

/// What replays a case.
pub fn command(id: &Case) -> String {
    format!(
        "NORLOCK_CUT={id} cargo test --locked --test faults the_cut_that_is_named -- --nocapture"
    )
}

/// Runs a case from its beginning; gives the hash of all frames sent.
pub fn really(subject: &Subject, case: &Case) -> Result<TraceHash, String> {
    let state = subject.start.fork();
    let mut trace = TraceHash::default();
    if case.cut[0].0 == Job::Restore {
        // What it goes back from.
        let wire = subject.wire(&state, trace, None);
        let run = subject.run(Job::Write, &state, wire);
        subject.check_end(Job::Write, &state, &run)?;
    }
    for (job, cut) in &case.cut {
        trace = cut_run(subject, *job, cut, &state, trace)?;
        state.power_up();
    }
    let wire = subject.wire(&state, trace, None);
    let run = subject.run(case.last, &state, wire);
    subject.check_end(case.last, &state, &run)?;
    Ok(run.seen.trace)
}

fn cut_run(
    subject: &Subject,
    job: Job,
    cut: &Cut,
    state: &State,
    trace: TraceHash,
) -> Result<TraceHash, String> {
    state.set_cut(cut.at, cut);
    let wire = subject.wire(state, trace, cut.loss);
    let run = subject.run(job, state, wire);
    let stop = run.result.err().ok_or("it was not cut")?;
    let told = stop.exit == Exit::Unfinished && stop.chip == changed(&stop);
    // A process whose files are gone cannot look into its journal.
    if cut.loss.is_none() && !told {
        return Err(format!("it does not say what it left: {stop:?}"));
    }
    if cut.loss.is_none() {
        noted(subject, state, &stop.headline)?;
    }
    if run.seen.wrong > 0 || run.seen.modifying < cut.at {
        return Err("unit data was changed, or a frame ignored".into());
    }
    Ok(run.seen.trace)
}

/// The computer that lives on has noted how the run ended.
fn noted(subject: &Subject, state: &State, headline: &str) -> Result<(), String> {
    let operations = subject.operations(state);
    let last = operations.last().ok_or("nothing is noted")?;
    let words = ChipState::ChangedInPart.words().unwrap();
    match last.outcome == headline && last.chip == words {
        true => Ok(()),
        false => Err(format!("it is noted as {last:?}")),
    }
}

/// The same case as the series goes through it: forked at the moment of each cut.
fn forked(subject: &Subject, case: &Case) -> Result<TraceHash, String> {
    let (mut state, mut trace) = (subject.start.fork(), TraceHash::default());
    if case.cut[0].0 == Job::Restore {
        subject.moments(Job::Write, &state, trace)?;
    }
    for (job, cut) in &case.cut {
        let moments = subject.moments(*job, &state, trace)?;
        let moment = moments.iter().find(|one| one.numbers.contains(&cut.at));
        (state, trace) = subject.cut_at(moment.ok_or("it has no such frame")?, cut)?;
    }
    let run = subject.run(case.last, &state, subject.wire(&state, trace, None));
    subject.check_end(case.last, &state, &run)?;
    Ok(run.seen.trace)
}

/// Cases of every kind. Some were bad once: a cut in a status write that outlasts every erase of the
/// part was met by a run that did not wait so long.
const CASES: [&str; 10] = [
    "64k-part:write/1.nothing.drop+write",
    "64k-part:write/3.prefix.keep+restore",
    "64k-part:write/7.prefix.drop+write/3.unstable.tear+write",
    "64k-part:write/9.random.tear+restore/2.done.keep+restore",
    "64k-part:write/9.unstable.keep+write/2.busy.drop+restore",
    "64k-part:restore/4.random.tear+restore/30.prefix.keep+restore",
    "64k-part:write/5.done.drop+write/6.nothing.keep+write/2.random.tear+write",
    "sst25vf016b:write/1.busy.tear+write",
    "sst25vf016b:write/16.busy.tear+write",
    "sst25vf016b:write/9.random.keep+write/3.unstable.drop+restore",
];

/// Each case so many times in runs that are really cut, and once forked: the same frames.
fn replays(times: u32) {
    let mut subject = Subject::ready(Geometry::part_of_it());
    for id in CASES {
        let case: Case = id.parse().unwrap();
        if case.geometry != subject.geometry.name {
            subject = Subject::ready(Geometry::by_name(&case.geometry).unwrap());
        }
        let trace = forked(&subject, &case).unwrap_or_else(|why| panic!("{id}: {why}"));
        for _ in 0..times {
            assert_eq!(really(&subject, &case), Ok(trace), "{id}");
        }
    }
    let other = |id: &str| forked(&subject, &id.parse().unwrap()).unwrap();
    // In another block: within one, what is left to do is the same.
    let one = other("sst25vf016b:write/2.prefix.keep+write");
    assert_ne!(one, other("sst25vf016b:write/16.prefix.keep+write"));
    println!("{} of {} replays", times * 10, times * 10);
}

#[test]
fn cases_replay_alone_by_their_id() {
    replays(1);
}

#[test]
#[ignore = "minutes: tests/faults/run geometries"]
fn cases_replay_a_hundred_times_of_a_hundred() {
    replays(10);
}

/// Runs the case that `NORLOCK_CUT` names, and prints its trace hash.
#[test]
fn the_cut_that_is_named() {
    let Ok(id) = std::env::var("NORLOCK_CUT") else {
        println!("skipped: NORLOCK_CUT names no case");
        return;
    };
    let case: Case = id.parse().unwrap();
    let geometry = Geometry::by_name(&case.geometry).expect("no such geometry");
    let trace = really(&Subject::ready(geometry), &case);
    let trace = trace.unwrap_or_else(|why| panic!("bad: {case}: {why}"));
    println!("{case}: good, trace {:016x}", trace.0);
}
