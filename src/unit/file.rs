//! `unit.toml`: who the unit is, its images, and every operation in sequence.
//!
//! Unknown keys are refused when it is read back, with line and column: a misspelt key would
//! otherwise be lost at the next write.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use toml::Spanned;

use super::digest::Digest;
use super::error::UnitError;
use crate::part::JedecId;
use crate::text::{Reading, TextError};

/// The form of `unit.toml` that is written and understood.
pub const FORMAT: u32 = 1;

/// 2025-01-01T00:00:00Z in seconds after the epoch. A clock before it was never set: boards without
/// a clock of their own start in the past.
const CLOCK_PLAUSIBLE_S: u64 = 1_735_689_600;

/// What `unit.toml` holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitFile {
    /// Form of the file.
    #[serde(deserialize_with = "known_form")]
    pub format: u32,
    /// Name of the unit: the folder's last component.
    pub name: String,
    /// The chip, once it has been identified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<Identity>,
    /// The images in the folder, by file name.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub images: BTreeMap<String, RecordedImage>,
    /// What was done, oldest first.
    #[serde(default, rename = "operation", skip_serializing_if = "Vec::is_empty")]
    pub operations: Vec<Recorded>,
}

/// What the unit's chip was found to be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Identity {
    /// Maker and part name.
    pub part: String,
    /// JEDEC ID as hexadecimal bytes, such as `EF 40 18`: as many as tell the part apart.
    #[serde(deserialize_with = "jedec_id")]
    pub jedec_id: String,
    /// Unique ID as hexadecimal bytes, where the part has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unique_id: Option<String>,
    /// Size of the array in bytes.
    pub size_bytes: u32,
    /// Level the link was declared to have, such as `3.3 V`.
    pub supply_level: String,
    /// Marking as read on the package; absent where it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marking: Option<String>,
}

impl Identity {
    /// The JEDEC ID; `None` only where this was not read from a file, and is not one.
    #[must_use]
    pub fn id(&self) -> Option<JedecId> {
        JedecId::parse(&self.jedec_id)
    }
}

/// An image as it was when it was published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordedImage {
    /// Its digest.
    pub sha256: Digest,
    /// Its size in bytes.
    pub size_bytes: u64,
    /// Why the reads it comes from were not independent, where they were not or it is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weak: Option<String>,
}

/// How an interlock stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum InterlockState {
    /// The evidence opened it.
    Open,
    /// A person accepted it by name.
    Accepted,
    /// It held.
    Held,
}

/// An interlock accepted by name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Acceptance {
    /// The interlock's ID, or what else can be accepted by name.
    pub name: String,
    /// The reason given.
    pub reason: String,
}

/// What was done, as a job tells it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Operation {
    /// The command, such as `backup`.
    pub command: String,
    /// How it ended, in a sentence.
    pub outcome: String,
    /// In which state it left the chip, in a sentence.
    pub chip: String,
    /// Under which conditions: SCK, read opcode, power arrangement and the like.
    pub conditions: BTreeMap<String, String>,
    /// How each interlock stood, by ID.
    pub interlocks: BTreeMap<String, InterlockState>,
    /// What was accepted, and why.
    pub acceptances: Vec<Acceptance>,
}

/// An operation with its place in the sequence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// Place in the sequence, from 1, without gaps: the order holds whatever the clock says.
    pub sequence: u32,
    /// When it was recorded, RFC 3339 in UTC.
    #[serde(deserialize_with = "time")]
    pub time: String,
    /// False where the clock was plainly not set.
    pub clock_set: bool,
    /// The command.
    pub command: String,
    /// How it ended.
    pub outcome: String,
    /// In which state it left the chip.
    pub chip: String,
    /// Conditions.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub conditions: BTreeMap<String, String>,
    /// Interlocks by ID.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub interlocks: BTreeMap<String, InterlockState>,
    /// What was accepted, and why.
    #[serde(default, rename = "acceptance", skip_serializing_if = "Vec::is_empty")]
    pub acceptances: Vec<Acceptance>,
}

/// Where the file numbers its operations.
#[derive(Deserialize)]
struct Sequences {
    #[serde(default)]
    operation: Vec<Numbered>,
}

#[derive(Deserialize)]
struct Numbered {
    sequence: Spanned<u32>,
}

impl UnitFile {
    /// The file of a unit about which nothing is known yet.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            format: FORMAT,
            name: name.to_owned(),
            identity: None,
            images: BTreeMap::new(),
            operations: Vec::new(),
        }
    }

    /// Reads the file's text; `path` is for the message.
    ///
    /// # Errors
    /// All that is wrong in it, each with line and column.
    pub fn parse(path: &Path, bytes: &[u8]) -> Result<Self, TextError> {
        let (mut reading, file) = Reading::of::<Self>(&path.display().to_string(), bytes);
        let places = reading.places::<Sequences>();
        let operations = places.map(|places| places.operation).unwrap_or_default();
        let mut numbered = operations.iter().zip(1..);
        if let Some((one, place)) = numbered.find(|(one, place)| one.sequence.get_ref() != place) {
            let number = one.sequence.get_ref();
            let what = format!(
                "sequence {number} stands at place {place}: an operation is lost, or moved"
            );
            reading.fault(one.sequence.span().start, what);
        }
        reading.end(file)
    }

    /// The file's text.
    ///
    /// # Errors
    /// `Encode`.
    pub fn text(&self) -> Result<String, UnitError> {
        let body = toml::to_string(self)?;
        Ok(format!(
            "# Kept by norlock: who this unit is and what was done to it.\n{body}"
        ))
    }

    /// Adds an operation and gives its place in the sequence.
    pub fn add(&mut self, operation: Operation, now: SystemTime) -> u32 {
        let sequence = self.operations.last().map_or(1, |last| last.sequence + 1);
        self.operations.push(Recorded {
            sequence,
            time: rfc3339(now),
            clock_set: is_set(now),
            command: operation.command,
            outcome: operation.outcome,
            chip: operation.chip,
            conditions: operation.conditions,
            interlocks: operation.interlocks,
            acceptances: operation.acceptances,
        });
        sequence
    }
}

/// Whether a clock that shows `now` can have been set.
fn is_set(now: SystemTime) -> bool {
    now >= UNIX_EPOCH + Duration::from_secs(CLOCK_PLAUSIBLE_S)
}

/// RFC 3339 in UTC, to the second. What it cannot show (before 1970, after 9999) becomes the epoch.
fn rfc3339(now: SystemTime) -> String {
    let last = UNIX_EPOCH + Duration::from_secs(253_402_300_799);
    let shown = if (UNIX_EPOCH..=last).contains(&now) {
        now
    } else {
        UNIX_EPOCH
    };
    humantime::format_rfc3339_seconds(shown).to_string()
}

/// For `#[serde(deserialize_with)]` on the form of a file: the one that is known.
pub(super) fn known_form<'de, D: Deserializer<'de>>(from: D) -> Result<u32, D::Error> {
    match u32::deserialize(from)? {
        FORMAT => Ok(FORMAT),
        other => Err(D::Error::custom(format!(
            "form {other} is not known, only {FORMAT} is: use the norlock that wrote this file"
        ))),
    }
}

fn jedec_id<'de, D: Deserializer<'de>>(from: D) -> Result<String, D::Error> {
    let text = String::deserialize(from)?;
    if JedecId::parse(&text).is_none() {
        let what = format!("'{text}' is not a JEDEC ID, such as EF 40 18");
        return Err(D::Error::custom(what));
    }
    Ok(text)
}

fn time<'de, D: Deserializer<'de>>(from: D) -> Result<String, D::Error> {
    let text = String::deserialize(from)?;
    humantime::parse_rfc3339(&text).map_err(|error| {
        let like = "is not a time such as 2026-03-14T09:26:11Z";
        D::Error::custom(format!("'{text}' {like}: {error}"))
    })?;
    Ok(text)
}

#[cfg(test)]
#[path = "file_tests.rs"]
mod tests;
