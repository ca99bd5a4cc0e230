//! Progress of long work: a waterline, plain lines, JSON lines, or nothing.

use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressFinish, ProgressStyle};

use super::abreast::Lane;
use super::figures::about_seconds;
use super::line::Line;
use super::look::{complain_in_lines, terminal_columns};
use super::waterline::{MARKS, Reached, Unit, beside, labelled};
use super::wrap::wrap;
use crate::jedec::Hertz;
use crate::job::clean;

/// A plain line comes after this time at the latest: who hears or reads them shall not take silence for an end.
const SILENCE_MAX: Duration = Duration::from_secs(30);
/// Columns of a terminal that has room for the marks and the words beside them.
const MARKS_COLUMNS: usize = 60;

/// How progress is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// A waterline on stderr, redrawn in place.
    Waterline,
    /// A plain line on stderr at each quarter, and at least every 30 s.
    Lines,
    /// A JSON line on stdout at each sixteenth.
    Json,
    /// Not at all.
    Silent,
    /// Not at all, and what cannot wait is a JSON line.
    SilentJson,
}

/// Shows how far each stage of a job has come.
///
/// A stage that is dropped unfinished leaves its last line standing: it says where the work stopped.
pub struct Progress {
    mode: Mode,
    out: Box<dyn Write + Send>,
    /// Columns of the terminal that `out` is, where it is one.
    columns: fn() -> Option<usize>,
    stage: Option<Stage>,
    drawn: Drawn,
    /// The unit, and the waterline that it has for all stages, where several are worked on at once.
    lane: Option<(String, ProgressBar)>,
}

/// The waterline that stands on the terminal now.
type Drawn = Arc<Mutex<Option<ProgressBar>>>;

/// Says on another thread what cannot wait for the work, beside the progress.
pub struct Teller {
    mode: Mode,
    drawn: Drawn,
    bars: Option<MultiProgress>,
}

/// The stage at work.
struct Stage {
    label: String,
    /// The unit, where its waterline stands among others.
    of: Option<String>,
    reached: Reached,
    begun: Instant,
    parts_told: u64,
    told_at: Duration,
    in_hand: Vec<(String, String)>,
    columns: fn() -> Option<usize>,
    bar: Option<ProgressBar>,
}

impl Teller {
    /// One who speaks between the waterlines of several units.
    #[must_use]
    pub fn beside(mode: Mode, bars: &MultiProgress) -> Self {
        Self {
            mode,
            drawn: Drawn::default(),
            bars: Some(bars.clone()),
        }
    }

    /// Says that the wish to stop was heard, whatever the mode: who asked waits for it.
    pub fn stopping(&self) {
        const WORDS: &str = "Stopping, as soon as nothing is left half done.";
        if matches!(self.mode, Mode::Json | Mode::SilentJson) {
            return Line::Stopping.say();
        }
        if let (Some(bars), Mode::Waterline) = (&self.bars, self.mode) {
            // Its `suspend` does not outlive a terminal that was closed.
            let words = fitted(WORDS, stderr_columns());
            let _ = bars.println(words);
            return;
        }
        let drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        match drawn.as_ref() {
            Some(bar) => bar.suspend(|| complain_in_lines(WORDS)),
            None => complain_in_lines(WORDS),
        }
    }
}

impl Progress {
    /// Progress in the given mode, on the stream that belongs to it.
    #[must_use]
    pub fn new(mode: Mode) -> Self {
        match mode {
            Mode::Json => Self::onto(mode, Box::new(std::io::stdout()), || None),
            _ => Self::onto(mode, Box::new(std::io::stderr()), stderr_columns),
        }
    }

    /// The same on any writer; the waterline itself always stands on stderr.
    fn onto(mode: Mode, out: Box<dyn Write + Send>, columns: fn() -> Option<usize>) -> Self {
        Self {
            mode,
            out,
            columns,
            stage: None,
            drawn: Drawn::default(),
            lane: None,
        }
    }

    /// The progress of one unit among others.
    #[must_use]
    pub fn in_lane(mode: Mode, lane: &Lane) -> Self {
        let bar = match mode {
            Mode::Waterline => lane.bars.add(drawn_line()),
            _ => ProgressBar::hidden(),
        };
        Self {
            lane: Some((lane.unit.clone(), bar)),
            ..Self::new(mode)
        }
    }

    /// One who can speak while the work goes on.
    #[must_use]
    pub fn teller(&self) -> Teller {
        Teller {
            mode: self.mode,
            drawn: Arc::clone(&self.drawn),
            bars: None,
        }
    }

    fn draw_on(&self, bar: Option<ProgressBar>) {
        *self.drawn.lock().unwrap_or_else(PoisonError::into_inner) = bar;
    }

    /// Says how long the reads that come take in all. Among other units' waterlines there is no room for it.
    pub fn expected(&mut self, sck: &[Hertz], about: Duration) {
        let of = self.lane.iter().map(|(unit, _)| format!("{unit}, "));
        let clocks: Vec<String> = sck.iter().map(Hertz::to_string).collect();
        let words = format!(
            "{}reads at {}: {}",
            of.collect::<String>(),
            clocks.join(" and "),
            about_seconds(about)
        );
        match (self.mode, &self.lane) {
            (Mode::Json, _) => {
                let of = self.of();
                self.line(&Line::Expected { sck, about, of }.text());
            }
            (Mode::Lines, _) | (Mode::Waterline, None) => self.text(&words),
            (Mode::Waterline, Some(_)) | (Mode::Silent | Mode::SilentJson, _) => {}
        }
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
        let (of, own) = self.lane.clone().unzip();
        let bar = (self.mode == Mode::Waterline).then(|| own.unwrap_or_else(drawn_line));
        self.draw_on(bar.clone());
        self.stage = Some(Stage {
            label: clean(label).into_owned(),
            of,
            reached,
            begun: Instant::now(),
            parts_told: 0,
            told_at: Duration::ZERO,
            in_hand: Vec::new(),
            columns: self.columns,
            bar,
        });
        if self.mode == Mode::Json {
            let (stage, of) = (label, self.of());
            let line = Line::Begun {
                stage,
                total,
                unit,
                of,
            };
            self.line(&line.text());
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
            Mode::Waterline | Mode::Silent | Mode::SilentJson => return,
        };
        let part = stage.reached.parts_of(parts);
        let silent = elapsed.saturating_sub(stage.told_at);
        let due = part > stage.parts_told || self.mode == Mode::Lines && silent >= SILENCE_MAX;
        // The last part is told by `finish`, which knows more.
        if !due || part >= parts {
            return;
        }
        (stage.parts_told, stage.told_at) = (part, elapsed);
        if self.mode == Mode::Lines {
            let line = stage.told(&stage.reached.words(elapsed));
            self.text(&line);
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
            Mode::Lines => self.text(&stage.told(&words)),
            Mode::Json => {
                let (stage, Reached { total, unit, .. }) = (stage.label.as_str(), stage.reached);
                let of = self.of();
                let line = Line::Finished {
                    stage,
                    total,
                    unit,
                    of,
                };
                self.line(&line.text());
            }
            Mode::Silent | Mode::SilentJson => {}
        }
    }

    fn tell_reached(&mut self) {
        let Some(stage) = &self.stage else { return };
        let Reached { done, total, unit } = stage.reached;
        let line = Line::Progress {
            stage: &stage.label,
            done,
            total,
            unit,
            of: self.of(),
        };
        self.line(&line.text());
    }

    /// The unit, where several are worked on at once.
    fn of(&self) -> Option<&str> {
        self.lane.as_ref().map(|(unit, _)| unit.as_str())
    }

    /// A text for people.
    fn text(&mut self, text: &str) {
        let lines = fitted(text, (self.columns)());
        self.line(&lines);
    }

    /// A line that cannot be written is let go: progress must never stop the work.
    fn line(&mut self, line: &str) {
        let _ = writeln!(self.out, "{line}").and_then(|()| self.out.flush());
    }
}

impl Stage {
    /// A plain line.
    fn told(&self, words: &str) -> String {
        let of = self.of.iter().map(|unit| format!("{unit}, "));
        format!("{}{}: {words}", of.collect::<String>(), self.label)
    }

    /// Redraws the waterline and the lines beside it, where there is one.
    fn draw(&self, elapsed: Duration) {
        let Some(bar) = &self.bar else { return };
        bar.set_message(match &self.of {
            _ if self.is_narrow() => self.without_marks(&self.reached.words(elapsed)),
            // The marks say how much; there is no room to say it twice.
            Some(unit) => {
                let left = self.reached.time_left(elapsed);
                let left = left.iter().map(|left| format!(", {left}"));
                self.among(unit, &format!("{}{}", self.label, left.collect::<String>()))
            }
            None => self.picture(&self.reached.words(elapsed)),
        });
    }

    /// Leaves the finished waterline standing, without the lines beside it.
    fn leave(&mut self, words: &str) {
        self.in_hand.clear();
        let Some(bar) = &self.bar else { return };
        match &self.of {
            Some(_) if self.is_narrow() => bar.set_message(self.without_marks(words)),
            Some(unit) => bar.set_message(self.among(unit, &format!("{}: {words}", self.label))),
            None if self.is_narrow() => bar.finish_with_message(self.without_marks(words)),
            None => bar.finish_with_message(self.picture(words)),
        }
    }

    /// Whether the terminal has no room for marks and words beside each other.
    fn is_narrow(&self) -> bool {
        (self.columns)().is_some_and(|columns| columns < MARKS_COLUMNS)
    }

    /// What a narrow terminal has room for: the words, broken where a line ends.
    fn without_marks(&self, words: &str) -> String {
        let beside = self.in_hand.iter();
        let beside = beside.map(|(label, text)| format!("{label}: {text}"));
        let lines: Vec<String> = std::iter::once(self.told(words)).chain(beside).collect();
        let fit = |line: &String| fitted(line, (self.columns)());
        lines.iter().map(fit).collect::<Vec<_>>().join("\n")
    }

    fn among(&self, unit: &str, words: &str) -> String {
        format!("{unit:<8}  {}  {words}", self.reached.marks())
    }

    fn picture(&self, words: &str) -> String {
        let line = labelled(&self.label, &format!("{}  {words}", self.reached.marks()));
        self.in_hand.iter().fold(line, |lines, (label, text)| {
            format!("{lines}\n{}", beside(label, &self.label, text))
        })
    }
}

fn stderr_columns() -> Option<usize> {
    terminal_columns(&std::io::stderr())
}

/// The text in lines that a terminal of so many columns has room for, one of them free; elsewhere in one.
fn fitted(text: &str, columns: Option<usize>) -> String {
    match columns {
        Some(columns) => wrap(text, columns.saturating_sub(1)).join("\n"),
        None => text.to_owned(),
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
