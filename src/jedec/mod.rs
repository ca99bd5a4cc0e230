//! What the standards say: opcodes, SFDP, status registers, and the quantities they speak in.
//!
//! Everything here is pure: bytes in, facts out, no I/O. [`sfdp::Sfdp::parse`] decodes an SFDP space,
//! [`status::StatusFamily`] tells by register bytes what is protected and how that is changed, and
//! [`opcode`] names the commands. What of it is true of one part [`crate::part`] tells.

mod lanes;
pub mod opcode;
mod quantity;
mod read_id;
pub mod sfdp;
pub mod status;

pub use lanes::{LANE_DUMMY, LANE_READS, LaneProgram, LaneRead, Lanes};
pub use quantity::{Address, Hertz, Millivolts, ParseQuantityError};
pub use read_id::{ID_BYTES, announced_bytes, behind_jedec_id, tells_chips_apart};
