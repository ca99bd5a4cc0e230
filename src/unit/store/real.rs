//! The computer's own files.

use std::ffi::OsStr;
use std::fs::{self, DirBuilder, File, OpenOptions, Permissions};
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::{DirBuilderExt, FileExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use nix::errno::Errno;
use nix::fcntl::{FallocateFlags, Flock, FlockArg, PosixFadviseAdvice, fallocate, posix_fadvise};
use nix::sys::statvfs::statvfs;
use tempfile::TempPath;

use super::error::Latch;
use super::{
    Action, Entry, EntryKind, Lock, Publish, SMALL_FILE_MAX_BYTES, Store, StoreError, StoreFile,
    UNFINISHED_SUFFIX,
};
use crate::unit::disk::{Disks, Whereabouts};

/// The store of the computer it runs on.
#[derive(Debug)]
pub struct RealStore {
    latch: Arc<Latch>,
    disks: Disks,
}

impl RealStore {
    /// The store, with disks told apart by `/proc` and `/sys`.
    #[must_use]
    pub fn new() -> Self {
        Self::with_disks(Disks::of_this_computer())
    }

    /// The store, with another way to tell disks apart.
    #[must_use]
    pub fn with_disks(disks: Disks) -> Self {
        Self {
            latch: Arc::default(),
            disks,
        }
    }

    fn open_with(&self, options: &OpenOptions, path: &Path) -> Result<RealFile, StoreError> {
        // A folder opens like a file and has a size; a pipe would be waited for without end.
        if fs::metadata(path).is_ok_and(|found| !found.is_file()) {
            let source = io::Error::new(io::ErrorKind::InvalidInput, "not a regular file");
            return Err(StoreError::io(Action::Open, path)(source));
        }
        let file = options
            .open(path)
            .map_err(StoreError::io(Action::Open, path))?;
        Ok(self.wrap(file, path))
    }

    fn wrap(&self, file: File, path: &Path) -> RealFile {
        RealFile {
            file,
            path: path.to_owned(),
            latch: Arc::clone(&self.latch),
        }
    }

    fn sync_folder_of(&self, path: &Path) -> Result<(), StoreError> {
        let folder = folder_of(path);
        let outcome = File::open(folder).and_then(|folder| folder.sync_all());
        self.latch.judge(folder, outcome)
    }

    /// Reserves space behind the end of a new file without lengthening it.
    fn reserve(&self, file: &File, path: &Path, bytes: u64) -> Result<(), StoreError> {
        let free_bytes = self.free_bytes(folder_of(path))?;
        let full = || StoreError::Full {
            path: path.to_owned(),
            needed_bytes: bytes,
            free_bytes,
        };
        if bytes > free_bytes {
            return Err(full());
        }
        if bytes == 0 {
            return Ok(());
        }
        // The kernel's file offset has 32 bits on some boards and 64 on others.
        let length = bytes.try_into().map_err(|_| full())?;
        let keep_size = FallocateFlags::FALLOC_FL_KEEP_SIZE;
        match fallocate(file.as_raw_fd(), keep_size, 0, length) {
            // A file system that cannot reserve: the free space was looked at, no more can be done.
            Ok(()) | Err(Errno::EOPNOTSUPP | Errno::ENOSYS) => Ok(()),
            Err(Errno::ENOSPC | Errno::EDQUOT | Errno::EFBIG) => Err(full()),
            Err(errno) => Err(StoreError::io(Action::Reserve, path)(errno.into())),
        }
    }
}

impl Default for RealStore {
    fn default() -> Self {
        Self::new()
    }
}

impl Store for RealStore {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        let mut bytes = Vec::new();
        File::open(path)
            .and_then(|file| file.take(SMALL_FILE_MAX_BYTES + 1).read_to_end(&mut bytes))
            .and_then(|_| match bytes.len() as u64 > SMALL_FILE_MAX_BYTES {
                true => Err(io::Error::other("it is longer than 16 MiB")),
                false => Ok(()),
            })
            .map_err(StoreError::io(Action::Read, path))?;
        Ok(bytes)
    }

    fn open(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        let file = self.open_with(OpenOptions::new().read(true), path)?;
        Ok(Box::new(file))
    }

    fn open_from_medium(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        let file = self.open_with(OpenOptions::new().read(true), path)?;
        let outcome = match file.file.sync_all() {
            // Nothing can be dirty where nothing can be written.
            Err(error) if error.kind() == io::ErrorKind::ReadOnlyFilesystem => Ok(()),
            outcome => outcome,
        };
        self.latch.judge(path, outcome)?;
        for advice in [
            PosixFadviseAdvice::POSIX_FADV_DONTNEED,
            PosixFadviseAdvice::POSIX_FADV_SEQUENTIAL,
        ] {
            posix_fadvise(file.file.as_raw_fd(), 0, 0, advice)
                .map_err(|errno| StoreError::io(Action::Read, path)(errno.into()))?;
        }
        Ok(Box::new(file))
    }

    fn create(&self, path: &Path, reserve_bytes: u64) -> Result<Box<dyn StoreFile>, StoreError> {
        self.latch.check(path)?;
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(path)
            .map_err(StoreError::io(Action::Create, path))?;
        if let Err(error) = self.reserve(&file, path, reserve_bytes) {
            // The error in hand says more than one about tidying up would.
            let _ = fs::remove_file(path);
            return Err(error);
        }
        Ok(Box::new(self.wrap(file, path)))
    }

    fn open_to_extend(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.latch.check(path)?;
        let file = self.open_with(OpenOptions::new().read(true).write(true), path)?;
        Ok(Box::new(file))
    }

    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        self.latch.check(path)?;
        let mut prefix = path.file_name().unwrap_or(OsStr::new("")).to_owned();
        prefix.push(".");
        let mut file = tempfile::Builder::new()
            .prefix(&prefix)
            .suffix(UNFINISHED_SUFFIX)
            .permissions(Permissions::from_mode(0o600))
            .tempfile_in(folder_of(path))
            .map_err(StoreError::io(Action::Create, path))?;
        file.write_all(bytes)
            .map_err(StoreError::io(Action::Write, path))?;
        self.latch.judge(path, file.as_file().sync_all())?;
        file.persist(path)
            .map_err(|error| StoreError::io(Action::Rename, path)(error.error))?;
        self.sync_folder_of(path)
    }

    fn publish(&self, from: &Path, to: &Path, how: Publish) -> Result<(), StoreError> {
        self.latch.check(to)?;
        let file = File::open(from).map_err(StoreError::io(Action::Open, from))?;
        if how != Publish::Extendable {
            file.set_permissions(Permissions::from_mode(0o400))
                .map_err(StoreError::io(Action::SetMode, from))?;
        }
        self.latch.judge(from, file.sync_all())?;
        rename(from, to, how).map_err(StoreError::io(Action::Rename, to))?;
        self.sync_folder_of(to)
    }

    fn remove(&self, path: &Path) -> Result<(), StoreError> {
        self.latch.check(path)?;
        fs::remove_file(path).map_err(StoreError::io(Action::Remove, path))
    }

    fn exists(&self, path: &Path) -> Result<bool, StoreError> {
        match fs::symlink_metadata(path) {
            Ok(_) => Ok(true),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(error) => Err(StoreError::io(Action::Examine, path)(error)),
        }
    }

    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        let entry = |entry: io::Result<fs::DirEntry>| -> io::Result<Entry> {
            let entry = entry?;
            let kind = entry.file_type()?;
            Ok(Entry {
                name: entry.file_name().to_string_lossy().into_owned(),
                kind: match (kind.is_file(), kind.is_dir()) {
                    (true, _) => EntryKind::File,
                    (_, true) => EntryKind::Folder,
                    _ => EntryKind::Other,
                },
            })
        };
        let mut entries: Vec<Entry> = fs::read_dir(folder)
            .and_then(|entries| entries.map(entry).collect())
            .map_err(StoreError::io(Action::List, folder))?;
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(entries)
    }

    fn mode(&self, path: &Path) -> Result<u32, StoreError> {
        fs::metadata(path)
            .map(|metadata| metadata.permissions().mode() & 0o7777)
            .map_err(StoreError::io(Action::Examine, path))
    }

    fn create_folder(&self, path: &Path) -> Result<(), StoreError> {
        self.latch.check(path)?;
        DirBuilder::new()
            .mode(0o700)
            .create(path)
            .map_err(StoreError::io(Action::CreateFolder, path))?;
        self.sync_folder_of(path)
    }

    fn free_bytes(&self, folder: &Path) -> Result<u64, StoreError> {
        statvfs(folder)
            .map(|fs| {
                // The counters' width differs between targets.
                #[allow(clippy::useless_conversion)]
                u64::from(fs.blocks_available()).saturating_mul(u64::from(fs.fragment_size()))
            })
            .map_err(|errno| StoreError::io(Action::MeasureFree, folder)(errno.into()))
    }

    fn lock(&self, path: &Path) -> Result<Box<dyn Lock>, StoreError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            .open(path)
            .map_err(StoreError::io(Action::Lock, path))?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(lock) => Ok(Box::new(RealLock(lock))),
            Err((_, Errno::EWOULDBLOCK)) => Err(StoreError::InUse {
                path: path.to_owned(),
            }),
            Err((_, errno)) => Err(StoreError::io(Action::Lock, path)(errno.into())),
        }
    }

    fn canonical(&self, path: &Path) -> Result<PathBuf, StoreError> {
        fs::canonicalize(path).map_err(StoreError::io(Action::Resolve, path))
    }

    fn whereabouts(&self, path: &Path) -> Whereabouts {
        self.disks.of(path)
    }
}

/// The folder a path lies in; the current one for a bare name.
fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Renames, refusing a taken name unless it may be replaced; `from` stays on failure.
fn rename(from: &Path, to: &Path, how: Publish) -> io::Result<()> {
    if how == Publish::ReadOnlyReplacing {
        return fs::rename(from, to);
    }
    TempPath::try_from_path(from)?
        .persist_noclobber(to)
        .map_err(|refused| match refused.path.keep() {
            Ok(_) => refused.error,
            Err(keep) => keep.error,
        })
}

#[derive(Debug)]
struct RealFile {
    file: File,
    path: PathBuf,
    latch: Arc<Latch>,
}

impl StoreFile for RealFile {
    fn size_bytes(&self) -> Result<u64, StoreError> {
        self.file
            .metadata()
            .map(|metadata| metadata.len())
            .map_err(StoreError::io(Action::Examine, &self.path))
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), StoreError> {
        self.file
            .read_exact_at(buffer, offset)
            .map_err(StoreError::io(Action::Read, &self.path))
    }

    fn write_all_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), StoreError> {
        self.latch.check(&self.path)?;
        self.file
            .write_all_at(bytes, offset)
            .map_err(StoreError::io(Action::Write, &self.path))
    }

    fn sync(&mut self) -> Result<(), StoreError> {
        self.latch.check(&self.path)?;
        // The length is part of what must survive, and fdatasync covers it.
        self.latch.judge(&self.path, self.file.sync_data())
    }
}

/// Held through its open file.
#[derive(Debug)]
struct RealLock(#[allow(dead_code)] Flock<File>);

impl Lock for RealLock {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_name_lies_in_the_current_folder() {
        let folder = |path| folder_of(Path::new(path)).to_str();
        assert_eq!(folder("gauge-07/unit.toml"), Some("gauge-07"));
        assert_eq!(folder("/unit.toml"), Some("/"));
        assert_eq!(folder("gauge-07"), Some("."));
    }
}
