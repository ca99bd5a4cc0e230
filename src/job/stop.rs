//! Why a job ended early, as the person at the bench needs to hear it.

use serde::{Serialize, Serializer};

use super::Exit;
use crate::interlock::{Held, Panel};
use crate::unit::Digest;

/// What state a chip is in when a job ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ChipState {
    /// No chip was met, or needed.
    NotMet,
    /// Nothing that changes the chip was sent.
    Untouched,
    /// As it was found: a status register write was sent and was not taken.
    NotTaken,
    /// Changed in part; the unit's journal accounts for each block.
    ChangedInPart,
    /// Changed in part, and perhaps where the journal does not say so: a read of the whole chip showed
    /// something else than its blocks explain.
    ChangedBeyond,
    /// Changed as asked, complete.
    Changed,
    /// A status register write was sent, and what came of it is not known; the array is as it was.
    ProtectionInDoubt,
    /// A status register write was sent and read back; only what came after it failed.
    ProtectionChanged,
    /// As it was found: a status register write was taken in part, and was put back.
    PutBack,
}

impl ChipState {
    /// The line behind `Chip` on a screen; `None` where no chip was met.
    #[must_use]
    pub fn words(self) -> Option<&'static str> {
        match self {
            Self::NotMet => None,
            Self::Untouched => Some("untouched"),
            Self::NotTaken => Some("as it was found; a register write was sent and not taken"),
            Self::ChangedInPart => Some("changed in part; the journal accounts for each block"),
            Self::ChangedBeyond => Some("changed, perhaps also where the journal does not say so"),
            Self::Changed => Some("changed as asked, complete"),
            Self::ProtectionInDoubt => Some("its protection is in doubt; its array is untouched"),
            Self::ProtectionChanged => {
                Some("its protection was changed and read back; what came after failed")
            }
            Self::PutBack => Some("as it was found; what was written is put back"),
        }
    }
}

/// Why a job ended early.
#[derive(Debug, Serialize, thiserror::Error)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[error("{headline}")]
pub struct Stop {
    /// The number the program ends with.
    pub exit: Exit,
    /// What happened, as one sentence.
    pub headline: String,
    /// Label and text of each row of evidence. Rows without a label are lines of a staff, the picture of
    /// the flash.
    #[serde(serialize_with = "rows")]
    #[cfg_attr(test, schemars(with = "Vec<Row<'static>>"))]
    pub evidence: Vec<(String, String)>,
    /// What state the chip is in.
    pub chip: ChipState,
    /// What to do next.
    pub next: String,
    /// Every interlock that holds.
    pub held: Vec<Held>,
    /// The error below, where there is one.
    #[serde(skip)]
    #[source]
    pub cause: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// A row of evidence.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Row<'a> {
    /// What it tells of; empty for a line of a staff.
    label: &'a str,
    text: &'a str,
}

fn rows<S: Serializer>(rows: &[(String, String)], to: S) -> Result<S::Ok, S::Error> {
    to.collect_seq(rows.iter().map(|(label, text)| Row { label, text }))
}

impl Stop {
    /// A stop with a headline and a next step, the chip untouched.
    #[must_use]
    pub fn new(exit: Exit, headline: impl Into<String>, next: impl Into<String>) -> Self {
        Self {
            exit,
            headline: headline.into(),
            evidence: Vec::new(),
            chip: ChipState::Untouched,
            next: next.into(),
            held: Vec::new(),
            cause: None,
        }
    }

    /// With one more row of evidence.
    #[must_use]
    pub fn row(mut self, label: &str, text: impl Into<String>) -> Self {
        self.evidence.push((label.to_owned(), text.into()));
        self
    }

    /// With a staff above the other evidence; without lines, as it was.
    #[must_use]
    pub fn picture(mut self, staff: Vec<String>) -> Self {
        let lines = staff.into_iter().map(|line| (String::new(), line));
        self.evidence.splice(0..0, lines);
        self
    }

    /// With an image that is whole and stays, though what came behind it failed.
    #[must_use]
    pub(super) fn kept(self, file: &str, sha256: Digest) -> Self {
        self.row("kept", format!("{file}, SHA-256 {sha256}"))
    }

    /// With the error that led to it.
    #[must_use]
    pub fn because(mut self, cause: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.cause = Some(Box::new(cause));
        self
    }

    /// Held by the interlocks that hold on `panel`: the first in full, the others by their headline.
    #[must_use]
    pub fn held(panel: &Panel) -> Self {
        let held: Vec<Held> = panel.held().into_iter().cloned().collect();
        let Some(first) = held.first() else {
            return Self::new(
                Exit::Held,
                "An interlock waits that nothing opened.",
                "norlock contact",
            );
        };
        let (open, waiting) = panel.counts();
        let mut stop = Self::new(
            Exit::Held,
            format!("Held by {}: {}", first.interlock, first.headline),
            first.next.clone(),
        )
        .row("seen", first.seen.clone())
        .row("means", first.means.clone());
        for also in held.iter().skip(1) {
            stop = stop.row("also", format!("{}: {}", also.interlock, also.headline));
        }
        if open > 0 {
            let are = if open == 1 { "is" } else { "are" };
            let wait = if waiting == 1 { "waits" } else { "wait" };
            let others = format!("{open} {are} open; {waiting} {wait} for the chip");
            stop = stop.row("others", others);
        }
        stop.held = held;
        stop
    }

    /// The same stop once the chip was changed: `ChangedInPart`, with exit code `Unfinished`.
    #[must_use]
    pub fn after_change(mut self) -> Self {
        self.chip = ChipState::ChangedInPart;
        self.exit = Exit::Unfinished;
        self
    }
}
