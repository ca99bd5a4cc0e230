//! Writes that survive anything: whole jobs on the simulated chip, with faults at every layer.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod calls;
mod cuts;

// A bench and a small unit, as the tests of whole jobs have them.
#[allow(dead_code)]
#[path = "../jobs/small.rs"]
mod small;
#[allow(dead_code)]
#[path = "../jobs/station.rs"]
mod station;
