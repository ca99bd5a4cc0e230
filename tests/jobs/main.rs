//! Whole jobs on the simulated chip.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod addressing;
// tests/faults/ uses the rest of it.
#[allow(dead_code)]
mod altered;
mod batches;
mod contact;
mod device;
mod guesses;
mod interrupted;
mod lane_programs;
mod lanes;
mod lifted;
mod modes;
mod overlap;
mod own_id;
mod predicted;
mod protect;
mod reading;
mod real_time;
mod refusals;
mod replaced_chip;
mod review;
mod seat;
mod sector_map;
mod shared_block;
mod signs;
mod simulated;
// tests/faults/ uses the rest of it.
#[allow(dead_code)]
mod small;
mod station;
mod supply;
mod survey;
// The benchmark uses the rest of it.
#[allow(dead_code)]
mod suspects;
mod twin_read;
mod verify;
mod whole;
mod words;
mod wrap;
mod writes;
