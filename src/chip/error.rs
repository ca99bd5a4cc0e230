//! Why work on a chip failed, and with that what state the chip is in.

use std::time::Duration;

use crate::jedec::Address;
use crate::link::LinkError;

/// Why work on a chip failed.
///
/// Whether the chip may have been changed depends on when: a [`super::Chip`] never changes it, an
/// [`super::Armed`] one latches as soon as it may have.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChipError {
    /// The link below failed.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// All ID bytes are the same, which is what an open or shorted wire reads as.
    #[error("every byte of the JEDEC ID reads {byte:02X}")]
    NoAnswer {
        /// 00h or FFh.
        byte: u8,
    },
    /// WIP stayed set.
    #[error("the chip is still busy after {} s (status {status:02X})", waited.as_secs())]
    StillBusy {
        /// Status register 1 as last read.
        status: u8,
        /// How long it was waited for.
        waited: Duration,
    },
    /// The person asked to stop while the chip was waited for.
    #[error("stopped while the chip was busy")]
    Stopped,
    /// Write disable did not clear WEL.
    #[error("the chip does not take write disable (status {status:02X})")]
    WelStuck {
        /// Status register 1.
        status: u8,
    },
    /// The chip no longer answers with its ID.
    #[error("the ID reads {seen}, {times} times of {reads}, not {expected}")]
    LostContact {
        /// ID that the chip had.
        expected: String,
        /// The first that was read instead.
        seen: String,
        /// How often it was not as expected.
        times: u32,
        /// How often it was read.
        reads: u32,
    },
    /// A status register that shows other protection bits than before the erase or program that it tells
    /// of, or FFh in a status write: something else than the chip answers.
    #[error(
        "the status reads {seen:02X} during the {what} at {address}, which the chip cannot show there"
    )]
    StrangeStatus {
        /// `erase`, `program` or `status write`.
        what: &'static str,
        /// Where.
        address: Address,
        /// Status register 1.
        seen: u8,
    },
    /// Two reads of a register differ.
    #[error("register {opcode:02X}h reads {first:02X} and then {second:02X}")]
    UnsteadyRegister {
        /// Its read opcode.
        opcode: u8,
        /// First value.
        first: u8,
        /// Second value.
        second: u8,
    },
    /// An address beyond the chip.
    #[error("{length} bytes at {address} end beyond the chip's {size_bytes} bytes")]
    OutOfRange {
        /// First address.
        address: Address,
        /// Bytes asked for.
        length: usize,
        /// Size of the chip.
        size_bytes: u32,
    },
    /// The part has more than 16 MiB and no way above them that is supported.
    #[error(
        "the part's {size_bytes} bytes cannot be addressed: no way above 16 MiB that norlock supports"
    )]
    NoWayAbove16Mib {
        /// Size of the chip.
        size_bytes: u32,
    },
    /// The mode switch was not taken.
    #[error("the chip does not change to {wanted_bytes} address bytes")]
    AddressMode {
        /// Address bytes that it should have changed to.
        wanted_bytes: u8,
    },
    /// The register that completes addresses does not hold what it has to.
    #[error("the address register {opcode:02X}h reads {seen:02X}, not {wanted:02X}")]
    AddressRegister {
        /// Its read opcode.
        opcode: u8,
        /// What it has to hold.
        wanted: u8,
        /// What it holds.
        seen: u8,
    },
    /// The chip was opened for reading.
    #[error("this chip was opened for reading and cannot be armed")]
    OpenedForReading,
    /// The chip was armed for its protection, and the array is not to be changed.
    #[error("this chip was armed for its protection only")]
    ProtectionOnly,
    /// An earlier erase or program failed, or the contact was lost; only reading is left until the chip
    /// is armed anew.
    #[error(
        "an earlier erase or program failed, or the contact was lost, so this chip takes no more of them"
    )]
    Latched,
    /// WEL is not seen set after write enable. An erase or status write is then not sent; a program was
    /// sent with it, and is ignored where the status is true.
    #[error("write enable is not seen at {address} (status {status:02X})")]
    WriteEnableRefused {
        /// Where the work was to be done.
        address: Address,
        /// Status register 1.
        status: u8,
    },
    /// Data that crosses a page end, where the chip would wrap, or is empty.
    #[error("{length} bytes at {address} do not lie in one page")]
    CrossesPage {
        /// First address.
        address: Address,
        /// Bytes asked for.
        length: usize,
    },
    /// An address that is not a multiple of the block size, or a type that does not work there.
    #[error("no erase of {size_bytes} bytes is possible at {address}")]
    NotABlock {
        /// Address asked for.
        address: Address,
        /// Size of the erase type.
        size_bytes: u32,
    },
    /// The operation took longer than its maximum with a margin; the block is undefined.
    #[error("the {what} at {address} was not done after {} ms (status {status:02X})", waited.as_millis())]
    TimedOut {
        /// `erase`, `program` or `status write`.
        what: &'static str,
        /// Where.
        address: Address,
        /// How long it was waited for.
        waited: Duration,
        /// Status register 1 as last read.
        status: u8,
    },
    /// The chip reports failure; the block, or of a status write the registers, are undefined.
    #[error("the chip reports that the {what} at {address} failed (status {status:02X})")]
    Failed {
        /// `erase`, `program` or `status write`.
        what: &'static str,
        /// Where.
        address: Address,
        /// Status register 1.
        status: u8,
    },
}
