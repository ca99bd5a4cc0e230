//! What a part is: its description, the catalogue, and the match of ID, SFDP and table.
//!
//! A *part* is a type of chip. One [`Part`] is what all candidates that could not be told apart have
//! in common, with the safe value of each field.
//!
//! [`Catalogue`] holds the parts of `chips/` and those of the user. [`Catalogue::by_marking`] says
//! what a printed marking means before anything is connected; [`identify()`] says what the chip is
//! once it has answered.
//!
//! ```
//! use norlock::jedec::Millivolts;
//! use norlock::part::Catalogue;
//!
//! let catalogue = Catalogue::builtin()?;
//! // As printed on the package: may it see 3.3 V?
//! let marking = catalogue.by_marking("25Q128JVSQ").ok_or("not in the table")?;
//! assert!(marking.names().contains(&"W25Q128JV"));
//! assert!(marking.admits(Millivolts(3300)));
//! // As answered to Read JEDEC ID, 9Fh.
//! let parts = catalogue.by_jedec_id(&[0xEF, 0x40, 0x18]);
//! assert!(parts.iter().any(|part| part.name == "W25Q128JV"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! A file of parts of your own is looked at by [`Catalogue::check_file`] and added by
//! [`Catalogue::with_user_file`]; `docs/adding-a-part.md` leads from a datasheet to such a file.

mod agreed;
mod catalogue;
mod check;
mod compare;
mod density;
mod description;
mod from_sfdp;
mod identify;
mod maker;
mod marking;
mod merge;
mod relative;
mod schema;
mod select;
mod sfdp_facts;
mod supply;
mod timing;
mod unique_id;

pub use catalogue::Catalogue;
pub use check::{CheckedPart, FileCheck};
pub use density::density_by_id;
pub use description::{
    Addressing, BusyPoll, CAUTIOUS_SCK, ChipErase, EraseType, FourByte, JedecId, Part,
    ProgramMethod, Refused, Source,
};
pub use identify::{Disagreement, Identification, Standing, identify};
pub use maker::{CodeUse, MakerName, maker_name};
pub use marking::Marking;
pub use relative::{Mark, Relative};
pub use select::Selection;
pub use sfdp_facts::{Reach, SfdpErase, SfdpFacts};
pub use supply::SupplyRange;
pub use timing::Timing;
pub use unique_id::UniqueIdRead;
