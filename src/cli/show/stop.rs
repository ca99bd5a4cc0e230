//! A command that ended early.

use crate::cli::screen::Screen;
use crate::job::{ChipState, Exit, Stop};

/// What happened, what was seen, what it means, the chip's state and the next step.
pub fn stop(stop: &Stop) -> Screen {
    let mut screen = Screen::new(stop.headline.clone());
    for (label, text) in &stop.evidence {
        screen = if label.is_empty() {
            screen.line(text.clone())
        } else {
            screen.row(label, text.clone())
        };
    }
    if let Some(words) = stop.chip.words() {
        let held = stop.exit == Exit::Held && stop.chip == ChipState::Untouched;
        let words = if held {
            "untouched; nothing that changes it was sent"
        } else {
            words
        };
        screen = screen.chip(format!("{words}."));
    }
    screen.next(stop.next.clone())
}
