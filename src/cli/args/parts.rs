//! Arguments of `parts`.

use std::path::PathBuf;

use clap::Args;

use crate::jedec::Millivolts;
use crate::part::Selection;

use super::{IdStart, SizeBytes};

/// `parts`
#[derive(Debug, Clone, Args)]
pub struct PartsArgs {
    /// What is printed on the chip, or a name from the table; without it, the whole table.
    #[arg(value_name = "MARKING", conflicts_with_all = ["maker", "size", "level", "id", "text"])]
    pub marking: Option<String>,
    /// Only parts of this maker.
    #[arg(long, value_name = "NAME")]
    pub maker: Option<String>,
    /// Only parts of this size, such as 16MiB.
    #[arg(long, value_name = "SIZE")]
    pub size: Option<SizeBytes>,
    /// Only parts that may be connected to this level, such as 3.3V.
    #[arg(long, value_name = "LEVEL")]
    pub level: Option<Millivolts>,
    /// Only parts whose JEDEC ID begins so, such as EF40.
    #[arg(long, value_name = "BYTES")]
    pub id: Option<IdStart>,
    /// Only parts with these words in name, markings, notes or source.
    #[arg(long, value_name = "WORDS")]
    pub text: Option<String>,
    /// Check a file of your own parts and say all that is wrong or odd in it.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["marking", "maker", "size", "level", "id", "text"])]
    pub check: Option<PathBuf>,
    /// Your own parts, added to the table.
    #[arg(long, value_name = "FILE")]
    pub parts: Option<PathBuf>,
}

impl PartsArgs {
    /// The parts that the line asks for.
    #[must_use]
    pub fn selection(&self) -> Selection {
        Selection {
            maker: self.maker.clone(),
            size_bytes: self.size.map(|size| size.0),
            level: self.level,
            id_start: self.id.as_ref().map(|start| start.0.clone()),
            text: self.text.clone(),
        }
    }
}
