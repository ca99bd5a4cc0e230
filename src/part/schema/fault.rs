//! What can be wrong with a value in a parts file.

use crate::jedec::opcode::ERASES;
use crate::text::perhaps;

/// Why a part in a parts file is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(in crate::part) enum PartFault {
    /// Fewer than three ID bytes, or more than a chip sends.
    #[error("the JEDEC ID has {bytes} bytes; it takes 3 to 20")]
    IdLength {
        /// How many there are.
        bytes: usize,
    },
    /// All 00h or all FFh.
    #[error("the JEDEC ID is all 00h or all FFh, which is what an empty clip answers")]
    IdBlank,
    /// Not a power of two.
    #[error("{what} of {bytes} bytes is not a power of two")]
    NotPowerOfTwo {
        /// Which size.
        what: &'static str,
        /// What the file says.
        bytes: u32,
    },
    /// Larger than what should hold it.
    #[error("{what} of {bytes} bytes does not fit in {limit_bytes} bytes")]
    TooLarge {
        /// Which size.
        what: &'static str,
        /// What the file says.
        bytes: u32,
        /// What it must fit in.
        limit_bytes: u32,
    },
    /// A page on a part that takes single bytes or words, or none on one that takes pages.
    #[error("a page of {bytes} bytes does not go with how the part is programmed")]
    PageAndProgram {
        /// What the file says.
        bytes: u32,
    },
    /// Minimum above maximum, or values that are not millivolts.
    #[error("a supply of {min_mv} to {max_mv} mV is not a range between 1000 and 6000 mV")]
    Supply {
        /// Lower end.
        min_mv: u32,
        /// Upper end.
        max_mv: u32,
    },
    /// Wider than any part is made for: it would admit a level that destroys the part.
    #[error(
        "no part is made for all of {min_mv} to {max_mv} mV: its highest supply is at most three times its lowest"
    )]
    SupplyWidth {
        /// Lower end.
        min_mv: u32,
        /// Upper end.
        max_mv: u32,
    },
    /// Typical above maximum, or zero.
    #[error("the times {typical} and {max} are not a typical and a maximum")]
    Times {
        /// Typical.
        typical: u32,
        /// Maximum.
        max: u32,
    },
    /// Erase types out of order.
    #[error("erase of {bytes} bytes stands after a larger one")]
    EraseOrder {
        /// Size of the later one.
        bytes: u32,
    },
    /// The same erase type twice.
    #[error("erase of {bytes} bytes by {opcode:02X}h is listed twice for the same place")]
    EraseTwice {
        /// Its size.
        bytes: u32,
        /// Its opcode.
        opcode: u8,
    },
    /// One opcode for erases of two sizes in the same place: a write would erase more than it means to.
    #[error(
        "{opcode:02X}h erases {other} bytes and {bytes} bytes at the same place; give each its only_in, or leave the \
         wrong one out"
    )]
    EraseOfTwoSizes {
        /// The opcode.
        opcode: u8,
        /// The size that is listed first.
        other: u32,
        /// The size that is listed now.
        bytes: u32,
    },
    /// A place that is empty, outside the array, or not on the erase type's own boundaries.
    #[error("the place 0x{start:06X} to 0x{end:06X} cannot be covered by erases of {bytes} bytes")]
    ErasePlace {
        /// First address.
        start: u32,
        /// Address after the last.
        end: u32,
        /// Size of the erase.
        bytes: u32,
    },
    /// An opcode that the guard never lets pass as an erase.
    #[error("{opcode:02X}h is never sent to erase a block; {}", instead(*opcode))]
    EraseOpcode {
        /// What the file says.
        opcode: u8,
    },
    /// Not an opcode that erases a whole chip.
    #[error("{opcode:02X}h does not erase a chip; C7h and 60h do")]
    ChipErase {
        /// What the file says.
        opcode: u8,
    },
    /// No opcode for a page on four lanes, or of a part that takes no pages.
    #[error("quad_program is {opcode:02X}h; it is 32h or 38h, of a part that programs pages")]
    QuadProgram {
        /// The opcode.
        opcode: u8,
    },
    /// No limit for 03h.
    #[error("sck_max gives no clock for 03h")]
    NoReadClock,
    /// An opcode twice, or a clock that is none.
    #[error("sck_max gives {opcode:02X}h twice, or a clock outside 1 to 1000 MHz")]
    Clock {
        /// The opcode.
        opcode: u8,
    },
    /// Keys that do not belong to the way named.
    #[error("'{by}' takes {takes}")]
    FourByteKeys {
        /// The way.
        by: &'static str,
        /// What belongs to it.
        takes: &'static str,
    },
    /// Bytes that cannot be reached.
    #[error("{bytes} bytes are more than three address bytes reach, and four_byte gives no way")]
    OutOfReach {
        /// Size of the array.
        bytes: u32,
    },
    /// An erase opcode that the 4-byte list lacks.
    #[error("opcode_4byte {opcode:02X}h is not among the dedicated opcodes")]
    NotDedicated {
        /// The opcode.
        opcode: u8,
    },
    /// Not the beginning of a marking.
    #[error("the marking '{text}' is not 4 or more capitals and digits")]
    Marking {
        /// What the file says.
        text: String,
    },
    /// A unique ID that is asked for in a way that never passes.
    #[error(
        "no unique ID is asked for like this by {opcode:02X}h: 4Bh takes no address, 5Ah an address \
         and one dummy byte, 9Fh gives at most 20 bytes; an ID has 1 to 32"
    )]
    UniqueId {
        /// The opcode.
        opcode: u8,
    },
    /// An empty text.
    #[error("{what} is empty")]
    Empty {
        /// Which.
        what: &'static str,
    },
    /// A name in `memory` that is no field.
    #[error(
        "'{name}' in memory is not the name of a field; {}",
        perhaps(name, known)
    )]
    MemoryName {
        /// What the file says.
        name: String,
        /// The names there are.
        known: &'static [&'static str],
    },
    /// A name that the table has.
    #[error("the table has a part of this name already")]
    NameTaken,
    /// A name that the file gave to another part before.
    #[error("line {line} of this file has a part of this name already")]
    NameTwice {
        /// Where the other one stands.
        line: usize,
    },
    /// An ID that the table has.
    #[error(
        "{other} answers with the same JEDEC ID; say shares_id = true if both are meant, and they \
         will be told apart or treated as one"
    )]
    IdTaken {
        /// The part that has it.
        other: String,
    },
}

/// What to do about an opcode that erases nothing: digits without 0x may have been meant as hexadecimal.
fn instead(opcode: u8) -> String {
    let meant = u8::from_str_radix(&opcode.to_string(), 16).ok();
    match meant.filter(|meant| ERASES.contains(meant)) {
        Some(meant) => format!("was 0x{meant:02X} meant?"),
        None => "leave that erase out if the part has no other for it".to_owned(),
    }
}
