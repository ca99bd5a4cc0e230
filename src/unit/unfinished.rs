//! An image being written: whole, hashed once more from the medium, then never changed.
//!
//! The order in which an image is published makes each crash harmless. The image is written under
//! an unfinished name and hashed from the medium; its hash file comes next; then the image gets its
//! name, which is the moment it counts; `unit.toml` last. A crash before that moment leaves at most
//! a hash file without an image, which the next image of that name replaces; a crash after it is
//! made good when the unit is opened ([`Unit::open`] adopts an image that equals its hash file).

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

use super::digest::Digest;
use super::error::UnitError;
use super::file::RecordedImage;
use super::folder::Unit;
use super::images::{Image, ImageName};
use super::store::{self, Publish, Store, StoreFile};

/// An image being written. Dropped unpublished, it is removed.
pub struct Unfinished {
    store: Arc<dyn Store>,
    name: ImageName,
    size_bytes: u64,
    path: PathBuf,
    file: Box<dyn StoreFile>,
    published: bool,
    weak: Option<String>,
}

impl fmt::Debug for Unfinished {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Unfinished")
            .field("path", &self.path)
            .finish_non_exhaustive()
    }
}

impl Unfinished {
    /// An image begun at `path`.
    pub(super) fn new(
        store: Arc<dyn Store>,
        name: ImageName,
        size_bytes: u64,
        path: PathBuf,
        file: Box<dyn StoreFile>,
    ) -> Self {
        Self {
            store,
            name,
            size_bytes,
            path,
            file,
            published: false,
            weak: None,
        }
    }

    /// Keeps with the image why the reads it comes from are not independent.
    pub fn weak_because(&mut self, why: Option<String>) {
        self.weak = why;
    }

    /// What it will be.
    #[must_use]
    pub fn name(&self) -> ImageName {
        self.name
    }

    /// Bytes that were announced for it.
    #[must_use]
    pub fn announced_bytes(&self) -> u64 {
        self.size_bytes
    }

    /// Writes `bytes` at `offset`; any order.
    ///
    /// # Errors
    /// `Store`.
    pub fn write_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), UnitError> {
        Ok(self.file.write_all_at(offset, bytes)?)
    }

    /// Reads back what was written, to compare a second pass with it.
    ///
    /// # Errors
    /// `Store`, also past what was written.
    pub fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), UnitError> {
        Ok(self.file.read_exact_at(offset, buffer)?)
    }

    /// Syncs the image, hashes it once more from the medium, writes its hash file, gives it its
    /// name and mode 0400, and records it in `unit.toml`. `expected` is the digest of what was
    /// handed over, taken while it was.
    ///
    /// # Errors
    /// `OnlyViewed`, `Size`, `Medium`, `Store`: not published, or the name was given by a call that failed, and it is
    /// adopted when the unit is opened next. `Unnoted`: published; adopted then if its name is new. Never leaves a half
    /// image under the final name.
    pub fn publish(mut self, unit: &mut Unit, expected: Digest) -> Result<Image, UnitError> {
        unit.must_be_locked()?;
        self.check_medium(expected)?;
        let hash_line = format!("{expected}  {}\n", self.name.file_name());
        let hash_path = unit.folder.join(self.name.hash_file_name());
        self.store.replace(&hash_path, hash_line.as_bytes())?;
        let path = unit.folder.join(self.name.file_name());
        let how = match self.name {
            ImageName::Target => Publish::ReadOnlyReplacing,
            ImageName::Backup(_) | ImageName::Replaced(_) => Publish::ReadOnly,
        };
        self.store.publish(&self.path, &path, how)?;
        self.published = true;
        let recorded = RecordedImage {
            sha256: expected,
            size_bytes: self.size_bytes,
            weak: self.weak.take(),
        };
        unit.keep(self.name, recorded)
            .map_err(|source| UnitError::Unnoted {
                file: self.name.file_name(),
                sha256: expected,
                source: Box::new(source),
            })?;
        Ok(Image {
            name: self.name,
            path,
            sha256: expected,
            size_bytes: self.size_bytes,
        })
    }

    /// Syncs the image and hashes what comes back.
    fn check_medium(&self, expected: Digest) -> Result<(), UnitError> {
        let medium = self.store.open_from_medium(&self.path)?;
        let (got, got_bytes) = store::hash(medium.as_ref())?;
        if got_bytes != self.size_bytes {
            return Err(UnitError::Size {
                path: self.path.clone(),
                expected_bytes: self.size_bytes,
                got_bytes,
            });
        }
        if got != expected {
            return Err(UnitError::Medium {
                path: self.path.clone(),
                expected,
                got,
            });
        }
        Ok(())
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if !self.published {
            // Best effort: opening the unit sweeps away what stays.
            let _ = self.store.remove(&self.path);
        }
    }
}
