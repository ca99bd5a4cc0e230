//! `unit.toml`: who the unit is, its images, and every operation in sequence.
//!
//! Unknown keys are refused when it is read back, with line and column: a misspelt key would
//! otherwise be lost at the next write.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::error::UnitError;
use crate::part::JedecId;

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
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Identity {
    /// Maker and part name.
    pub part: String,
    /// JEDEC ID as hexadecimal bytes, such as `EF 40 18`: as many as tell the part apart.
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
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
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
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
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
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// Place in the sequence, from 1, without gaps: the order holds whatever the clock says.
    pub sequence: u32,
    /// When it was recorded, RFC 3339 in UTC.
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
    /// `Toml` with line and column.
    pub fn parse(path: &Path, bytes: &[u8]) -> Result<Self, UnitError> {
        read_toml(path, bytes, Self::check)
    }

    /// What the types cannot say; gives a text to point at, and what is wrong.
    fn check(&self) -> Result<(), (String, String)> {
        if self.format != FORMAT {
            let message = format!("form {} is not known, only {FORMAT} is", self.format);
            return Err(("format".into(), message));
        }
        if let Some(identity) = self.identity.as_ref().filter(|one| one.id().is_none()) {
            let message = "not a JEDEC ID, such as EF 40 18".to_owned();
            return Err((format!("jedec_id = \"{}\"", identity.jedec_id), message));
        }
        for (operation, sequence) in self.operations.iter().zip(1..) {
            if operation.sequence != sequence {
                let message = format!("sequence {} stands at place {sequence}", operation.sequence);
                return Err((format!("sequence = {}", operation.sequence), message));
            }
            if let Err(error) = humantime::parse_rfc3339(&operation.time) {
                return Err((
                    operation.time.clone(),
                    format!("not an RFC 3339 time: {error}"),
                ));
            }
        }
        Ok(())
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

/// Reads a file that norlock keeps as TOML. `check` finds what the types cannot say: it gives a text of the
/// file to point at, and what is wrong.
pub(super) fn read_toml<T: DeserializeOwned>(
    path: &Path,
    bytes: &[u8],
    check: impl FnOnce(&T) -> Result<(), (String, String)>,
) -> Result<T, UnitError> {
    let refuse = |offset: usize, message: String| {
        let (line, column) = position(bytes, offset);
        UnitError::Toml {
            path: path.to_owned(),
            line,
            column,
            message,
        }
    };
    let text = std::str::from_utf8(bytes)
        .map_err(|error| refuse(error.valid_up_to(), "this is not UTF-8 text".into()))?;
    let file: T = toml::from_str(text).map_err(|error| {
        let start = error.span().map_or(0, |span| span.start);
        refuse(start, error.message().to_owned())
    })?;
    check(&file).map_err(|(at, message)| refuse(text.find(&at).unwrap_or(0), message))?;
    Ok(file)
}

/// Line and column of a byte, both from 1.
fn position(bytes: &[u8], offset: usize) -> (usize, usize) {
    let before = bytes.get(..offset).unwrap_or(bytes);
    let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
    let last = before.rsplit(|byte| *byte == b'\n').next().unwrap_or(&[]);
    (line, String::from_utf8_lossy(last).chars().count() + 1)
}

#[cfg(test)]
#[path = "file_tests.rs"]
mod tests;
