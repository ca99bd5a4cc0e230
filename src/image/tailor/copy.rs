//! The copy from baseline and pieces into the target, hashed as it goes.

use std::io::Write;
use std::ops::Range;

use sha2::{Digest, Sha256};

use super::{
    CHUNK_SIZE_BYTES, Checked, Content, RegionChange, Rest, TailorError, first_bytes, read,
};
use crate::image::ReadAt;

/// Writes the image piece by piece, hashing what is read and what is written.
pub(super) struct Maker<'a> {
    pub out: &'a mut dyn Write,
    pub hash: Sha256,
    pub baseline_hash: Sha256,
    pub baseline: &'a dyn ReadAt,
}

/// Changes a chunk that begins at the given address.
pub(super) type Edit<'a> = dyn FnMut(u32, &mut [u8]) -> Result<(), TailorError> + 'a;

impl Maker<'_> {
    /// Copies `range` of the baseline through `edit`; returns how many bytes it changed and how
    /// many are FF.
    pub fn copy(
        &mut self,
        range: Range<u32>,
        edit: &mut Edit<'_>,
    ) -> Result<(u64, u64), TailorError> {
        let mut before = vec![0; CHUNK_SIZE_BYTES];
        let mut after = Vec::with_capacity(CHUNK_SIZE_BYTES);
        let (mut changed, mut blank) = (0, 0);
        let mut address = range.start;
        while address < range.end {
            let chunk = first_bytes(&mut before, u64::from(range.end - address));
            read(self.baseline, u64::from(address), chunk, "the baseline")?;
            self.baseline_hash.update(&*chunk);
            after.clear();
            after.extend_from_slice(chunk);
            edit(address, &mut after)?;
            changed += chunk.iter().zip(&after).filter(|(a, b)| a != b).count() as u64;
            blank += after.iter().filter(|byte| **byte == 0xFF).count() as u64;
            self.hash.update(&after);
            self.out.write_all(&after).map_err(TailorError::Write)?;
            // Chunks are far below 4 GiB and end within the range.
            address = address.saturating_add(u32::try_from(after.len()).unwrap_or(u32::MAX));
        }
        Ok((changed, blank))
    }

    pub fn fill(&mut self, filling: &Checked<'_, '_>) -> Result<RegionChange, TailorError> {
        let range = filling.region.range.clone();
        let mut change = RegionChange {
            name: filling.region.name.clone(),
            range: range.clone(),
            piece: None,
            piece_bytes: filling.piece_bytes,
            changed_bytes: 0,
            blank_bytes: 0,
        };
        let counts = match filling.content {
            Content::Fill(byte) => self.copy(range, &mut |_, chunk| {
                chunk.fill(*byte);
                Ok(())
            })?,
            Content::Piece {
                file,
                bytes,
                sha256: _,
                rest,
            } => {
                change.piece = filling.piece_sha256.map(|hash| (file.clone(), hash));
                let mut piece = PieceCopy {
                    file,
                    bytes: *bytes,
                    left_bytes: filling.piece_bytes,
                    region_start: range.start,
                    rest: *rest,
                    hash: Sha256::new(),
                };
                let counts = self.copy(range, &mut |address, chunk| piece.put(address, chunk))?;
                piece.check(filling.piece_sha256)?;
                counts
            }
        };
        (change.changed_bytes, change.blank_bytes) = counts;
        Ok(change)
    }
}

/// A piece on its way into the image, hashed once more as it goes.
struct PieceCopy<'a> {
    file: &'a str,
    bytes: &'a dyn ReadAt,
    left_bytes: u64,
    region_start: u32,
    rest: Rest,
    hash: Sha256,
}

impl PieceCopy<'_> {
    fn put(&mut self, address: u32, chunk: &mut [u8]) -> Result<(), TailorError> {
        let length = first_bytes(chunk, self.left_bytes).len();
        let (piece, rest) = chunk.split_at_mut(length);
        let offset = u64::from(address - self.region_start);
        if !piece.is_empty() {
            read(self.bytes, offset, piece, self.file)?;
        }
        self.hash.update(&*piece);
        self.left_bytes -= piece.len() as u64;
        if let Rest::Fill(byte) = self.rest {
            rest.fill(byte);
        }
        Ok(())
    }

    fn check(self, checked: Option<[u8; 32]>) -> Result<(), TailorError> {
        if checked == Some(self.hash.finalize().into()) {
            return Ok(());
        }
        Err(TailorError::ChangedMeanwhile {
            file: self.file.to_owned(),
        })
    }
}
