//! The images of a unit: what they are called, which there are, and how the next one begins.

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

use super::digest::Digest;
use super::error::UnitError;
use super::file::RecordedImage;
use super::folder::Unit;
use super::store::{self, EntryKind, StoreFile, UNFINISHED_SUFFIX};
use super::unfinished::Unfinished;

/// What an image in the unit folder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ImageName {
    /// A backup, from 1; the first is the unit as it was found.
    Backup(u32),
    /// What the unit is to become.
    Target,
    /// What a restore replaced, from 1.
    Replaced(u32),
}

impl fmt::Display for ImageName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Backup(1) => f.write_str("as-found"),
            Self::Backup(number) => write!(f, "as-found-{number}"),
            Self::Target => f.write_str("target"),
            Self::Replaced(number) => write!(f, "replaced-{number}"),
        }
    }
}

impl ImageName {
    /// Name of the image file, such as `as-found-2.bin`.
    #[must_use]
    pub fn file_name(self) -> String {
        format!("{self}.bin")
    }

    /// Name of its hash file, such as `as-found-2.sha256`.
    #[must_use]
    pub fn hash_file_name(self) -> String {
        format!("{self}.sha256")
    }

    /// The image that a file of this name is.
    #[must_use]
    pub fn of_file(file_name: &str) -> Option<Self> {
        let stem = file_name.strip_suffix(".bin")?;
        let number = |prefix: &str| stem.strip_prefix(prefix)?.parse().ok();
        let name = match stem {
            "as-found" => Self::Backup(1),
            "target" => Self::Target,
            _ => number("as-found-")
                .map(Self::Backup)
                .or_else(|| number("replaced-").map(Self::Replaced))?,
        };
        // Other spellings of a number, such as 02, are no name of ours.
        (name.file_name() == file_name).then_some(name)
    }
}

/// An image that `unit.toml` records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Image {
    /// What it is.
    pub name: ImageName,
    /// Where it lies.
    pub path: PathBuf,
    /// Digest as recorded when it was published.
    pub sha256: Digest,
    /// Size in bytes as recorded.
    pub size_bytes: u64,
}

impl Unit {
    /// The backups that are recorded, oldest first.
    #[must_use]
    pub fn backups(&self) -> Vec<Image> {
        self.images()
            .into_iter()
            .filter(|image| matches!(image.name, ImageName::Backup(_)))
            .collect()
    }

    /// The unit as found.
    #[must_use]
    pub fn first_backup(&self) -> Option<Image> {
        self.image(ImageName::Backup(1))
    }

    /// The newest backup: what a write is checked against.
    #[must_use]
    pub fn baseline(&self) -> Option<Image> {
        self.backups().pop()
    }

    /// The recorded image of this name.
    #[must_use]
    pub fn image(&self, name: ImageName) -> Option<Image> {
        self.images().into_iter().find(|image| image.name == name)
    }

    /// All recorded images: backups, target, replaced ones; each kind by number.
    #[must_use]
    pub fn images(&self) -> Vec<Image> {
        let image = |(file, recorded): (&String, &RecordedImage)| {
            Some(Image {
                name: ImageName::of_file(file)?,
                path: self.folder.join(file),
                sha256: recorded.sha256,
                size_bytes: recorded.size_bytes,
            })
        };
        let mut images: Vec<Image> = self.file.images.iter().filter_map(image).collect();
        images.sort_by_key(|image| image.name);
        images
    }

    /// Opens an image for positioned reads.
    ///
    /// # Errors
    /// `Store`.
    pub fn open_image(&self, image: &Image) -> Result<Box<dyn StoreFile>, UnitError> {
        Ok(self.store.open(&image.path)?)
    }

    /// Begins the next backup; space for `size_bytes` is reserved before the chip is touched.
    ///
    /// # Errors
    /// `OnlyViewed`; `Store`, with `Full` where there is no room.
    pub fn begin_backup(&self, size_bytes: u64) -> Result<Unfinished, UnitError> {
        let name = self.next(ImageName::Backup)?;
        self.begin(name, size_bytes)
    }

    /// Begins the image of what a restore is about to replace.
    ///
    /// # Errors
    /// As [`Self::begin_backup`].
    pub fn begin_replaced(&self, size_bytes: u64) -> Result<Unfinished, UnitError> {
        let name = self.next(ImageName::Replaced)?;
        self.begin(name, size_bytes)
    }

    /// Begins a target; publishing it replaces the one there is.
    ///
    /// # Errors
    /// As [`Self::begin_backup`].
    pub fn begin_target(&self, size_bytes: u64) -> Result<Unfinished, UnitError> {
        self.begin(ImageName::Target, size_bytes)
    }

    /// The name after the highest that is recorded or lies in the folder: a number is never used
    /// again, even if its image was lost.
    fn next(&self, make: fn(u32) -> ImageName) -> Result<ImageName, UnitError> {
        let in_folder = self.store.list(&self.folder)?;
        let names = in_folder.iter().map(|entry| &entry.name);
        let highest = names
            .chain(self.file.images.keys())
            .filter_map(|file| match ImageName::of_file(file)? {
                ImageName::Backup(n) | ImageName::Replaced(n) if make(n).file_name() == *file => {
                    Some(n)
                }
                _ => None,
            })
            .max()
            .unwrap_or(0);
        Ok(make(highest.saturating_add(1)))
    }

    fn begin(&self, name: ImageName, size_bytes: u64) -> Result<Unfinished, UnitError> {
        self.must_be_locked()?;
        let path = self
            .folder
            .join(format!("{}{UNFINISHED_SUFFIX}", name.file_name()));
        let file = self.store.create(&path, size_bytes)?;
        let store = Arc::clone(&self.store);
        Ok(Unfinished::new(store, name, size_bytes, path, file))
    }

    /// Records images whose publication was cut short just before the record: those that equal
    /// their own hash file.
    pub(super) fn adopt(&mut self) -> Result<(), UnitError> {
        for entry in self.store.list(&self.folder)? {
            let Some(name) = ImageName::of_file(&entry.name) else {
                continue;
            };
            if entry.kind != EntryKind::File || self.file.images.contains_key(&entry.name) {
                continue;
            }
            let Ok(expected) = self.read_hash_file(name) else {
                continue;
            };
            let file = self
                .store
                .open_from_medium(&self.folder.join(&entry.name))?;
            let (sha256, size_bytes) = store::hash(file.as_ref())?;
            // A survey's best guess under the name of an image stays what it is.
            if sha256 == expected && self.is_best_guess(&sha256).is_none() {
                let weak = matches!(name, ImageName::Backup(_)).then(|| {
                    "its publication was cut short, so its reads are not on record".to_owned()
                });
                let image = RecordedImage {
                    sha256,
                    size_bytes,
                    weak,
                };
                self.keep(name, image)?;
            }
        }
        Ok(())
    }

    pub(super) fn keep(&mut self, name: ImageName, image: RecordedImage) -> Result<(), UnitError> {
        self.update(|file| {
            file.images.insert(name.file_name(), image);
        })
    }

    /// The digest in an image's hash file.
    pub(super) fn read_hash_file(&self, name: ImageName) -> Result<Digest, UnitError> {
        let path = self.folder.join(name.hash_file_name());
        let bytes = self.store.read(&path)?;
        parse_hash_line(&bytes, &name.file_name()).ok_or_else(|| UnitError::HashFile {
            path,
            image: name.file_name(),
        })
    }
}

/// One line as coreutils' sha256sum writes it, for exactly this file: 64 digits, a space, a space
/// (text) or an asterisk (binary), the name.
fn parse_hash_line(bytes: &[u8], file_name: &str) -> Option<Digest> {
    let line = std::str::from_utf8(bytes).ok()?.strip_suffix('\n')?;
    let (digits, name) = line.split_once(' ')?;
    let name = name.strip_prefix([' ', '*'])?;
    digits.parse().ok().filter(|_| name == file_name)
}

#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
#[path = "images_tests.rs"]
mod tests;
