//! Arguments of the commands that change the chip, and of those that prepare it.

use std::path::PathBuf;

use clap::Args;

use crate::jedec::Hertz;

use super::{
    AcceptArgs, AddressRange, BusArgs, ProtectedSet, RegionDigest, RegionFill, RegionPiece,
};

/// Where the backup's hash is kept away from the bench computer.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Kept elsewhere")]
pub struct OfflineArgs {
    /// Folder on another disk with a copy of the backup and its hash.
    #[arg(long, value_name = "FOLDER")]
    pub offline: Option<PathBuf>,
    /// The backup's SHA-256 from elsewhere: 64 digits, spaces allowed, or a file that holds it.
    #[arg(long, value_name = "DIGITS|FILE")]
    pub offline_hash: Vec<String>,
}

/// `write`
#[derive(Debug, Clone, Args)]
pub struct WriteArgs {
    /// Image to write; a bare name is also looked for in the unit's folder.
    pub target: PathBuf,
    /// The unit's folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
    /// Lift block protection from ranges that must change, and say so.
    #[arg(long)]
    pub lift_protection: bool,
    /// The hash kept elsewhere.
    #[command(flatten)]
    pub offline: OfflineArgs,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `restore`
#[derive(Debug, Clone, Args)]
pub struct RestoreArgs {
    /// The unit's folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
    /// Backup to go back to; 1 is the unit as found.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..))]
    pub to: u32,
    /// Blocks to write anew though they read differently each time, such as 0x530000..0x540000.
    #[arg(long, value_name = "RANGE")]
    pub rewrite: Vec<AddressRange>,
    /// The chip on the clip is a new one of the same size.
    #[arg(long)]
    pub replacement: bool,
    /// Lift block protection from ranges that must change, and say so.
    #[arg(long)]
    pub lift_protection: bool,
    /// The hash kept elsewhere.
    #[command(flatten)]
    pub offline: OfflineArgs,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `protect`
#[derive(Debug, Clone, Args)]
pub struct ProtectArgs {
    /// Protect exactly this: none, all, or a range of the part's table such as 0x000000..0x040000 or
    /// 0..256KiB. It needs --unit, a folder that has a backup of this unit.
    #[arg(long, value_name = "none|all|RANGE", requires = "unit")]
    pub set: Option<ProtectedSet>,
    /// Have the change end when the chip's supply is cut; only parts that document such a write take it.
    #[arg(long, requires = "set")]
    pub until_power_off: bool,
    /// The unit on the clip, named by its folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: Option<PathBuf>,
    /// The bench.
    #[command(flatten)]
    pub bus: BusArgs,
}

/// `tailor`
#[derive(Debug, Clone, Args)]
pub struct TailorArgs {
    /// The unit's folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
    /// Region map; without it, the unit's regions.toml.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// File to put into a region: raw bytes, Intel HEX or Motorola S-records. PLACE is the region's name,
    /// or a place within it, such as system+0x1000. May be given more than once.
    #[arg(long, value_name = "PLACE=FILE")]
    pub piece: Vec<RegionPiece>,
    /// SHA-256 that the piece for that place must have, of the file as it was published.
    #[arg(long, value_name = "PLACE=DIGITS")]
    pub sha256: Vec<RegionDigest>,
    /// What to do with those bytes of a region that no piece covers: keep leaves them as the backup has
    /// them, blank makes all FF, and a byte such as 0x00 fills them with it.
    #[arg(long, value_name = "REGION=RULE")]
    pub fill: Vec<RegionFill>,
    /// Overwrite a target that is there already.
    #[arg(long)]
    pub replace: bool,
}

/// `worklist`
#[derive(Debug, Clone, Args)]
pub struct WorklistArgs {
    /// Image that would be written; a bare name is also looked for in the unit's folder.
    pub target: PathBuf,
    /// The unit's folder.
    #[arg(long, value_name = "FOLDER")]
    pub unit: PathBuf,
    /// Your own parts, added to the table.
    #[arg(long, value_name = "FILE")]
    pub parts: Option<PathBuf>,
    /// SCK to model the wire with, such as 20MHz.
    #[arg(long, value_name = "CLOCK")]
    pub sck: Option<Hertz>,
    /// What the person accepts by name.
    #[command(flatten)]
    pub accept: AcceptArgs,
}
