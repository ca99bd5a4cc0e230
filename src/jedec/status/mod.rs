//! Status registers and block protection, by family.
//!
//! A *family* is a layout of the registers that several parts share. Register bytes are kept in [`Registers`];
//! [`StatusFamily::protection`] says which ranges they protect, [`StatusFamily::protect`] which register writes
//! set another range, and [`StatusFamily::status_lock`] what keeps the registers from being written.
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
pub use family::{FLAG_READY, FailFlag, RegisterRead, Registers, StatusFamily, WEL, WIP};
pub use lock::{OneTimeBit, StatusLock};
pub use protection::Protection;
pub use write::{RegisterWrite, VolatileForm};

#[cfg(test)]
mod tests;
