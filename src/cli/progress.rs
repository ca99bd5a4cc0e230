//! Progress of long work: a waterline, plain lines, JSON lines, or nothing.

use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressFinish, ProgressStyle};
use serde::Serialize;

use super::look::{complain, say};
use super::waterline::{MARKS, Reached, Unit, beside, labelled};
use crate::job::clean;

/// How progress is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// A waterline on stderr, redrawn in place.
    Waterline,
    /// A plain line on stderr at each quarter.
    Lines,
    /// A JSON line on stdout at each sixteenth.
    Json,
    /// Not at all.
    Silent,
}

/// Shows how far each stage of a job has come.
///
/// A stage that is dropped unfinished leaves its last line standing: it says where the work stopped.
pub struct Progress {
    mode: Mode,
    out: Box<dyn Write + Send>,
    stage: Option<Stage>,
    drawn: Drawn,
}

/// The waterline that stands on the terminal now.
type Drawn = Arc<Mutex<Option<ProgressBar>>>;

/// Says on another thread what cannot wait for the work, beside the progress.
pub struct Teller {
    mode: Mode,
    drawn: Drawn,
}

/// The stage at work.
struct Stage {
    label: String,
    reached: Reached,
    begun: Instant,
    parts_told: u64,
    in_hand: Vec<(String, String)>,
    bar: Option<ProgressBar>,
}

/// One JSON line.
#[derive(Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Event<'a> {
    Begun {
        stage: &'a str,
        total: u64,
        unit: Unit,
    },
    Progress {
        stage: &'a str,
        done: u64,
        total: u64,
        unit: Unit,
    },
    Finished {
        stage: &'a str,
        total: u64,
        unit: Unit,
    },
    /// A signal asked to stop.
    Stopping,
}

impl Teller {
    /// Says that the wish to stop was heard, whatever the mode: who asked waits for it.
    pub fn stopping(&self) {
        const WORDS: &str = "Stopping, as soon as nothing is left half done.";
        if self.mode == Mode::Json {
            let line = serde_json::to_string(&Event::Stopping);
            return line.map_or((), |line| say(&line));
        }
        let drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        match drawn.as_ref() {
            Some(bar) => bar.suspend(|| complain(WORDS)),
            None => complain(WORDS),
        }
    }
}

impl Progress {
    /// Progress in the given mode, on the stream that belongs to it.
    #[must_use]
    pub fn new(mode: Mode) -> Self {
        match mode {
            Mode::Json => Self::onto(mode, Box::new(std::io::stdout())),
            _ => Self::onto(mode, Box::new(std::io::stderr())),
        }
    }

    /// The same on any writer; the waterline itself always stands on stderr.
    fn onto(mode: Mode, out: Box<dyn Write + Send>) -> Self {
        Self {
            mode,
            out,
            stage: None,
            drawn: Drawn::default(),
        }
    }

    /// One who can speak while the work goes on.
    #[must_use]
    pub fn teller(&self) -> Teller {
        Teller {
            mode: self.mode,
            drawn: Arc::clone(&self.drawn),
        }
    }

    fn draw_on(&self, bar: Option<ProgressBar>) {
        *self.drawn.lock().unwrap_or_else(PoisonError::into_inner) = bar;
    }

    /// Begins a stage such as `second read` of `total` bytes or steps.
    ///
    /// A waterline shows the label's first word, other modes show all of it.
    pub fn start(&mut self, label: &str, total: u64, unit: Unit) {
        let reached = Reached {
            done: 0,
            total,
            unit,
        };
        let bar = (self.mode == Mode::Waterline).then(drawn_line);
        self.draw_on(bar.clone());
        self.stage = Some(Stage {
            label: clean(label).into_owned(),
            reached,
            begun: Instant::now(),
            parts_told: 0,
            in_hand: Vec::new(),
            bar,
        });
        if self.mode == Mode::Json {
            let stage = label;
            self.tell(&Event::Begun { stage, total, unit });
        }
        self.at(0);
    }

    /// Sets a line that stands below the waterline, such as `in hand`; other modes leave it out.
    pub fn beside(&mut self, label: &str, text: &str) {
        let Some(stage) = &mut self.stage else { return };
        let text = clean(text).into_owned();
        match stage.in_hand.iter_mut().find(|(known, _)| known == label) {
            Some((_, known)) => *known = text,
            None => stage.in_hand.push((label.to_owned(), text)),
        }
        stage.draw(stage.begun.elapsed());
    }

    /// Says how far the stage has come. Cheap enough to call for every batch.
    pub fn at(&mut self, done: u64) {
        let elapsed = self.stage.as_ref().map(|stage| stage.begun.elapsed());
        self.at_after(done, elapsed.unwrap_or_default());
    }

    fn at_after(&mut self, done: u64, elapsed: Duration) {
        let Some(stage) = &mut self.stage else { return };
        stage.reached.done = done.min(stage.reached.total);
        stage.draw(elapsed);
        let parts = match self.mode {
            Mode::Lines => 4,
            Mode::Json => MARKS,
            Mode::Waterline | Mode::Silent => return,
        };
        let part = stage.reached.parts_of(parts);
        // The last part is told by `finish`, which knows more.
        if part <= stage.parts_told || part >= parts {
            return;
        }
        stage.parts_told = part;
        if self.mode == Mode::Lines {
            let line = format!("{}: {}", stage.label, stage.reached.words(elapsed));
            self.line(&line);
        } else {
            self.tell_reached();
        }
    }

    /// Ends the stage in words such as `16 MiB in 6.8 s`.
    pub fn finish(&mut self, words: &str) {
        let Some(mut stage) = self.stage.take() else {
            return;
        };
        self.draw_on(None);
        stage.reached.done = stage.reached.total;
        let words = clean(words);
        match self.mode {
            Mode::Waterline => stage.leave(&words),
            Mode::Lines => self.line(&format!("{}: {words}", stage.label)),
            Mode::Json => {
                let (stage, Reached { total, unit, .. }) = (stage.label.as_str(), stage.reached);
                self.tell(&Event::Finished { stage, total, unit });
            }
            Mode::Silent => {}
        }
    }

    fn tell_reached(&mut self) {
        let Some(stage) = &self.stage else { return };
        let Reached { done, total, unit } = stage.reached;
        let label = stage.label.clone();
        self.tell(&Event::Progress {
            stage: &label,
            done,
            total,
            unit,
        });
    }

    fn tell(&mut self, event: &Event<'_>) {
        if let Ok(line) = serde_json::to_string(event) {
            self.line(&line);
        }
    }

    /// A line that cannot be written is let go: progress must never stop the work.
    fn line(&mut self, line: &str) {
        let _ = writeln!(self.out, "{line}").and_then(|()| self.out.flush());
    }
}

impl Stage {
    /// Redraws the waterline and the lines beside it, where there is one.
    fn draw(&self, elapsed: Duration) {
        let Some(bar) = &self.bar else { return };
        bar.set_message(self.picture(&self.reached.words(elapsed)));
    }

    /// Leaves the finished waterline standing, without the lines beside it.
    fn leave(&mut self, words: &str) {
        self.in_hand.clear();
        if let Some(bar) = &self.bar {
            bar.finish_with_message(self.picture(words));
        }
    }

    fn picture(&self, words: &str) -> String {
        let line = labelled(&self.label, &format!("{}  {words}", self.reached.marks()));
        self.in_hand.iter().fold(line, |lines, (label, text)| {
            format!("{lines}\n{}", beside(label, &self.label, text))
        })
    }
}

/// A line on stderr that shows its message and nothing else, redrawn at most ten times a second.
pub(super) fn drawn_line() -> ProgressBar {
    let target = ProgressDrawTarget::stderr_with_hz(10);
    let bar = ProgressBar::with_draw_target(None, target).with_finish(ProgressFinish::Abandon);
    match ProgressStyle::with_template("{msg}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

#[cfg(test)]
mod tests;
