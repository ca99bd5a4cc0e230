//! Arguments of the commands that leave the chip as it is.

use std::path::PathBuf;

use clap::Args;

use super::{BusArgs, PictureFile};
use crate::interlock::Power;
use crate::job::{Others, SURVEY_PASSES, SURVEY_PASSES_MIN};

/// `contact`
#[derive(Debug, Clone, Args)]
pub struct ContactArgs {
    /// First wait until a chip answers steadily, while you connect the signals: ten minutes at most.
    #[arg(long)]
    pub watch: bool,
    /// Ring the terminal's bell when it does.
    #[arg(long, requires = "watch")]
    pub bell: bool,
    /// First reset the chip (66h, 99h): it forgets all that does not outlast the supply.
    #[arg(long)]
    pub reset: bool,
    /// The unit on the clip, named by its folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: Option<PathBuf>,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `id`
#[derive(Debug, Clone, Args)]
pub struct IdArgs {
    /// The unit on the clip, named by its folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: Option<PathBuf>,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `sfdp`
#[derive(Debug, Clone, Args)]
pub struct SfdpArgs {
    /// Keep the tables as read in this file.
    #[arg(long, value_name = "FILE")]
    pub raw: Option<PathBuf>,
    /// Decode tables kept in this file; no hardware needed.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["raw", "spidev", "mock"])]
    pub from: Option<PathBuf>,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `backup`
#[derive(Debug, Clone, Args)]
pub struct BackupArgs {
    /// The unit's folder, made where there is none. Several units on a chip select each are read at once:
    /// --spidev and --unit for each, in the same order.
    #[arg(long, value_name = "FOLDER", required = true)]
    pub unit: Vec<PathBuf>,
    /// Units whose chip it must not be.
    #[arg(skip)]
    pub beside: Others,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `check`
#[derive(Debug, Clone, Args)]
pub struct CheckArgs {
    /// The unit's folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
}

/// `inspect`
#[derive(Debug, Clone, Args)]
pub struct InspectArgs {
    /// Dump or target image; a bare name is also looked for in the unit's folder.
    pub image: PathBuf,
    /// Dump of another unit of the same kind: show what differs from unit to unit.
    #[arg(value_name = "OTHER")]
    pub other: Option<PathBuf>,
    /// The unit, named by its folder; without it, the folder that the image lies in, if that is one.
    #[arg(long, value_name = "FOLDER")]
    pub unit: Option<PathBuf>,
    /// Region map; without it, the unit's regions.toml, if there is one.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// Also show printable strings of interest: versions, dates, URLs, compilers. What stands in unit data,
    /// beside a private key, or may hold a secret, is not shown.
    #[arg(long, conflicts_with = "other")]
    pub strings: bool,
    /// Draw the staff into this new file, by its ending as SVG or PNG.
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PictureFile>,
    /// Write a first region map into this new file: guesses with their reasons, for a person to check.
    #[arg(long, value_name = "FILE")]
    pub draft_map: Option<PathBuf>,
}

/// `verify`
#[derive(Debug, Clone, Args)]
pub struct VerifyArgs {
    /// Image that the chip should hold; a bare name is also looked for in the unit's folder.
    pub image: PathBuf,
    /// How often it is read, each time under other conditions.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub passes: u32,
    /// Compare only this region of the unit's map; may be given more than once.
    #[arg(long, value_name = "NAME", requires = "unit")]
    pub region: Vec<String>,
    /// The unit on the clip, named by its folder. Several units on a chip select each are read at once:
    /// --spidev and --unit for each, in the same order.
    #[arg(long, value_name = "FOLDER")]
    pub unit: Vec<PathBuf>,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `survey`
#[derive(Debug, Clone, Args)]
pub struct SurveyArgs {
    /// The unit's folder, made where there is none. A survey that was interrupted goes on.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
    /// How often the whole chip is read: in turn at the SCK asked for, at half of it and at a quarter.
    #[arg(long, value_name = "N", default_value_t = SURVEY_PASSES, value_parser = clap::value_parser!(u32).range(i64::from(SURVEY_PASSES_MIN)..=1000))]
    pub passes: u32,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `wiring`
#[derive(Debug, Clone, Args)]
pub struct WiringArgs {
    /// Where the chip's supply comes from.
    #[arg(long, value_name = "SOURCE", default_value_t = Power::Clip)]
    pub power: Power,
    /// Keep the picture in this file, as SVG.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
}

/// `logbook`
#[derive(Debug, Clone, Args)]
pub struct LogbookArgs {
    /// The unit's folder.
    #[arg(value_name = "UNIT", required_unless_present = "shelf")]
    pub unit: Option<PathBuf>,
    /// Add a note to the unit's record first.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Make a page of all unit folders in this folder instead.
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["unit", "note"])]
    pub shelf: Option<PathBuf>,
}

/// `shelf`
#[derive(Debug, Clone, Args)]
pub struct ShelfArgs {
    /// The shelf file: stages, and units in the order in which they are taken.
    pub file: PathBuf,
    /// The bench, for all units.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `demo`
#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Folder for the demo's files, made anew.
    #[arg(long = "in", value_name = "FOLDER", default_value = "./norlock-demo")]
    pub folder: PathBuf,
}
