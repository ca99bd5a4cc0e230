//! The line that says whether a chip answers, while a person connects it.

use std::io::Write;

use indicatif::ProgressBar;

use super::line::Line;
use super::look::{complain_in_lines, width_of};
use super::progress::{Mode, drawn_line};
use super::wrap::wrap;
use crate::job::Seat;

/// Says what each look shows: on a terminal in one line that changes, elsewhere in a new one for each change.
pub struct LiveLine {
    mode: Mode,
    bell: bool,
    bar: Option<ProgressBar>,
}

impl LiveLine {
    /// A line in `mode`, with a bell when the chip is seated or without.
    pub fn new(mode: Mode, bell: bool) -> Self {
        let bar = None;
        Self { mode, bell, bar }
    }

    /// What is seen now; `settled` when it has been so for long enough.
    pub fn tell(&mut self, seat: Seat, settled: bool) {
        let words = words(seat, settled);
        match self.mode {
            Mode::Waterline => {
                let bar = self.bar.get_or_insert_with(drawn_line);
                bar.set_message(wrap(words, width_of(&std::io::stderr())).join("\n"));
                if settled {
                    bar.finish();
                }
            }
            Mode::Lines => complain_in_lines(words),
            Mode::Json => Line::Seat { seat, settled }.say(),
            Mode::Silent | Mode::SilentJson => {}
        }
        if self.bell && settled {
            // BEL, ECMA-48 8.3.5. Where nobody hears it nothing is lost.
            let mut err = std::io::stderr();
            let _ = err.write_all(b"\x07").and_then(|()| err.flush());
        }
    }
}

fn words(seat: Seat, settled: bool) -> &'static str {
    match (seat, settled) {
        (Seat::Lifted, _) => "clip: nothing answers",
        (Seat::Unsteady, _) => "clip: something answers, not the same each time",
        (Seat::Seated, false) => "clip: a chip answers",
        (Seat::Seated, true) => "clip: a chip answers steadily; the check begins",
    }
}
