//! What the standards say: opcodes, SFDP, status registers, and the quantities they speak in.
//!
//! Everything here is pure: bytes in, facts out, no I/O.

pub mod opcode;
mod quantity;
pub mod sfdp;
pub mod status;

pub use quantity::{Address, Hertz, Millivolts, ParseQuantityError};
