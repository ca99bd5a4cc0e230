//! Open formats within an image, as general-purpose tools make them.
//!
//! The files are in `tests/data/formats`, with the commands that made them.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a broken test must fail")]

mod made;
mod vectors;
