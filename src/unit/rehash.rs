//! Hashing every image of a unit again: against its hash file and against `unit.toml`.

use super::digest::Digest;
use super::error::UnitError;
use super::folder::Unit;
use super::images::{Image, ImageName};
use super::store::{self, EntryKind, StoreError, UNFINISHED_SUFFIX};

/// What came of hashing a unit's images again.
#[derive(Debug)]
pub struct Rehash {
    /// Images in which nothing was found.
    pub intact: Vec<Image>,
    /// Everything else that was found.
    pub findings: Vec<Discrepancy>,
}

/// Something in a unit folder that is not as it should be. Files are named relative to the folder.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Discrepancy {
    /// Recorded, and not there.
    #[error("{file} is recorded and missing")]
    Missing {
        /// The file.
        file: String,
    },
    /// A link or folder stands in its place.
    #[error("{file} is not a file of its own but a link, a folder or a device")]
    NotAFile {
        /// The name.
        file: String,
    },
    /// It could not be read to its end.
    #[error("{file} cannot be read")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        #[source]
        source: StoreError,
    },
    /// The image is not the one that was published.
    #[error("{file} is changed: it hashes to {}, recorded is {}", .got.groups().join(" "), .recorded.groups().join(" "))]
    Changed {
        /// The image.
        file: String,
        /// Digest in unit.toml.
        recorded: Digest,
        /// Digest of what is there.
        got: Digest,
    },
    /// The hash file is missing, not in coreutils' form, or for another file.
    #[error("{file} gives no hash of its image")]
    HashFile {
        /// The hash file.
        file: String,
        /// Why.
        #[source]
        source: UnitError,
    },
    /// The hash file and `unit.toml` do not agree.
    #[error("{file} says {}, unit.toml says {}", .got.groups().join(" "), .recorded.groups().join(" "))]
    HashFileChanged {
        /// The hash file.
        file: String,
        /// Digest in unit.toml.
        recorded: Digest,
        /// Digest in the hash file.
        got: Digest,
    },
    /// An image that `unit.toml` does not know and that its own hash file does not vouch for.
    #[error("{file} is there and not recorded")]
    NotRecorded {
        /// The image.
        file: String,
    },
    /// `unit.toml` records something that no image of a unit is called.
    #[error("unit.toml records {file}, which is no name of an image")]
    NoSuchName {
        /// The name.
        file: String,
    },
    /// Left by a process that was killed.
    #[error("{file} was left unfinished")]
    LeftUnfinished {
        /// The file.
        file: String,
    },
    /// An image that can be written to.
    #[error("{file} has mode {mode:04o} and can be written to; 0400 is expected")]
    Writable {
        /// The file.
        file: String,
        /// Its permission bits.
        mode: u32,
    },
    /// The folder is open to others.
    #[error("the folder has mode {mode:04o} and is open to others; 0700 is expected")]
    FolderOpen {
        /// Its permission bits.
        mode: u32,
    },
}

impl Unit {
    /// Hashes all images again, from the medium, and tells whatever is not as it should be.
    ///
    /// Nothing is changed. One pass over each image, constant memory.
    ///
    /// # Errors
    /// `Store`, if the folder itself cannot be looked at; trouble with one image is a finding.
    pub fn rehash(&self) -> Result<Rehash, UnitError> {
        let mut result = Rehash {
            intact: Vec::new(),
            findings: self.strange_names()?,
        };
        for image in self.images() {
            let findings = self.examine(&image);
            if findings.is_empty() {
                result.intact.push(image);
            }
            result.findings.extend(findings);
        }
        Ok(result)
    }

    /// Hashes one image again, from the medium; empty if all is as it should be.
    #[must_use]
    pub fn examine(&self, image: &Image) -> Vec<Discrepancy> {
        let mut findings = Vec::new();
        findings.extend(self.examine_bytes(image).err());
        findings.extend(self.examine_hash_file(image).err());
        findings
    }

    fn examine_bytes(&self, image: &Image) -> Result<(), Discrepancy> {
        let file = image.name.file_name();
        let unreadable = |source: StoreError| match source.is_missing() {
            true => Discrepancy::Missing {
                file: image.name.file_name(),
            },
            false => Discrepancy::Unreadable {
                file: image.name.file_name(),
                source,
            },
        };
        let entries = self.store.list(&self.folder).map_err(unreadable)?;
        match entries.iter().find(|entry| entry.name == file) {
            None => return Err(Discrepancy::Missing { file }),
            Some(entry) if entry.kind != EntryKind::File => {
                return Err(Discrepancy::NotAFile { file });
            }
            Some(_) => {}
        }
        let medium = self
            .store
            .open_from_medium(&image.path)
            .map_err(unreadable)?;
        let (got, _) = store::hash(medium.as_ref()).map_err(unreadable)?;
        if got != image.sha256 {
            return Err(Discrepancy::Changed {
                file,
                recorded: image.sha256,
                got,
            });
        }
        match self.store.mode(&image.path).map_err(unreadable)? {
            mode if mode & 0o222 != 0 => Err(Discrepancy::Writable { file, mode }),
            _ => Ok(()),
        }
    }

    fn examine_hash_file(&self, image: &Image) -> Result<(), Discrepancy> {
        let file = image.name.hash_file_name();
        match self.read_hash_file(image.name) {
            Ok(got) if got == image.sha256 => Ok(()),
            Ok(got) => Err(Discrepancy::HashFileChanged {
                file,
                recorded: image.sha256,
                got,
            }),
            Err(source) => Err(Discrepancy::HashFile { file, source }),
        }
    }

    fn strange_names(&self) -> Result<Vec<Discrepancy>, UnitError> {
        let mut findings = Vec::new();
        let mode = self.store.mode(&self.folder)?;
        if mode & 0o077 != 0 {
            findings.push(Discrepancy::FolderOpen { mode });
        }
        for file in self.file.images.keys() {
            if ImageName::of_file(file).is_none() {
                findings.push(Discrepancy::NoSuchName { file: file.clone() });
            }
        }
        for entry in self.store.list(&self.folder)? {
            let file = entry.name;
            if file.ends_with(UNFINISHED_SUFFIX) {
                findings.push(Discrepancy::LeftUnfinished { file });
            } else if ImageName::of_file(&file).is_some() && !self.file.images.contains_key(&file) {
                findings.push(Discrepancy::NotRecorded { file });
            }
        }
        Ok(findings)
    }
}

#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
#[path = "rehash_tests.rs"]
mod tests;
