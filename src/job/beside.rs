//! The units that a backup must not be of: those kept already, and those whose chips are read at the same time.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use super::Stop;
use super::shelf::unit_in;
use crate::unit::store::Store;
use crate::unit::{Digest, Unit};

/// Units other than the one that [`backup_beside`](super::backup_beside) backs up: what it reads must be of none of
/// their chips. Some of them may be backed up at the same time.
#[derive(Debug, Clone, Default)]
pub struct Others {
    folders: Vec<PathBuf>,
    participant: Option<Arc<Participant>>,
}

/// A place at the meeting; whoever leaves it is waited for no longer.
#[derive(Debug)]
struct Participant {
    meeting: Arc<Meeting>,
    told: AtomicBool,
}

/// Where those that read at the same time tell each other what they have read, before any keeps it: two chip
/// selects that reach one chip give two good reads, and nobody knows whose they are.
#[derive(Debug, Default)]
struct Meeting {
    table: Mutex<Table>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Table {
    /// How many have neither told nor left.
    awaited: usize,
    told: Vec<Told>,
}

/// What one has read.
#[derive(Debug, Clone)]
pub(super) struct Told {
    pub unit: String,
    pub sha256: Digest,
    /// The chip's own ID, where it has one.
    pub own: Option<Vec<u8>>,
}

impl Told {
    /// Whether both were read from one chip. Two that differ in an ID of their own may hold the same.
    fn is_of_the_same_chip(&self, other: &Self) -> bool {
        match (&self.own, &other.own) {
            (Some(own), Some(other)) => own == other,
            _ => self.sha256 == other.sha256,
        }
    }
}

impl Others {
    /// The units in `folders`, one of which need not be there yet. None of them is being read.
    #[must_use]
    pub fn of(folders: Vec<PathBuf>) -> Self {
        let participant = None;
        Self {
            folders,
            participant,
        }
    }

    /// For each of `folders` the others, all of which are read at the same time, each on a thread of its own. Each
    /// has to be dropped when its job has ended, as the others wait until it has told what it read.
    #[must_use]
    pub fn at_once(folders: &[PathBuf]) -> Vec<Self> {
        let meeting = Arc::new(Meeting::default());
        meeting.table().awaited = folders.len();
        let of = |own: &PathBuf| Self {
            folders: folders.iter().filter(|one| *one != own).cloned().collect(),
            participant: Some(Arc::new(Participant {
                meeting: Arc::clone(&meeting),
                told: AtomicBool::new(false),
            })),
        };
        folders.iter().map(of).collect()
    }

    /// Those that are units already. One that is read at the same time and cannot be looked at says so itself.
    pub(super) fn units(&self, store: &Arc<dyn Store>) -> Result<Vec<Unit>, Stop> {
        let mut units = Vec::new();
        for folder in &self.folders {
            match unit_in(store, folder) {
                Ok(unit) => units.extend(unit),
                Err(_) if self.participant.is_some() => {}
                Err(stop) => return Err(stop),
            }
        }
        Ok(units)
    }

    /// Tells what was read, waits until all others have told or ended, and says which unit's chip was the same.
    pub(super) fn meet(&self, own: &Told) -> Option<String> {
        let participant = self.participant.as_ref()?;
        let meeting = &participant.meeting;
        participant.told.store(true, Ordering::SeqCst);
        let mut table = meeting.table();
        let place = table.told.len();
        table.told.push(own.clone());
        table.awaited = table.awaited.saturating_sub(1);
        meeting.changed.notify_all();
        while table.awaited > 0 {
            let woken = meeting.changed.wait(table);
            table = woken.unwrap_or_else(PoisonError::into_inner);
        }
        let mut others = table.told.iter().enumerate();
        let same = others.find(|(at, one)| *at != place && one.is_of_the_same_chip(own));
        same.map(|(_, one)| one.unit.clone())
    }
}

impl Drop for Participant {
    fn drop(&mut self) {
        if !self.told.load(Ordering::SeqCst) {
            let mut table = self.meeting.table();
            table.awaited = table.awaited.saturating_sub(1);
            self.meeting.changed.notify_all();
        }
    }
}

impl Meeting {
    fn table(&self) -> MutexGuard<'_, Table> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
