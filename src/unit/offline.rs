//! What was kept away from the bench computer: a second copy, or only its hash.
//!
//! Nothing here judges. [`check_folder`] tells what lies in the folder that was named and on which
//! disk; [`hash_given`] tells which hash was given and where it came from.

use std::io;
use std::path::{Path, PathBuf};

use super::digest::Digest;
use super::disk::Apart;
use super::folder::Unit;
use super::images::Image;
use super::store::{self, Store, StoreError};

/// Why a text is not a hash.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseHashError {
    /// A character that is neither a hexadecimal digit nor grouping.
    #[error(
        "character {place} is '{}', not a hexadecimal digit; {digits} of 64 digits come before it",
        character.escape_default()
    )]
    Odd {
        /// The character.
        character: char,
        /// Its place in the text, from 1, spaces included.
        place: usize,
        /// Digits before it.
        digits: usize,
    },
    /// Too few or too many digits.
    #[error("{digits} digits were given; a hash has 64")]
    Count {
        /// Digits given.
        digits: usize,
    },
}

/// Why what was named offline could not be looked at.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OfflineError {
    /// A file or folder could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The text is neither a hash nor the name of a file.
    #[error("'{text}' is neither a file nor a hash")]
    Neither {
        /// What was given, cut short.
        text: String,
        /// Why it is no hash.
        #[source]
        source: ParseHashError,
    },
    /// The file holds no hash.
    #[error("{} holds no hash", path.display())]
    HashFile {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: ParseHashError,
    },
}

/// Where something lies as seen from the unit folder; later variants are worse.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// On another whole disk.
    OtherDisk,
    /// It cannot be told on which disk.
    Unknown {
        /// Why.
        why: String,
    },
    /// On a disk that the unit folder lies on too.
    SameDisk {
        /// The disk they share.
        disk: String,
    },
    /// In the unit folder.
    InUnitFolder,
}

/// What was found where a copy or its hash was looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Nothing.
    Missing,
    /// A hash file that holds no hash.
    NoHash,
    /// A file that stands for this digest: the image's own, or the one in the hash file.
    Digest(Digest),
}

/// What lies in the folder that `--offline` names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FolderEvidence {
    /// The folder, absolute and without links.
    pub folder: PathBuf,
    /// The digest the copy should have.
    pub wanted: Digest,
    /// The worst place of the folder and the files in it, links followed.
    pub place: Place,
    /// The copy, hashed there from the medium.
    pub image: Seen,
    /// Its hash file.
    pub hash_file: Seen,
}

impl FolderEvidence {
    /// Whether this is a whole second copy, hash included, on another whole disk.
    #[must_use]
    pub fn is_second_copy(&self) -> bool {
        let wanted = Seen::Digest(self.wanted);
        self.place == Place::OtherDisk && self.image == wanted && self.hash_file == wanted
    }
}

/// A hash that was given, and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HashEvidence {
    /// The hash.
    pub digest: Digest,
    /// Where the file lies that it was read from; `None` for digits that were typed. With those, no
    /// second copy was seen.
    pub file: Option<(PathBuf, Place)>,
}

/// Reads a hash as a person gives it: 64 hexadecimal digits, however grouped by spaces, line ends,
/// hyphens or colons, or a line as coreutils' sha256sum writes it.
///
/// # Errors
/// `Odd`, `Count`.
pub fn parse_hash(text: &str) -> Result<Digest, ParseHashError> {
    let text = text.trim_end();
    let (first, name) = text.trim_start().split_once(' ').unwrap_or((text, ""));
    if name.starts_with([' ', '*']) && !name.contains('\n') {
        if let Ok(digest) = first.parse() {
            return Ok(digest);
        }
    }
    let mut digits = String::new();
    for (character, place) in text.chars().zip(1..) {
        match character {
            c if c.is_ascii_hexdigit() => digits.push(c),
            c if c.is_whitespace() || c == '-' || c == ':' => {}
            character => {
                return Err(ParseHashError::Odd {
                    character,
                    place,
                    digits: digits.len(),
                });
            }
        }
    }
    match digits.parse() {
        Ok(digest) => Ok(digest),
        Err(_) => Err(ParseHashError::Count {
            digits: digits.len(),
        }),
    }
}

/// Reads the hash of `image` from the text of a hash file: the line that names it, if there are
/// several, or else the whole text as [`parse_hash`] does.
///
/// # Errors
/// `Odd`, `Count`.
pub fn parse_hash_file(text: &str, image: &str) -> Result<Digest, ParseHashError> {
    let names_image = |line: &&str| {
        line.split_once(' ')
            .and_then(|(_, name)| name.strip_prefix([' ', '*']))
            .and_then(|name| Path::new(name).file_name())
            .is_some_and(|name| name == image)
    };
    parse_hash(text.lines().find(names_image).unwrap_or(text))
}

/// Takes what `--offline-hash` was given: a hash, or a file that holds the one of `backup`.
///
/// # Errors
/// `Neither`, `HashFile`, `Store`.
pub fn hash_given(
    store: &dyn Store,
    given: &str,
    unit: &Unit,
    backup: &Image,
) -> Result<HashEvidence, OfflineError> {
    let source = match parse_hash(given) {
        Ok(digest) => return Ok(HashEvidence { digest, file: None }),
        Err(source) => source,
    };
    let path = match store.canonical(Path::new(given)) {
        Ok(path) => path,
        Err(error) if error.kind() == Some(io::ErrorKind::PermissionDenied) => {
            return Err(error.into());
        }
        Err(_) => {
            return Err(OfflineError::Neither {
                text: given.chars().take(100).collect(),
                source,
            });
        }
    };
    let text = String::from_utf8_lossy(&store.read(&path)?).into_owned();
    let digest = parse_hash_file(&text, &backup.name.file_name()).map_err(|source| {
        OfflineError::HashFile {
            path: path.clone(),
            source,
        }
    })?;
    let place = place_of(store, &path, unit);
    Ok(HashEvidence {
        digest,
        file: Some((path, place)),
    })
}

/// Looks at the copy of `backup` in the folder that `--offline` names, and hashes it there.
///
/// # Errors
/// `Store`, if the folder is missing or something in it cannot be read.
pub fn check_folder(
    store: &dyn Store,
    folder: &Path,
    unit: &Unit,
    backup: &Image,
) -> Result<FolderEvidence, OfflineError> {
    let folder = store.canonical(folder)?;
    let mut place = place_of(store, &folder, unit);
    // A link in the folder could lead back to the unit folder, so each file has its own place.
    let mut find = |name: String| match store.canonical(&folder.join(name)) {
        Ok(path) => {
            place = place.clone().max(place_of(store, &path, unit));
            Ok(Some(path))
        }
        Err(error) if error.is_missing() => Ok(None),
        Err(error) => Err(error),
    };
    let image = find(backup.name.file_name())?;
    let hash_file = find(backup.name.hash_file_name())?;
    Ok(FolderEvidence {
        image: image.map_or(Ok(Seen::Missing), |path| hashed(store, &path))?,
        hash_file: hash_file.map_or(Ok(Seen::Missing), |path| noted(store, &path, backup))?,
        wanted: backup.sha256,
        folder,
        place,
    })
}

fn hashed(store: &dyn Store, path: &Path) -> Result<Seen, StoreError> {
    let file = store.open_from_medium(path)?;
    Ok(Seen::Digest(store::hash(file.as_ref())?.0))
}

fn noted(store: &dyn Store, path: &Path, backup: &Image) -> Result<Seen, StoreError> {
    let text = String::from_utf8_lossy(&store.read(path)?).into_owned();
    Ok(parse_hash_file(&text, &backup.name.file_name()).map_or(Seen::NoHash, Seen::Digest))
}

/// Where a canonical path lies as seen from the unit folder.
fn place_of(store: &dyn Store, path: &Path, unit: &Unit) -> Place {
    if path.starts_with(unit.folder()) {
        return Place::InUnitFolder;
    }
    let here = unit.store().whereabouts(unit.folder());
    match store.whereabouts(path).apart_from(&here) {
        Apart::Other => Place::OtherDisk,
        Apart::Same(disk) => Place::SameDisk { disk },
        Apart::Unknown(why) => Place::Unknown { why },
    }
}

#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
#[path = "offline_tests.rs"]
mod tests;
