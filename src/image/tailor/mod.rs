//! A unit's target image: its own baseline, with pieces in the regions that may be replaced.

mod cells;
mod check;
mod copy;
mod error;
mod judge;

pub use cells::{Becomes, Extent};
pub use error::TailorError;

use std::io::{self, Write};
use std::ops::Range;

use serde::{Serialize, Serializer};
use sha2::Digest;

use super::ReadAt;
use super::records::Form;
use super::regions::{RegionMap, Unaligned};
use check::Checked;
use copy::Maker;

/// Bytes handled at once.
const CHUNK_SIZE_BYTES: usize = 64 * 1024;
/// What messages call the backup.
const BASELINE: &str = "the baseline";

/// The backup that a target is made from.
pub struct Baseline<'a> {
    /// Its content.
    pub content: &'a dyn ReadAt,
    /// The hash that the unit folder has on record for the newest backup.
    pub recorded_sha256: [u8; 32],
}

/// What becomes of the bytes of a region that no piece has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Rest {
    /// They stay as the baseline has them.
    Keep,
    /// They become this byte; FF leaves flash blank.
    Fill(u8),
}

/// A file that goes into a region.
pub struct Piece<'a> {
    /// Its name, for messages.
    pub file: String,
    /// Its content.
    pub bytes: &'a dyn ReadAt,
    /// Where in the region it begins. Without it, at the region's start, or where its own addresses say.
    pub offset: Option<u32>,
    /// What the file must hash to.
    pub sha256: [u8; 32],
}

/// A region and what goes into it.
pub struct Filling<'a> {
    /// The region's name.
    pub region: String,
    /// The pieces, in any order.
    pub pieces: Vec<Piece<'a>>,
    /// What becomes of the rest; needed where there is a rest.
    pub rest: Option<Rest>,
}

/// A piece in its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlacedPiece {
    /// The file, as it was named.
    pub file: String,
    /// How it is written.
    pub form: Form,
    /// SHA-256 of the file.
    #[serde(serialize_with = "as_digits")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub sha256: [u8; 32],
    /// Flash addresses from its first byte to its last, half-open.
    pub range: Range<u32>,
    /// Bytes that it has there; fewer than the range where records leave gaps.
    pub size_bytes: u64,
}

/// What tailoring did to one region. Blank means whole erase blocks, or a region's share of one, that
/// hold nothing but FF.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RegionChange {
    /// The region.
    pub name: String,
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// The pieces in it, by address.
    pub pieces: Vec<PlacedPiece>,
    /// What became of the bytes that no piece has.
    pub rest: Option<Rest>,
    /// Bytes that differ from the baseline.
    pub changed_bytes: u64,
    /// Bytes that are blank in the baseline.
    pub blank_before_bytes: u64,
    /// Bytes that are blank in the result.
    pub blank_bytes: u64,
    /// What becomes of its blocks, by address.
    pub parts: Vec<Extent>,
    /// Size of the blocks that `parts` counts in: the erase block, or more where that makes many parts.
    pub part_block_bytes: u32,
}

/// The result of tailoring.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tailored {
    /// Hash of the whole target image.
    #[serde(serialize_with = "as_digits")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub sha256: [u8; 32],
    /// The regions that something was put into, by address. All other bytes are the baseline's.
    pub regions: Vec<RegionChange>,
    /// The part's smallest erase size.
    pub erase_size_bytes: u32,
    /// Regions that do not begin and end on blocks of that size.
    pub unaligned: Vec<Unaligned>,
}

/// Writes the target image to `out`: the baseline, with each filling in its region.
///
/// `erase_size_bytes` is the part's smallest erase size; regions that do not keep to it are
/// reported. Memory does not grow with the image.
///
/// # Errors
/// Any [`TailorError`]. All refusals come before the first byte is written; after a later one, `out`
/// is not to be used.
///
/// # Examples
/// ```
/// use norlock::image::{Baseline, Filling, Piece, RegionMap, Rest, tailor};
/// use norlock::unit::Digest;
///
/// let map = RegionMap::parse("regions.toml", r#"
///     size = "64KiB"
///     region = [{ name = "boot", start = 0, size = "4KiB", holds = "replaceable" }]
/// "#)?;
/// let backup: Vec<u8> = (0..64 << 10).map(|at: u32| at as u8).collect();
/// let loader = b"a new boot loader\0".repeat(100);
/// let baseline = Baseline {
///     content: &backup,
///     recorded_sha256: Digest::of(&backup).0,
/// };
/// let boot = Filling {
///     region: "boot".into(),
///     pieces: vec![Piece {
///         file: "boot-loader.bin".into(),
///         bytes: &loader,
///         offset: None,
///         sha256: Digest::of(&loader).0,
///     }],
///     rest: Some(Rest::Fill(0xFF)),
/// };
/// let mut target = Vec::new();
/// let tailored = tailor(&baseline, &map, &[boot], 4096, &mut target)?;
/// assert!(target.starts_with(&loader) && target[4096..] == backup[4096..]);
/// assert_eq!(tailored.sha256, Digest::of(&target).0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn tailor(
    baseline: &Baseline<'_>,
    map: &RegionMap,
    fillings: &[Filling<'_>],
    erase_size_bytes: u32,
    out: &mut dyn Write,
) -> Result<Tailored, TailorError> {
    let checked = check::fillings(baseline.content, map, fillings)?;
    // Once into nothing, so that what cannot be right is refused before anything is written.
    let planned = walk(baseline, map, &checked, erase_size_bytes, &mut io::sink())?;
    if planned.baseline_sha256 != baseline.recorded_sha256 {
        return Err(TailorError::NotTheBaseline {
            recorded: baseline.recorded_sha256,
            found: planned.baseline_sha256,
        });
    }
    check::unchanged(&checked)?;
    judge::judge(&planned, map)?;
    let made = walk(baseline, map, &checked, erase_size_bytes, out)?;
    if made == planned {
        return Ok(made.tailored);
    }
    let baseline_changed = made.baseline_sha256 != planned.baseline_sha256;
    Err(TailorError::ChangedMeanwhile {
        file: if baseline_changed {
            BASELINE
        } else {
            "a piece"
        }
        .into(),
    })
}

/// The target as it was walked through once.
#[derive(PartialEq)]
struct Walked {
    tailored: Tailored,
    baseline_sha256: [u8; 32],
    /// Whether the first page has more than one byte value, before and after.
    first_page: (bool, bool),
}

fn walk(
    baseline: &Baseline<'_>,
    map: &RegionMap,
    checked: &[Checked<'_>],
    erase_size_bytes: u32,
    out: &mut dyn Write,
) -> Result<Walked, TailorError> {
    let mut maker = Maker::new(baseline.content, erase_size_bytes, out);
    let mut regions = Vec::new();
    for span in map.spans() {
        let of_span = |checked: &&Checked<'_>| checked.region.range == span.range;
        match checked.iter().find(of_span) {
            Some(filling) => regions.push(maker.fill(filling)?),
            None => maker.keep(span.range)?,
        }
    }
    Ok(Walked {
        first_page: maker.first_page,
        baseline_sha256: maker.baseline_hash.finalize().into(),
        tailored: Tailored {
            sha256: maker.hash.finalize().into(),
            regions,
            erase_size_bytes,
            unaligned: map.unaligned(erase_size_bytes),
        },
    })
}

fn size_of(image: &dyn ReadAt, file: &str) -> Result<u64, TailorError> {
    image.size_bytes().map_err(|source| unread(file, source))
}

fn read(image: &dyn ReadAt, offset: u64, into: &mut [u8], file: &str) -> Result<(), TailorError> {
    let read = image.read_at(offset, into);
    read.map_err(|source| unread(file, source))
}

fn unread(file: &str, source: io::Error) -> TailorError {
    TailorError::Read {
        file: file.to_owned(),
        source,
    }
}

/// Gives the bytes of `range` to `look`, chunk by chunk.
fn each_chunk(
    image: &dyn ReadAt,
    range: Range<u64>,
    file: &str,
    look: &mut dyn FnMut(&[u8]),
) -> Result<(), TailorError> {
    let mut buffer = vec![0; CHUNK_SIZE_BYTES];
    let mut offset = range.start;
    while offset < range.end {
        let chunk = first_bytes(&mut buffer, range.end - offset);
        read(image, offset, chunk, file)?;
        look(chunk);
        offset += chunk.len() as u64;
    }
    Ok(())
}

/// The first `wanted` bytes of `buffer`, or all of it.
fn first_bytes(buffer: &mut [u8], wanted: u64) -> &mut [u8] {
    let wanted = usize::try_from(wanted).unwrap_or(usize::MAX);
    let length = buffer.len().min(wanted);
    buffer.split_at_mut(length).0
}

fn as_digits<S: Serializer>(hash: &[u8; 32], serializer: S) -> Result<S::Ok, S::Error> {
    let digits = hash.iter().map(|byte| format!("{byte:02x}"));
    serializer.serialize_str(&digits.collect::<String>())
}

#[cfg(test)]
mod tests;
