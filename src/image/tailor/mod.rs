//! A unit's target image: its own baseline, with pieces in the regions that may be replaced.

mod copy;
mod error;

pub use error::TailorError;

use std::io::Write;
use std::ops::Range;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::ReadAt;
use super::regions::{Holds, Region, RegionMap, Unaligned};
use copy::Maker;

/// Bytes handled at once.
const CHUNK_SIZE_BYTES: usize = 64 * 1024;

/// The backup that a target is made from.
pub struct Baseline<'a> {
    /// Its content.
    pub content: &'a dyn ReadAt,
    /// The hash that the unit folder has on record for the newest backup.
    pub recorded_sha256: [u8; 32],
}

/// What follows a piece in its region.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// The baseline's bytes.
    Keep,
    /// This byte; FF leaves flash blank.
    Fill(u8),
}

/// What goes into a region.
pub enum Content<'a> {
    /// A file, from the region's start on.
    Piece {
        /// Its name, for messages.
        file: String,
        /// Its content.
        bytes: &'a dyn ReadAt,
        /// What it must hash to.
        sha256: [u8; 32],
        /// What follows it.
        rest: Rest,
    },
    /// One byte value in the whole region.
    Fill(u8),
}

/// A region and what goes into it.
pub struct Filling<'a> {
    /// The region's name.
    pub region: String,
    /// What goes into it.
    pub content: Content<'a>,
}

/// What tailoring did to one region.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RegionChange {
    /// The region.
    pub name: String,
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// Name and SHA-256 of the piece, where there is one.
    pub piece: Option<(String, [u8; 32])>,
    /// Length of the piece; 0 without one.
    pub piece_bytes: u64,
    /// Bytes that differ from the baseline.
    pub changed_bytes: u64,
    /// Bytes that are FF in the result.
    pub blank_bytes: u64,
}

/// The result of tailoring.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Tailored {
    /// Hash of the whole target image.
    pub sha256: [u8; 32],
    /// The regions that something was put into, by address. All other bytes are the baseline's.
    pub regions: Vec<RegionChange>,
    /// Regions that do not begin and end on the part's smallest erase blocks.
    pub unaligned: Vec<Unaligned>,
}

/// A filling that has been checked against the map and hashed.
struct Checked<'a, 'b> {
    region: &'a Region,
    content: &'a Content<'b>,
    piece_bytes: u64,
    piece_sha256: Option<[u8; 32]>,
}

/// Writes the target image to `out`: the baseline, with each filling in its region.
///
/// `erase_size_bytes` is the part's smallest erase size; regions that do not keep to it are
/// reported. Memory does not grow with the image.
///
/// # Errors
/// Any [`TailorError`]. All refusals come before the first byte is written; after a later one, `out`
/// is not to be used.
pub fn tailor(
    baseline: &Baseline<'_>,
    map: &RegionMap,
    fillings: &[Filling<'_>],
    erase_size_bytes: u32,
    out: &mut dyn Write,
) -> Result<Tailored, TailorError> {
    check_baseline(baseline, map)?;
    let checked = check_fillings(map, fillings)?;
    let mut maker = Maker {
        out,
        hash: Sha256::new(),
        baseline_hash: Sha256::new(),
        baseline: baseline.content,
    };
    let mut regions = Vec::new();
    for span in map.spans() {
        let filling = checked
            .iter()
            .find(|checked| checked.region.range == span.range);
        match filling {
            Some(filling) => regions.push(maker.fill(filling)?),
            None => {
                maker.copy(span.range, &mut |_, _| Ok(()))?;
            }
        }
    }
    if <[u8; 32]>::from(maker.baseline_hash.finalize()) != baseline.recorded_sha256 {
        return Err(TailorError::ChangedMeanwhile {
            file: "the baseline".into(),
        });
    }
    Ok(Tailored {
        sha256: maker.hash.finalize().into(),
        regions,
        unaligned: map.unaligned(erase_size_bytes),
    })
}

fn check_baseline(baseline: &Baseline<'_>, map: &RegionMap) -> Result<(), TailorError> {
    let name = "the baseline";
    let size = size_of(baseline.content, name)?;
    if size != u64::from(map.size_bytes()) {
        return Err(TailorError::MapSize {
            map_bytes: map.size_bytes(),
            baseline_bytes: size,
        });
    }
    let found = sha256_of(baseline.content, size, name)?;
    if found != baseline.recorded_sha256 {
        return Err(TailorError::NotTheBaseline {
            recorded: baseline.recorded_sha256,
            found,
        });
    }
    Ok(())
}

fn check_fillings<'a, 'b>(
    map: &'a RegionMap,
    fillings: &'a [Filling<'b>],
) -> Result<Vec<Checked<'a, 'b>>, TailorError> {
    let mut checked: Vec<Checked<'a, 'b>> = Vec::new();
    for filling in fillings {
        let region = map
            .region(&filling.region)
            .ok_or_else(|| TailorError::NoSuchRegion(filling.region.clone()))?;
        if region.holds != Holds::Replaceable {
            return Err(TailorError::NotReplaceable {
                region: region.name.clone(),
                holds: region.holds,
            });
        }
        if checked.iter().any(|other| other.region.name == region.name) {
            return Err(TailorError::RegionTwice(region.name.clone()));
        }
        checked.push(check_content(region, &filling.content)?);
    }
    Ok(checked)
}

fn check_content<'a, 'b>(
    region: &'a Region,
    content: &'a Content<'b>,
) -> Result<Checked<'a, 'b>, TailorError> {
    let mut checked = Checked {
        region,
        content,
        piece_bytes: 0,
        piece_sha256: None,
    };
    let Content::Piece {
        file,
        bytes,
        sha256: expected,
        ..
    } = content
    else {
        return Ok(checked);
    };
    let region_bytes = region.range.end - region.range.start;
    checked.piece_bytes = size_of(*bytes, file)?;
    if checked.piece_bytes == 0 {
        return Err(TailorError::EmptyPiece { file: file.clone() });
    }
    if checked.piece_bytes > u64::from(region_bytes) {
        return Err(TailorError::PieceTooLarge {
            file: file.clone(),
            piece_bytes: checked.piece_bytes,
            region: region.name.clone(),
            region_bytes,
        });
    }
    let found = sha256_of(*bytes, checked.piece_bytes, file)?;
    if *expected != found {
        return Err(TailorError::PieceHash {
            file: file.clone(),
            expected: *expected,
            found,
        });
    }
    checked.piece_sha256 = Some(found);
    Ok(checked)
}

fn size_of(image: &dyn ReadAt, file: &str) -> Result<u64, TailorError> {
    image.size_bytes().map_err(|source| TailorError::Read {
        file: file.to_owned(),
        source,
    })
}

fn read(image: &dyn ReadAt, offset: u64, into: &mut [u8], file: &str) -> Result<(), TailorError> {
    image
        .read_at(offset, into)
        .map_err(|source| TailorError::Read {
            file: file.to_owned(),
            source,
        })
}

fn sha256_of(image: &dyn ReadAt, size_bytes: u64, file: &str) -> Result<[u8; 32], TailorError> {
    let mut hash = Sha256::new();
    let mut buffer = vec![0; CHUNK_SIZE_BYTES];
    let mut offset = 0;
    while offset < size_bytes {
        let chunk = first_bytes(&mut buffer, size_bytes - offset);
        read(image, offset, chunk, file)?;
        hash.update(&*chunk);
        offset += chunk.len() as u64;
    }
    Ok(hash.finalize().into())
}

/// The first `wanted` bytes of `buffer`, or all of it.
fn first_bytes(buffer: &mut [u8], wanted: u64) -> &mut [u8] {
    let wanted = usize::try_from(wanted).unwrap_or(usize::MAX);
    let length = buffer.len().min(wanted);
    buffer.split_at_mut(length).0
}

#[cfg(test)]
mod tests;
