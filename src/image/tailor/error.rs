//! Why a target image was not made.

use std::io;
use std::ops::Range;

use crate::image::records::RecordError;
use crate::image::regions::Holds;
use crate::image::size::show_size;
use crate::jedec::Address;

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
    #[error("the base is not this unit's newest backup: SHA-256 {}, recorded {}", groups(.found), groups(.recorded))]
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
        "{file} has {}, {}region '{region}' takes {}",
        show_size(*piece_bytes),
        offset.map_or(String::new(), |at| format!("and from {} on ", Address(at))),
        show_size(u64::from(*region_bytes))
    )]
    PieceTooLarge {
        /// The piece.
        file: String,
        /// From its first byte to its last.
        piece_bytes: u64,
        /// The region.
        region: String,
        /// What the region takes from where the piece begins.
        region_bytes: u32,
        /// Where in the region the piece was to begin, if that was said.
        offset: Option<u32>,
    },
    /// A piece that was to begin behind its region's end.
    #[error(
        "{file} was to begin at {offset} in region '{region}', which has {}",
        show_size(u64::from(*region_bytes))
    )]
    OffsetOutside {
        /// The piece.
        file: String,
        /// Where in the region it was to begin.
        offset: Address,
        /// The region.
        region: String,
        /// The region's size.
        region_bytes: u32,
    },
    /// A damaged file of records.
    #[error(transparent)]
    Records(#[from] RecordError),
    /// Records whose addresses are neither the region's nor count from its start.
    #[error(
        "{file}, line {line}: the data for {address} lie outside {} to {}, where region '{region}' takes them",
        wanted.start, wanted.end
    )]
    RecordsElsewhere {
        /// The piece.
        file: String,
        /// Line of the first such record.
        line: u64,
        /// Its address.
        address: Address,
        /// The region.
        region: String,
        /// Where it takes the piece's data, half-open.
        wanted: Range<Address>,
    },
    /// Two pieces for one byte.
    #[error(
        "two pieces overlap in region '{region}': {one} takes {} to {}, {other} {} to {}",
        one_at.start, one_at.end, other_at.start, other_at.end
    )]
    PiecesOverlap {
        /// The piece that begins first.
        one: String,
        /// Where it lies, half-open.
        one_at: Range<Address>,
        /// The other one.
        other: String,
        /// Where that lies, half-open.
        other_at: Range<Address>,
        /// The region.
        region: String,
    },
    /// Pieces that leave a rest of their region, and nothing said of it.
    #[error(
        "region '{region}' has {}, and there are {} for it: nothing says what the rest becomes, from {first} on",
        show_size(u64::from(*region_bytes)),
        show_size(*pieces_bytes)
    )]
    NoRule {
        /// The region.
        region: String,
        /// Its size.
        region_bytes: u32,
        /// Bytes that the pieces have.
        pieces_bytes: u64,
        /// First byte that none has.
        first: Address,
    },
    /// A file of records that begins with something else.
    #[error("{file} has records from line {line} on, and something else before them")]
    RecordsBehind {
        /// The piece.
        file: String,
        /// Line of its first record.
        line: u64,
    },
    /// Text where the baseline has none.
    #[error("{file} is plain text, and region '{region}' holds none")]
    TextPiece {
        /// The piece.
        file: String,
        /// The region.
        region: String,
    },
    /// A region that would stay as it is.
    #[error("nothing would change in region '{region}'{}", match files.as_slice() {
        [] => String::new(),
        files => format!(": it holds {} already", files.join(", ")),
    })]
    NothingChanges {
        /// The region.
        region: String,
        /// Its pieces.
        files: Vec<String>,
    },
    /// The region that the processor starts from would be blank, or begin with one byte value.
    #[error("{}, and the board starts from there", match whole {
        true => format!("all of region '{region}' would be blank"),
        false => format!("the first page of region '{region}' would be one byte value throughout"),
    })]
    StartBlank {
        /// The region.
        region: String,
        /// Whether all of it would be.
        whole: bool,
    },
    /// A piece that is not what was expected.
    #[error("{file} is not what was expected: SHA-256 {}, expected {}", groups(.found), groups(.expected))]
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

/// A hash in groups of eight digits, between which a line can be broken.
fn groups(hash: &[u8; 32]) -> String {
    let group = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    hash.chunks(4).map(group).collect::<Vec<String>>().join(" ")
}
