//! UBI: erase blocks with their two headers, as in `drivers/mtd/ubi/ubi-media.h` of Linux.

use super::place::{Fields, Look, Place, Stop};
use super::{Checked, Finding, Format};
use crate::image::show_size;

const HEADER_BYTES: usize = 64;
const CRC_AT: usize = 60;
const BLOCK_MAGIC: &[u8] = b"UBI#";
const VOLUME_MAGIC: &[u8] = b"UBI!";
const VERSION: u8 = 1;
const STATIC: u8 = 2;
/// Sizes of erase blocks, as powers of two.
const BLOCK_LOGS: std::ops::RangeInclusive<u32> = 12..=20;

/// What a run of erase blocks has come to.
#[derive(Default)]
struct Run {
    blocks: u64,
    used: u64,
    bad: u64,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    if !is_sound(&header) {
        return Ok(None);
    }
    let block_bytes = block_bytes(place)?;
    let mut run = Run::default();
    let outcome = run.follow(place, block_bytes);
    let size_bytes = block_bytes.map(|bytes| bytes * run.blocks);
    let checked = match outcome {
        Err(Stop::Spent) => Checked::TOO_MUCH,
        Err(stop) => return Err(stop),
        Ok(()) if size_bytes > Some(place.left_bytes()) => Checked::Cut,
        Ok(()) if run.bad > 0 => Checked::Disagrees {
            what: "erase blocks with right checksums",
            wanted: run.blocks.to_string(),
            found: (run.blocks - run.bad).to_string(),
        },
        Ok(()) => Checked::Agrees("checksums"),
    };
    let of_size = block_bytes.map_or(String::new(), |bytes| format!(" of {}", show_size(bytes)));
    let detail = format!("{} blocks{of_size}, {} in use", run.blocks, run.used);
    let found = Finding::new(place.offset, Format::Ubi, size_bytes, checked);
    Ok(Some(found.with_detail(detail)))
}

/// CRC-32 without the inversion at its end, as UBI has it.
fn crc(bytes: &[u8]) -> u32 {
    !crc32fast::hash(bytes)
}

/// Whether the last four bytes of a header are the checksum of the others.
fn is_sound(header: &[u8; HEADER_BYTES]) -> bool {
    let fields = Fields::big(header);
    let covered = header.get(..CRC_AT).unwrap_or_default();
    fields.u8(4) == VERSION && crc(covered) == fields.u32(CRC_AT)
}

/// The distance to the next header; `None` where there is none.
fn block_bytes(place: &Place<'_>) -> Look<Option<u64>> {
    for log in BLOCK_LOGS {
        let at = 1 << log;
        // One that is damaged is one all the same.
        let next = place.array::<5>(at)?;
        if next.is_some_and(|next| next.starts_with(BLOCK_MAGIC) && next[4] == VERSION) {
            return Ok(Some(at));
        }
    }
    Ok(None)
}

impl Run {
    fn follow(&mut self, place: &Place<'_>, block_bytes: Option<u64>) -> Look<()> {
        let mut at = 0;
        while let Some(header) = place.array::<HEADER_BYTES>(at)? {
            if !header.starts_with(BLOCK_MAGIC) {
                return Ok(());
            }
            self.blocks += 1;
            let sound = is_sound(&header) && self.volume(place, at, &header, block_bytes)?;
            self.bad += u64::from(!sound);
            let Some(block_bytes) = block_bytes else {
                return Ok(());
            };
            at += block_bytes;
        }
        Ok(())
    }

    /// The second header, which a block in use has, and the content where a checksum covers it.
    fn volume(
        &mut self,
        place: &Place<'_>,
        at: u64,
        block: &[u8; HEADER_BYTES],
        block_bytes: Option<u64>,
    ) -> Look<bool> {
        let block = Fields::big(block);
        let Some(header) = place.array::<HEADER_BYTES>(at + u64::from(block.u32(16)))? else {
            return Ok(true);
        };
        if header == [0xFF; HEADER_BYTES] {
            return Ok(true);
        }
        self.used += 1;
        if !header.starts_with(VOLUME_MAGIC) || !is_sound(&header) {
            return Ok(false);
        }
        let fields = Fields::big(&header);
        let is_copy = fields.u8(6) == 1;
        if fields.u8(5) != STATIC && !is_copy {
            return Ok(true);
        }
        let start = at + u64::from(block.u32(20));
        let end = start + u64::from(fields.u32(20));
        if block_bytes.is_some_and(|bytes| end > at + bytes) {
            return Ok(false);
        }
        if end > place.left_bytes() {
            return Ok(true);
        }
        let mut crc = crc32fast::Hasher::new();
        place.stream(start, end).each(|bytes| crc.update(bytes))?;
        Ok(!crc.finalize() == fields.u32(32))
    }
}
