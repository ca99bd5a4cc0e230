//! The person, or the program, that watches a job from the command line.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use super::abreast::Lane;
use super::figures;
use super::progress::{Mode, Progress};
use super::stop::Stopping;
use super::waterline::Unit;
use crate::jedec::Hertz;
use crate::job::{Attendant, Task};

/// Shows progress and passes Ctrl-C on.
pub struct Watcher {
    progress: Progress,
    stop: Arc<Stopping>,
    task: Option<Task>,
}

impl Watcher {
    /// A watcher that shows progress in `mode` and asks to stop once a signal came.
    ///
    /// # Errors
    /// When signals cannot be caught.
    pub fn new(mode: Mode) -> io::Result<Self> {
        let progress = Progress::new(mode);
        let teller = progress.teller();
        Ok(Self {
            stop: Arc::new(Stopping::watch(move || teller.stopping())?),
            progress,
            task: None,
        })
    }

    /// One of several, each watching a unit of its own; the wish to stop is for all of them.
    #[must_use]
    pub fn in_lane(mode: Mode, lane: &Lane) -> Self {
        Self {
            progress: Progress::in_lane(mode, lane),
            stop: Arc::clone(&lane.stop),
            task: None,
        }
    }
}

impl Attendant for Watcher {
    fn expects(&mut self, sck: &[Hertz], about: Duration) {
        self.progress.expected(sck, about);
    }

    fn begins(&mut self, task: &Task) {
        let (name, unit) = match (task.name, task.bytes) {
            ("first" | "second", _) => (format!("{} read", task.name), Unit::Bytes),
            (name, true) => (name.to_owned(), Unit::Bytes),
            (name, false) => (name.to_owned(), Unit::Steps),
        };
        self.progress.start(&name, task.total, unit);
        self.task = Some(task.clone());
    }

    fn at(&mut self, done: u64, place: Option<&str>) {
        if let Some(place) = place {
            self.progress.beside("in hand", place);
            self.progress.beside(
                "Ctrl-C",
                "stops behind this block; the same command goes on",
            );
        }
        self.progress.at(done);
    }

    fn ends(&mut self, words: &str) {
        let words = match &self.task {
            Some(task) if task.bytes && words.ends_with(" s") => {
                format!("{} in {words}", figures::size(task.total))
            }
            _ => words.to_owned(),
        };
        self.progress.finish(&words);
    }

    fn stop_asked(&self) -> bool {
        self.stop.asked()
    }
}
