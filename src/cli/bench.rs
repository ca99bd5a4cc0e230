//! The bench attestation: what a person must have looked at before the first clock.
//!
//! Each power arrangement has its own checklist. All of them make sure of exactly one source, since
//! two supplies fight and a lone signal feeds an unpowered chip through its pins.

use std::io::{BufRead, Write};

use crate::jedec::Millivolts;

use super::questions::{NoAnswer, Questions};
use crate::interlock::Power;

/// What the person answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BenchAnswers {
    /// Each statement of the checklist, and whether it was affirmed, in the order asked.
    pub checklist: Vec<(String, bool)>,
    /// What is printed on the chip; empty where the person could not read it.
    pub marking: String,
}

/// The statements to affirm for an arrangement at the declared level.
#[must_use]
pub fn checklist(power: Power, level: Millivolts) -> Vec<String> {
    let clip = "Clip square, pin 1 at the dot?".to_owned();
    match power {
        Power::Clip => vec![
            "Power comes from the clip alone; the board's own supply is off and its battery out?"
                .to_owned(),
            format!("{level} measured on the clip's supply wire?"),
            clip,
        ],
        Power::BoardHeldInReset => vec![
            "Power comes from the board alone; the clip's supply wire is not connected?".to_owned(),
            "The board's processor is held in reset and drives none of the chip's lines?"
                .to_owned(),
            format!("{level} measured at the chip's supply pin?"),
            clip,
        ],
        Power::External => vec![
            "Power comes from the external supply alone; the board's own is off, its battery out \
             and the bench computer's supply pin free?"
                .to_owned(),
            "External supply and bench computer share their ground?".to_owned(),
            format!("{level} measured at the chip's supply pin?"),
            clip,
        ],
        Power::Socket => vec![
            "Chip off its board, and the socket its only supply?".to_owned(),
            format!("{level} measured on the socket's supply pin?"),
            "Chip square in the socket, pin 1 at its mark?".to_owned(),
        ],
    }
}

/// Goes through the checklist and asks for the marking, unless it was given.
///
/// # Errors
/// [`NoAnswer`] as soon as one answer is missing.
pub fn ask<R: BufRead, W: Write>(
    questions: &mut Questions<R, W>,
    unit: Option<&str>,
    (power, level): (Power, Millivolts),
    marking: Option<&str>,
) -> Result<BenchAnswers, NoAnswer> {
    match unit {
        Some(unit) => questions.say(&format!("Look at the bench and answer for {unit}."))?,
        None => questions.say("Look at the bench and answer.")?,
    }
    let mut answers = Vec::new();
    for statement in checklist(power, level) {
        let affirmed = questions.yes(&statement)?;
        answers.push((statement, affirmed));
    }
    let marking = match marking {
        Some(marking) => marking.to_owned(),
        None => questions.text("Marking printed on the chip?")?,
    };
    Ok(BenchAnswers {
        checklist: answers,
        marking,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::ValueEnum as _;

    const LEVEL: Millivolts = Millivolts(3300);

    fn asked(
        power: Power,
        marking: Option<&str>,
        typed: &str,
    ) -> (Result<BenchAnswers, NoAnswer>, String) {
        let mut page = Vec::new();
        let mut questions = Questions::new(typed.as_bytes(), &mut page);
        let answers = ask(&mut questions, Some("gauge-07"), (power, LEVEL), marking);
        (answers, String::from_utf8(page).unwrap())
    }

    #[test]
    fn the_clip_is_asked_for_as_on_the_screen() {
        let (answers, page) = asked(Power::Clip, None, "yes\nyes\nyes\n25Q128JVSQ\n");
        let answers = answers.unwrap();
        assert!(answers.checklist.iter().all(|(_, yes)| *yes));
        assert_eq!(answers.marking, "25Q128JVSQ");
        // No line end follows a question: the person's own is echoed by the terminal.
        assert_eq!(
            page,
            [
                "Look at the bench and answer for gauge-07.\n",
                "  Power comes from the clip alone; the board's\n",
                "  own supply is off and its battery out?     ",
                "  3.3 V measured on the clip's supply wire?  ",
                "  Clip square, pin 1 at the dot?             ",
                "  Marking printed on the chip?               ",
            ]
            .concat()
        );
    }

    #[test]
    fn one_no_is_enough() {
        let (answers, page) = asked(Power::Socket, Some("25Q128JVSQ"), "yes\nno\nyes\n");
        let answers = answers.unwrap();
        assert!(!answers.checklist.iter().all(|(_, yes)| *yes));
        assert!(!page.contains("Marking"));
    }

    #[test]
    fn a_missing_answer_is_no_attestation() {
        assert!(asked(Power::Clip, None, "yes\nyes\n").0.is_err());
        assert!(asked(Power::Clip, None, "").0.is_err());
    }

    // Common practice, no source: one supply, a measured level, a pin 1 that was looked for.
    #[test]
    fn every_arrangement_settles_source_level_and_pin_1() {
        for power in Power::value_variants() {
            let list = checklist(*power, Millivolts(1800)).join("\n");
            assert!(
                list.contains("alone") || list.contains("only supply"),
                "{list}"
            );
            assert!(list.contains("1.8 V measured"), "{list}");
            assert!(list.contains("pin 1"), "{list}");
            assert!(list.lines().all(|line| line.ends_with('?')), "{list}");
        }
    }
}
