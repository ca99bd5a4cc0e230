//! The supply fails at every modifying frame of a job, with every kind of torn result, and again at
//! every modifying frame of each recovery: the next run ends byte-exact.
//!
//! A job runs once, and at each of its modifying frames chip and files are forked. Each fork then goes on
//! as if the supply had failed in that frame, and the computer with it. `replay` holds these cases against
//! runs that are really cut. No outside source: what a torn operation leaves is the fault model of
//! `norlock::mock::Torn`.

mod bench;
mod by_hand;
mod geometry;
mod id;
mod replay;
mod series;
mod wire;

use bench::Subject;
use geometry::Geometry;
use id::Job;
use series::{Depth, Series};
use wire::TraceHash;

/// How many cases in how many threads: cut ids are printed of those that end badly.
fn hold(series: &Series, subjects: Vec<Geometry>) {
    let count = series.run(subjects);
    println!("{} cases, {} bad", count.cases, count.bad);
    assert_eq!(count.bad, 0, "the cut ids above replay them");
}

#[test]
fn every_cut_of_a_write_and_of_a_restore() {
    hold(&Series::quick(), vec![Geometry::part_of_it()]);
}

#[test]
fn the_chip_on_four_lanes_is_programmed_on_four() {
    let subject = Subject::ready(Geometry::by_name("256k-quad").unwrap());
    let state = subject.start.fork();
    let wire = subject.wire(&state, TraceHash::default(), None);
    let report = subject.run(Job::Write, &state, wire).result.unwrap();
    let lanes = report.lanes.unwrap_or_default();
    assert!(lanes.contains("programs on 4 by 32h"), "{lanes}");
}

/// Minutes: `tests/faults/run geometries`.
#[test]
#[ignore = "minutes: tests/faults/run geometries"]
fn every_cut_on_every_geometry() {
    hold(&Series::at(Depth::One), Geometry::all());
}

/// A quarter of an hour: `tests/faults/run --fast whole`.
#[test]
#[ignore = "minutes: tests/faults/run --fast whole"]
fn every_cut_of_every_recovery_of_a_whole_write() {
    hold(&Series::at(Depth::Two), vec![Geometry::whole()]);
}
