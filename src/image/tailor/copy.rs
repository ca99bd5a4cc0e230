//! The copy from baseline and pieces into the target, hashed as it goes.

use std::io::Write;
use std::ops::Range;

use sha2::{Digest, Sha256};

use super::cells::{Cells, is_varied};
use super::check::{Checked, CheckedPiece, Source};
use super::{
    BASELINE, CHUNK_SIZE_BYTES, RegionChange, Rest, TailorError, first_bytes, read, unread,
};
use crate::image::ReadAt;
use crate::image::records::Cursor;

/// Bytes that a processor is taken to need to start: a page, as most parts have it.
const FIRST_PAGE_BYTES: usize = 256;

/// Writes the image chunk by chunk, hashing what is read and what is written.
pub(super) struct Maker<'a> {
    out: &'a mut dyn Write,
    baseline: &'a dyn ReadAt,
    erase_size_bytes: u32,
    pub hash: Sha256,
    pub baseline_hash: Sha256,
    /// Whether the first page has more than one byte value, before and after.
    pub first_page: (bool, bool),
}

/// Changes a chunk that begins at the given address.
type Edit<'a> = dyn FnMut(u32, &mut [u8]) -> Result<(), TailorError> + 'a;
/// Looks at a chunk, at its address, before and after.
type Look<'a> = dyn FnMut(u32, &[u8], &[u8]) + 'a;

impl<'a> Maker<'a> {
    pub fn new(baseline: &'a dyn ReadAt, erase_size_bytes: u32, out: &'a mut dyn Write) -> Self {
        Self {
            out,
            baseline,
            erase_size_bytes,
            hash: Sha256::new(),
            baseline_hash: Sha256::new(),
            first_page: (false, false),
        }
    }

    /// Copies `range` of the baseline as it is.
    pub fn keep(&mut self, range: Range<u32>) -> Result<(), TailorError> {
        self.copy(range, &mut |_, _| Ok(()), &mut |_, _, _| {})
    }

    /// Copies `range` of the baseline through `edit`, past `look`.
    fn copy(
        &mut self,
        range: Range<u32>,
        edit: &mut Edit<'_>,
        look: &mut Look<'_>,
    ) -> Result<(), TailorError> {
        let mut before = vec![0; CHUNK_SIZE_BYTES];
        let mut after = Vec::with_capacity(CHUNK_SIZE_BYTES);
        let mut address = range.start;
        while address < range.end {
            let chunk = first_bytes(&mut before, u64::from(range.end - address));
            read(self.baseline, u64::from(address), chunk, BASELINE)?;
            self.baseline_hash.update(&*chunk);
            after.clear();
            after.extend_from_slice(chunk);
            edit(address, &mut after)?;
            look(address, chunk, &after);
            if address == 0 {
                let page = |bytes: &[u8]| is_varied(&bytes[..bytes.len().min(FIRST_PAGE_BYTES)]);
                self.first_page = (page(chunk), page(&after));
            }
            self.hash.update(&after);
            self.out.write_all(&after).map_err(TailorError::Write)?;
            // Chunks are far below 4 GiB and end within the range.
            address = address.saturating_add(u32::try_from(after.len()).unwrap_or(u32::MAX));
        }
        Ok(())
    }

    pub fn fill(&mut self, filling: &Checked<'_>) -> Result<RegionChange, TailorError> {
        let range = filling.region.range.clone();
        let mut cells = Cells::new(range.clone(), self.erase_size_bytes);
        let mut changed_bytes = 0;
        let mut pieces: Vec<PieceCopy<'_>> = filling.pieces.iter().map(PieceCopy::new).collect();
        self.copy(
            range.clone(),
            &mut |address, chunk| {
                if let Some(Rest::Fill(byte)) = filling.rest {
                    chunk.fill(byte);
                }
                let mut pieces = pieces.iter_mut();
                pieces.try_for_each(|piece| piece.put(address, chunk))
            },
            &mut |address, before, after| {
                let pairs = before.iter().zip(after);
                changed_bytes += pairs.filter(|(old, new)| old != new).count() as u64;
                cells.look(address, before, after);
            },
        )?;
        let (blank_before_bytes, blank_bytes) = cells.blank_bytes();
        let (parts, part_block_bytes) = cells.into_parts();
        Ok(RegionChange {
            name: filling.region.name.clone(),
            range,
            pieces: filling.pieces.iter().map(|p| p.placed.clone()).collect(),
            rest: filling.rest,
            changed_bytes,
            blank_before_bytes,
            blank_bytes,
            parts,
            part_block_bytes,
        })
    }
}

/// A piece on its way into the image.
struct PieceCopy<'a> {
    piece: &'a CheckedPiece<'a>,
    cursor: Option<Cursor<'a>>,
}

impl<'a> PieceCopy<'a> {
    fn new(piece: &'a CheckedPiece<'a>) -> Self {
        let cursor = match &piece.source {
            Source::Raw => None,
            Source::Records(file) => Some(Cursor::new(file)),
        };
        Self { piece, cursor }
    }

    /// Puts what it has for the chunk at `address` there.
    fn put(&mut self, address: u32, chunk: &mut [u8]) -> Result<(), TailorError> {
        let range = &self.piece.placed.range;
        let length = u32::try_from(chunk.len()).unwrap_or(u32::MAX);
        let start = range.start.max(address);
        let end = range.end.min(address.saturating_add(length));
        if start >= end {
            return Ok(());
        }
        let within = |at: u32| usize::try_from(at - address).unwrap_or(usize::MAX);
        let into = chunk.get_mut(within(start)..within(end));
        let into = into.unwrap_or_default();
        // In the file's own addresses.
        let at = start - self.piece.shift;
        let file = &self.piece.placed.file;
        match &mut self.cursor {
            None => read(self.piece.bytes, u64::from(at), into, file),
            Some(cursor) => cursor.fill(at, into).map_err(|error| unread(file, error)),
        }
    }
}
