//! The catalogue as a library user meets it: files, markings, identification, the built-in table.

// Helpers of tests may fail as the tests do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod check;
mod files;
mod identification;
mod lane_programs;
mod markings;
mod quad_enable;
mod search;
mod table;
mod truth;
