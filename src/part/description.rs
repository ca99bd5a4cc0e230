//! The facts about one part that the rest of the house works from.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::jedec::status::StatusFamily;
use crate::jedec::{Hertz, Millivolts};

/// The bytes a part answers to Read JEDEC ID (9Fh), as many as it takes to tell it apart.
///
/// At least three: maker (JEP106 code with parity), type, density.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct JedecId(pub Vec<u8>);

impl fmt::Display for JedecId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            write!(f, "{}{byte:02X}", if i == 0 { "" } else { " " })?;
        }
        Ok(())
    }
}

/// An operating supply range, ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SupplyRange {
    /// Lowest operating supply.
    pub min: Millivolts,
    /// Highest operating supply.
    pub max: Millivolts,
    /// True where the range was written from memory, not read in a datasheet: it may close an
    /// interlock, never open one that a document would hold.
    pub from_memory: bool,
}

impl SupplyRange {
    /// Whether `level` lies in the range.
    #[must_use]
    pub fn includes(&self, level: Millivolts) -> bool {
        self.min <= level && level <= self.max
    }
}

impl fmt::Display for SupplyRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let min = self.min.to_string();
        write!(f, "{} to {}", min.trim_end_matches(" V"), self.max)
    }
}

/// Typical and maximum time of an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timing {
    /// What the operation usually takes.
    pub typical: Duration,
    /// What it may take at most; a time-out is never below it.
    pub max: Duration,
}

/// One way to erase a block.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EraseType {
    /// Bytes that one erase covers; a power of two.
    pub size_bytes: u32,
    /// Opcode that takes an address in the current mode (three bytes unless in 4-byte mode).
    pub opcode: u8,
    /// Opcode that always takes four address bytes, where the part has one.
    pub opcode_4byte: Option<u8>,
    /// How long it takes.
    pub time: Timing,
    /// Where in the array the type works; `None` is everywhere.
    pub only_in: Option<Range<u32>>,
}

/// Erase of the whole array by one command.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChipErase {
    /// C7h or 60h.
    pub opcode: u8,
    /// How long it takes.
    pub time: Timing,
}

/// How a part takes data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProgramMethod {
    /// Up to a page per 02h.
    Page,
    /// One byte per 02h.
    Byte,
    /// Two bytes per ADh in auto address increment, a single byte per 02h at odd ends.
    AaiWord,
}

/// A way to reach bytes above 16 MiB.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "kebab-case")]
pub enum FourByte {
    /// Opcodes that always take four address bytes: read, program and at least one erase.
    Dedicated {
        /// The opcodes the part has.
        opcodes: Vec<u8>,
    },
    /// A mode in which the usual opcodes take four address bytes.
    Mode {
        /// Enters the mode, B7h.
        enter: u8,
        /// Leaves it, E9h.
        exit: u8,
        /// True where both want WREN first.
        write_enable: bool,
    },
    /// Extended address register, written with C5h after WREN and read with C8h.
    ExtendedRegister,
    /// Bank register, written with 17h and read with 16h; bit 7 selects 4-byte addresses.
    BankRegister,
}

/// Which addresses a part takes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Addressing {
    /// False only for a part that always takes four bytes.
    pub three_byte: bool,
    /// Ways above 16 MiB, best first; empty on parts up to 16 MiB that have none.
    pub four_byte: Vec<FourByte>,
}

/// Where a part shows that it is busy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BusyPoll {
    /// WIP, bit 0 of 05h.
    Status,
    /// Bit 7 of the flag status register 70h (1 = ready), besides WIP.
    FlagStatus,
}

/// How a part gives its unique ID.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct UniqueIdRead {
    /// Usually 4Bh.
    pub opcode: u8,
    /// Bytes between opcode and first ID byte in 3-byte mode.
    pub dummy_bytes: u8,
    /// Length of the ID.
    pub length_bytes: u8,
}

/// Where an entry's facts come from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Source {
    /// Document title.
    pub title: String,
    /// Its revision and date.
    pub revision: String,
    /// Table or page.
    pub place: String,
}

/// A part, or what several indistinguishable parts have safely in common.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Maker's name.
    pub maker: String,
    /// Part name, or several joined with ` or ` where they could not be told apart.
    pub name: String,
    /// Texts printed on the package, without spaces, in capitals.
    pub markings: Vec<String>,
    /// Answer to 9Fh.
    pub jedec_id: JedecId,
    /// Array size; a power of two.
    pub size_bytes: u32,
    /// Supply range.
    pub supply: SupplyRange,
    /// Program page; programming wraps inside it.
    pub page_size_bytes: u32,
    /// How it takes data.
    pub program: ProgramMethod,
    /// Time of one page program (of one byte or word for the other methods).
    pub page_program: Timing,
    /// Erase types, smallest first.
    pub erase_types: Vec<EraseType>,
    /// Chip erase, where the part has one.
    pub chip_erase: Option<ChipErase>,
    /// Time of a non-volatile status register write.
    pub status_write: Timing,
    /// Highest SCK by read opcode at the nominal supply. An opcode that is absent is limited as 03h.
    pub sck_max: BTreeMap<u8, Hertz>,
    /// Addresses it takes.
    pub addressing: Addressing,
    /// Status register layout.
    pub status: StatusFamily,
    /// How to see that it is busy.
    pub busy: BusyPoll,
    /// Whether it carries SFDP; `None` is not known.
    pub has_sfdp: Option<bool>,
    /// How to read its unique ID; `None` where it has none or its way is not known.
    pub unique_id: Option<UniqueIdRead>,
    /// True where all blocks are protected at power-up.
    pub protected_at_power_up: bool,
    /// Peculiarities a person should know.
    pub notes: Vec<String>,
    /// Where the facts come from.
    pub source: Source,
    /// Names of the fields that were not read in a document; `*` means all of them.
    pub memory: Vec<String>,
}
