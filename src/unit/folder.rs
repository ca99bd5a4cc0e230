//! Opening a unit folder and keeping its record.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use super::error::UnitError;
use super::file::{Identity, Operation, UnitFile};
use super::store::{EntryKind, Lock, Store, StoreError, UNFINISHED_SUFFIX};

const UNIT_FILE: &str = "unit.toml";
const LOCK_FILE: &str = ".lock";

/// A unit folder, open.
///
/// While one is open to work on, no other process can open it so.
#[derive(Debug)]
pub struct Unit {
    pub(super) store: Arc<dyn Store>,
    pub(super) folder: PathBuf,
    pub(super) file: UnitFile,
    lock: Option<Box<dyn Lock>>,
}

impl Unit {
    /// Opens a unit folder to work on, or makes it, mode 0700, where there is none yet or an empty
    /// one. What a killed process left half-written is cleared away.
    ///
    /// # Errors
    /// `InUse`, `NotEmpty`, `Name`, `Renamed`, `Text`, `Encode`, `Store`. A folder that was made may be left, empty or
    /// with a `unit.toml` that tells of nothing yet: the next call takes it as it is.
    pub fn open_or_create(store: Arc<dyn Store>, folder: &Path) -> Result<Self, UnitError> {
        let folder = absolute(store.as_ref(), folder)?;
        let name = name_of(&folder)?;
        if !store.exists(&folder)? {
            store.create_folder(&folder)?;
        }
        if !store.exists(&folder.join(UNIT_FILE))? {
            if let Some(found) = first_stranger(store.as_ref(), &folder)? {
                return Err(UnitError::NotEmpty { folder, found });
            }
            let _lock = lock(store.as_ref(), &folder)?;
            // Another process may have been quicker between the look and the lock.
            if !store.exists(&folder.join(UNIT_FILE))? {
                let text = UnitFile::new(&name).text()?;
                store.replace(&folder.join(UNIT_FILE), text.as_bytes())?;
            }
        }
        Self::open(store, &folder)
    }

    /// Opens an existing unit folder to work on.
    ///
    /// # Errors
    /// `NotAUnit`, `InUse`, `Name`, `Renamed`, `Text`, `Encode`, `Store`.
    pub fn open(store: Arc<dyn Store>, folder: &Path) -> Result<Self, UnitError> {
        let mut unit = Self::view(store, folder)?;
        if unit.file.name != name_of(&unit.folder)? {
            return Err(UnitError::Renamed {
                folder: unit.folder,
                recorded: unit.file.name,
            });
        }
        unit.lock = Some(lock(unit.store.as_ref(), &unit.folder)?);
        unit.file = read(unit.store.as_ref(), &unit.folder)?;
        unit.sweep()?;
        unit.adopt()?;
        Ok(unit)
    }

    /// Opens a unit folder to look at: nothing in it is changed, no lock is taken.
    ///
    /// # Errors
    /// `NotAUnit`, `Text`, `Store`.
    pub fn view(store: Arc<dyn Store>, folder: &Path) -> Result<Self, UnitError> {
        let not_a_unit = || UnitError::NotAUnit {
            folder: folder.to_owned(),
        };
        let folder = match store.canonical(folder) {
            Err(error) if error.is_missing() => return Err(not_a_unit()),
            found => found?,
        };
        if !store.exists(&folder.join(UNIT_FILE))? {
            return Err(not_a_unit());
        }
        Ok(Self {
            file: read(store.as_ref(), &folder)?,
            store,
            folder,
            lock: None,
        })
    }

    /// The unit's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.file.name
    }

    /// The folder, absolute and without links.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A path in the folder as screens and reports show it, from the unit's name on: `gauge-07/journal/write-1`.
    #[must_use]
    pub fn shown(&self, path: &Path) -> String {
        match path.strip_prefix(&self.folder) {
            Ok(within) => Path::new(self.name()).join(within).display().to_string(),
            Err(_) => path.display().to_string(),
        }
    }

    /// The store it lies in.
    #[must_use]
    pub fn store(&self) -> &Arc<dyn Store> {
        &self.store
    }

    /// What `unit.toml` holds.
    #[must_use]
    pub fn file(&self) -> &UnitFile {
        &self.file
    }

    /// Keeps what the chip was found to be.
    ///
    /// # Errors
    /// `OnlyViewed`, `Encode`, `Store`; the record is then as before.
    pub fn set_identity(&mut self, identity: Identity) -> Result<(), UnitError> {
        self.update(|file| file.identity = Some(identity))
    }

    /// Adds an operation to the record and gives its place in the sequence.
    ///
    /// # Errors
    /// `OnlyViewed`, `Encode`, `Store`; the record is then as before.
    pub fn record(&mut self, operation: Operation, now: SystemTime) -> Result<u32, UnitError> {
        self.update(|file| file.add(operation, now))
    }

    /// Writes the record again as it is.
    ///
    /// # Errors
    /// `OnlyViewed`, `Encode`, `Store`; the record is then as before.
    pub fn save_again(&mut self) -> Result<(), UnitError> {
        self.update(|_| ())
    }

    /// Changes the record, on the medium first.
    pub(super) fn update<T>(
        &mut self,
        change: impl FnOnce(&mut UnitFile) -> T,
    ) -> Result<T, UnitError> {
        self.must_be_locked()?;
        let mut file = self.file.clone();
        let result = change(&mut file);
        let text = file.text()?;
        self.store
            .replace(&self.folder.join(UNIT_FILE), text.as_bytes())?;
        self.file = file;
        Ok(result)
    }

    /// Refuses to write without the lock.
    pub(super) fn must_be_locked(&self) -> Result<(), UnitError> {
        match self.lock {
            Some(_) => Ok(()),
            None => Err(UnitError::OnlyViewed {
                folder: self.folder.clone(),
            }),
        }
    }

    /// Removes what a killed process left unfinished. The lock is held, so nobody is at it.
    fn sweep(&self) -> Result<(), UnitError> {
        let journals = self.folder.join(super::journal::FOLDER);
        for folder in [self.folder.clone(), journals] {
            if !self.store.exists(&folder)? {
                continue;
            }
            for entry in self.store.list(&folder)? {
                if entry.kind == EntryKind::File && entry.name.ends_with(UNFINISHED_SUFFIX) {
                    self.store.remove(&folder.join(entry.name))?;
                }
            }
        }
        Ok(())
    }
}

/// The absolute path of a folder that need not exist yet, in one that must.
fn absolute(store: &dyn Store, folder: &Path) -> Result<PathBuf, UnitError> {
    match (store.canonical(folder), folder.file_name()) {
        (Ok(folder), _) => Ok(folder),
        (Err(error), Some(name)) if error.is_missing() => {
            let parent = match folder.parent() {
                Some(parent) if !parent.as_os_str().is_empty() => parent,
                _ => Path::new("."),
            };
            Ok(store.canonical(parent)?.join(name))
        }
        (Err(error), _) => Err(error.into()),
    }
}

fn name_of(folder: &Path) -> Result<String, UnitError> {
    folder
        .file_name()
        .and_then(|name| name.to_str())
        .filter(|name| !name.chars().any(char::is_control))
        .map(str::to_owned)
        .ok_or_else(|| UnitError::Name {
            folder: folder.to_owned(),
        })
}

fn lock(store: &dyn Store, folder: &Path) -> Result<Box<dyn Lock>, UnitError> {
    store
        .lock(&folder.join(LOCK_FILE))
        .map_err(|error| match error {
            StoreError::InUse { .. } => UnitError::InUse {
                folder: folder.to_owned(),
            },
            other => other.into(),
        })
}

fn read(store: &dyn Store, folder: &Path) -> Result<UnitFile, UnitError> {
    let path = folder.join(UNIT_FILE);
    Ok(UnitFile::parse(&path, &store.read(&path)?)?)
}

/// A name in the folder that a unit cut short while being made would not have left.
fn first_stranger(store: &dyn Store, folder: &Path) -> Result<Option<String>, UnitError> {
    Ok(store
        .list(folder)?
        .into_iter()
        .map(|entry| entry.name)
        .find(|name| name != LOCK_FILE && !name.ends_with(UNFINISHED_SUFFIX)))
}

#[cfg(test)]
#[cfg(all(feature = "linux", target_os = "linux"))]
#[path = "folder_tests.rs"]
mod tests;
