//! A store that bears witness: it announces what a journal has made durable, and counts syncs.
//!
//! The write-ahead rule is that no block is erased before the journal's record of it is durable.
//! A [`WitnessedStore`] watches the bytes themselves, not what the journal believes: a record is
//! announced only after the store below has synced it, so that a journal that forgets to sync is
//! caught by the simulated chip, which then sees an erase that nobody announced.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::disk::Whereabouts;
use super::journal::{self, HEADER_BYTES, Kind, RECORD_BYTES, Record};
use super::store::{Entry, Lock, Publish, Store, StoreError, StoreFile};
use crate::mock::Mock;

/// What a journal has made durable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum JournalNews {
    /// This block is in hand: erasing and programming it is covered.
    Begun(Range<u32>),
    /// This block is done: changing it is no longer covered.
    Done(Range<u32>),
    /// The journal has ended: nothing in it is covered.
    Ended,
}

type Announce = Arc<dyn Fn(JournalNews) + Send + Sync>;
type OnSync = Arc<dyn Fn() + Send + Sync>;

/// A store around another one, with a witness.
pub struct WitnessedStore {
    inner: Arc<dyn Store>,
    announce: Announce,
    on_sync: OnSync,
    leave_out_journal_syncs: bool,
}

impl fmt::Debug for WitnessedStore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("WitnessedStore").field(&self.inner).finish()
    }
}

impl WitnessedStore {
    /// Calls `announce` for each journal record that becomes durable in `inner`, in order, and
    /// `on_sync` once for each sync of a file or folder.
    #[must_use]
    pub fn new(
        inner: Arc<dyn Store>,
        announce: impl Fn(JournalNews) + Send + Sync + 'static,
        on_sync: impl Fn() + Send + Sync + 'static,
    ) -> Self {
        Self {
            inner,
            announce: Arc::new(announce),
            on_sync: Arc::new(on_sync),
            leave_out_journal_syncs: false,
        }
    }

    /// A store whose journal is held against a simulated chip: what becomes durable is announced to
    /// the chip's monitor, and each sync costs `sync_time` on its clock.
    #[must_use]
    pub fn beside(inner: Arc<dyn Store>, mock: &Mock, sync_time: Duration) -> Self {
        let (monitor, clock) = (mock.monitor(), mock.clone());
        let announce = move |news| match news {
            JournalNews::Begun(block) => monitor.cover(block),
            JournalNews::Done(block) => monitor.uncover(block),
            JournalNews::Ended => monitor.uncover(0..u32::MAX),
        };
        Self::new(inner, announce, move || clock.sync_cost(sync_time))
    }

    /// The same, but syncs of journals that are open are left out and called fine: a fault that
    /// proves that the witness notices.
    #[must_use]
    pub fn leaving_out_journal_syncs(mut self) -> Self {
        self.leave_out_journal_syncs = true;
        self
    }

    fn watch(&self, path: &Path, file: Box<dyn StoreFile>) -> WitnessedFile {
        WitnessedFile {
            is_journal: is_journal(path),
            leave_out_syncs: self.leave_out_journal_syncs && is_journal(path),
            unsynced: BTreeMap::new(),
            announce: Arc::clone(&self.announce),
            on_sync: Arc::clone(&self.on_sync),
            inner: file,
        }
    }

    fn synced(&self, times: u32) {
        (0..times).for_each(|_| (self.on_sync)());
    }
}

fn is_journal(path: &Path) -> bool {
    path.parent().and_then(Path::file_name) == Some(journal::FOLDER.as_ref())
}

impl Store for WitnessedStore {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        self.inner.read(path)
    }
    fn open(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        self.inner.open(path)
    }
    fn open_from_medium(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        let file = self.inner.open_from_medium(path)?;
        self.synced(1);
        Ok(file)
    }
    fn create(&self, path: &Path, reserve_bytes: u64) -> Result<Box<dyn StoreFile>, StoreError> {
        // Under its unfinished name a journal is none yet; it counts from when it is opened again.
        let file = self.inner.create(path, reserve_bytes)?;
        Ok(Box::new(self.watch(path, file)))
    }
    fn open_to_extend(&self, path: &Path) -> Result<Box<dyn StoreFile>, StoreError> {
        let file = self.inner.open_to_extend(path)?;
        let mut watched = self.watch(path, file);
        watched.note_what_is_there()?;
        Ok(Box::new(watched))
    }
    fn replace(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        self.inner.replace(path, bytes)?;
        self.synced(2);
        Ok(())
    }
    fn publish(&self, from: &Path, to: &Path, how: Publish) -> Result<(), StoreError> {
        self.inner.publish(from, to, how)?;
        self.synced(2);
        if is_journal(to) {
            let bytes = self.inner.read(to)?;
            let records = bytes.get(HEADER_BYTES..).unwrap_or(&[]);
            records
                .chunks(RECORD_BYTES)
                .filter_map(news)
                .for_each(|news| (self.announce)(news));
        }
        Ok(())
    }
    fn remove(&self, path: &Path) -> Result<(), StoreError> {
        self.inner.remove(path)
    }
    fn exists(&self, path: &Path) -> Result<bool, StoreError> {
        self.inner.exists(path)
    }
    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        self.inner.list(folder)
    }
    fn mode(&self, path: &Path) -> Result<u32, StoreError> {
        self.inner.mode(path)
    }
    fn create_folder(&self, path: &Path) -> Result<(), StoreError> {
        self.inner.create_folder(path)?;
        self.synced(1);
        Ok(())
    }
    fn free_bytes(&self, folder: &Path) -> Result<u64, StoreError> {
        self.inner.free_bytes(folder)
    }
    fn lock(&self, path: &Path) -> Result<Box<dyn Lock>, StoreError> {
        self.inner.lock(path)
    }
    fn canonical(&self, path: &Path) -> Result<PathBuf, StoreError> {
        self.inner.canonical(path)
    }
    fn whereabouts(&self, path: &Path) -> Whereabouts {
        self.inner.whereabouts(path)
    }
}

struct WitnessedFile {
    inner: Box<dyn StoreFile>,
    is_journal: bool,
    leave_out_syncs: bool,
    /// Records written and not synced, by where they stand. They are kept as written: reading them back
    /// could fail, and a record that is durable would count as none.
    unsynced: BTreeMap<u64, Vec<u8>>,
    announce: Announce,
    on_sync: OnSync,
}

impl WitnessedFile {
    /// What is there at opening becomes news with the first sync: a process that went before may have died
    /// without. Where it cannot be read the file counts as not opened.
    fn note_what_is_there(&mut self) -> Result<(), StoreError> {
        if self.is_journal {
            let mut there = vec![0; usize::try_from(self.size_bytes()?).unwrap_or(0)];
            self.read_exact_at(0, &mut there)?;
            self.note(0, &there);
        }
        Ok(())
    }

    /// Keeps the records among `bytes`, which stand at `offset`. A torn tail is none.
    fn note(&mut self, offset: u64, bytes: &[u8]) {
        let header = (HEADER_BYTES as u64).saturating_sub(offset) as usize;
        let records = bytes.get(header..).unwrap_or_default();
        let first = offset.max(HEADER_BYTES as u64);
        let whole = records.chunks_exact(RECORD_BYTES).map(<[u8]>::to_vec);
        self.unsynced
            .extend((first..).step_by(RECORD_BYTES).zip(whole));
    }
}

impl StoreFile for WitnessedFile {
    fn size_bytes(&self) -> Result<u64, StoreError> {
        self.inner.size_bytes()
    }
    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), StoreError> {
        self.inner.read_exact_at(offset, buffer)
    }
    fn write_all_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), StoreError> {
        self.inner.write_all_at(offset, bytes)?;
        if self.is_journal {
            self.note(offset, bytes);
        }
        Ok(())
    }
    fn sync(&mut self) -> Result<(), StoreError> {
        if self.leave_out_syncs {
            return Ok(());
        }
        self.inner.sync()?;
        (self.on_sync)();
        for record in std::mem::take(&mut self.unsynced).into_values() {
            news(&record)
                .into_iter()
                .for_each(|news| (self.announce)(news));
        }
        Ok(())
    }
}

fn news(bytes: &[u8]) -> Option<JournalNews> {
    let record = Record::decode(bytes)?;
    Some(match record.kind {
        Kind::Begun => JournalNews::Begun(record.block),
        Kind::Done => JournalNews::Done(record.block),
        Kind::Closed | Kind::Abandoned => JournalNews::Ended,
    })
}

#[cfg(test)]
#[path = "witness_tests.rs"]
mod tests;
