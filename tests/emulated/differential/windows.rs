//! Where to look after a step.

use std::ops::Range;

use super::operation::Operation;
use super::parts::Subject;
use super::sides::{Modes, Sides};

impl Sides<'_> {
    /// Ranges in which a step may change something, with what stands beside them.
    pub fn windows(&self, operation: &Operation) -> Vec<Range<u32>> {
        let subject = self.subject;
        let four = self.modes.four;
        let size = subject.size();
        match operation.inner(subject, four) {
            Operation::Program { opcode, at, data } => self.around(
                self.reached(opcode, at),
                data.len(),
                subject.part.page_size_bytes,
            ),
            Operation::ProgramWords { at, words } => {
                self.around(self.reached(0xAD, at), 2 * words.len(), 2)
            }
            Operation::Erase { opcode, at } => {
                let bytes = subject.model_erases(opcode).unwrap_or(4096);
                self.around(self.reached(opcode, at), bytes as usize, bytes)
            }
            Operation::Foreign { bytes } => match bytes[..] {
                [opcode @ (0x20 | 0x52), ..] => {
                    let bytes = subject.model_erases(opcode).unwrap_or(4096);
                    self.around(self.reached(opcode, 0x1000), bytes as usize, bytes)
                }
                [0x02, ..] => self.around(self.reached(0x02, 0x2010), 2, 256),
                [0x60] => sample(size),
                _ => Vec::new(),
            },
            Operation::EraseChip { .. } => sample(size),
            _ => Vec::new(),
        }
    }

    /// The address that the chip makes of one that was sent.
    pub fn reached(&self, opcode: u8, at: u32) -> u32 {
        reached(self.subject, self.modes, opcode, at)
    }

    /// A range, the unit it lies in, and some bytes beside both; in two where that turns at the top.
    fn around(&self, at: u32, bytes: usize, unit: u32) -> Vec<Range<u32>> {
        const BESIDE: u32 = 40;
        let size = self.subject.size();
        let start = at - at % unit;
        let end = (at + bytes as u32).max(start + unit);
        let first = start.saturating_sub(BESIDE)..(end + BESIDE).min(size);
        let second = (end > size).then(|| 0..end - size + BESIDE);
        [first].into_iter().chain(second).collect()
    }
}

/// Parts up to here are looked at whole.
const WHOLE_BYTES: u32 = 512 << 10;

/// The whole chip if it is small, else bottom, middle and top, and both sides of 16 MiB.
#[allow(
    clippy::single_range_in_vec_init,
    reason = "the list has one range in it"
)]
pub fn sample(size: u32) -> Vec<Range<u32>> {
    if size <= WHOLE_BYTES {
        let whole = 0..size;
        return vec![whole];
    }
    const EACH: u32 = 512;
    let mut ranges = vec![0..EACH, size / 2 - EACH..size / 2 + EACH, size - EACH..size];
    let edge = 1_u32 << 24;
    if size > edge {
        ranges.push(edge - EACH..edge + EACH);
    }
    ranges
}

/// The address that a chip makes of one that was sent, by its datasheet.
pub fn reached(subject: &Subject, modes: Modes, opcode: u8, at: u32) -> u32 {
    let operation = Operation::Erase { opcode, at };
    if operation.header_bytes(subject, modes.four) == 5 {
        return at % subject.size();
    }
    let upper = u32::from(modes.upper) << 24;
    (at & 0x00FF_FFFF | upper) % subject.size()
}
