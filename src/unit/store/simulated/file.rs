//! What is open or locked in a simulated store.

use std::io;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use super::disk::FileId;
use super::{SimulatedStore, State};
use crate::unit::store::error::Latch;
use crate::unit::store::{Action, Lock, StoreError, StoreFile};

/// An open file of a [`SimulatedStore`].
#[derive(Debug)]
pub(super) struct SimulatedFile {
    pub(super) store: SimulatedStore,
    pub(super) latch: Arc<Latch>,
    pub(super) path: PathBuf,
    pub(super) id: FileId,
    pub(super) life: u64,
}

impl SimulatedFile {
    fn take<T>(
        &self,
        action: Action,
        work: impl FnOnce(&mut State) -> io::Result<T>,
    ) -> io::Result<T> {
        let mut state = self.store.state();
        state.step(action, &self.path)?;
        if state.life != self.life {
            return Err(io::Error::other("it was open before the crash"));
        }
        work(&mut state)
    }
}

impl SimulatedFile {
    /// What a write leaves that was made to fail.
    fn leave_half(&self, offset: u64, bytes: &[u8]) {
        let mut state = self.store.state();
        if state.failed_now() && state.life == self.life {
            let half = bytes.get(..bytes.len() / 2).unwrap_or_default();
            // A failed write can fail to leave anything.
            let _ = state.disk.write(self.id, offset, half);
        }
    }
}

impl StoreFile for SimulatedFile {
    fn size_bytes(&self) -> Result<u64, StoreError> {
        self.take(Action::Examine, |state| {
            Ok(state.disk.bytes(self.id).len() as u64)
        })
        .map_err(StoreError::io(Action::Examine, &self.path))
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> Result<(), StoreError> {
        self.take(Action::Read, |state| {
            let bytes = usize::try_from(offset)
                .ok()
                .and_then(|start| state.disk.bytes(self.id).get(start..))
                .and_then(|rest| rest.get(..buffer.len()))
                .ok_or(io::ErrorKind::UnexpectedEof)?;
            buffer.copy_from_slice(bytes);
            Ok(())
        })
        .map_err(StoreError::io(Action::Read, &self.path))
    }

    fn write_all_at(&mut self, offset: u64, bytes: &[u8]) -> Result<(), StoreError> {
        self.latch.check(&self.path)?;
        let outcome = self.take(Action::Write, |state| {
            let end = offset.saturating_add(bytes.len() as u64);
            let growth = end.saturating_sub(state.disk.bytes(self.id).len() as u64);
            if growth > state.free_bytes() {
                return Err(io::ErrorKind::StorageFull.into());
            }
            state.disk.write(self.id, offset, bytes)
        });
        if outcome.is_err() {
            self.leave_half(offset, bytes);
        }
        outcome.map_err(StoreError::io(Action::Write, &self.path))
    }

    fn sync(&mut self) -> Result<(), StoreError> {
        self.latch.check(&self.path)?;
        let outcome = self.take(Action::Sync, |state| {
            state.disk.sync(self.id);
            Ok(())
        });
        self.latch.judge(&self.path, outcome)
    }
}

#[derive(Debug)]
pub(super) struct SimulatedLock {
    pub(super) state: Arc<Mutex<State>>,
    pub(super) path: PathBuf,
    pub(super) life: u64,
}

impl Lock for SimulatedLock {}

impl Drop for SimulatedLock {
    fn drop(&mut self) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.life == self.life {
            state.locked.retain(|locked| *locked != self.path);
        }
    }
}
