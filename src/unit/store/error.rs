//! What can go wrong with files, and the latch behind a failed sync.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

/// What was being done with a path.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Action {
    /// Reading bytes.
    Read,
    /// Opening a file.
    Open,
    /// Making a file.
    Create,
    /// Making a folder.
    CreateFolder,
    /// Reserving space.
    Reserve,
    /// Writing bytes.
    Write,
    /// Making a file durable.
    Sync,
    /// Making the names in a folder durable.
    SyncFolder,
    /// Setting permissions.
    SetMode,
    /// Giving a file its name.
    Rename,
    /// Removing a file.
    Remove,
    /// Listing a folder.
    List,
    /// Looking at size, permissions or existence.
    Examine,
    /// Asking for free space.
    MeasureFree,
    /// Taking a lock.
    Lock,
    /// Following a path to where it really is.
    Resolve,
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Action::Read => "read",
            Action::Open => "open",
            Action::Create => "create",
            Action::CreateFolder => "create the folder",
            Action::Reserve => "reserve space for",
            Action::Write => "write",
            Action::Sync => "sync",
            Action::SyncFolder => "sync the folder",
            Action::SetMode => "set the permissions of",
            Action::Rename => "rename to",
            Action::Remove => "remove",
            Action::List => "list",
            Action::Examine => "examine",
            Action::MeasureFree => "ask for the free space of",
            Action::Lock => "lock",
            Action::Resolve => "find",
        })
    }
}

/// Why a call on a store failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// The system refused.
    #[error("cannot {action} '{}'", path.display())]
    Io {
        /// What was being done.
        action: Action,
        /// With which path.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// There is no room. Nothing was left behind.
    #[error("no room for {}: {needed_bytes} bytes are needed, {free_bytes} are free", path.display())]
    Full {
        /// The file that was to be made.
        path: PathBuf,
        /// Bytes asked for.
        needed_bytes: u64,
        /// Bytes there were.
        free_bytes: u64,
    },
    /// A sync failed: it is not known what is on the medium. Not tried again.
    #[error("what was written to {} could not be synced; what the medium holds is not known", path.display())]
    SyncFailed {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// An earlier sync failed, so nothing more is written.
    #[error("an earlier sync failed, so {} is not written", path.display())]
    AfterSyncFailed {
        /// The file that was to be written.
        path: PathBuf,
    },
    /// Another process holds the lock.
    #[error("the lock {} is held by another process", path.display())]
    InUse {
        /// The lock file.
        path: PathBuf,
    },
}

impl StoreError {
    /// A way to turn an [`io::Error`] into [`StoreError::Io`].
    pub(super) fn io(action: Action, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io {
            action,
            path,
            source,
        }
    }

    /// The system's kind, where the system refused.
    #[must_use]
    pub fn kind(&self) -> Option<io::ErrorKind> {
        match self {
            Self::Io { source, .. } | Self::SyncFailed { source, .. } => Some(source.kind()),
            _ => None,
        }
    }

    /// Whether nothing has the name.
    #[must_use]
    pub fn is_missing(&self) -> bool {
        matches!(self, Self::Io { .. }) && self.kind() == Some(io::ErrorKind::NotFound)
    }
}

/// Set by the first failed sync, never cleared.
#[derive(Debug, Default)]
pub(super) struct Latch(AtomicBool);

impl Latch {
    /// One in the same position, apart from this one.
    pub(super) fn fork(&self) -> Self {
        Self(AtomicBool::new(self.0.load(Ordering::SeqCst)))
    }

    /// Refuses to write after a failed sync.
    pub(super) fn check(&self, path: &Path) -> Result<(), StoreError> {
        if self.0.load(Ordering::SeqCst) {
            return Err(StoreError::AfterSyncFailed {
                path: path.to_owned(),
            });
        }
        Ok(())
    }

    /// Passes the outcome of a sync on, and latches if it failed.
    pub(super) fn judge(&self, path: &Path, outcome: io::Result<()>) -> Result<(), StoreError> {
        outcome.map_err(|source| {
            self.0.store(true, Ordering::SeqCst);
            StoreError::SyncFailed {
                path: path.to_owned(),
                source,
            }
        })
    }
}
