//! Open formats within an image, as general-purpose tools make them.
//!
//! The files are in `tests/data/formats`, with the script that made them.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a broken test must fail")]

mod damaged;
mod fresh;
mod hostile;
mod made;
mod whole;
