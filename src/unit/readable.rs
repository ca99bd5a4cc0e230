//! Images in the unit folder as images to be read at any place.

use std::io;

use super::Unfinished;
use super::store::{StoreError, StoreFile};
use crate::image::ReadAt;

impl ReadAt for Unfinished {
    fn size_bytes(&self) -> io::Result<u64> {
        Ok(self.announced_bytes())
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        Unfinished::read_at(self, offset, into).map_err(io::Error::other)
    }
}

impl ReadAt for &dyn StoreFile {
    fn size_bytes(&self) -> io::Result<u64> {
        StoreFile::size_bytes(*self).map_err(as_io)
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        self.read_exact_at(offset, into).map_err(as_io)
    }
}

impl ReadAt for Box<dyn StoreFile> {
    fn size_bytes(&self) -> io::Result<u64> {
        StoreFile::size_bytes(self.as_ref()).map_err(as_io)
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        self.read_exact_at(offset, into).map_err(as_io)
    }
}

/// Keeps the kind, which tells a short image from a failed disk.
fn as_io(error: StoreError) -> io::Error {
    io::Error::new(error.kind().unwrap_or(io::ErrorKind::Other), error)
}
