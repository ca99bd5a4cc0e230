//! How long a worklist takes, and how long it would take at the least.

use std::time::Duration;

use serde::Serialize;

use super::load::Load;
use super::{Worklist, wire_time};
use crate::jedec::Hertz;
use crate::part::ProgramMethod;

/// Bytes besides data that one page program puts on the wire: write enable, two status reads of two
/// bytes, opcode. The address comes on top.
const FRAMING_BYTES_PAGE: u64 = 6;
/// Bytes on the wire per AAI word: opcode, two data bytes, a status read.
const WIRE_BYTES_AAI_WORD: u64 = 5;
/// Bytes around a run of AAI words: write enable and write disable, a status read behind each. The
/// address comes on top.
const FRAMING_BYTES_AAI: u64 = 6;

/// The clocks that a job will use, one lane each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// SCK of the first full read and of reading blocks back.
    pub first: Hertz,
    /// SCK of the second full read and of the whole read at the end.
    pub second: Hertz,
    /// SCK of everything that modifies.
    pub modify: Hertz,
    /// Address bytes of each opcode: 3 or 4.
    pub address_bytes: u8,
}

/// Erases of one type.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Erases {
    /// Size of the block.
    pub size_bytes: u32,
    /// How many.
    pub count: u32,
    /// Modelled time of all of them.
    pub time: Duration,
}

/// Modelled times of a whole write.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Estimate {
    /// Two full reads.
    pub before: Duration,
    /// Erases by type, largest blocks first.
    pub erases: Vec<Erases>,
    /// Program operations, each of a page or a part of one; of a byte or a word where the part takes
    /// those.
    pub programs: u64,
    /// All programming, the way over the wire included.
    pub program: Duration,
    /// Bytes in changed blocks.
    pub read_back_bytes: u64,
    /// Reading the changed blocks back.
    pub read_back: Duration,
    /// Size of the part.
    pub size_bytes: u32,
    /// The read of the whole part at the end.
    pub whole_read: Duration,
    /// The least a write could take: the same erases and programs at the chip's typical times
    /// without the wire, and one whole read at the highest clock.
    pub floor: Duration,
}

impl Estimate {
    /// All of it, one after the other.
    #[must_use]
    pub fn total(&self) -> Duration {
        let erases: Duration = self.erases.iter().map(|erases| erases.time).sum();
        self.before + erases + self.program + self.read_back + self.whole_read
    }
}

impl Worklist {
    /// Models the time of the whole write: two full reads, the steps, and one whole read.
    ///
    /// Times of the chip are typical times; overhead of the link per message is not in it.
    #[must_use]
    pub fn estimate(&self, pace: &Pace) -> Estimate {
        let size = u64::from(self.size_bytes);
        let erases = self.erases();
        let erase: Duration = erases.iter().map(|erases| erases.time).sum();
        let wire = self.program_wire_bytes(self.load, pace);
        let read_back_bytes = self.upwards().map(|s| u64::from(s.size_bytes())).sum();
        Estimate {
            before: wire_time(size, pace.first) + wire_time(size, pace.second),
            erases,
            programs: u64::from(self.load.programs),
            program: self.rates.waited(self.load) + wire_time(wire, pace.modify),
            read_back_bytes,
            read_back: wire_time(read_back_bytes, pace.first),
            size_bytes: self.size_bytes,
            whole_read: wire_time(size, pace.second),
            floor: erase
                + self.rates.time(self.load)
                + wire_time(size, pace.first.max(pace.second)),
        }
    }

    fn program_wire_bytes(&self, load: Load, pace: &Pace) -> u64 {
        let (programs, bytes) = (u64::from(load.programs), u64::from(load.bytes));
        let address = u64::from(pace.address_bytes);
        let framing = FRAMING_BYTES_PAGE + address;
        match self.rates.method {
            ProgramMethod::Page | ProgramMethod::Byte => programs * framing + bytes,
            ProgramMethod::AaiWord => {
                let words = u64::from(load.words());
                let around = u64::from(load.increments) * (FRAMING_BYTES_AAI + address);
                around + words * WIRE_BYTES_AAI_WORD + (programs - words) * (framing + 1)
            }
        }
    }

    fn erases(&self) -> Vec<Erases> {
        let mut found: Vec<Erases> = Vec::new();
        let types = self.upwards().filter_map(|step| self.erase_type(&step));
        for erase in types {
            let time = erase.time.typical;
            match found.iter_mut().find(|f| f.size_bytes == erase.size_bytes) {
                Some(erases) => {
                    erases.count += 1;
                    erases.time += time;
                }
                None => found.push(Erases {
                    size_bytes: erase.size_bytes,
                    count: 1,
                    time,
                }),
            }
        }
        found.sort_by_key(|erases| std::cmp::Reverse(erases.size_bytes));
        found
    }
}
