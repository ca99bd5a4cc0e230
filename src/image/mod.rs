//! What a flash holds: the region map, tailoring a unit's target image, examining a reading, and
//! inspecting an image.
//!
//! - [`RegionMap`] says which bytes may be replaced and which are the unit's own;
//!   [`RegionMap::parse`] reads one.
//! - [`tailor`](tailor()) makes a target image from a backup, a map and pieces;
//!   [`job::tailor`](crate::job::tailor()) does so in a unit folder.
//! - [`Examiner`] looks at what was read as a whole: mirrors, stuck bits, blank shares.
//! - [`inspect`](inspect()) and [`formats`] say what is in an image and whether it is sane as a dump.
//! - [`Staff`] and [`Picture`] draw it, in lines of text or as SVG and PNG.
//!
//! Images are read through [`ReadAt`] and never held whole: a 64 MiB part must fit a small bench
//! computer.

mod examine;
#[cfg(feature = "reports")]
pub mod formats;
#[cfg(feature = "reports")]
mod inspect;
mod picture;
mod plain;
mod records;
mod regions;
mod size;
mod staff;
mod tailor;

pub use examine::{AddressLine, Alarm, Examination, Examiner, Repeat, SAMPLES_MAX};
#[cfg(feature = "reports")]
pub use inspect::{
    Comparison, Contrast, Doubt, FoundString, Inspection, Known, Looks, SizeSource, Stretch,
    Strings, compare, inspect, strings,
};
pub use picture::{CELL, Hatch, Item, LINE, MARGIN, Picture};
pub use records::{Form, RecordError, RecordProblem};
pub use regions::{Holds, Region, RegionMap, Span, Unaligned, starts_in};
pub use size::{ParseSizeError, parse_size, show_size};
pub use staff::{Entry, Staff, wrap};
pub use tailor::{
    Baseline, Becomes, Extent, Filling, Piece, PlacedPiece, RegionChange, Rest, TailorError,
    Tailored, tailor,
};

use std::fs::File;
use std::io;

/// An image that can be read at any place.
pub trait ReadAt {
    /// How long the image is.
    ///
    /// # Errors
    /// What the file system says when the length cannot be told.
    fn size_bytes(&self) -> io::Result<u64>;

    /// Fills `into` from `offset` on.
    ///
    /// # Errors
    /// `UnexpectedEof` where the image ends before `into` is full; else what the file system says.
    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()>;
}

impl ReadAt for [u8] {
    fn size_bytes(&self) -> io::Result<u64> {
        Ok(self.len() as u64)
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        let found = usize::try_from(offset)
            .ok()
            .and_then(|start| self.get(start..start.checked_add(into.len())?))
            .ok_or(io::ErrorKind::UnexpectedEof)?;
        into.copy_from_slice(found);
        Ok(())
    }
}

impl ReadAt for Vec<u8> {
    fn size_bytes(&self) -> io::Result<u64> {
        self.as_slice().size_bytes()
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        self.as_slice().read_at(offset, into)
    }
}

/// Where the system does not read at a place, the file's own position moves: two threads then want a file each.
impl ReadAt for File {
    fn size_bytes(&self) -> io::Result<u64> {
        Ok(self.metadata()?.len())
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        #[cfg(unix)]
        return std::os::unix::fs::FileExt::read_exact_at(self, into, offset);
        #[cfg(not(unix))]
        {
            use std::io::{Read as _, Seek as _};
            let mut file = self;
            file.seek(io::SeekFrom::Start(offset))?;
            file.read_exact(into)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn a_slice_and_a_file_read_alike_and_refuse_to_read_past_the_end() {
        let bytes: Vec<u8> = (0..100).collect();
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&bytes).unwrap();
        for image in [&bytes as &dyn ReadAt, &file] {
            let mut into = [0; 10];
            assert_eq!(image.size_bytes().unwrap(), 100);
            image.read_at(90, &mut into).unwrap();
            assert_eq!(into.as_slice(), &bytes[90..]);
            let error = image.read_at(91, &mut into).unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::UnexpectedEof);
            assert!(image.read_at(i64::MAX as u64 - 3, &mut into).is_err());
        }
    }
}
