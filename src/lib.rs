//! norlock reads, backs up and rewrites a board's SPI NOR flash, and makes it hard to lose a board.

pub mod chip;
#[doc(hidden)]
pub mod cli;
pub mod image;
pub mod interlock;
pub mod jedec;
pub mod job;
pub mod link;
pub mod mock;
pub mod part;
pub mod unit;
pub mod worklist;
