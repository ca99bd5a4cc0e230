//! The lines of `--json`, each an event; docs/json.md promises them to programs.
//!
//! The types here and in the reports are what is serialised, and a test makes the schema from them. So a field
//! cannot be printed without being published.

#[cfg(test)]
mod schema;

use std::time::Duration;

use serde::Serialize;
use serde_json::Value;

use super::abreast::AbreastReport;
use super::commands::KeptReport;
use super::demo::Sum;
use super::look::say;
use super::shelf::ShelfReport;
use super::show::{Fitting, Found};
use super::waterline::Unit;
use crate::jedec::Hertz;
use crate::job::{self, Exit, Seat, Stop};
use crate::part::FileCheck;

/// The number of the lines' form: another only if a field went or changed its meaning.
pub const FORM: u32 = 1;

/// JSON Schema of one line: draft 2020-12, made by a test from the types that are serialised.
pub const SCHEMA: &str = include_str!("../../docs/json-schema.json");

/// One line of `--json`.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Line<'a> {
    /// A stage of the work begins.
    Begun {
        /// Its name, such as `first read`.
        stage: &'a str,
        /// How much there is to do.
        total: u64,
        /// What is counted.
        unit: Unit,
        /// The unit's name, where several are worked on at once.
        #[serde(skip_serializing_if = "Option::is_none")]
        of: Option<&'a str>,
    },
    /// A stage has come further; told at each sixteenth.
    Progress {
        /// Its name.
        stage: &'a str,
        /// How much is done.
        done: u64,
        /// How much there is to do.
        total: u64,
        /// What is counted.
        unit: Unit,
        /// The unit's name, where several are worked on at once.
        #[serde(skip_serializing_if = "Option::is_none")]
        of: Option<&'a str>,
    },
    /// A stage is over.
    Finished {
        /// Its name.
        stage: &'a str,
        /// How much was done.
        total: u64,
        /// What was counted.
        unit: Unit,
        /// The unit's name, where several are worked on at once.
        #[serde(skip_serializing_if = "Option::is_none")]
        of: Option<&'a str>,
    },
    /// Reads of the whole chip come.
    Expected {
        /// At these clocks.
        sck: &'a [Hertz],
        /// About how long all of them take.
        about: Duration,
        /// The unit's name, where several are worked on at once.
        #[serde(skip_serializing_if = "Option::is_none")]
        of: Option<&'a str>,
    },
    /// The wish to stop was heard; the block in hand is finished first.
    Stopping,
    /// What `contact --watch` sees on the clip.
    Seat {
        /// What answers.
        seat: Seat,
        /// Whether it has been so for long enough.
        settled: bool,
    },
    /// Where `shelf` is with a unit.
    Turn {
        /// The unit's name.
        of: &'a str,
        /// What happens now.
        step: Step,
        /// The same in words, behind `stage` the stage's name.
        words: &'a str,
    },
    /// Why `shelf` could not begin a unit's stages, or asks for its clip again.
    HeldUp {
        /// The unit's name.
        of: &'a str,
        /// Why.
        stop: &'a Stop,
    },
    /// A command has ended. The last line of every run is one.
    Ended(End<'a>),
}

/// What happens in a unit's turn on a shelf.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// The clip has to come off.
    Lift,
    /// The clip has to go on.
    Seat,
    /// A stage begins.
    Stage,
    /// The turn ended early.
    Stopped,
}

/// How a command ended.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct End<'a> {
    /// The number of the lines' form.
    pub form: u32,
    /// The unit's name, where one was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<&'a str>,
    /// The exit code.
    pub exit: Exit,
    /// What it found, or why it ended early.
    #[serde(flatten)]
    pub outcome: Outcome<'a>,
}

/// What a command found, or why it ended early.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(untagged)]
pub enum Outcome<'a> {
    /// What it found: a [`Report`] as data.
    Told(#[cfg_attr(test, schemars(with = "Report<'a>"))] &'a Value),
    /// Why it ended early.
    Stopped {
        /// Its name; left out where the line named none.
        #[serde(skip_serializing_if = "Option::is_none")]
        command: Option<&'a str>,
        /// Why.
        stop: &'a Stop,
    },
}

/// What each command reports.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(tag = "command", content = "report", rename_all = "kebab-case")]
#[cfg_attr(test, schemars(transform = schema::alternatives))]
#[allow(missing_docs, reason = "each is named as its command is")]
pub enum Report<'a> {
    Contact(&'a job::ContactReport),
    Id(&'a job::IdReport),
    Sfdp(&'a KeptReport<'a>),
    Backup(&'a job::BackupReport),
    #[serde(rename = "backup")]
    BackupOfSeveral(&'a AbreastReport),
    Check(&'a job::CheckReport),
    Inspect(&'a job::InspectReport),
    #[serde(rename = "inspect")]
    InspectTwo(&'a job::CompareReport),
    Tailor(&'a job::TailorReport),
    Worklist(&'a job::WorklistReport),
    Write(&'a job::WriteReport),
    Verify(&'a job::VerifyReport),
    #[serde(rename = "verify")]
    VerifyOfSeveral(&'a AbreastReport),
    Restore(&'a job::WriteReport),
    Survey(&'a job::SurveyReport),
    Protect(&'a job::ProtectionReport),
    Parts(&'a Fitting<'a>),
    #[serde(rename = "parts")]
    PartsMarked(&'a Found<'a>),
    #[serde(rename = "parts")]
    PartsChecked(&'a FileCheck),
    Wiring(&'a job::Wiring),
    Logbook(&'a job::Logbook),
    #[serde(rename = "logbook")]
    LogbookOfShelf(&'a job::Shelf),
    Shelf(&'a ShelfReport),
    Demo(&'a Sum),
    Schema(&'a Published),
    /// The answer to `--help` or `--version`.
    Help(&'a Help),
}

/// The schema, published.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Published {
    /// JSON Schema, draft 2020-12, of one line.
    #[cfg_attr(test, schemars(with = "schemars::Schema"))]
    pub schema: Value,
}

/// A text that was asked for.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Help {
    /// The text, in lines.
    pub text: String,
}

impl Line<'_> {
    /// The line as text, without its end. No type of ours fails here: all keys are texts.
    #[must_use]
    pub fn text(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Prints it on stdout.
    pub fn say(&self) {
        say(&self.text());
    }
}
