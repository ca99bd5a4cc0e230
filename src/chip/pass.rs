//! One pass over the whole chip, or over a part of it.

use std::ops::{ControlFlow, Range};

use super::{Chip, ChipError, ReadCommand};
use crate::jedec::{Address, Hertz};

/// Bytes between two looks at the ID during a pass: a clip that moved is noticed within this.
const ID_CHECK_EVERY_BYTES: u64 = 1 << 20;

/// The order in which a pass takes its frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// From the lowest address.
    Up,
    /// From the highest address.
    Down,
}

/// How one pass reads.
///
/// Two passes are independent if command or SCK differ, and always frame boundaries and order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pass {
    /// Read command.
    pub command: ReadCommand,
    /// SCK.
    pub sck: Hertz,
    /// Bytes of each frame but the first and last.
    pub frame_bytes: u32,
    /// Bytes of the first frame; another value than `frame_bytes` shifts all boundaries.
    pub first_bytes: u32,
    /// Order of the frames.
    pub order: Order,
    /// What buffers hold before a frame fills them, so that one that was not filled shows.
    pub poison: u8,
}

/// How a pass ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PassEnd {
    /// All bytes were read.
    Whole,
    /// The receiver asked to stop.
    Stopped,
}

impl Pass {
    /// The frames of a pass over `range`, in order of reading.
    fn frames(&self, range: Range<u32>) -> impl Iterator<Item = Range<u32>> + use<> {
        let frame = self.frame_bytes.max(1);
        let first = self
            .first_bytes
            .clamp(1, frame)
            .min(range.end - range.start);
        let rest = (range.end - range.start - first).div_ceil(frame);
        let count = u64::from(rest) + u64::from(first > 0);
        let down = self.order == Order::Down;
        (0..count).map(move |i| {
            let i = if down { count - 1 - i } else { i };
            // Index 0 is the first, shifted frame.
            let start = if i == 0 {
                0
            } else {
                u64::from(first) + (i - 1) * u64::from(frame)
            };
            let end =
                (u64::from(first) + i * u64::from(frame)).min(u64::from(range.end - range.start));
            // Both lie within the range, which has 32 bits.
            (range.start + start as u32)..(range.start + end as u32)
        })
    }
}

impl Chip {
    /// Reads `range` as `pass` says and hands each frame's bytes to `take`, with their address.
    ///
    /// The ID is checked at the start, every MiB and at the end.
    ///
    /// # Errors
    /// `OutOfRange` before anything is sent; `LostContact`; `Link`.
    pub fn read_pass(
        &mut self,
        pass: &Pass,
        range: Range<u32>,
        take: &mut dyn FnMut(Address, &[u8]) -> ControlFlow<()>,
    ) -> Result<PassEnd, ChipError> {
        let length = range.end.saturating_sub(range.start) as usize;
        self.check_range(Address(range.start), length)?;
        self.check_id()?;
        if length == 0 {
            return Ok(PassEnd::Whole);
        }
        let mut buffer = vec![pass.poison; pass.frame_bytes.max(1) as usize];
        let mut unchecked = 0;
        for frame in pass.frames(range) {
            let length = (frame.end - frame.start) as usize;
            let Some(bytes) = buffer.get_mut(..length) else {
                break;
            };
            bytes.fill(pass.poison);
            self.read_frame(pass.command, pass.sck, Address(frame.start), bytes)?;
            unchecked += bytes.len() as u64;
            if unchecked >= ID_CHECK_EVERY_BYTES {
                self.check_id()?;
                unchecked = 0;
            }
            if take(Address(frame.start), bytes).is_break() {
                return Ok(PassEnd::Stopped);
            }
        }
        self.check_id()?;
        Ok(PassEnd::Whole)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pass(frame_bytes: u32, first_bytes: u32, order: Order) -> Pass {
        let (command, sck) = (ReadCommand::Read, Hertz::mhz(1));
        Pass {
            command,
            sck,
            frame_bytes,
            first_bytes,
            order,
            poison: 0,
        }
    }

    #[test]
    fn frames_tile_the_range_in_either_order() {
        for (frame, first, range) in [
            (16, 16, 0..64),
            (16, 5, 0..64),
            (16, 5, 7..8),
            (16, 9, 3..100),
            (64, 1, 0..64),
        ] {
            let up: Vec<_> = pass(frame, first, Order::Up)
                .frames(range.clone())
                .collect();
            let mut down: Vec<_> = pass(frame, first, Order::Down)
                .frames(range.clone())
                .collect();
            down.reverse();
            assert_eq!(up, down);
            assert_eq!(
                (up[0].start, up[up.len() - 1].end),
                (range.start, range.end)
            );
            assert!(up.windows(2).all(|two| two[0].end == two[1].start));
            assert!(
                up.iter()
                    .all(|f| f.start < f.end && f.end - f.start <= frame)
            );
            assert_eq!(up[0].end - up[0].start, first.min(range.end - range.start));
        }
    }
}
