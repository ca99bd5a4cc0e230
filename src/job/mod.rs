//! What a person asks for: one function per job, from evidence on the bus to a typed report.
//!
//! | jobs | what they need |
//! |---|---|
//! | [`contact()`], [`id()`], [`sfdp()`], [`protection()`] | a chip, of which little is read |
//! | [`backup()`], [`verify()`], [`survey()`] | a chip, all of which is read, several times |
//! | [`tailor()`], [`worklist()`], [`check()`], [`inspect()`], [`logbook()`], [`wiring()`] | files at most |
//! | [`write()`], [`restore()`], [`protect()`] | a chip, which is changed; every interlock that it needs open, or accepted by name |
//!
//! A job takes its bench ([`Bench`], the way to a chip and what a person said about it), its unit and an
//! [`Attendant`] ([`Nobody`] will do), and ends in a report or in a [`Stop`], which says what was seen,
//! what it means, what state the chip is in and what to do next. Jobs print nothing; [`crate::cli`]
//! shows what they return. `examples/twin_read.rs` is the shortest use of some, `examples/conversion.rs`
//! goes through a whole conversion and back, and most jobs have an example of their own.
//!
//! Whatever stops a job, a chip that was only read is left in the mode in which it was found, as far as the wires
//! allow, and no file is left half written under its name. [`backup()`], [`survey()`], [`protect()`], [`write()`] and
//! [`restore()`] note in `unit.toml` which interlocks held them. What else an error leaves behind stands with each job.

mod account;
mod approach;
mod attendant;
mod backup;
mod bench;
mod beside;
mod check;
#[cfg(feature = "reports")]
mod clean;
mod connect;
mod contact;
mod cost;
mod differences;
mod exit;
mod explain;
mod id;
#[cfg(feature = "reports")]
mod inspect;
mod lanes;
mod lines;
#[cfg(feature = "reports")]
mod logbook;
mod named;
mod overlap;
mod papers;
mod protect;
mod recognise;
mod record;
mod restore;
mod rewrite;
mod seat;
mod settle;
mod sfdp;
mod shelf;
mod stop;
mod survey;
mod tailor;
mod twin_read;
mod verify;
mod wiring;
mod work;
mod worklist;
mod wrap;
mod write;

pub use attendant::{Attendant, Nobody, Task};
pub use backup::{BackupReport, backup, backup_beside};
pub use bench::{Bench, SCK_DEFAULT, SCK_FREE, Way};
pub use beside::Others;
pub use check::{CheckReport, check};
#[cfg(feature = "reports")]
pub(crate) use clean::{clean, word};
pub use connect::Seen;
pub use contact::{
    ContactReport, ContactWishes, Evidence, Kind, Measured, Rung, Sign, contact, contact_as_wished,
    keep_contact, message_overhead, proven_sck,
};
pub use differences::RegionDifference;
pub use exit::Exit;
pub(crate) use explain::sentence;
pub use id::{IdReport, id};
#[cfg(feature = "reports")]
pub use inspect::{
    CompareReport, InspectReport, Inspected, compare, inspect, inspect_with_strings,
};
#[cfg(feature = "reports")]
pub use logbook::{
    Compared, Interrupted, Logbook, LoggedImage, PAGE, SHELF_PAGE, Shelf, Shelved, keep_page,
    logbook, note, shelf,
};
pub use papers::Offline;
pub use protect::{
    ProtectOrder, ProtectionChange, ProtectionReport, RegisterByte, Wanted, protect, protection,
};
pub use restore::{RestoreOrder, restore};
pub use rewrite::WriteReport;
pub use seat::{Seat, wait_for};
pub use sfdp::{ErasePlaces, RawSfdp, SfdpReport, decode_sfdp, read_sfdp, sfdp};
pub use shelf::{ShelfFile, ShelfUnit, Stage, not_of_others};
pub use stop::{ChipState, Stop};
pub use survey::{
    AtSck, Confidence, Diagnosis, Run, SURVEY_PASSES, SURVEY_PASSES_MIN, SurveyReport, UnsteadyBit,
    Verdict, survey,
};
#[cfg(test)]
pub(crate) use tailor::refused as tailor_refused;
pub use tailor::{PieceOrder, TailorOrder, TailorReport, tailor};
pub use twin_read::{PassFacts, TwinRead};
pub use verify::{Difference, DifferingBlocks, VerifyOrder, VerifyReport, keep_verify, verify};
pub use wiring::{Wire, Wiring, Within, wiring};
#[cfg(test)]
pub(crate) use worklist::no_plan;
pub use worklist::{WorklistReport, worklist};
pub use wrap::Wrap;
pub use write::{WriteOrder, in_unit, write};
#[cfg(feature = "cli")]
pub(crate) use {
    contact::unit_before_reset,
    record::{map_in_file, regions_of},
    shelf::{is_behind, unit_in},
    write::unfinished_of_unit,
};
