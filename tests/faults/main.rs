//! Writes that survive anything: whole jobs on the simulated chip, with faults at every layer.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod calls;
mod contact;
mod cuts;
mod midway;
mod mosi;
mod simulator;

// A link, a bench and a small unit, as the tests of whole jobs have them.
#[path = "../jobs/altered.rs"]
mod altered;
#[allow(dead_code)]
#[path = "../jobs/real_time.rs"]
mod real_time;
#[allow(dead_code)]
#[path = "../jobs/small.rs"]
mod small;
#[allow(dead_code)]
#[path = "../jobs/station.rs"]
mod station;

/// Whether every case is asked for, as in CI, instead of the quick sample.
fn all() -> bool {
    std::env::var("NORLOCK_FAULTS").is_ok_and(|asked| asked == "all")
}
