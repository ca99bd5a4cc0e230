//! What a part is: its description, the catalogue, and the match of ID, SFDP and table.
//!
//! A *part* is a type of chip. One [`Part`] is what all candidates that could not be told apart have
//! in common, with the safe value of each field.

mod description;

pub use description::{
    Addressing, BusyPoll, ChipErase, EraseType, FourByte, JedecId, Part, ProgramMethod, Source,
    SupplyRange, Timing, UniqueIdRead,
};
