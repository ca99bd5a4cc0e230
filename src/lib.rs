//! norlock reads, backs up and rewrites a board's SPI NOR flash from a single-board computer, with
//! interlocks that make it hard to lose a board.
//!
//! # Where to begin
//! | for | begin with | an example |
//! |---|---|---|
//! | a whole job: contact, backup, write, verify, restore | [`job`] | `examples/twin_read.rs`, then `conversion.rs` |
//! | a test without hardware | [`mock`] | [below](#a-mock-in-a-test) |
//! | a controller of your own | [`link::DeviceLink`], or implement [`link::Link`] | at [`link::DeviceLink`] |
//! | reading a chip without unit and interlocks | [`chip::Bare`] | at [`chip`] |
//! | what a marking or a JEDEC ID means | [`part::Catalogue`] | at [`part`] |
//! | what an SFDP space says | [`jedec::sfdp::Sfdp`] | at [`job::sfdp()`] |
//! | what an image holds | [`image::inspect()`] | at [`job::inspect()`] |
//!
//! # The way through the house
//! A command goes down once and comes back once. For `backup`: [`cli`] parses the line and asks the
//! person what it must; [`job::backup`] walks through the job; [`interlock`] judges the evidence that
//! each step brings; [`chip`] speaks to the part; [`link`] puts frames on the wire, behind a guard
//! that lets no modifying frame of a reading job pass; [`mod@unit`] keeps what was read.
//!
//! Each folder uses only those that stand below it here:
//!
//! | folder | what it is |
//! |---|---|
//! | [`cli`] | arguments, terminal output, JSON lines; no logic |
//! | [`job`] | what a person asks for: contact, id, backup, tailor, write, verify, restore, protect |
//! | [`interlock`] | evidence in, permission out |
//! | [`worklist`] | what to erase and program, in which order, at what cost |
//! | [`mod@unit`] | the unit folder: unit file, backups, journal, the store |
//! | [`image`] | region map, tailoring, examination, open formats, the staff |
//! | [`chip`] | a part on a link: read, erase, program, status, addressing |
//! | [`link`] | one chip select on one SPI bus: trait, spidev, `embedded-hal`, guard, trace |
//! | [`mock`] | a simulated chip behind a simulated link, beside [`link`] |
//! | [`part`] | what a part is: description, catalogue, match of ID, SFDP and table |
//! | [`jedec`] | what the standards say: opcodes, SFDP, status and protection layouts; pure |
//! | [`text`] | a TOML file as a person writes it: all that is wrong in it, each at its place |
//!
//! # Words
//! A *part* is a type of chip, a *chip* is the thing on the clip, a *unit* is the board being worked
//! on, a *piece* is a file that goes into an image, a *block* is an erase unit.
//!
//! - **On the wire.** A *frame* is what goes over while CS is low, a *batch* several frames that a link is given at
//!   once, a *message* a batch as one call of the driver. A *pass* is one read of a whole chip or of a range. The
//!   *level* is the voltage of supply and signals. SCK is *proven* where reads that were repeated at it all agreed.
//! - **On the chip.** A *marking* is what is printed on the package. A chip is *armed* while it may be changed.
//! - **Interlocks.** An *interlock* is a condition that has to be shown first. It is *open* by evidence, *accepted* by
//!   a person by name and with a reason, or it *holds* the job; one that was not looked at yet *waits*.
//! - **Images.** A *backup* is what two reads agreed on. The newest one is the *baseline* that a write is checked
//!   against; the *target* is what the unit is to become. A *region map* says which bytes are *replaceable*, which are
//!   *unit data* (this unit's own, such as its calibration), and which are kept as found.
//! - **Writing.** A *worklist* says what to erase and program, in which order. The *journal* notes each block before it
//!   is erased and once it was read back. Between the two it is *in hand*, and after an interruption perhaps *torn*:
//!   its cells may read differently each time.
//! - **On screens.** A *staff* is the picture of a flash: a rule from top to bottom, as on a tide gauge, with what
//!   there is to say beside its marks.
//!
//! Ranges are half-open. Opcodes and registers are named as in datasheets, 9Fh. A value has its document beside it;
//! where none was read it says *from memory*, and *common practice, no source* where there may be none.
//!
//! # Features
//! | feature | brings | crates, norlock counted |
//! |---|---|---|
//! | none | all layers but [`cli`], on a link of your own, an `embedded-hal` device or the mock; on any system | 32 |
//! | `linux` | [`link::SpidevLink`], [`unit::store::RealStore`] and telling disks apart, on Linux | 42 |
//! | `reports` | [`image::inspect()`], [`image::formats`], PNG pictures, [`job::logbook()`] | 67 |
//! | `cli`, the default | the program, with both others | 105 |
//!
//! # A mock in a test
//! [`Bench::new`](job::Bench::new) with a marking and a power arrangement is all that a job wants. Faults are
//! given by [`Mock::set_faults`](mock::Mock::set_faults), or stand with all else in a file ([`mock::BenchFile`]).
//! ```
//! use norlock::interlock::{Attestation, Power};
//! use norlock::job::{self, Bench, Nobody, Way};
//! use norlock::mock::Mock;
//! use norlock::part::Catalogue;
//!
//! let catalogue = Catalogue::builtin()?;
//! let part = catalogue.parts().iter().find(|part| part.name == "W25Q128JV").cloned();
//! let mock = Mock::new(part.ok_or("not in the table")?);
//! let said = Attestation {
//!     power: Some(Power::Clip),
//!     marking: Some("25Q128JVSQ".into()),
//!     ..Attestation::default()
//! };
//! let bench = Bench { said, ..Bench::new(Way::Link(Box::new(mock.link())), catalogue) };
//! let report = job::id(None, bench, &mut Nobody)?;
//! assert_eq!(report.jedec_id, "EF 40 18");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

// Tests inside the crate share files with those outside.
#[cfg(test)]
extern crate self as norlock;

pub mod chip;
#[cfg(feature = "cli")]
#[doc(hidden)]
pub mod cli;
pub mod image;
pub mod interlock;
pub mod jedec;
pub mod job;
pub mod link;
pub mod mock;
pub mod part;
pub mod text;
pub mod unit;
pub mod worklist;
