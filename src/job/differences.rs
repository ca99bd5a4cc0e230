//! In what two images differ: how many bytes and where, never what they hold.

use std::ops::Range;

use serde::Serialize;

use super::Stop;
use crate::image::RegionMap;
use crate::unit::store::StoreFile;
use crate::unit::{Image, Unit, UnitError};

/// Bytes compared at a time.
const CHUNK_BYTES: u32 = 64 << 10;
/// So many equal bytes end a range.
const GAP_BYTES: u32 = 4096;

/// How much of one region differs between two images.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RegionDifference {
    /// Name of the region, or `no region`.
    pub region: String,
    /// First address of the region.
    pub start: u32,
    /// Bytes that differ.
    pub bytes: u64,
    /// Where they lie: from the first to the last, in ranges that 4 KiB of equal bytes keep apart.
    pub ranges: Vec<Range<u32>>,
}

/// What differs between two images of one size, by region where there is a map, else as a whole.
pub(super) fn differences(
    unit: &Unit,
    map: Option<&RegionMap>,
    before: &Image,
    now: &Image,
) -> Result<Vec<RegionDifference>, Stop> {
    let (one, two) = (unit.open_image(before)?, unit.open_image(now)?);
    let whole = || {
        let size_bytes = u32::try_from(now.size_bytes).unwrap_or(u32::MAX);
        RegionMap::unmapped(size_bytes).spans()
    };
    let mut found = Vec::new();
    for span in map.map_or_else(whole, RegionMap::spans) {
        let (bytes, ranges) = differing(one.as_ref(), two.as_ref(), span.range.clone())?;
        if bytes > 0 {
            found.push(RegionDifference {
                region: span.name().to_owned(),
                start: span.range.start,
                bytes,
                ranges,
            });
        }
    }
    Ok(found)
}

fn differing(
    one: &dyn StoreFile,
    two: &dyn StoreFile,
    within: Range<u32>,
) -> Result<(u64, Vec<Range<u32>>), UnitError> {
    let (mut a, mut b) = (Vec::new(), Vec::new());
    let (mut at, mut bytes) = (within.start, 0);
    let mut ranges: Vec<Range<u32>> = Vec::new();
    while at < within.end {
        let length = (within.end - at).min(CHUNK_BYTES);
        for (image, buffer) in [(one, &mut a), (two, &mut b)] {
            buffer.resize(length as usize, 0);
            image.read_exact_at(u64::from(at), buffer)?;
        }
        if a != b {
            for (place, _) in (at..).zip(a.iter().zip(&b)).filter(|(_, (a, b))| a != b) {
                bytes += 1;
                match ranges.last_mut() {
                    Some(last) if place - last.end < GAP_BYTES => last.end = place + 1,
                    _ => ranges.push(place..place + 1),
                }
            }
        }
        at += length;
    }
    Ok((bytes, ranges))
}
