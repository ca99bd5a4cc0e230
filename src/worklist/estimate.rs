//! How long a worklist takes, and how long it would take at the least.

use std::time::Duration;

use serde::Serialize;

use super::load::read_back_bytes;
use super::{Worklist, wire_time};
use crate::jedec::Hertz;
use crate::link::Limits;

/// The clocks that a job will use, and what the bench takes besides. Clocks of reads are times the lanes that their
/// data comes in on: bits in a second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// SCK of the first full read, times its lanes.
    pub first: Hertz,
    /// SCK of the second full read, times its lanes.
    pub second: Hertz,
    /// SCK of reading blocks back, times its lanes.
    pub read_back: Hertz,
    /// SCK of the whole read at the end, times its lanes.
    pub whole: Hertz,
    /// SCK of everything that modifies.
    pub modify: Hertz,
    /// Address bytes of each opcode: 3 or 4.
    pub address_bytes: u8,
    /// Lanes of address and data of a program.
    pub program_lanes: [u8; 2],
    /// What each message costs besides its bits.
    pub message: Duration,
    /// Bytes that one message brings in.
    pub message_bytes: u32,
    /// Bytes of the first read that the chip is asked for again, in short frames.
    pub sampled_bytes: u64,
    /// What a step's two records in the journal take, each synced.
    pub records: Duration,
    /// What noting that the write begins takes, in journal and record.
    pub begun: Duration,
}

impl Pace {
    /// [`Pace::records`] where nobody has measured it. fdatasync of 64 bytes took 4.3 ms on a virtual disk
    /// (measured); it takes less on a good disk, and more on most cards.
    pub const RECORDS: Duration = Duration::from_millis(8);
    /// [`Pace::message`] where nobody has measured it.
    pub const MESSAGE: Duration = crate::chip::MESSAGE;
    /// [`Pace::message_bytes`] where the link is not known: spidev's default for `bufsiz` (Linux
    /// `drivers/spi/spidev.c`).
    pub const MESSAGE_BYTES: u32 = 4096;

    /// Reading `bytes` in one go.
    pub(super) fn read(&self, bytes: u64, sck: Hertz) -> Duration {
        let each = u64::from(self.message_bytes)
            .min(Limits::time_bytes(sck) as u64)
            .max(1);
        let messages = u32::try_from(bytes.div_ceil(each)).unwrap_or(u32::MAX);
        wire_time(bytes, sck) + self.message.saturating_mul(messages)
    }
}

/// Erases of one type.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimate {
    /// Two full reads, and what of them is asked for again.
    pub before: Duration,
    /// Erases by type, largest blocks first.
    pub erases: Vec<Erases>,
    /// Program operations, each of a page or a part of one; of a byte or a word where the part takes
    /// those.
    pub programs: u64,
    /// All programming, the way over the wire included.
    pub program: Duration,
    /// How many blocks are accounted for in the journal.
    pub steps: u32,
    /// Two records of the journal for each, synced.
    pub journal: Duration,
    /// Bytes in changed blocks; twice those in blocks shared with unit data.
    pub read_back_bytes: u64,
    /// Reading the changed blocks back.
    pub read_back: Duration,
    /// Size of the part.
    pub size_bytes: u32,
    /// The read of the whole part at the end.
    pub whole_read: Duration,
    /// The least that changing the chip could take: the same erases and programs at the chip's typical
    /// times, with what they put on the wire, and one whole read at the highest of the clocks.
    pub floor: Duration,
    /// The least of what makes it safe: two reads before, the journal, and reading back at the highest
    /// of the clocks.
    pub proof_floor: Duration,
}

impl Estimate {
    /// All of it, one after the other.
    #[must_use]
    pub fn total(&self) -> Duration {
        let erases: Duration = self.erases.iter().map(|erases| erases.time).sum();
        self.before + erases + self.program + self.journal + self.read_back + self.whole_read
    }
}

impl Worklist {
    /// Models the time of the whole write: two full reads, the steps, and one whole read. The steps
    /// take what they were chosen by.
    ///
    /// Times of the chip are typical times. Messages are counted in, but for the few that are neither a
    /// read, an erase nor a program, and those that find a page not done yet.
    #[must_use]
    pub fn estimate(&self) -> Estimate {
        let size = u64::from(self.size_bytes);
        let (rates, pace) = (&self.rates, &self.rates.pace);
        let erases = self.erases();
        let of_step = |step: super::Step| read_back_bytes(step.size_bytes(), step.shared);
        let read_back_bytes = self.upwards().map(of_step).sum();
        let steps = u32::try_from(self.step_count).unwrap_or(u32::MAX);
        let wire_before = wire_time(size, pace.first) + wire_time(size, pace.second);
        let least_erase: Duration = erases.iter().map(|erases| erases.time).sum();
        let begun = if steps > 0 {
            pace.begun
        } else {
            Duration::ZERO
        };
        let journal = begun + rates.journal(steps);
        let highest = pace.first.max(pace.whole).max(pace.read_back);
        let least = rates.least(self.load) + rates.wire(self.load);
        Estimate {
            before: pace.read(size, pace.first)
                + pace.read(size, pace.second)
                + pace.read(pace.sampled_bytes, pace.second),
            erases: erases
                .into_iter()
                .map(|erases| rates.erases(erases))
                .collect(),
            programs: u64::from(self.load.programs),
            program: rates.program(self.load),
            steps,
            journal,
            read_back_bytes,
            read_back: rates.read_back(read_back_bytes),
            size_bytes: self.size_bytes,
            whole_read: pace.read(size, pace.whole),
            floor: least_erase + least + wire_time(size, highest),
            proof_floor: wire_before + journal + wire_time(read_back_bytes, highest),
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
