//! Why a target image was not made.

use std::io;

use crate::image::regions::Holds;
use crate::image::size::show_size;

/// Why a target image was not made. Nothing has been written unless the variant says so.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TailorError {
    /// The map is for another size of flash.
    #[error(
        "the region map is for {}, the baseline has {}",
        show_size(u64::from(*map_bytes)),
        show_size(*baseline_bytes)
    )]
    MapSize {
        /// Size of the map.
        map_bytes: u32,
        /// Size of the baseline.
        baseline_bytes: u64,
    },
    /// The base is not what the unit folder has on record.
    #[error("the base is not this unit's newest backup: SHA-256 {}, recorded {}", hex(.found), hex(.recorded))]
    NotTheBaseline {
        /// Hash on record.
        recorded: [u8; 32],
        /// Hash of the bytes at hand.
        found: [u8; 32],
    },
    /// The map has no such region.
    #[error("the region map has no region '{0}'")]
    NoSuchRegion(String),
    /// The region is not to be changed.
    #[error("region '{region}' is {}", match holds {
        Holds::UnitData => "this unit's own data and is never replaced",
        _ => "kept as found: the map does not mark it replaceable",
    })]
    NotReplaceable {
        /// The region.
        region: String,
        /// What it holds.
        holds: Holds,
    },
    /// Two contents for one region.
    #[error("region '{0}' is given twice")]
    RegionTwice(String),
    /// A piece of no bytes.
    #[error("{file} is empty")]
    EmptyPiece {
        /// The piece.
        file: String,
    },
    /// A piece that does not fit.
    #[error(
        "{file} has {}, region '{region}' takes {}",
        show_size(*piece_bytes),
        show_size(u64::from(*region_bytes))
    )]
    PieceTooLarge {
        /// The piece.
        file: String,
        /// Its size.
        piece_bytes: u64,
        /// The region.
        region: String,
        /// The region's size.
        region_bytes: u32,
    },
    /// A piece that is not what was expected.
    #[error("{file} is not what was expected: SHA-256 {}, expected {}", hex(.found), hex(.expected))]
    PieceHash {
        /// The piece.
        file: String,
        /// Hash that was expected.
        expected: [u8; 32],
        /// Hash of the file.
        found: [u8; 32],
    },
    /// A file became another while it was copied. The output is incomplete or wrong.
    #[error("{file} changed while it was copied; the image is not to be used")]
    ChangedMeanwhile {
        /// The piece or the baseline.
        file: String,
    },
    /// A file could not be read. The output may be incomplete.
    #[error("cannot read {file}")]
    Read {
        /// The piece or the baseline.
        file: String,
        /// What the file system said.
        #[source]
        source: io::Error,
    },
    /// The output could not be written and is incomplete.
    #[error("cannot write the target image")]
    Write(#[source] io::Error),
}

fn hex(bytes: &[u8; 32]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
