//! Status registers and block protection, by family.
//!
//! Pure functions on register bytes. A range is decoded only for a density whose table was read in
//! a document; everything else that is set counts as the whole chip, and what a family only is
//! remembered to do is never written.

mod blocks;
mod family;
mod layout;
mod lock;
mod protection;
mod write;

pub use blocks::LockRead;
pub use family::{FLAG_READY, Failure, RegisterRead, Registers, StatusFamily, WEL, WIP};
pub use lock::{OneTimeBit, StatusLock};
pub use protection::Protection;
pub use write::{RegisterWrite, VolatileForm};

#[cfg(test)]
mod tests;
