//! Interlocks: evidence in, permission out.
//!
//! A [`Panel`] holds the state of every interlock of one run. Only the checks in this folder can open
//! one; when all that a write needs are open or accepted by name, the panel turns into a [`Permit`],
//! the one thing that arms a chip. `docs/interlocks.md` describes each for the person at the bench.
//!
//! A program that uses the library opens none of them. It gives a [`Bench`](crate::job::Bench) what a
//! person said ([`Attestation`]) and accepted ([`Acceptances`]); what then holds a job is in the
//! [`Stop`](crate::job::Stop) that this ends in, as [`Held`].

mod accept;
mod bench;
mod bus;
mod panel;
mod papers;

#[cfg(test)]
mod tests;

use std::fmt;

use serde::Serialize;

pub use accept::{Acceptable, Acceptances, ParseAcceptableError};
pub use bench::{Attestation, MarkingSays, Power};
pub(crate) use bus::Kept;
pub use bus::{Contact, Sameness, Unexplained};
pub use panel::{Held, Panel, Permit, State};
pub use papers::{OffendingChange, OfflineEvidence, OfflineProblem};

/// Every interlock, in the order in which they are checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Interlock {
    /// Nobody else uses the device.
    SoleUser,
    /// The node does not lead to the bench computer's own flash.
    NotTheHost,
    /// A person has looked at supply, clip and marking.
    BenchAttested,
    /// The marking's supply range includes the link's level.
    SupplyLevel,
    /// The image has the chip's size.
    ImageFits,
    /// The backups still have the hashes they were given.
    BackupIntact,
    /// A hash kept away from the bench agrees with the backup.
    OfflineHash,
    /// The target differs from the baseline only where the region map allows it.
    UnitDataKept,
    /// The clip is seated.
    Contact,
    /// ID, SFDP, table and marking agree on what the chip is.
    KnownPart,
    /// The chip is the one the unit folder belongs to.
    SameUnit,
    /// No block to be changed is protected.
    Writable,
    /// Two independent reads agree.
    TwinRead,
    /// The chip holds the baseline, but for blocks an unfinished journal accounts for.
    NothingUnexplained,
    /// A journal is open and durable.
    JournalReady,
}

impl Interlock {
    /// All of them, in order.
    pub const ALL: [Self; 15] = [
        Self::SoleUser,
        Self::NotTheHost,
        Self::BenchAttested,
        Self::SupplyLevel,
        Self::ImageFits,
        Self::BackupIntact,
        Self::OfflineHash,
        Self::UnitDataKept,
        Self::Contact,
        Self::KnownPart,
        Self::SameUnit,
        Self::Writable,
        Self::TwinRead,
        Self::NothingUnexplained,
        Self::JournalReady,
    ];

    /// Those that a change of protection needs: all but what an image, a backup or reads are judged by.
    pub const FOR_PROTECTION: [Self; 9] = [
        Self::SoleUser,
        Self::NotTheHost,
        Self::BenchAttested,
        Self::SupplyLevel,
        Self::Contact,
        Self::KnownPart,
        Self::SameUnit,
        Self::Writable,
        Self::JournalReady,
    ];

    /// The ID that refusals, options and the unit file use.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::SoleUser => "sole-user",
            Self::NotTheHost => "not-the-host",
            Self::BenchAttested => "bench-attested",
            Self::SupplyLevel => "supply-level",
            Self::ImageFits => "image-fits",
            Self::BackupIntact => "backup-intact",
            Self::OfflineHash => "offline-hash",
            Self::UnitDataKept => "unit-data-kept",
            Self::Contact => "contact",
            Self::KnownPart => "known-part",
            Self::SameUnit => "same-unit",
            Self::Writable => "writable",
            Self::TwinRead => "twin-read",
            Self::NothingUnexplained => "nothing-unexplained",
            Self::JournalReady => "journal-ready",
        }
    }
}

impl fmt::Display for Interlock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id())
    }
}
