//! Auto address increment: word after word behind one address.
//!
//! Write enable, ADh with an even address and two bytes, then ADh with two bytes at a time, each once
//! the word before is done; write disable ends it ([`opcode::AAI_WORD_PROGRAM`]). Meanwhile the chip
//! takes ADh, 04h and 05h only and shows the mode in its status register. At the end of the array it
//! leaves the mode by itself.

use std::time::Duration;

use super::busy::{Course, Operation};
use super::{Armed, STATUS_BYTES, WEL, WIP};
use crate::chip::ChipError;
use crate::jedec::{Address, opcode};
use crate::link::{Frame, Limits, LinkError, Segment};
use crate::part::Part;

/// Longest word time that is spent on every word. A part that may take longer is polled after each
/// (no source: the maximum of the table's parts that state one is 60 us).
const SETTLE_MAX: Duration = Duration::from_micros(100);
/// Bytes on the wire per word: opcode and two data bytes, opcode and status.
const WORD_BYTES: usize = 3 + 1 + STATUS_BYTES;
/// Bytes on the wire around the words: 06h, 05h with status, an address; 04h, 05h with status.
const AROUND_BYTES: usize = 3 + 4 + 3;

/// How long each word is given before the next, where several share a message: the maximum, so that
/// a chip within its datasheet is never sent a word while it is busy. `None` where that is not known
/// or too long, and each word is polled for.
#[must_use]
pub(crate) fn word_settle(part: &Part) -> Option<Duration> {
    Some(part.page_program.max).filter(|max| *max <= SETTLE_MAX)
}

/// What one message sends.
struct Words<'d> {
    address: Address,
    data: &'d [u8],
    /// Begins with write enable and the address.
    starts: bool,
    /// Ends with write disable.
    ends: bool,
}

impl Armed {
    /// Programs words from an even address on. Whatever fails, the mode is left.
    pub(super) fn program_words(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        self.chip.aim(address)?;
        let result = self.increment(address, data);
        if result.is_err() {
            // What failed is told; that this fails too shows at the next look at the chip.
            let _ = self.leave_increment();
        }
        result
    }

    /// Leaves auto address increment, if it may be on: after a failure, with the chip given time to
    /// be done, as it does not take 04h while it is busy.
    pub(super) fn leave_increment(&mut self) -> Result<(), ChipError> {
        if !self.incrementing {
            return Ok(());
        }
        self.rest(self.part().page_program.max);
        self.send(&[&[opcode::WRITE_DISABLE]])?;
        match self.chip.status()? {
            status if status & (self.increment_bit() | WEL) != 0 => {
                Err(ChipError::WelStuck { status })
            }
            _ => {
                self.incrementing = false;
                Ok(())
            }
        }
    }

    fn increment(&mut self, address: Address, data: &[u8]) -> Result<(), ChipError> {
        let (mut at, mut rest, mut starts) = (address.0, data, true);
        let settle = word_settle(self.part());
        loop {
            let room = |armed: &Self, ends| match settle {
                Some(settle) => armed.room(settle, starts, ends).max(1),
                None => 1,
            };
            let ends = settle.is_some() && rest.len() / 2 <= room(self, true);
            let words = room(self, ends).min(rest.len() / 2);
            let (now, later) = rest.split_at(2 * words);
            let message = Words {
                address: Address(at),
                data: now,
                starts,
                ends,
            };
            match self.send_words(&message, settle) {
                // The link has lowered its limit and sent nothing.
                Err(ChipError::Link(LinkError::TooLong { .. })) if room(self, ends) < words => {
                    continue;
                }
                sent => sent?,
            }
            if later.is_empty() {
                return if ends {
                    Ok(())
                } else {
                    self.end_increment(address)
                };
            }
            at = at.saturating_add(u32::try_from(now.len()).unwrap_or(u32::MAX));
            (rest, starts) = (later, false);
        }
    }

    /// Words that one message holds, as the link counts them and within its time.
    fn room(&self, settle: Duration, starts: bool, ends: bool) -> usize {
        let limits = self.chip.guard.limits();
        let sck = u128::from(self.sck().0.max(1));
        let wire = |bytes: usize| bytes as u128 * 8_000_000_000 / sck;
        let around = usize::from(starts) + usize::from(ends);
        // An exchange counts in both directions, so the sum is right for either form of frames.
        let word = limits.counted(3) + limits.counted(1 + STATUS_BYTES);
        let address = usize::from(starts) * (limits.counted(3 + 4) - limits.counted(3));
        let out = around * (limits.counted(1) + limits.counted(2)) + address;
        let by_size = limits.batch_out_bytes.min(limits.batch_in_bytes);
        let by_size = by_size.saturating_sub(out) / word;
        let by_segments = limits.batch_segments.saturating_sub(3 * around) / 3;
        let time = Limits::BATCH_TIME_MAX.as_nanos();
        let word = wire(WORD_BYTES) + settle.as_nanos();
        let by_time = time.saturating_sub(wire(AROUND_BYTES)) / word.max(1);
        let by_time = usize::try_from(by_time).unwrap_or(usize::MAX);
        by_size.min(by_segments).min(by_time)
    }

    /// Sends one message and judges every status that it captured: a word that met a busy chip was
    /// ignored, and would be missing.
    fn send_words(&mut self, words: &Words<'_>, settle: Option<Duration>) -> Result<(), ChipError> {
        let (mut before, mut behind) = ([0], [0]);
        let count = words.data.len() / 2;
        let mut statuses = vec![[0; STATUS_BYTES]; count];
        let heads: Vec<Vec<u8>> = self.word_frames(words);
        let after = settle.unwrap_or(self.part().page_program.typical);
        let read = |into| {
            Frame::new(vec![
                Segment::Out(&[opcode::READ_STATUS_1]),
                Segment::In(into),
            ])
        };
        let mut batch = Vec::new();
        if words.starts {
            batch.push(Frame::new(vec![Segment::Out(&[opcode::WRITE_ENABLE])]));
            batch.push(read(&mut before));
        }
        for (head, status) in heads.iter().zip(&mut statuses) {
            batch.push(Frame::new(vec![Segment::Out(head)]));
            batch.push(read(status).after(after));
        }
        if words.ends {
            batch.push(Frame::new(vec![Segment::Out(&[opcode::WRITE_DISABLE])]));
            batch.push(read(&mut behind));
        }
        let sck = self.sck();
        let sent = self.chip.guard.transfer(&mut batch, sck);
        drop(batch);
        if !matches!(sent, Err(LinkError::TooLong { .. } | LinkError::Guard(_))) {
            self.incrementing = true;
        }
        sent?;
        if words.starts {
            self.enabled(words.address, before)?;
        }
        for (at, [.., status]) in (words.address.0..).step_by(2).zip(statuses) {
            self.judge_word(Address(at), status, settle.is_none())?;
        }
        if words.ends {
            self.judge_left(words.address, behind[0])?;
        }
        Ok(())
    }

    fn word_frames(&self, words: &Words<'_>) -> Vec<Vec<u8>> {
        let each = words.data.chunks_exact(2).enumerate();
        let frame = each.map(|(number, word)| {
            let mut frame = if words.starts && number == 0 {
                let width = self.chip.width;
                width.command(opcode::AAI_WORD_PROGRAM, words.address, 0)
            } else {
                vec![opcode::AAI_WORD_PROGRAM]
            };
            frame.extend_from_slice(word);
            frame
        });
        frame.collect()
    }

    /// The chip must be ready and go on, or be at its end, where it leaves the mode.
    fn judge_word(
        &mut self,
        address: Address,
        mut status: u8,
        polled: bool,
    ) -> Result<(), ChipError> {
        if polled && status & WIP != 0 {
            let operation = Operation {
                what: "program",
                address,
                time: self.part().page_program,
                kind: (opcode::AAI_WORD_PROGRAM, 2),
            };
            let mut course = Course::new(self.plan(&operation), self.now());
            status = self.poll_ready(&operation, &mut course)?.status();
        }
        let bits = WIP | WEL | self.increment_bit();
        let last = u64::from(address.0) + 2 >= u64::from(self.chip.size_bytes());
        match status & bits {
            0 if last => Ok(()),
            seen if seen == bits & !WIP => Ok(()),
            _ => Err(ChipError::Failed {
                what: "program",
                address,
                status,
            }),
        }
    }

    /// Write disable, and a look at whether it was heard.
    fn end_increment(&mut self, address: Address) -> Result<(), ChipError> {
        self.send(&[&[opcode::WRITE_DISABLE]])?;
        let status = self.chip.status()?;
        self.judge_left(address, status)
    }

    fn judge_left(&mut self, address: Address, status: u8) -> Result<(), ChipError> {
        if status & (WIP | WEL | self.increment_bit()) == 0 {
            self.incrementing = false;
            return Ok(());
        }
        Err(ChipError::Failed {
            what: "program",
            address,
            status,
        })
    }

    fn increment_bit(&self) -> u8 {
        self.part().status.increment_bit()
    }
}
