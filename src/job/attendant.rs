//! Whoever stands at the bench while a job runs: a person, a program or nobody.

use std::time::Duration;

use serde::Serialize;

use crate::jedec::Hertz;

/// A task that takes a while, announced as it begins.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Task {
    /// Short name, such as `first` or `writing`.
    pub name: &'static str,
    /// How much there is to do.
    pub total: u64,
    /// True where `total` counts bytes, false where it counts blocks.
    pub bytes: bool,
}

/// Is told how a job gets on, and may ask it to stop.
pub trait Attendant {
    /// Reads of the whole chip come next, at these clocks; all of them take about so long.
    fn expects(&mut self, _sck: &[Hertz], _about: Duration) {}

    /// A task begins.
    fn begins(&mut self, task: &Task);

    /// So much of the task is done; `place` says what is in hand, where that matters.
    fn at(&mut self, done: u64, place: Option<&str>);

    /// The task ended; `words` say how.
    fn ends(&mut self, words: &str);

    /// Whether the person asked to stop. A job then finishes the block in hand and stops.
    fn stop_asked(&self) -> bool;
}

/// Nobody watches and nobody stops.
#[derive(Debug, Clone, Copy, Default)]
pub struct Nobody;

impl Attendant for Nobody {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}
