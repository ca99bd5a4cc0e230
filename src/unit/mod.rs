//! The unit folder: who a unit is, what was done to it, its backups and its journals.
//!
//! ```text
//! gauge-07/               created 0700
//!   unit.toml             who it is, and every operation in sequence
//!   as-found.bin          first backup, 0400, never overwritten (as-found-2.bin, … later ones)
//!   as-found.sha256       its hash, as coreutils' sha256sum writes it
//!   regions.toml          region map: what may be replaced and what is the unit's own
//!   target.bin .sha256    what it is to become
//!   worklist-1.txt        what a write would do, for reading only
//!   replaced-1.bin        what a restore replaced
//!   journal/write-1       which blocks a write has begun and done
//!   survey-1/             many passes over a suspect chip, and what they say
//! ```
//!
//! [`Unit`] is the folder, and [`Unit::open_or_create`] the way to it; all its file work goes through a
//! [`store::Store`], the disk's own or a simulated one. [`journal`] and [`witness`] are about interrupted
//! writes, [`survey`] about suspect chips, [`offline`] and [`disk`] about the hash and the copy that are
//! kept away from the bench computer. Nothing here judges: it gives evidence to [`crate::interlock`].
//! `docs/files.md` has the form of each file, and the examples of [`crate::job`] work on such a folder.
//!
//! What fails leaves the folder as it was, unless its errors say otherwise, and a file that ends in `.unfinished` at
//! the most, which goes when the unit is opened next.

pub mod digest;
pub mod disk;
mod error;
mod file;
mod folder;
mod images;
pub mod journal;
pub mod offline;
mod readable;
mod rehash;
pub mod store;
pub mod survey;
mod unfinished;
pub mod witness;

pub use digest::{Digest, Hasher};
pub use error::UnitError;
pub use file::{
    Acceptance, Identity, InterlockState, Operation, Recorded, RecordedImage, UnitFile,
};
pub use folder::Unit;
pub use images::{Image, ImageName};
pub use rehash::{Discrepancy, Rehash};
pub use unfinished::Unfinished;
