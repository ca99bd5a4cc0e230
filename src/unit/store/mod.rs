//! All work with files goes through one small trait, so that every call can fail in a test.
//!
//! [`RealStore`] works on the computer's files, [`SimulatedStore`] in memory with a crash model.
//! Both keep to the same rules: files are made exclusively and never shared half-written (the name
//! of an unfinished one ends in `.unfinished`), a name becomes visible only when its bytes are on
//! the medium, and **a failed sync is never tried again**: after it the kernel may have dropped the
//! unwritten pages and call the next sync fine, so the store refuses to write from then on.

mod error;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod real;
mod simulated;
#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
mod tests;

use std::fmt;
use std::path::{Path, PathBuf};

pub use error::{Action, StoreError};
#[cfg(all(feature = "linux", target_os = "linux"))]
pub use real::RealStore;
pub use simulated::{Fails, Loss, SimulatedStore};

use super::digest::{Digest, Hasher};
use super::disk::Whereabouts;

/// What the name of a file ends in until it is whole and on the medium.
pub const UNFINISHED_SUFFIX: &str = ".unfinished";

/// Longest file that [`Store::read`] takes whole.
pub const SMALL_FILE_MAX_BYTES: u64 = 16 << 20;

/// Bytes hashed or copied at a time.
pub const CHUNK_BYTES: usize = 256 << 10;

/// A place for files.
pub trait Store: Send + Sync + fmt::Debug {
    /// Reads a file of at most [`SMALL_FILE_MAX_BYTES`] whole.
    ///
    /// # Errors
    /// `Io` if it cannot be read or is longer.
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError>;

    /// Opens a file for positioned reads.
    ///
    /// # Errors
    /// `Io` if it is missing or not permitted.
    fn open(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError>;

    /// Opens a file so that reads come from the medium as far as the kernel can be made to: what is
    /// dirty is synced, then the pages kept in memory are given up (`posix_fadvise`, DONTNEED).
    ///
    /// Pages that another process has mapped or locked stay, a file system in memory has no medium,
    /// and the drive may answer from its own cache. It proves more than a read from the page cache,
    /// and less than unplugging the drive.
    ///
    /// # Errors
    /// `Io`, or `SyncFailed`, which latches.
    fn open_from_medium(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError>;

    /// Makes a new empty file of mode 0600 and reserves `reserve_bytes` for it, so that a full disk
    /// is met here and not half way. Fails if the name is taken. The name is not yet durable.
    ///
    /// # Errors
    /// `Full` if there is no room (nothing is left behind), `Io`, `AfterSyncFailed`.
    fn create(&self, path: &Path, reserve_bytes: u64) -> Result<Box<dyn StoreFile>, StoreError>;

    /// Opens an existing file to read it and to write on.
    ///
    /// # Errors
    /// `Io`, `AfterSyncFailed`.
    fn open_to_extend(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError>;

    /// Replaces a small file, or makes it, in one step: after a crash there is the old content or
    /// the new. Two syncs: the file, then its folder.
    ///
    /// # Errors
    /// `Io` (the old content stands), `SyncFailed`, `AfterSyncFailed`.
    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError>;

    /// Gives a finished file its name, in the same folder, durably. Two syncs: file and folder.
    ///
    /// # Errors
    /// `Io`, with kind `AlreadyExists` where the name is taken and may not be replaced; the
    /// unfinished file stays. `SyncFailed`, `AfterSyncFailed`.
    fn publish(&self, from: &Path, to: &Path, how: Publish) -> Result<(), StoreError>;

    /// Removes a file. Not durable by itself: a crash may bring it back.
    ///
    /// # Errors
    /// `Io`, `AfterSyncFailed`.
    fn remove(&self, path: &Path) -> Result<(), StoreError>;

    /// Whether something has this name.
    ///
    /// # Errors
    /// `Io` where that cannot be told.
    fn exists(&self, path: &Path) -> Result<bool, StoreError>;

    /// What is in a folder, by name. Links are not followed.
    ///
    /// # Errors
    /// `Io`.
    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError>;

    /// The permission bits of a file or folder.
    ///
    /// # Errors
    /// `Io`.
    fn mode(&self, path: &Path) -> Result<u32, StoreError>;

    /// Makes a folder of mode 0700 in an existing one, durably. One sync.
    ///
    /// # Errors
    /// `Io`, with kind `AlreadyExists` where the name is taken; `SyncFailed`, `AfterSyncFailed`.
    fn create_folder(&self, path: &Path) -> Result<(), StoreError>;

    /// Bytes that this user can still write in `folder`.
    ///
    /// # Errors
    /// `Io`.
    fn free_bytes(&self, folder: &Path) -> Result<u64, StoreError>;

    /// Takes the exclusive lock at `path`, whose file is made if need be. Held until dropped, and
    /// released by the kernel if the process dies.
    ///
    /// # Errors
    /// `InUse` if another process holds it, `Io`.
    fn lock(&self, path: &Path) -> Result<Box<dyn Lock>, StoreError>;

    /// The absolute path without links.
    ///
    /// # Errors
    /// `Io`, also where nothing is there.
    fn canonical(&self, path: &Path) -> Result<PathBuf, StoreError>;

    /// The whole disk or disks that a path lies on.
    fn whereabouts(&self, path: &Path) -> Whereabouts;
}

/// An open file in a [`Store`].
pub trait StoreFile: Send + Sync {
    /// Bytes in the file.
    ///
    /// # Errors
    /// `Io`.
    fn size_bytes(&self) -> Result<u64, StoreError>;

    /// Fills `buffer` from `offset`.
    ///
    /// # Errors
    /// `Io`, with kind `UnexpectedEof` past the end.
    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), StoreError>;

    /// Writes all of `bytes` at `offset`, growing the file if need be. Not durable before `sync`.
    ///
    /// # Errors
    /// `Io` (a part may be written), `AfterSyncFailed`.
    fn write_all_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), StoreError>;

    /// Makes what was written durable.
    ///
    /// # Errors
    /// `SyncFailed`, which latches; `AfterSyncFailed`.
    fn sync(&mut self) -> Result<(), StoreError>;
}

/// A lock, held until dropped.
pub trait Lock: Send + Sync + fmt::Debug {}

/// How a finished file gets its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Publish {
    /// Mode 0400; a taken name is refused.
    ReadOnly,
    /// Mode 0400; the old file of that name goes.
    ReadOnlyReplacing,
    /// Mode stays 0600, for a file that is written on; a taken name is refused.
    Extendable,
}

/// One name in a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The name; bytes that are not UTF-8 are replaced.
    pub name: String,
    /// What has this name.
    pub kind: EntryKind,
}

/// What a name in a folder stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// A link, a device, or anything else.
    Other,
}

/// Hashes an open file from start to end with constant memory; also gives its size in bytes.
///
/// # Errors
/// `Io` from reading.
pub fn hash(file: &dyn StoreFile) -> Result<(Digest, u64), StoreError> {
    let size_bytes = file.size_bytes()?;
    let mut hasher = Hasher::new();
    let chunk = |left_bytes: u64| {
        let left_bytes = usize::try_from(left_bytes).unwrap_or(CHUNK_BYTES);
        left_bytes.min(CHUNK_BYTES)
    };
    let mut buffer = vec![0; chunk(size_bytes)];
    let mut offset = 0;
    while offset < size_bytes {
        let length = chunk(size_bytes - offset);
        buffer.truncate(length);
        file.read_exact_at(offset, &mut buffer)?;
        hasher.update(&buffer);
        offset += length as u64;
    }
    Ok((hasher.finish(), size_bytes))
}
