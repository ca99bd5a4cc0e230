//! `shelf`: many units in a row through the same stages.
//!
//! A stage is a command as it would be typed for one unit, without the unit. Which of them a unit has behind
//! it stands in its own folder and nowhere else, so that a row can be stopped, gone on with, or finished by
//! hand, and what is told of a unit is what was done to it.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::bench::Bench;
use super::connect::{Connected, connect};
use super::recognise::recognise;
use super::record::region_map;
use super::rewrite::NOTHING_TO_CHANGE;
use super::verify::must_be_the_unit;
use super::write::left_begun;
use super::{Attendant, Stop};
use crate::interlock::{Panel, Sameness};
use crate::link::Purpose;
use crate::text::{Reading, TextError, perhaps};
use crate::unit::{Digest, ImageName, Recorded, Unit};

/// What stands in a shelf file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShelfFile {
    /// The stages, in order.
    pub stages: Vec<Stage>,
    /// The units, in the order in which they are taken.
    pub units: Vec<ShelfUnit>,
}

/// One stage: the words of a command, which `{unit}` in them makes this unit's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stage {
    /// Command and options, as a shell would part them.
    pub words: Vec<String>,
    /// Where it stands in the file: line and column, from 1.
    pub place: (usize, usize),
}

impl Stage {
    /// The name of its command.
    #[must_use]
    pub fn command(&self) -> &str {
        self.words.first().map_or("", String::as_str)
    }

    /// The words for one unit.
    #[must_use]
    pub fn words_for(&self, unit: &str) -> Vec<String> {
        let words = self.words.iter();
        words.map(|word| word.replace("{unit}", unit)).collect()
    }
}

impl Stage {
    /// Options that a stage cannot have: what the bench is is said once, and looked at once for each seating;
    /// and a part of the chip is not the chip.
    const OF_THE_ROW: [&str; 8] = [
        "--unit",
        "--spidev",
        "--mock",
        "--power",
        "--marking",
        "--supply",
        "--level",
        "--region",
    ];

    /// What is wrong with it, behind the stages before it.
    fn fault(&self, before: &[Self]) -> Option<String> {
        let command = self.command();
        let own = |word: &&&str| self.words.iter().any(|given| is_option(given, word));
        if let Some(word) = Self::OF_THE_ROW.iter().find(own) {
            return Some(format!(
                "{word} is not for a stage: it is said for the row, or of a unit"
            ));
        }
        if !ShelfFile::COMMANDS.contains(&command) {
            let known = perhaps(command, &ShelfFile::COMMANDS);
            return Some(format!("'{command}' is no stage; {known}"));
        }
        let same = before.iter().find(|other| other.command() == command)?;
        let line = same.place.0;
        Some(format!(
            "'{command}' stands there twice, first in line {line}"
        ))
    }
}

/// One unit of the row. What it does not say is as it was said for all.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShelfUnit {
    /// The unit's folder.
    pub folder: PathBuf,
    /// Node that its chip is on.
    #[serde(default)]
    pub spidev: Option<PathBuf>,
    /// Bench file of its simulated chip.
    #[serde(default)]
    pub mock: Option<PathBuf>,
    /// What is printed on its chip.
    #[serde(default)]
    pub marking: Option<String>,
    /// Where it stands in the file: line and column, from 1.
    #[serde(skip)]
    pub place: (usize, usize),
}

impl ShelfUnit {
    /// The unit's name: the last part of its folder.
    #[must_use]
    pub fn name(&self) -> String {
        let name = self.folder.file_name();
        name.map_or_else(String::new, |name| name.to_string_lossy().into_owned())
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    stages: Vec<Spanned<String>>,
    unit: Vec<Spanned<ShelfUnit>>,
}

impl ShelfFile {
    /// Reads a shelf file; `file` names it in errors.
    ///
    /// # Errors
    /// All that is wrong in it, each with line and column.
    pub fn parse(file: &str, text: impl AsRef<[u8]>) -> Result<Self, TextError> {
        let (mut reading, raw) = Reading::of::<Raw>(file, text.as_ref());
        let shelf = raw.map(|raw| {
            let is_clean = reading.is_clean();
            let stages = Self::stages(&raw.stages, &mut reading);
            let units = Self::units(raw.unit, &mut reading);
            if is_clean && (raw.stages.is_empty() || (units.is_empty() && reading.is_clean())) {
                reading.fault(0, "a shelf has at least one stage and one unit");
            }
            Self { stages, units }
        });
        reading.end(shelf)
    }

    fn stages(lines: &[Spanned<String>], reading: &mut Reading<'_>) -> Vec<Stage> {
        let mut stages: Vec<Stage> = Vec::new();
        for line in lines {
            let at = line.span().start;
            let words = shlex::split(line.get_ref()).filter(|words| !words.is_empty());
            let Some(words) = words else {
                reading.fault(
                    at,
                    "a stage is a command and its options, each quote closed",
                );
                continue;
            };
            let place = reading.place(at);
            let stage = Stage { words, place };
            match stage.fault(&stages) {
                Some(what) => reading.fault(at, what),
                None => stages.push(stage),
            }
        }
        stages
    }

    fn units(raw: Vec<Spanned<ShelfUnit>>, reading: &mut Reading<'_>) -> Vec<ShelfUnit> {
        let mut units: Vec<ShelfUnit> = Vec::new();
        for unit in raw {
            let (at, mut unit) = (unit.span().start, unit.into_inner());
            unit.place = reading.place(at);
            let same = units.iter().find(|other| other.name() == unit.name());
            if unit.name().is_empty() {
                reading.fault(at, "a unit's folder has a name");
            } else if unit.mock.is_some() && unit.spidev.is_some() {
                reading.fault(at, "a unit is at one node, or simulated, and not both");
            } else if let Some(same) = same {
                let what = format!(
                    "{} stands there twice, first in line {}",
                    unit.name(),
                    same.place.0
                );
                reading.fault(at, what);
            } else {
                units.push(unit);
            }
        }
        units
    }

    /// The commands that can be a stage.
    pub const COMMANDS: [&str; 5] = ["contact", "backup", "tailor", "write", "verify"];
}

fn is_option(given: &str, option: &str) -> bool {
    let behind = given.strip_prefix(option);
    behind.is_some_and(|behind| behind.is_empty() || behind.starts_with('='))
}

/// Whether the unit's record shows that the stage `command` is done: there is a backup, there is a target, the last
/// change of the chip was a write of this `image`, or a verify since then found the chip equal to it. `digest` is
/// that of the image's file, where it is there. `None` for a command that leaves nothing to tell by.
#[must_use]
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "the program asks"))]
pub(crate) fn is_behind(
    unit: &Unit,
    command: &str,
    image: &str,
    digest: Option<Digest>,
) -> Option<bool> {
    let operations = &unit.file().operations;
    let holds = format!("the chip holds {image}");
    let digest = digest.map(|digest| format!("SHA-256 {digest}"));
    let of_image =
        |one: &Recorded, key: &str| digest.is_some() && one.conditions.get(key) == digest.as_ref();
    // One that was refused has changed nothing, and undoes no other.
    let changed = |one: &Recorded| {
        matches!(one.command.as_str(), "write" | "restore")
            && (!one.chip.starts_with("untouched") || one.outcome == NOTHING_TO_CHANGE)
    };
    let since = operations.iter().rposition(changed);
    match command {
        "backup" => Some(unit.baseline().is_some()),
        "tailor" => Some(unit.image(ImageName::Target).is_some()),
        "write" => {
            let last = since.and_then(|at| operations.get(at));
            let written = |last: &Recorded| {
                last.command == "write"
                    && (last.outcome == holds || last.outcome == NOTHING_TO_CHANGE)
                    && of_image(last, "target")
            };
            Some(last.is_some_and(written))
        }
        "verify" => {
            let after = operations
                .get(since.map_or(0, |at| at + 1)..)
                .unwrap_or_default();
            let mut verified = after.iter().rev().filter(|one| one.command == "verify");
            let found = |last: &Recorded| last.outcome == holds && of_image(last, "image");
            Some(verified.next().is_some_and(found))
        }
        _ => None,
    }
}

/// Looks whose chip is on the clip. Held by `same-unit` where it is that of one of `others`, or where its own ID is
/// not that of `unit`. A chip is known by an ID that a document says is its own, else by the unit data of a backup.
///
/// # Errors
/// A [`Stop`]: held by that or before the first clock, or a fault of contact, link or file.
pub fn not_of_others(
    unit: Option<&Unit>,
    others: &[Unit],
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<(), Stop> {
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    let torn = left_begun(unit)?;
    let mut connected = connect(panel, bench, Purpose::Read, None, &torn, attendant)?;
    for other in others {
        let map = region_map(other)?;
        let map = map.as_ref().map(|(map, _)| map);
        let torn = left_begun(Some(other))?;
        let why = match recognise(&mut connected.chip, other, map, &torn)? {
            Sameness::Id {
                kind,
                expected,
                seen,
            } if expected == seen => format!("{kind} {seen}"),
            Sameness::UnitData {
                regions,
                differs: None,
            } => {
                format!("{} as in its backup", regions.join(", "))
            }
            _ => continue,
        };
        connected.panel.another_unit(other.name(), why);
        break;
    }
    if !connected.panel.is_held() {
        must_be_the_unit(&mut connected, unit)?;
    }
    let Connected { chip, panel, .. } = connected;
    chip.leave()?;
    if panel.is_held() {
        return Err(Stop::held(&panel));
    }
    Ok(())
}

/// The unit in `folder`, to be looked at only; `None` where there is none yet.
///
/// # Errors
/// A [`Stop`] where there is one that cannot be read.
pub(crate) fn unit_in(
    store: &std::sync::Arc<dyn crate::unit::store::Store>,
    folder: &Path,
) -> Result<Option<Unit>, Stop> {
    if !store.exists(&folder.join("unit.toml"))? {
        return Ok(None);
    }
    Ok(Some(Unit::view(std::sync::Arc::clone(store), folder)?))
}
