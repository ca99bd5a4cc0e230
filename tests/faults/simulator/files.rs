//! The files as a mortal process sees them.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use norlock::unit::disk::Whereabouts;
use norlock::unit::store::{
    Action, Entry, Lock, Publish, SimulatedStore, Store, StoreError, StoreFile,
};

use super::process::Process;

/// A store in which the step at which the process dies, and all behind it, are not taken: what is made of
/// several steps is left as that step found it.
pub struct MortalStore {
    pub inner: SimulatedStore,
    pub process: Arc<Process>,
}

impl fmt::Debug for MortalStore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.inner.fmt(f)
    }
}

/// Carries out `call` unless the process is dead, and kills it if its step has come.
fn mortal<T>(
    process: &Process,
    files: &SimulatedStore,
    path: &Path,
    call: impl FnOnce() -> Result<T, StoreError>,
) -> Result<T, StoreError> {
    if process.is_dead() {
        return Err(StoreError::Io {
            action: Action::Examine,
            path: path.to_owned(),
            source: io::ErrorKind::BrokenPipe.into(),
        });
    }
    let result = call();
    if let Some((at, death)) = process.fate.at_call {
        if files.calls() > at {
            process.die(death);
        }
    }
    result
}

impl MortalStore {
    fn call<T>(
        &self,
        path: &Path,
        call: impl FnOnce(&SimulatedStore) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        mortal(&self.process, &self.inner, path, || call(&self.inner))
    }

    fn file(
        &self,
        path: &Path,
        open: impl FnOnce(&SimulatedStore) -> Result<Box<dyn StoreFile>, StoreError>,
    ) -> Result<Box<dyn StoreFile>, StoreError> {
        Ok(Box::new(MortalFile {
            inner: self.call(path, open)?,
            path: path.to_owned(),
            files: self.inner.clone(),
            process: Arc::clone(&self.process),
        }))
    }
}

impl Store for MortalStore {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        self.call(path, |files| files.read(path))
    }
    fn open(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.file(path, |files| files.open(path))
    }
    fn open_from_medium(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.file(path, |files| files.open_from_medium(path))
    }
    fn create(&self, path: &Path, reserve_bytes: u64) -> Result<Box<dyn StoreFile>, StoreError> {
        self.file(path, |files| files.create(path, reserve_bytes))
    }
    fn open_to_extend(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.file(path, |files| files.open_to_extend(path))
    }
    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        self.call(path, |files| files.replace(path, bytes))
    }
    fn publish(&self, from: &Path, to: &Path, how: Publish) -> Result<(), StoreError> {
        self.call(to, |files| files.publish(from, to, how))
    }
    fn remove(&self, path: &Path) -> Result<(), StoreError> {
        self.call(path, |files| files.remove(path))
    }
    fn exists(&self, path: &Path) -> Result<bool, StoreError> {
        self.call(path, |files| files.exists(path))
    }
    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        self.call(folder, |files| files.list(folder))
    }
    fn mode(&self, path: &Path) -> Result<u32, StoreError> {
        self.call(path, |files| files.mode(path))
    }
    fn create_folder(&self, path: &Path) -> Result<(), StoreError> {
        self.call(path, |files| files.create_folder(path))
    }
    fn free_bytes(&self, folder: &Path) -> Result<u64, StoreError> {
        self.call(folder, |files| files.free_bytes(folder))
    }
    fn lock(&self, path: &Path) -> Result<Box<dyn Lock>, StoreError> {
        self.call(path, |files| files.lock(path))
    }
    fn canonical(&self, path: &Path) -> Result<PathBuf, StoreError> {
        self.call(path, |files| files.canonical(path))
    }
    fn whereabouts(&self, path: &Path) -> Whereabouts {
        self.inner.whereabouts(path)
    }
}

struct MortalFile {
    inner: Box<dyn StoreFile>,
    path: PathBuf,
    files: SimulatedStore,
    process: Arc<Process>,
}

impl StoreFile for MortalFile {
    fn size_bytes(&self) -> Result<u64, StoreError> {
        let call = || self.inner.size_bytes();
        mortal(&self.process, &self.files, &self.path, call)
    }
    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), StoreError> {
        let call = || self.inner.read_exact_at(offset, buffer);
        mortal(&self.process, &self.files, &self.path, call)
    }
    fn write_all_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), StoreError> {
        let call = || self.inner.write_all_at(offset, bytes);
        mortal(&self.process, &self.files, &self.path, call)
    }
    fn sync(&mut self) -> Result<(), StoreError> {
        let call = || self.inner.sync();
        mortal(&self.process, &self.files, &self.path, call)
    }
}
