//! Which look suits the streams and the person: dimmed or not, animated or not, JSON or text.

use std::ffi::OsStr;
use std::io::{IsTerminal, Write};
use std::os::fd::AsFd;

use serde::Serialize;
use terminal_size::{Width, terminal_size_of};

use super::progress::Mode;
use super::screen::Screen;
use super::wrap::{COLUMNS, wrap};

/// What was found out about the surroundings, once, at the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// How progress is shown.
    pub progress: Mode,
    /// Whether evidence is dimmed.
    pub dim: bool,
    /// Whether the answer is JSON.
    pub json: bool,
}

/// The surroundings that a look depends on.
#[derive(Debug, Clone, Copy)]
struct Surroundings<'a> {
    stdout_is_terminal: bool,
    stderr_is_terminal: bool,
    no_color: Option<&'a OsStr>,
    term: Option<&'a OsStr>,
}

impl Look {
    /// The look for this process's streams and environment.
    ///
    /// `NO_COLOR`, where set and not empty, stops colour; `plain` and `TERM=dumb` stop animation as well.
    #[must_use]
    pub fn found(json: bool, quiet: bool, plain: bool) -> Self {
        let (no_color, term) = (std::env::var_os("NO_COLOR"), std::env::var_os("TERM"));
        let surroundings = Surroundings {
            stdout_is_terminal: std::io::stdout().is_terminal(),
            stderr_is_terminal: std::io::stderr().is_terminal(),
            no_color: no_color.as_deref(),
            term: term.as_deref(),
        };
        Self::within(surroundings, json, quiet, plain)
    }

    fn within(around: Surroundings<'_>, json: bool, quiet: bool, plain: bool) -> Self {
        let plain = plain || around.term.is_some_and(|value| value == "dumb");
        let colour = !plain && around.no_color.is_none_or(OsStr::is_empty);
        let progress = match (quiet, json) {
            (true, false) => Mode::Silent,
            (true, true) => Mode::SilentJson,
            (false, true) => Mode::Json,
            (false, false) if around.stderr_is_terminal && !plain => Mode::Waterline,
            (false, false) => Mode::Lines,
        };
        Self {
            progress,
            dim: around.stdout_is_terminal && colour && !json,
            json,
        }
    }

    /// Prints an answer on stdout: the screen, or `value` as one JSON line.
    ///
    /// # Errors
    /// What the stream said; a pipe closed by its reader is no error.
    pub fn answer(self, screen: &Screen, value: &impl Serialize) -> std::io::Result<()> {
        let text = if self.json {
            serde_json::to_string(value)? + "\n"
        } else {
            screen.render(self.dim, width_of(&std::io::stdout()))
        };
        let mut stdout = std::io::stdout().lock();
        match stdout
            .write_all(text.as_bytes())
            .and_then(|()| stdout.flush())
        {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            done => done,
        }
    }
}

/// How many columns a stream's terminal has; `None` where it is none, or does not say.
#[must_use]
pub fn terminal_columns(stream: &impl AsFd) -> Option<usize> {
    terminal_size_of(stream).map(|(Width(columns), _)| usize::from(columns))
}

/// The columns that text fills on a stream: those of the screens, or fewer on a narrower terminal, of which one
/// stays free.
#[must_use]
pub fn width_of(stream: &impl AsFd) -> usize {
    terminal_columns(stream).map_or(COLUMNS, |columns| COLUMNS.min(columns - 1))
}

/// Prints a text on stderr, in lines that fit.
pub fn complain_in_lines(text: &str) {
    complain(&wrap(text, width_of(&std::io::stderr())).join("\n"));
}

/// Prints a text on stdout, in lines that fit, behind an empty one.
pub fn say_in_lines(text: &str) {
    let lines = wrap(text, width_of(&std::io::stdout()));
    say(&format!("\n{}", lines.join("\n")));
}

/// Prints a line on stdout. A closed pipe is no error: whoever read has read enough.
pub fn say(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// Prints a line on stderr. Where even that fails there is nobody left to tell.
pub fn complain(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

#[cfg(test)]
mod tests {
    use super::*;

    const TERMINAL: Surroundings<'static> = Surroundings {
        stdout_is_terminal: true,
        stderr_is_terminal: true,
        no_color: None,
        term: None,
    };

    fn look(around: Surroundings<'_>, json: bool, quiet: bool) -> (Mode, bool) {
        let look = Look::within(around, json, quiet, false);
        assert_eq!(look.json, json);
        (look.progress, look.dim)
    }

    #[test]
    fn a_terminal_gets_the_waterline_and_dimmed_evidence() {
        assert_eq!(look(TERMINAL, false, false), (Mode::Waterline, true));
        assert_eq!(look(TERMINAL, false, true), (Mode::Silent, true));
        assert_eq!(look(TERMINAL, true, false), (Mode::Json, false));
        assert_eq!(look(TERMINAL, true, true), (Mode::SilentJson, false));
    }

    // NO_COLOR: no-color.org, 'when present and not an empty string', of colour alone.
    #[test]
    fn colour_and_animation_can_be_declined() {
        let plain = Look::within(TERMINAL, false, false, true);
        assert_eq!((plain.progress, plain.dim), (Mode::Lines, false));
        for (no_color, term, expected) in [
            (Some("1"), None, (Mode::Waterline, false)),
            (Some(""), None, (Mode::Waterline, true)),
            (None, Some("dumb"), (Mode::Lines, false)),
            (None, Some("vt100"), (Mode::Waterline, true)),
        ] {
            let around = Surroundings {
                no_color: no_color.map(OsStr::new),
                term: term.map(OsStr::new),
                ..TERMINAL
            };
            assert_eq!(look(around, false, false), expected);
        }
    }

    #[test]
    fn each_stream_is_judged_by_itself() {
        let piped_answer = Surroundings {
            stdout_is_terminal: false,
            ..TERMINAL
        };
        assert_eq!(look(piped_answer, false, false), (Mode::Waterline, false));
        let logged_progress = Surroundings {
            stderr_is_terminal: false,
            ..TERMINAL
        };
        assert_eq!(look(logged_progress, false, false), (Mode::Lines, true));
    }
}
