//! The bench file: a simulated bench that outlasts a command.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};
use toml::Spanned;

use super::bench::Bench;
use super::cells::Cells;
use super::faults::{Fault, Faults};
use super::state::SavedState;
use super::{Mock, SEED, quantity};
use crate::jedec::{Lanes, Millivolts};
use crate::part::{FourByte, Part};
use crate::text::{Reading, TextError};

/// What a bench file says; see the [module documentation](crate::mock).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenchFile {
    /// The part's name.
    pub part: String,
    /// The cells' file, from the bench file's folder.
    pub cells: PathBuf,
    /// The level that the link declares; where absent it declares none.
    #[serde(
        default,
        with = "quantity::optional",
        skip_serializing_if = "Option::is_none"
    )]
    pub level: Option<Millivolts>,
    /// Seed of all chance.
    #[serde(default = "seed")]
    pub seed: u64,
    /// The chip's unique ID; drawn from the seed where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unique_id: Option<Vec<u8>>,
    /// Bytes a batch may hold in each direction; 4096 where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch_bytes: Option<usize>,
    /// Lanes that are wired; 1 where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lanes: Option<Wired>,
    /// Cost of each batch besides its bits, in microseconds; 30 where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub overhead_us: Option<u64>,
    /// A file with what the chip answers to 5Ah, from the bench file's folder; what its part says where
    /// absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sfdp: Option<PathBuf>,
    /// What the chip answers to 65h; without any it does not have the opcode.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub register: Vec<Register>,
    /// What is wrong.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fault: Vec<Fault>,
}

/// Lanes that are wired, each way: 1, 2 or 4.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Wired(u8);

impl TryFrom<u8> for Wired {
    type Error = String;

    fn try_from(lanes: u8) -> Result<Self, Self::Error> {
        match lanes {
            1 | 2 | 4 => Ok(Self(lanes)),
            _ => Err(format!("{lanes} lanes are none: 1, 2 or 4")),
        }
    }
}

impl From<Wired> for u8 {
    fn from(wired: Wired) -> Self {
        wired.0
    }
}

/// A register that a chip answers 65h from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Register {
    /// Its address.
    pub address: u32,
    /// What it reads as.
    pub value: u8,
}

fn seed() -> u64 {
    SEED
}

impl BenchFile {
    /// A bench at 3.3 V with nothing wrong.
    #[must_use]
    pub fn new(part: &str, cells: &Path) -> Self {
        Self {
            part: part.to_owned(),
            cells: cells.to_owned(),
            level: Some(Millivolts(3300)),
            seed: SEED,
            unique_id: None,
            batch_bytes: None,
            lanes: None,
            overhead_us: None,
            sfdp: None,
            register: Vec::new(),
            fault: Vec::new(),
        }
    }
}

/// Why a bench file does not make a bench.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BenchFileError {
    /// The file cannot be read or made.
    #[error("cannot {action} '{}'", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// The file is not what a bench or state file holds.
    #[error(transparent)]
    Text(#[from] TextError),
}

impl Mock {
    /// Opens the bench that a file describes; `find` gives the part of a name.
    ///
    /// The name of the link is the file's, without its folder and ending. The supply is back if the
    /// command before ended with a simulated power cut.
    ///
    /// # Errors
    /// See [`BenchFileError`].
    pub fn open(
        path: &Path,
        find: &mut dyn FnMut(&str) -> Option<Part>,
    ) -> Result<Self, BenchFileError> {
        let bytes = fs::read(path).map_err(failed("read", path))?;
        let (file, part) = BenchFile::parse(path, &bytes, find)?;
        let cells_path = path.with_file_name(&file.cells);
        let cells = Cells::in_file(&cells_path, part.size_bytes)
            .map_err(failed("use the cells in", &cells_path))?;
        let mut bench = Bench::new(part, cells, file.seed);
        let stem = path.file_stem().unwrap_or_default().to_string_lossy();
        bench.name = format!("mock:{stem}");
        file.set_up(&mut bench);
        if let Some(sfdp) = &file.sfdp {
            let sfdp = path.with_file_name(sfdp);
            bench.chip.sfdp = Some(fs::read(&sfdp).map_err(failed("read", &sfdp))?);
        }
        restore(&mut bench, state_path(&cells_path))?;
        bench.set_faults(Faults {
            seed: file.seed,
            list: file.fault,
        });
        Ok(Self::on(bench))
    }

    /// Writes a new bench file, to be opened with [`Mock::open`].
    ///
    /// # Errors
    /// [`BenchFileError::File`], also where `path` exists.
    pub fn create(path: &Path, file: &BenchFile) -> Result<(), BenchFileError> {
        let text = toml::to_string(file).map_err(io::Error::other);
        text.and_then(|text| fs::File::create_new(path)?.write_all(text.as_bytes()))
            .map_err(failed("make", path))
    }
}

impl BenchFile {
    /// Reads a bench file; `find` gives the part of a name.
    fn parse(
        path: &Path,
        bytes: &[u8],
        find: &mut dyn FnMut(&str) -> Option<Part>,
    ) -> Result<(Self, Part), TextError> {
        let (mut reading, file) = Reading::of::<Self>(&path.display().to_string(), bytes);
        let part = file.as_ref().and_then(|file| find(&file.part));
        if let Some((file, places)) = file.as_ref().zip(reading.places::<Places>()) {
            match &part {
                // Not where the fault of the name is told already.
                None if reading.is_clean() || !file.part.is_empty() => {
                    let name = &file.part;
                    let what = format!(
                        "the part '{name}' is not in the table; norlock parts lists those that are"
                    );
                    reading.fault(places.part.span().start, what);
                }
                Some(part) if reading.is_clean() && !has_mode(part) => {
                    let what =
                        format!("{} has no 4-byte mode that it could be found in", part.name);
                    let faults = file.fault.iter().zip(&places.fault);
                    let found =
                        faults.filter(|(fault, _)| matches!(fault, Fault::FourByteMode { .. }));
                    found.for_each(|(_, place)| reading.fault(place.span().start, &what));
                }
                _ => {}
            }
        }
        reading.end(file.zip(part))
    }

    fn set_up(&self, bench: &mut Bench) {
        bench.level = self.level;
        if let Some(id) = &self.unique_id {
            bench.chip.unique_id.clone_from(id);
        }
        let registers = self.register.iter();
        bench.chip.addressed = registers.map(|r| (r.address, r.value)).collect();
        if let Some(bytes) = self.batch_bytes {
            bench.limits.batch_out_bytes = bytes;
            bench.limits.batch_in_bytes = bytes;
        }
        if let Some(Wired(lanes)) = self.lanes {
            bench.limits.lanes = Lanes {
                out: lanes,
                into: lanes,
            };
        }
        if let Some(time) = self.overhead_us {
            bench.overhead = Duration::from_micros(time);
        }
    }
}

/// Puts the chip into the state that the last command left, if there was one.
fn restore(bench: &mut Bench, path: PathBuf) -> Result<(), BenchFileError> {
    match fs::read(&path) {
        Ok(bytes) => {
            let (reading, state) = Reading::of(&path.display().to_string(), &bytes);
            let state: SavedState = reading.end(state)?;
            bench.operations = state.operations;
            state.apply(&mut bench.chip);
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(failed("read", &path)(error)),
    }
    bench.state_path = Some(path);
    Ok(())
}

/// Whether a chip of this part can be in a mode of 4-byte addresses.
fn has_mode(part: &Part) -> bool {
    let extadd = FourByte::BankRegister { extadd: true };
    let ways = &part.addressing;
    ways.mode().is_some() || ways.four_byte.contains(&extadd)
}

fn state_path(cells: &Path) -> PathBuf {
    let mut name = cells.as_os_str().to_owned();
    name.push(".state");
    PathBuf::from(name)
}

fn failed(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> BenchFileError {
    let path = path.to_owned();
    move |source| BenchFileError::File {
        action,
        path,
        source,
    }
}

/// Where the file names its part, and where each fault stands.
#[derive(Deserialize)]
struct Places {
    part: Spanned<IgnoredAny>,
    #[serde(default)]
    fault: Vec<Spanned<IgnoredAny>>,
}
