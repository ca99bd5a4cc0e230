//! Whole jobs on the simulated chip.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod refusals;
mod station;
mod whole;
