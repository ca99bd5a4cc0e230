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

use geometry::Geometry;
use series::{Depth, Series};

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

/// Minutes in a release build: `tests/faults/run geometries`.
#[test]
#[ignore = "for a release build: tests/faults/run geometries"]
fn every_cut_on_every_geometry() {
    hold(&Series::at(Depth::One), Geometry::all());
}

/// A quarter of an hour in a release build: `tests/faults/run whole`.
#[test]
#[ignore = "for a release build: tests/faults/run whole"]
fn every_cut_of_every_recovery_of_a_whole_write() {
    hold(&Series::at(Depth::Two), vec![Geometry::whole()]);
}
