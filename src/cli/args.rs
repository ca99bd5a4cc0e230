//! The command line: commands, options, and what can be wrong with them before any work begins.
//!
//! Parsing only checks what the line itself can settle; files and chips are looked at by the jobs.

mod accept;
mod bench;
mod change;
mod look;
mod parts;
mod value;

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::error::ErrorKind;
use clap::{CommandFactory, Parser, Subcommand};

use crate::job::Exit;

pub use accept::AcceptArgs;
pub use bench::BusArgs;
pub use change::{OfflineArgs, ProtectArgs, RestoreArgs, TailorArgs, WorklistArgs, WriteArgs};
pub use look::{
    BackupArgs, CheckArgs, ContactArgs, DemoArgs, IdArgs, InspectArgs, LogbookArgs, SfdpArgs,
    ShelfArgs, SurveyArgs, VerifyArgs, WiringArgs,
};
pub use parts::PartsArgs;
pub use value::{
    AddressRange, IdStart, ParseValueError, PictureFile, PiecePlace, ProtectedSet, RegionDigest,
    RegionFill, RegionPiece, SizeBytes, Supply, Wired,
};

/// Reads, backs up and rewrites a board's SPI NOR flash, with interlocks that make it hard to lose
/// a board.
#[derive(Debug, Parser)]
#[command(name = "norlock", version, max_term_width = 100, after_help = Exit::table())]
#[command(disable_help_subcommand = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Answer and progress as JSON lines on stdout.
    #[arg(long, global = true, help_heading = "Output")]
    pub json: bool,
    /// Show no progress.
    #[arg(long, global = true, help_heading = "Output")]
    pub quiet: bool,
    /// Stop as Ctrl-C does when stdin ends: for programs that hold its other end.
    #[arg(long, global = true, help_heading = "Output")]
    pub stop_on_eof: bool,
    /// Progress as plain lines and no colour, as for a screen reader.
    #[arg(long, global = true, help_heading = "Output")]
    pub plain: bool,
}

/// What a person asks for.
#[derive(Debug, Clone, Subcommand)]
pub enum Command {
    /// See whether the clip is seated, and up to which clock (SCK).
    Contact(ContactArgs),
    /// Say what is on the clip.
    Id(IdArgs),
    /// Read and decode the parameter tables that the chip carries.
    Sfdp(SfdpArgs),
    /// Read the whole chip twice, independently, and keep it in the unit folder.
    Backup(BackupArgs),
    /// Hash a unit folder's files again; no hardware needed.
    Check(CheckArgs),
    /// Say what is in an image, and whether it looks like a sane dump; no hardware needed.
    Inspect(InspectArgs),
    /// Make this unit's target image from its own backup, the region map and pieces.
    Tailor(TailorArgs),
    /// Show what a write would erase and program, and how long it would take.
    Worklist(WorklistArgs),
    /// Write an image to the chip, once every interlock is open.
    Write(WriteArgs),
    /// Compare the chip with an image.
    Verify(VerifyArgs),
    /// Bring the chip back to one of the unit's backups.
    Restore(RestoreArgs),
    /// Read a suspect chip many times, and say what is wrong with it.
    Survey(SurveyArgs),
    /// Show which ranges the chip protects, or set them.
    Protect(ProtectArgs),
    /// Search the parts table, or say what a printed marking means.
    Parts(PartsArgs),
    /// Show the eight wires from the chip to the header.
    Wiring(WiringArgs),
    /// Make one page of all that a unit folder tells, or of many folders.
    Logbook(LogbookArgs),
    /// Take many units in a row through the same stages.
    Shelf(ShelfArgs),
    /// Print the JSON Schema of the lines that --json prints.
    Schema,
    /// Go through the whole job on a simulated chip.
    Demo(DemoArgs),
}

impl Cli {
    /// Parses a command line, its first word being the program's name.
    ///
    /// # Errors
    /// clap's error, which may also be the answer to `--help` or `--version`.
    pub fn from_arguments<I, T>(arguments: I) -> Result<Self, clap::Error>
    where
        I: IntoIterator<Item = T>,
        T: Into<OsString> + Clone,
    {
        let cli = Self::try_parse_from(arguments)?;
        match cli.command.fault() {
            None => Ok(cli),
            Some(fault) => Err(cli.command.error(&fault)),
        }
    }
}

impl Command {
    /// Every command by name, in the order of the help.
    pub const NAMES: [&str; 19] = [
        "contact", "id", "sfdp", "backup", "check", "inspect", "tailor", "worklist", "write",
        "verify", "restore", "survey", "protect", "parts", "wiring", "logbook", "shelf", "schema",
        "demo",
    ];

    /// The command's name.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Contact(_) => "contact",
            Self::Id(_) => "id",
            Self::Sfdp(_) => "sfdp",
            Self::Backup(_) => "backup",
            Self::Check(_) => "check",
            Self::Inspect(_) => "inspect",
            Self::Tailor(_) => "tailor",
            Self::Worklist(_) => "worklist",
            Self::Write(_) => "write",
            Self::Verify(_) => "verify",
            Self::Restore(_) => "restore",
            Self::Survey(_) => "survey",
            Self::Protect(_) => "protect",
            Self::Parts(_) => "parts",
            Self::Wiring(_) => "wiring",
            Self::Logbook(_) => "logbook",
            Self::Shelf(_) => "shelf",
            Self::Schema => "schema",
            Self::Demo(_) => "demo",
        }
    }

    /// The bench options, where the command touches the bus.
    #[must_use]
    pub const fn bus(&self) -> Option<&BusArgs> {
        match self {
            Self::Contact(args) => Some(&args.bus),
            Self::Id(args) => Some(&args.bus),
            Self::Sfdp(args) => Some(&args.bus),
            Self::Backup(args) => Some(&args.bus),
            Self::Write(args) => Some(&args.bus),
            Self::Verify(args) => Some(&args.bus),
            Self::Restore(args) => Some(&args.bus),
            Self::Survey(args) => Some(&args.bus),
            Self::Protect(args) => Some(&args.bus),
            Self::Shelf(args) => Some(&args.bus),
            Self::Check(_)
            | Self::Inspect(_)
            | Self::Tailor(_)
            | Self::Worklist(_)
            | Self::Parts(_)
            | Self::Wiring(_)
            | Self::Logbook(_)
            | Self::Schema
            | Self::Demo(_) => None,
        }
    }

    /// The same, to be completed.
    pub const fn bus_mut(&mut self) -> Option<&mut BusArgs> {
        match self {
            Self::Contact(args) => Some(&mut args.bus),
            Self::Id(args) => Some(&mut args.bus),
            Self::Sfdp(args) => Some(&mut args.bus),
            Self::Backup(args) => Some(&mut args.bus),
            Self::Write(args) => Some(&mut args.bus),
            Self::Verify(args) => Some(&mut args.bus),
            Self::Restore(args) => Some(&mut args.bus),
            Self::Survey(args) => Some(&mut args.bus),
            Self::Protect(args) => Some(&mut args.bus),
            Self::Shelf(args) => Some(&mut args.bus),
            _ => None,
        }
    }

    /// The unit's folder, where one is named.
    #[must_use]
    pub fn unit(&self) -> Option<&Path> {
        match self {
            Self::Contact(args) => args.unit.as_deref(),
            Self::Id(args) => args.unit.as_deref(),
            Self::Verify(args) => args.unit.first().map(PathBuf::as_path),
            Self::Protect(args) => args.unit.as_deref(),
            Self::Inspect(args) => args.unit.as_deref(),
            Self::Backup(args) => args.unit.first().map(PathBuf::as_path),
            Self::Check(args) => Some(&args.unit),
            Self::Tailor(args) => Some(&args.unit),
            Self::Worklist(args) => Some(&args.unit),
            Self::Write(args) => Some(&args.unit),
            Self::Restore(args) => Some(&args.unit),
            Self::Survey(args) => Some(&args.unit),
            Self::Logbook(args) => args.unit.as_deref(),
            Self::Sfdp(_)
            | Self::Parts(_)
            | Self::Wiring(_)
            | Self::Shelf(_)
            | Self::Schema
            | Self::Demo(_) => None,
        }
    }

    /// What is printed on the chip, where the line says it.
    fn marking(&self) -> Option<&str> {
        match self {
            Self::Parts(args) => args.marking.as_deref(),
            _ => self.bus()?.marking.as_deref(),
        }
    }

    /// Whether the command changes the chip.
    #[must_use]
    pub const fn changes_chip(&self) -> bool {
        match self {
            Self::Write(_) | Self::Restore(_) => true,
            Self::Protect(args) => args.set.is_some(),
            _ => false,
        }
    }

    /// What clap's own rules cannot say about the line.
    fn fault(&self) -> Option<String> {
        if self.marking().is_some_and(|text| text.trim().is_empty()) {
            return Some(
                "an empty marking says nothing: type what is printed on the chip, or leave it out"
                    .into(),
            );
        }
        let bus = self.bus()?;
        // A command that can change the chip wants it also where it only looks, so that adding an option
        // to the line never sends it to another chip.
        let can_change = self.changes_chip() || matches!(self, Self::Protect(_));
        if can_change && bus.links().next().is_none() {
            return Some(format!(
                "{} can change the chip and wants to be told where it is: --spidev PATH or --mock FILE",
                self.name()
            ));
        }
        bus.accept
            .paired()
            .err()
            .or_else(|| self.several_fault(bus))
    }

    /// What is wrong with a line that names more than one chip or unit.
    fn several_fault(&self, bus: &BusArgs) -> Option<String> {
        let links: Vec<&Path> = bus.links().collect();
        let units = match self {
            Self::Backup(args) => &args.unit,
            Self::Verify(args) => &args.unit,
            _ if links.len() > 1 => {
                return Some(format!("{} works on one chip at a time", self.name()));
            }
            _ => return None,
        };
        if links.len() < 2 && units.len() < 2 {
            return None;
        }
        if links.len() != units.len() {
            return Some(format!(
                "chips named: {}, units named: {}; name one --unit for each chip, in the same order",
                links.len(),
                units.len()
            ));
        }
        let units: Vec<&Path> = units.iter().map(PathBuf::as_path).collect();
        if let Some(twice) = twice(&links).or_else(|| twice(&units)) {
            return Some(format!("'{}' is named twice", twice.display()));
        }
        let name = |unit: &&Path| unit.file_name().map(std::ffi::OsStr::to_owned);
        let names: Vec<_> = units.iter().map(name).collect();
        if (1..names.len()).any(|index| names[..index].contains(&names[index])) {
            return Some("two units have one name; nothing would say which is which".into());
        }
        if bus.trace.is_some() {
            return Some("a trace holds the frames of one chip: leave --trace out, or read the units one by one".into());
        }
        (!bus.accept.accept.is_empty()).then(|| {
            "what is accepted is accepted of one unit: give that unit a command of its own".into()
        })
    }

    /// The same line for each unit that it names, where these are several.
    #[must_use]
    pub fn each(&self) -> Vec<Self> {
        let of = |index: usize| match self {
            Self::Backup(args) => Self::Backup(BackupArgs {
                unit: args.unit.get(index).cloned().into_iter().collect(),
                beside: args.beside.clone(),
                bus: args.bus.only(index),
            }),
            Self::Verify(args) => Self::Verify(VerifyArgs {
                unit: args.unit.get(index).cloned().into_iter().collect(),
                bus: args.bus.only(index),
                ..args.clone()
            }),
            other => other.clone(),
        };
        let units = match self {
            Self::Backup(args) => args.unit.len(),
            Self::Verify(args) => args.unit.len(),
            _ => 1,
        };
        (0..units.max(1)).map(of).collect()
    }

    /// A usage error with this command's usage line.
    fn error(&self, fault: &str) -> clap::Error {
        let mut command = Cli::command();
        command.build();
        match command.find_subcommand_mut(self.name()) {
            Some(own) => own.error(ErrorKind::ValueValidation, fault),
            None => command.error(ErrorKind::ValueValidation, fault),
        }
    }
}

/// A path that stands there twice, however it is written.
fn twice<'a>(paths: &[&'a Path]) -> Option<&'a Path> {
    let place = |path: &Path| {
        let found = path.canonicalize().or_else(|_| std::path::absolute(path));
        found.unwrap_or_else(|_| path.to_owned())
    };
    let places: Vec<PathBuf> = paths.iter().map(|path| place(path)).collect();
    let again = |index: &usize| {
        places
            .get(..*index)
            .is_some_and(|before| places.get(*index).is_some_and(|one| before.contains(one)))
    };
    (0..paths.len())
        .find(again)
        .and_then(|index| paths.get(index).copied())
}

#[cfg(test)]
mod tests;
