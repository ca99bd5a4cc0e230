//! The facts about one part that the rest of the house works from.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::jedec::opcode::{self, READ};
use crate::jedec::sfdp::QuadEnable;
use crate::jedec::status::{LockRead, Protection, Registers, StatusFamily, VolatileForm};
use crate::jedec::{Hertz, LaneRead};

use super::{SupplyRange, Timing, UniqueIdRead};

/// The bytes a part answers to Read JEDEC ID (9Fh), as many as it takes to tell it apart.
///
/// At least three: maker (JEP106 code with parity), type, density.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct JedecId(pub Vec<u8>);

impl JedecId {
    /// Whether the first three bytes are all 00h or all FFh: a line that nobody drives, not an ID.
    #[must_use]
    pub fn is_blank(&self) -> bool {
        let head: Vec<u8> = self.0.iter().copied().take(3).collect();
        head.iter().all(|b| *b == 0x00) || head.iter().all(|b| *b == 0xFF)
    }

    /// Reads what [`fmt::Display`] shows, `EF 40 18`; `None` for anything else and for fewer than
    /// three bytes or more than 20.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let byte = |digits: &str| {
            let plain = digits.len() == 2 && digits.bytes().all(|b| b.is_ascii_hexdigit());
            plain.then(|| u8::from_str_radix(digits, 16).ok()).flatten()
        };
        let bytes: Vec<u8> = text.split(' ').map(byte).collect::<Option<_>>()?;
        (3..=20).contains(&bytes.len()).then_some(Self(bytes))
    }
}

impl fmt::Display for JedecId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            write!(f, "{}{byte:02X}", if i == 0 { "" } else { " " })?;
        }
        Ok(())
    }
}

/// One way to erase a block.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct EraseType {
    /// Bytes that one erase covers; a power of two.
    pub size_bytes: u32,
    /// Opcode that takes an address in the current mode (three bytes unless in 4-byte mode).
    pub opcode: u8,
    /// Opcode that always takes four address bytes, where the part has one; W25Q256JV has none for
    /// its 32 KiB erase (Rev. I, 8.1.4).
    pub opcode_4byte: Option<u8>,
    /// How long it takes.
    pub time: Timing,
    /// Where in the array the type works; `None` is everywhere.
    pub only_in: Option<Range<u32>>,
}

/// Erase of the whole array by one command.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ChipErase {
    /// C7h or 60h.
    pub opcode: u8,
    /// How long it takes.
    pub time: Timing,
}

/// How a part takes data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
    /// Extended address register, written with C5h after WREN and read with C8h: the upper byte of
    /// addresses of three bytes.
    ExtendedRegister,
    /// Bank register, written with 17h and read with 16h: as the extended address register.
    BankRegister {
        /// Whether bit 7 of it, EXTADD, makes the usual opcodes take four address bytes.
        extadd: bool,
    },
}

impl FourByte {
    /// The register that this way uses: write and read opcode.
    #[must_use]
    pub fn register(&self) -> Option<(u8, u8)> {
        match self {
            Self::ExtendedRegister => Some((
                opcode::WRITE_EXTENDED_ADDRESS,
                opcode::READ_EXTENDED_ADDRESS,
            )),
            Self::BankRegister { .. } => Some((opcode::WRITE_BANK, opcode::READ_BANK)),
            Self::Dedicated { .. } | Self::Mode { .. } => None,
        }
    }
}

/// Which addresses a part takes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Addressing {
    /// False only for a part that always takes four bytes.
    pub three_byte: bool,
    /// Ways above 16 MiB, best first; empty on parts up to 16 MiB that have none.
    pub four_byte: Vec<FourByte>,
}

impl Addressing {
    /// Whether a mode, or a bit of a register, changes how many address bytes the usual opcodes take.
    #[must_use]
    pub fn has_mode(&self) -> bool {
        let bit = FourByte::BankRegister { extadd: true };
        self.mode().is_some() || self.four_byte.contains(&bit)
    }

    /// The 4-byte mode, where the part has one: how it is entered and left, and whether both want WREN.
    #[must_use]
    pub fn mode(&self) -> Option<(u8, u8, bool)> {
        self.four_byte.iter().find_map(|way| match way {
            FourByte::Mode {
                enter,
                exit,
                write_enable,
            } => Some((*enter, *exit, *write_enable)),
            _ => None,
        })
    }
}

/// Where a part shows that it is busy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum BusyPoll {
    /// WIP, bit 0 of 05h.
    Status,
    /// Bit 7 of the flag status register 70h (1 = ready), besides WIP.
    FlagStatus,
}

/// Where an entry's facts come from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Source {
    /// Document title.
    pub title: String,
    /// Its revision and date.
    pub revision: String,
    /// Table or page.
    pub place: String,
}

impl fmt::Display for Source {
    /// What there is of it: `none` stands in the table for what there is not.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let all = [&self.title, &self.revision, &self.place];
        let there: Vec<&str> = all
            .into_iter()
            .map(String::as_str)
            .filter(|text| *text != "none")
            .collect();
        f.write_str(&there.join(", "))
    }
}

/// A part that answers Read JEDEC ID and is not driven, since its commands mean something else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refused {
    /// Maker's name.
    pub maker: String,
    /// Name of the part or its series.
    pub name: String,
    /// Texts printed on the package, without spaces, in capitals.
    pub markings: Vec<String>,
    /// Answers to 9Fh.
    pub jedec_ids: Vec<JedecId>,
    /// What it is, in a sentence without its name.
    pub why: String,
    /// Where that comes from.
    pub source: Source,
}

/// A part, or what several indistinguishable parts have safely in common.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
    /// Reads on several lanes by the chip's own SFDP, best first; empty where that was not read. How many
    /// dummy clocks they take is in no table here.
    #[serde(default)]
    pub lane_reads: Vec<LaneRead>,
    /// Where the chip's own SFDP has the bit that lets quad reads work.
    #[serde(default)]
    pub quad_enable: Option<QuadEnable>,
    /// Opcodes that program a page on four lanes, of those in [`LaneProgram::ALL`], by a document that was read or
    /// by the 4-byte table of the chip's own SFDP.
    ///
    /// [`LaneProgram::ALL`]: crate::jedec::LaneProgram::ALL
    #[serde(default)]
    pub lane_programs: Vec<u8>,
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
    /// True where the package holds several dies, one of which answers at a time.
    #[serde(default)]
    pub stacked: bool,
    /// Peculiarities a person should know.
    pub notes: Vec<String>,
    /// Where the facts come from.
    pub source: Source,
    /// Names of the fields that were not read in a document; `*` means all of them.
    /// `erase_time` stands for the times within `erase_types`, `erase` for the rest of it.
    pub memory: Vec<String>,
}

/// SCK that every part in the table takes with 03h; used where no limit is known.
///
/// The slowest limit of a documented part, SST25VF512 (DS25076A, 2011).
pub const CAUTIOUS_SCK: Hertz = Hertz::mhz(20);

impl Part {
    /// Whether `field` was read in a document.
    #[must_use]
    pub fn is_documented(&self, field: &str) -> bool {
        !self.memory.iter().any(|name| name == "*" || name == field)
    }

    /// What `registers` protect. Where the layout of the status registers was not read in a document, no
    /// range is told: any protect bit counts as the whole chip.
    #[must_use]
    pub fn protection(&self, registers: &Registers) -> Protection {
        if self.is_documented("status") {
            self.status.protection(registers, self.size_bytes)
        } else {
            self.status.suspected(registers)
        }
    }

    /// Whether protected ranges are told: the layout of its status registers and the table for its
    /// size were read in a document.
    #[must_use]
    pub fn tells_protected_ranges(&self) -> bool {
        self.is_documented("status") && self.status.has_table(self.size_bytes)
    }

    /// As [`Part::protection`], with the locks of single blocks that were read: see [`Part::block_locks`].
    #[must_use]
    pub fn protection_with(&self, registers: &Registers, locked: &[Range<u32>]) -> Protection {
        if self.is_documented("status") {
            let size = self.size_bytes;
            self.status.protection_with(registers, locked, size)
        } else {
            self.status.suspected(registers)
        }
    }

    /// The locks of single blocks that are in force, where the part's status registers were read in a
    /// document, and how each is read.
    #[must_use]
    pub fn block_locks(&self, registers: &Registers) -> Vec<(LockRead, Range<u32>)> {
        if self.is_documented("status") {
            self.status.block_locks(registers, self.size_bytes)
        } else {
            Vec::new()
        }
    }

    /// How locks of single blocks can be read.
    #[must_use]
    pub fn lock_reads(&self) -> &'static [LockRead] {
        if self.is_documented("status") {
            self.status.lock_reads(self.size_bytes)
        } else {
            &[]
        }
    }

    /// What protection can be set to, by the part's own table; empty where its status registers were not
    /// read in a document, or are locked.
    #[must_use]
    pub fn offered(&self, registers: &Registers) -> Vec<Protection> {
        if self.is_documented("status") {
            self.status.offered(registers, self.size_bytes)
        } else {
            Vec::new()
        }
    }

    /// How protection can be set so that it ends with the supply, where the part's document was read.
    #[must_use]
    pub fn volatile_form(&self) -> Option<VolatileForm> {
        let documented = self.is_documented("status");
        documented
            .then(|| self.status.volatile_form(self.size_bytes))
            .flatten()
    }

    /// The bit that lets quad reads work, by SFDP and family: `None` where neither tells, or they contradict
    /// each other, or it cannot be read here.
    #[must_use]
    pub fn quad_enable(&self) -> Option<QuadEnable> {
        let (own, usual) = (self.quad_enable, self.status.quad_enable());
        let found = own.or(usual)?;
        let contradicted = usual.is_some_and(|usual| usual.bit() != found.bit());
        let reached = |(opcode, _)| self.status.observes().contains(&opcode);
        let usable = found.needs_none() || found.bit().is_some_and(reached);
        (usable && !contradicted).then_some(found)
    }

    /// Highest SCK for `opcode` at the nominal supply.
    #[must_use]
    pub fn sck_limit(&self, opcode: u8) -> Hertz {
        let limit = self.sck_max.get(&opcode);
        limit
            .or_else(|| self.sck_max.get(&READ))
            .copied()
            .unwrap_or(CAUTIOUS_SCK)
    }

    /// A part about which only its ID is known, with the size that the user gives: it can be read
    /// with 03h up to 16 MiB, and has no way to be erased.
    #[must_use]
    pub fn unknown(id: JedecId, size_bytes: u32) -> Self {
        let maker = id.0.first().map_or_else(String::new, |byte| {
            super::maker_name(*byte)
                .name
                .unwrap_or("unknown")
                .to_owned()
        });
        Self {
            maker,
            name: "unknown part".to_owned(),
            markings: Vec::new(),
            jedec_id: id,
            size_bytes,
            supply: SupplyRange::UNKNOWN,
            page_size_bytes: 1,
            program: ProgramMethod::Byte,
            page_program: Timing::PAGE_PROGRAM_FALLBACK,
            erase_types: Vec::new(),
            chip_erase: None,
            status_write: Timing::STATUS_WRITE_FALLBACK,
            sck_max: BTreeMap::from([(READ, CAUTIOUS_SCK)]),
            lane_reads: Vec::new(),
            quad_enable: None,
            lane_programs: Vec::new(),
            addressing: Addressing {
                three_byte: true,
                four_byte: Vec::new(),
            },
            status: StatusFamily::Basic,
            busy: BusyPoll::Status,
            has_sfdp: None,
            unique_id: None,
            protected_at_power_up: false,
            stacked: false,
            notes: Vec::new(),
            source: Source {
                title: "no document read".to_owned(),
                revision: "none".to_owned(),
                place: "none".to_owned(),
            },
            memory: vec!["*".to_owned()],
        }
    }
}
