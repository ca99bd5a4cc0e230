//! Files in memory, with a crash model.
//!
//! **What it models.** Bytes written are durable once their file is synced; names (new, renamed,
//! removed) once their folder is synced. A crash loses any of the rest: whole writes, the end of a
//! write, and the latest changes of names; or, as POSIX promises no order, any subset of them, which
//! [`Loss::Subset`] goes through. Every step can be made to fail, including each of the steps inside
//! `replace` and `publish`; a write that fails leaves its first half. The disk can be full. A failed
//! sync leaves its bytes undurable for good.
//!
//! **What it does not.** Bytes that were durable never rot by themselves (use
//! [`SimulatedStore::corrupt`]), permissions are durable at once and bind nobody, and there are no
//! links.

mod crash;
mod disk;
mod file;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::error::Latch;
use super::{
    Action, Entry, Lock, Publish, SMALL_FILE_MAX_BYTES, Store, StoreError, StoreFile,
    UNFINISHED_SUFFIX,
};
use crate::unit::disk::Whereabouts;
use disk::Disk;
use file::{SimulatedFile, SimulatedLock};

/// A store in memory. Clones share their files.
#[derive(Debug, Clone, Default)]
pub struct SimulatedStore {
    state: Arc<Mutex<State>>,
    latch: Arc<Mutex<Arc<Latch>>>,
}

/// What a crash does to bytes and names that are not durable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// Everything happens to have reached the medium.
    Keep,
    /// Nothing has.
    Drop,
    /// Each write is kept, dropped or torn, as drawn from this seed, and the latest changes of names are
    /// lost.
    Tear(u64),
    /// The subset of this number, below [`SimulatedStore::subsets`]: each write and each change of names
    /// is dropped, done or torn by itself, also against their order. A torn write leaves its first half,
    /// or zeros; a torn rename both names.
    Subset(u64),
}

/// For how long calls fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fails {
    /// Only that call.
    Once,
    /// That call and all after it.
    FromThenOn,
}

#[derive(Debug, Default)]
struct State {
    disk: Disk,
    log: Vec<(Action, PathBuf)>,
    /// Steps that the store had taken from which this one was forked.
    before: usize,
    fail: Option<Plan>,
    capacity_bytes: Option<u64>,
    locked: Vec<PathBuf>,
    whereabouts: BTreeMap<PathBuf, Whereabouts>,
    /// Counts crashes: what was open before one is of no use after it.
    life: u64,
}

#[derive(Debug, Clone, Copy)]
struct Plan {
    at: usize,
    errno: i32,
    failure: Fails,
}

impl State {
    fn fork(&self) -> Self {
        Self {
            disk: self.disk.clone(),
            log: Vec::new(),
            before: self.calls(),
            locked: self.locked.clone(),
            whereabouts: self.whereabouts.clone(),
            ..*self
        }
    }

    fn calls(&self) -> usize {
        self.before + self.log.len()
    }

    /// Counts one step and fails it if that was planned.
    fn step(&mut self, action: Action, path: &Path) -> io::Result<()> {
        let number = self.calls();
        self.log.push((action, path.to_owned()));
        match self.fail {
            Some(plan)
                if number == plan.at || number > plan.at && plan.failure == Fails::FromThenOn =>
            {
                Err(io::Error::from_raw_os_error(plan.errno))
            }
            _ => Ok(()),
        }
    }

    /// Whether the step just counted is the one that was to fail.
    fn failed_now(&self) -> bool {
        self.fail.is_some_and(|plan| plan.at + 1 == self.calls())
    }

    fn free_bytes(&self) -> u64 {
        self.capacity_bytes
            .unwrap_or(1 << 40)
            .saturating_sub(self.disk.used_bytes())
    }
}

impl SimulatedStore {
    /// An empty store with the folder `/` and no limit.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Another store, with the files, planned failures and locks of this one at this moment. Steps are
    /// counted on, the log begins anew.
    /// From then on neither knows of the other. What is open or locked stays with the store where that
    /// was done: in the fork only a crash ends such a lock. Bytes are shared until they change.
    #[must_use]
    pub fn fork(&self) -> Self {
        Self {
            state: Arc::new(Mutex::new(self.state().fork())),
            latch: Arc::new(Mutex::new(Arc::new(self.latch().fork()))),
        }
    }

    /// The same files as another process has them: one that has seen no sync fail.
    #[must_use]
    pub fn another_process(&self) -> Self {
        Self {
            state: Arc::clone(&self.state),
            latch: Arc::default(),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn latch(&self) -> Arc<Latch> {
        Arc::clone(&self.latch.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Makes step number `n` (from 0, see [`Self::calls`]) fail with `errno`.
    pub fn fail_at(&self, n: usize, errno: i32, failure: Fails) {
        self.state().fail = Some(Plan {
            at: n,
            errno,
            failure,
        });
    }

    /// Lets everything work again.
    pub fn fail_no_more(&self) {
        self.state().fail = None;
    }

    /// Every step since the store was made or forked, failed ones included.
    #[must_use]
    pub fn log(&self) -> Vec<(Action, PathBuf)> {
        self.state().log.clone()
    }

    /// Number of steps so far, those before a fork too.
    #[must_use]
    pub fn calls(&self) -> usize {
        self.state().calls()
    }

    /// Limits what all files together may hold; `None` is no limit.
    pub fn set_capacity_bytes(&self, capacity_bytes: Option<u64>) {
        self.state().capacity_bytes = capacity_bytes;
    }

    /// Says on which disks `folder` and what is below it lie. What is not said is unknown.
    pub fn set_whereabouts(&self, folder: &Path, whereabouts: Whereabouts) {
        self.state()
            .whereabouts
            .insert(folder.to_owned(), whereabouts);
    }

    /// The computer dies and comes back: keeps what is durable and as much of the rest as `loss`
    /// says, releases locks, ends planned failures and the latch. What was open fails from then on.
    pub fn crash(&self, loss: Loss) {
        let mut state = self.state();
        state.disk.crash(loss);
        state.fail = None;
        state.locked.clear();
        state.life += 1;
        *self.latch.lock().unwrap_or_else(PoisonError::into_inner) = Arc::default();
    }

    /// In how many ways a crash could lose what is not synced now, and how many writes and changes of names
    /// that is.
    #[must_use]
    pub fn subsets(&self) -> (u64, usize) {
        self.state().disk.subsets()
    }

    /// Changes a file behind the program's back, durably and whatever its permissions; returns
    /// whether there was such a file.
    pub fn corrupt(&self, path: &Path, change: impl FnOnce(&mut Vec<u8>)) -> bool {
        self.state().disk.corrupt(path, change)
    }

    /// Takes a step on the disk, outside of any open file.
    fn take<T>(
        &self,
        action: Action,
        path: &Path,
        work: impl FnOnce(&mut State) -> io::Result<T>,
    ) -> Result<T, StoreError> {
        let mut state = self.state();
        state
            .step(action, path)
            .and_then(|()| work(&mut state))
            .map_err(StoreError::io(action, path))
    }

    fn sync_folder_of(&self, path: &Path) -> Result<(), StoreError> {
        let folder = path.parent().unwrap_or(Path::new("/"));
        let mut state = self.state();
        let outcome = state.step(Action::SyncFolder, folder);
        if outcome.is_ok() {
            state.disk.sync_folder(folder);
        }
        drop(state);
        self.latch().judge(folder, outcome)
    }

    fn file(&self, path: &Path, action: Action) -> Result<SimulatedFile, StoreError> {
        let (id, life) = self.take(action, path, |state| {
            Ok((state.disk.file(path)?, state.life))
        })?;
        Ok(SimulatedFile {
            store: self.clone(),
            latch: self.latch(),
            path: path.to_owned(),
            id,
            life,
        })
    }
}

impl Store for SimulatedStore {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        self.take(Action::Read, path, |state| {
            let id = state.disk.file(path)?;
            let bytes = state.disk.bytes(id);
            if bytes.len() as u64 > SMALL_FILE_MAX_BYTES {
                return Err(io::Error::other("it is longer than 16 MiB"));
            }
            Ok(bytes.to_vec())
        })
    }

    fn open(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        Ok(Box::new(self.file(path, Action::Open)?))
    }

    fn open_from_medium(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        let mut file = self.file(path, Action::Open)?;
        file.sync()?;
        Ok(Box::new(file))
    }

    fn create(&self, path: &Path, reserve_bytes: u64) -> Result<Box<dyn StoreFile>, StoreError> {
        self.latch().check(path)?;
        self.take(Action::Create, path, |state| state.disk.create(path))?;
        let reserved = self.take(Action::Reserve, path, |state| Ok(state.free_bytes()));
        let file = self.file(path, Action::Open);
        match (reserved, file) {
            (Ok(free_bytes), Ok(file)) if free_bytes >= reserve_bytes => Ok(Box::new(file)),
            (reserved, file) => {
                // The error in hand says more than one about tidying up would.
                let _ = self.remove(path);
                let free_bytes = reserved?;
                file?;
                Err(StoreError::Full {
                    path: path.to_owned(),
                    needed_bytes: reserve_bytes,
                    free_bytes,
                })
            }
        }
    }

    fn open_to_extend(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.latch().check(path)?;
        self.open(path)
    }

    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".{}{UNFINISHED_SUFFIX}", self.calls()));
        let unfinished = PathBuf::from(name);
        let written = self.create(&unfinished, 0).and_then(|mut file| {
            file.write_all_at(0, bytes)?;
            file.sync()?;
            self.take(Action::Rename, path, |state| {
                state.disk.rename(&unfinished, path, true)
            })
        });
        if written.is_err() {
            // As the real store does: the temporary file goes, if it can.
            let _ = self.remove(&unfinished);
        }
        written?;
        self.sync_folder_of(path)
    }

    fn publish(&self, from: &Path, to: &Path, how: Publish) -> Result<(), StoreError> {
        self.latch().check(to)?;
        let mut file = self.file(from, Action::Open)?;
        if how != Publish::Extendable {
            self.take(Action::SetMode, from, |state| {
                state.disk.set_mode(from, 0o400)
            })?;
        }
        file.sync()?;
        self.take(Action::Rename, to, |state| {
            state
                .disk
                .rename(from, to, how == Publish::ReadOnlyReplacing)
        })?;
        self.sync_folder_of(to)
    }

    fn remove(&self, path: &Path) -> Result<(), StoreError> {
        self.latch().check(path)?;
        self.take(Action::Remove, path, |state| state.disk.remove(path))
    }

    fn exists(&self, path: &Path) -> Result<bool, StoreError> {
        self.take(Action::Examine, path, |state| Ok(state.disk.exists(path)))
    }

    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        self.take(Action::List, folder, |state| state.disk.list(folder))
    }

    fn mode(&self, path: &Path) -> Result<u32, StoreError> {
        self.take(Action::Examine, path, |state| state.disk.mode(path))
    }

    fn create_folder(&self, path: &Path) -> Result<(), StoreError> {
        self.latch().check(path)?;
        self.take(Action::CreateFolder, path, |state| {
            state.disk.create_folder(path)
        })?;
        self.sync_folder_of(path)
    }

    fn free_bytes(&self, folder: &Path) -> Result<u64, StoreError> {
        self.take(Action::MeasureFree, folder, |state| Ok(state.free_bytes()))
    }

    fn lock(&self, path: &Path) -> Result<Box<dyn Lock>, StoreError> {
        let taken = self.take(Action::Lock, path, |state| {
            if !state.disk.exists(path) {
                state.disk.create(path)?;
            }
            if state.locked.iter().any(|locked| locked == path) {
                return Ok(None);
            }
            state.locked.push(path.to_owned());
            Ok(Some(state.life))
        })?;
        let life = taken.ok_or_else(|| StoreError::InUse {
            path: path.to_owned(),
        })?;
        Ok(Box::new(SimulatedLock {
            state: Arc::clone(&self.state),
            path: path.to_owned(),
            life,
        }))
    }

    fn canonical(&self, path: &Path) -> Result<PathBuf, StoreError> {
        self.take(Action::Resolve, path, |state| {
            let path = disk::plain(path);
            match state.disk.exists(&path) {
                true => Ok(path),
                false => Err(io::ErrorKind::NotFound.into()),
            }
        })
    }

    fn whereabouts(&self, path: &Path) -> Whereabouts {
        let state = self.state();
        path.ancestors()
            .find_map(|folder| state.whereabouts.get(folder).cloned())
            .unwrap_or_else(|| Whereabouts::Unknown("nothing is said about its disk".into()))
    }
}
