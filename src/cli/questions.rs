//! Questions to the person at the bench: asked on stderr, answered on stdin.

use std::io::{self, BufRead, IsTerminal, Write};

use super::look::width_of;
use super::stop::Mortal;
use super::wrap::{COLUMNS, columns, wrap};
use crate::job::clean;

/// Where the answers stand.
const ANSWER_COLUMN: usize = 45;

/// Columns that the text of a question fills.
const QUESTION_COLUMNS: usize = 44;

/// How often an answer that is neither yes nor no is asked again.
const TRIES: u32 = 3;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NoAnswer {
    /// The answers ended before this question.
    #[error("no answer was given to '{question}'")]
    Ended {
        /// What was asked.
        question: String,
    },
    /// The answers were neither yes nor no.
    #[error("{tries} answers to '{question}' were neither yes nor no")]
    Unclear {
        /// What was asked.
        question: String,
        /// How often it was asked.
        tries: u32,
    },
    /// The terminal failed.
    #[error("the terminal failed while a question was asked")]
    Terminal(#[from] io::Error),
}

/// Asks questions, one at a time.
#[derive(Debug)]
pub struct Questions<R, W> {
    answers: R,
    page: W,
    /// Columns that text fills.
    width: usize,
    /// Ctrl-C at a question ends the program.
    _mortal: Option<Mortal>,
}

/// Questions on the terminal, or `None` where there is nobody to ask: stdin and stderr must both be
/// terminals.
#[must_use]
pub fn on_terminal() -> Option<Questions<io::StdinLock<'static>, io::Stderr>> {
    let (stdin, stderr) = (io::stdin(), io::stderr());
    (stdin.is_terminal() && stderr.is_terminal()).then(|| Questions {
        _mortal: Mortal::new().ok(),
        width: width_of(&io::stderr()),
        ..Questions::new(stdin.lock(), stderr)
    })
}

impl<R: BufRead, W: Write> Questions<R, W> {
    /// Questions on `page`, answers from `answers`, one a line.
    pub fn new(answers: R, page: W) -> Self {
        Self {
            answers,
            page,
            width: COLUMNS,
            _mortal: None,
        }
    }

    /// Says something before or between questions.
    ///
    /// # Errors
    /// [`NoAnswer::Terminal`].
    pub fn say(&mut self, text: &str) -> Result<(), NoAnswer> {
        for line in wrap(text, self.width) {
            writeln!(self.page, "{line}")?;
        }
        Ok(())
    }

    /// Asks for yes or no; `y` and `n` count. Asks again up to three times.
    ///
    /// # Errors
    /// [`NoAnswer`]; an unclear answer is never taken for either.
    pub fn yes(&mut self, question: &str) -> Result<bool, NoAnswer> {
        for _ in 0..TRIES {
            match self.line(question)?.to_ascii_lowercase().as_str() {
                "yes" | "y" => return Ok(true),
                "no" | "n" => return Ok(false),
                _ => self.say("  Please answer yes or no.")?,
            }
        }
        Err(NoAnswer::Unclear {
            question: question.to_owned(),
            tries: TRIES,
        })
    }

    /// Asks for a text. An empty answer is an answer: the person has nothing to say.
    ///
    /// # Errors
    /// [`NoAnswer`].
    pub fn text(&mut self, question: &str) -> Result<String, NoAnswer> {
        self.line(question)
    }

    /// Prints the question and reads one line, without the spaces around it.
    fn line(&mut self, question: &str) -> Result<String, NoAnswer> {
        write!(self.page, "{}", laid_out(question, self.width))?;
        self.page.flush()?;
        let mut answer = String::new();
        if self.answers.read_line(&mut answer)? == 0 {
            return Err(NoAnswer::Ended {
                question: question.to_owned(),
            });
        }
        Ok(answer.trim().to_owned())
    }
}

/// The question, wrapped and padded to where the answer is typed.
fn laid_out(question: &str, width: usize) -> String {
    // On a narrow terminal the answer stands closer, and has room for a yes.
    let room = QUESTION_COLUMNS.min(width.saturating_sub("   yes".len()));
    let mut lines: Vec<String> = wrap(&clean(question), room)
        .iter()
        .map(|line| format!("  {line}"))
        .collect();
    if let Some(last) = lines.last_mut() {
        let column = if width < COLUMNS { 0 } else { ANSWER_COLUMN };
        let pad = column.saturating_sub(columns(last)).max(1);
        last.push_str(&" ".repeat(pad));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked<T>(
        answers: &str,
        ask: impl FnOnce(&mut Questions<&[u8], Vec<u8>>) -> Result<T, NoAnswer>,
    ) -> (Result<T, NoAnswer>, String) {
        let mut questions = Questions::new(answers.as_bytes(), Vec::new());
        let answer = ask(&mut questions);
        (answer, String::from_utf8(questions.page).unwrap())
    }

    #[test]
    fn yes_and_no_are_told_apart() {
        for (typed, meant) in [
            ("yes\n", true),
            ("Y\r\n", true),
            ("no\n", false),
            (" n ", false),
        ] {
            assert_eq!(asked(typed, |q| q.yes("Ready?")).0.unwrap(), meant);
        }
    }

    #[test]
    fn an_unclear_answer_is_never_a_yes() {
        let (answer, page) = asked("\nyep\nsure\nyes\n", |q| q.yes("Ready?"));
        assert!(matches!(answer, Err(NoAnswer::Unclear { tries: 3, .. })));
        assert_eq!(page.matches("Ready?").count(), 3);
        let (answer, _) = asked("", |q| q.yes("Ready?"));
        assert!(matches!(answer, Err(NoAnswer::Ended { .. })));
        assert!(asked("perhaps\nyes\n", |q| q.yes("Ready?")).0.unwrap());
    }

    #[test]
    fn text_is_trimmed() {
        let (answer, page) = asked("  5c1f09e2 7ab4d830 \n", |q| {
            q.text("Hash kept away from here, of as-found.bin?")
        });
        assert_eq!(answer.unwrap(), "5c1f09e2 7ab4d830");
        assert_eq!(page, "  Hash kept away from here, of as-found.bin? ");
    }
    #[test]
    fn on_a_narrow_terminal_question_and_answer_fit() {
        let question = laid_out("Marking printed on the chip?", 19);
        assert_eq!(question, "  Marking\n  printed on\n  the chip? ");
    }
}
