//! A survey in the unit folder: many readings of one chip, each kept as soon as it is whole.
//!
//! ```text
//! survey-1/              made 0700
//!   survey.toml          what is surveyed, the conditions of each pass, and what came of it
//!   pass-1.bin           the first pass as it was read
//!   pass-2.xor           the second pass: exclusive-or with the first, mostly a hole
//!   best-guess.bin       what most passes say; no image of the unit
//!   picture.svg
//! ```
//!
//! A pass counts once `survey.toml` has it, so an interrupted survey goes on behind the last one. As
//! exclusive-or with the first pass the others take room only where they differ, and can still be read at
//! any place.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::error::UnitError;
use super::file::known_form;
use super::folder::Unit;
use super::store::{Publish, Store, StoreFile, UNFINISHED_SUFFIX};
use crate::text::{Reading, TextError};

/// The form of `survey.toml` that is written and understood.
const FORMAT: u32 = 1;
const SURVEY_FILE: &str = "survey.toml";
/// What most passes say. No name of an image, so that nothing takes it for one.
pub const BEST_GUESS: &str = "best-guess.bin";
/// The picture of the verdicts.
pub const PICTURE: &str = "picture.svg";

/// What is surveyed, and how; a survey goes on only where all of it is the same. The chip's own ID is looked
/// at by whoever goes on, as another one is a mistake and not another survey.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Surveyed {
    /// JEDEC ID as hexadecimal bytes.
    pub jedec_id: String,
    /// The ID that no other chip has, likewise; absent where it has none, or none that came each time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unique_id: Option<String>,
    /// What the link is called.
    pub link: String,
    /// Size of the array in bytes.
    pub size_bytes: u32,
    /// Highest SCK, in Hz.
    pub sck_hz: u32,
    /// Passes that are wanted.
    pub passes: u32,
}

impl Surveyed {
    /// Whether all but the chip's own ID is the same.
    fn is_as(&self, of: &Self) -> bool {
        let unique_id = self.unique_id.clone();
        *self
            == Self {
                unique_id,
                ..of.clone()
            }
    }
}

/// How one pass was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurveyPass {
    /// SCK in Hz.
    pub sck_hz: u32,
    /// Read opcode with a 3-byte address.
    pub opcode: u8,
    /// True from the highest address down.
    pub downwards: bool,
    /// Bytes of the first frame, or what they are beyond whole frames.
    pub first_bytes: u32,
    /// Bytes of the other frames.
    pub frame_bytes: u32,
    /// Bytes of those that are followed by a look at the ID.
    pub short_bytes: u32,
    /// Time it took on the link's clock, in seconds.
    pub seconds: f64,
    /// What the ID read when the contact was lost in this pass, which was then begun anew.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lost: Vec<String>,
}

/// What `survey.toml` holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurveyFile {
    /// Form of the file.
    #[serde(deserialize_with = "known_form")]
    pub format: u32,
    /// What came of it; absent until all passes are read and judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<String>,
    /// SHA-256 of the best guess.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub best_guess: Option<Digest>,
    /// What is surveyed.
    pub chip: Surveyed,
    /// The passes that are whole, in the order of reading.
    #[serde(default, rename = "pass", skip_serializing_if = "Vec::is_empty")]
    pub passes: Vec<SurveyPass>,
}

impl SurveyFile {
    /// Reads the file's text; `path` is for the message.
    ///
    /// # Errors
    /// All that is wrong in it, each with line and column.
    pub fn parse(path: &Path, bytes: &[u8]) -> Result<Self, TextError> {
        let (reading, file) = Reading::of(&path.display().to_string(), bytes);
        reading.end(file)
    }

    /// The file's text.
    ///
    /// # Errors
    /// `Encode`.
    pub fn text(&self) -> Result<String, UnitError> {
        let body = toml::to_string(self)?;
        Ok(format!(
            "# Kept by norlock: one survey of this unit.\n{body}"
        ))
    }
}

/// A survey, open to be gone on with.
#[derive(Debug)]
pub struct Survey {
    store: Arc<dyn Store>,
    folder: PathBuf,
    name: String,
    file: SurveyFile,
}

impl Unit {
    /// The unit's last survey, where it is of the same kind and was interrupted; else the next one.
    ///
    /// # Errors
    /// `OnlyViewed`; `Text` where the last one's record cannot be read; `Store`.
    pub fn survey(&self, of: &Surveyed) -> Result<Survey, UnitError> {
        self.must_be_locked()?;
        let last = self.last_survey()?;
        if last > 0 {
            if let Some(open) = Survey::interrupted(self, last, of)? {
                return Ok(open);
            }
        }
        let survey = Survey {
            store: Arc::clone(&self.store),
            folder: self.folder.join(survey_name(last + 1)),
            name: survey_name(last + 1),
            file: SurveyFile {
                format: FORMAT,
                verdict: None,
                best_guess: None,
                chip: of.clone(),
                passes: Vec::new(),
            },
        };
        self.store.create_folder(&survey.folder)?;
        survey.save()?;
        Ok(survey)
    }

    /// Number of the newest survey; 0 where there is none.
    fn last_survey(&self) -> Result<u32, UnitError> {
        let entries = self.store.list(&self.folder)?;
        let number = |name: &str| -> Option<u32> {
            let number = name.strip_prefix("survey-")?.parse().ok()?;
            (survey_name(number) == name).then_some(number)
        };
        let numbers = entries.iter().filter_map(|entry| number(&entry.name));
        Ok(numbers.max().unwrap_or(0))
    }

    /// Where the unit's record has `digest` as that of a best guess, and of no image that was read twice or
    /// made from one: the folder of that survey.
    #[must_use]
    pub fn is_best_guess(&self, digest: &Digest) -> Option<&str> {
        let mut recorded = self.file.images.values();
        if recorded.any(|image| image.sha256 == *digest) {
            return None;
        }
        let operations = self.file.operations.iter();
        let conditions = operations.map(|one| &one.conditions);
        let guess = format!("SHA-256 {digest}");
        conditions
            .filter(|conditions| conditions.get(GUESS_CONDITION) == Some(&guess))
            .find_map(|conditions| conditions.get(SURVEY_CONDITION).map(String::as_str))
    }
}

/// Where the record of an operation names the survey.
pub const SURVEY_CONDITION: &str = "survey";
/// Where it has the hash of the best guess.
pub const GUESS_CONDITION: &str = "best guess";

fn survey_name(number: u32) -> String {
    format!("survey-{number}")
}

fn pass_name(number: usize) -> String {
    match number {
        1 => "pass-1.bin".to_owned(),
        number => format!("pass-{number}.xor"),
    }
}

impl Survey {
    /// Survey `number` if it is one of `of` that has no verdict yet; what a killed process left half done in
    /// it goes.
    fn interrupted(unit: &Unit, number: u32, of: &Surveyed) -> Result<Option<Self>, UnitError> {
        let name = survey_name(number);
        let folder = unit.folder.join(&name);
        let path = folder.join(SURVEY_FILE);
        if !unit.store.exists(&path)? {
            return Ok(None);
        }
        let file = SurveyFile::parse(&path, &unit.store.read(&path)?)?;
        if file.verdict.is_some() || !file.chip.is_as(of) {
            return Ok(None);
        }
        let survey = Self {
            store: Arc::clone(&unit.store),
            folder,
            name,
            file,
        };
        let whole: Vec<String> = (1..=survey.file.passes.len()).map(pass_name).collect();
        for entry in survey.store.list(&survey.folder)? {
            let half = entry.name.ends_with(UNFINISHED_SUFFIX);
            let unrecorded = entry.name.starts_with("pass-") && !whole.contains(&entry.name);
            if half || unrecorded {
                survey.store.remove(&survey.folder.join(entry.name))?;
            }
        }
        Ok(Some(survey))
    }

    /// Name of its folder in the unit folder.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What its record holds.
    #[must_use]
    pub fn file(&self) -> &SurveyFile {
        &self.file
    }

    fn save(&self) -> Result<(), UnitError> {
        let text = self.file.text()?;
        let path = self.folder.join(SURVEY_FILE);
        Ok(self.store.replace(&path, text.as_bytes())?)
    }

    /// Refuses a disk that has no room for the first pass, the best guess and one pass that differs
    /// throughout: most take next to nothing.
    ///
    /// # Errors
    /// `Store`, with `Full`.
    pub fn must_have_room(&self) -> Result<(), UnitError> {
        let images = if self.file.passes.is_empty() { 3 } else { 2 };
        let probe = self.folder.join(format!("room{UNFINISHED_SUFFIX}"));
        self.store
            .create(&probe, images * u64::from(self.file.chip.size_bytes))?;
        Ok(self.store.remove(&probe)?)
    }

    /// Begins the next pass.
    ///
    /// # Errors
    /// `Store`, with `Full` where there is no room for the first.
    pub fn begin_pass(&self) -> Result<PassFile, UnitError> {
        let number = self.file.passes.len() + 1;
        let size_bytes = u64::from(self.file.chip.size_bytes);
        let (reserve, first) = match number {
            1 => (size_bytes, None),
            _ => (0, Some(self.store.open(&self.folder.join(pass_name(1)))?)),
        };
        let path = self
            .folder
            .join(format!("{}{UNFINISHED_SUFFIX}", pass_name(number)));
        if self.store.exists(&path)? {
            // Of a pass in which the contact was lost.
            self.store.remove(&path)?;
        }
        Ok(PassFile {
            file: self.store.create(&path, reserve)?,
            first,
            path,
            size_bytes,
            length: 0,
        })
    }

    /// Keeps a pass that is whole: its file, then its conditions.
    ///
    /// # Errors
    /// `Store`.
    pub fn keep_pass(&mut self, mut pass: PassFile, facts: SurveyPass) -> Result<(), UnitError> {
        if pass.length < pass.size_bytes {
            pass.file.write_all_at(pass.size_bytes - 1, &[0])?;
        }
        pass.file.sync()?;
        drop(pass.file);
        let path = self.folder.join(pass_name(self.file.passes.len() + 1));
        self.store.publish(&pass.path, &path, Publish::ReadOnly)?;
        self.file.passes.push(facts);
        self.save()
    }

    /// The files of all passes, in the order of reading: the first as read, the others as exclusive-or.
    ///
    /// # Errors
    /// `Store`.
    pub fn open_passes(&self) -> Result<Vec<Box<dyn StoreFile>>, UnitError> {
        let names = (1..=self.file.passes.len()).map(pass_name);
        let files = names.map(|name| Ok(self.store.open(&self.folder.join(name))?));
        files.collect()
    }

    /// Begins the best guess.
    ///
    /// # Errors
    /// `Store`, with `Full`.
    pub fn begin_guess(&self) -> Result<Box<dyn StoreFile>, UnitError> {
        let path = self.unfinished_guess();
        if self.store.exists(&path)? {
            self.store.remove(&path)?;
        }
        let size_bytes = u64::from(self.file.chip.size_bytes);
        Ok(self.store.create(&path, size_bytes)?)
    }

    /// Gives the best guess its name, and ends the survey with its picture and verdict. The unit's record
    /// has to have its hash by then, or something could take it for an image.
    ///
    /// # Errors
    /// `Store`.
    pub fn finish(
        &mut self,
        guess: Digest,
        picture: &str,
        verdict: String,
    ) -> Result<(), UnitError> {
        let path = self.folder.join(BEST_GUESS);
        let how = Publish::ReadOnlyReplacing;
        self.store.publish(&self.unfinished_guess(), &path, how)?;
        self.store
            .replace(&self.folder.join(PICTURE), picture.as_bytes())?;
        self.file.verdict = Some(verdict);
        self.file.best_guess = Some(guess);
        self.save()
    }

    fn unfinished_guess(&self) -> PathBuf {
        self.folder.join(format!("{BEST_GUESS}{UNFINISHED_SUFFIX}"))
    }
}

/// A pass that is being read. What is dropped unkept goes when the survey goes on.
pub struct PassFile {
    file: Box<dyn StoreFile>,
    first: Option<Box<dyn StoreFile>>,
    path: PathBuf,
    size_bytes: u64,
    length: u64,
}

impl PassFile {
    /// Takes bytes that were read at `offset`; any order.
    ///
    /// # Errors
    /// `Store`.
    pub fn take(&mut self, offset: u64, bytes: &[u8]) -> Result<(), UnitError> {
        let Some(first) = &self.first else {
            return self.put(offset, bytes);
        };
        let mut differing = vec![0; bytes.len()];
        first.read_exact_at(offset, &mut differing)?;
        for (differing, byte) in differing.iter_mut().zip(bytes) {
            *differing ^= byte;
        }
        let Some(from) = differing.iter().position(|byte| *byte != 0) else {
            return Ok(());
        };
        let to = differing.iter().rposition(|byte| *byte != 0);
        let differing = differing.get(from..=to.unwrap_or(from)).unwrap_or_default();
        self.put(offset + from as u64, differing)
    }

    fn put(&mut self, offset: u64, bytes: &[u8]) -> Result<(), UnitError> {
        self.length = self.length.max(offset + bytes.len() as u64);
        Ok(self.file.write_all_at(offset, bytes)?)
    }
}

#[cfg(test)]
#[path = "survey_tests.rs"]
mod tests;
