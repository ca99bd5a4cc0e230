//! What is on the bench: the link, the supply, the chip's marking.

use std::path::{Path, PathBuf};

use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};

use crate::interlock::{Attestation, Power};
use crate::jedec::{Hertz, Millivolts};

use super::{AcceptArgs, SizeBytes, Supply, Wired};
use crate::cli::abreast::Lane;

impl ValueEnum for Power {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let help = match self {
            Self::Clip => "from the clip's supply wire; the board is off",
            Self::BoardHeldInReset => "from the running board, its processor held in reset",
            Self::External => "from a bench supply; the board is off",
            Self::Socket => "from a socket that the chip was moved to",
        };
        Some(PossibleValue::new(self.name()).help(help))
    }
}

/// Options of every command that touches the bus.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Bench")]
pub struct BusArgs {
    /// The spidev node that the chip is on. A command that only reads takes, without it, the one node
    /// that is known to be of the pin header; /dev/spidev0.0 where there is no node at all.
    #[arg(long, value_name = "PATH", conflicts_with = "mock")]
    spidev: Vec<PathBuf>,
    /// A simulated chip kept in this file, instead of a real one.
    #[arg(long, value_name = "FILE")]
    mock: Vec<PathBuf>,
    /// Highest clock (SCK) to ask for, such as 20MHz.
    #[arg(long, value_name = "CLOCK")]
    pub sck: Option<Hertz>,
    /// Level that the link drives and supplies, such as 3.3V.
    #[arg(long, value_name = "LEVEL")]
    pub level: Option<Millivolts>,
    /// Data lines that are wired to the chip and tied to nothing: 2 where the controller takes MISO and MOSI
    /// both ways, 4 with IO2 and IO3. One lane is used without it. A bench file has `lanes` for this.
    #[arg(long, value_name = "COUNT", conflicts_with = "mock")]
    pub lanes: Option<Wired>,
    /// Where the chip's supply comes from.
    #[arg(long, value_name = "SOURCE")]
    pub power: Option<Power>,
    /// What is printed on the chip.
    #[arg(long, value_name = "TEXT")]
    pub marking: Option<String>,
    /// Supply range that you read in the part's own datasheet, such as 2.7V-3.6V.
    #[arg(long, value_name = "RANGE")]
    pub supply: Option<Supply>,
    /// Your own parts, added to the table.
    #[arg(long, value_name = "FILE")]
    pub parts: Option<PathBuf>,
    /// Size of a chip that neither the table nor the chip itself tells, such as 16MiB.
    #[arg(long, value_name = "SIZE")]
    pub size: Option<SizeBytes>,
    /// Record every frame on the wire in this file.
    #[arg(long, value_name = "FILE")]
    pub trace: Option<PathBuf>,
    /// What the person accepts by name.
    #[command(flatten)]
    pub accept: AcceptArgs,
    /// What was said of the bench for this seating of the clip, so that it is not asked again.
    #[arg(skip)]
    pub attested: Option<Attestation>,
    /// Who watches this unit and others at once.
    #[arg(skip)]
    pub abreast: Option<Lane>,
}

impl BusArgs {
    /// The spidev node that was named.
    #[must_use]
    pub fn spidev(&self) -> Option<&Path> {
        self.spidev.first().map(PathBuf::as_path)
    }

    /// The bench file of the simulated chip.
    #[must_use]
    pub fn mock(&self) -> Option<&Path> {
        self.mock.first().map(PathBuf::as_path)
    }

    /// Every chip that was named, in order: nodes or bench files.
    pub fn links(&self) -> impl Iterator<Item = &Path> {
        self.spidev.iter().chain(&self.mock).map(PathBuf::as_path)
    }

    /// The same bench with another chip.
    #[must_use]
    pub fn on(&self, spidev: Option<PathBuf>, mock: Option<PathBuf>) -> Self {
        Self {
            spidev: spidev.into_iter().collect(),
            mock: mock.into_iter().collect(),
            ..self.clone()
        }
    }

    /// The same bench with chip number `index` alone.
    #[must_use]
    pub fn only(&self, index: usize) -> Self {
        self.on(
            self.spidev.get(index).cloned(),
            self.mock.get(index).cloned(),
        )
    }

    /// How many data lines are wired.
    #[must_use]
    pub fn lanes(&self) -> u8 {
        self.lanes.map_or(1, |wired| wired.0)
    }

    /// Takes from `all` what is not said here. The link is not taken: it is typed for each command.
    pub fn or(&mut self, all: &Self) {
        self.sck = self.sck.or(all.sck);
        self.level = self.level.or(all.level);
        self.lanes = self.lanes.or(all.lanes);
        self.power = self.power.or(all.power);
        self.supply = self.supply.or(all.supply);
        self.size = self.size.or(all.size);
        self.marking = self.marking.take().or_else(|| all.marking.clone());
        self.parts = self.parts.take().or_else(|| all.parts.clone());
        self.trace = self.trace.take().or_else(|| all.trace.clone());
        if self.accept.accept.is_empty() {
            self.accept = all.accept.clone();
        }
        self.attested = self.attested.take().or_else(|| all.attested.clone());
    }
}
