//! One pass over the whole chip, or over a part of it.

use std::ops::{ControlFlow, Range};

use super::width::segment_end;
use super::{COMMAND_BYTES_MAX, Chip, ChipError, ReadCommand};
use crate::jedec::{Address, Hertz, ID_BYTES, opcode};
use crate::link::{Frame, Limits, LinkError, Segment};

/// Bytes between two looks at the ID during a pass: a clip that moved is noticed within this.
const ID_CHECK_EVERY_BYTES: u32 = 1 << 20;
/// Short frames that share a message.
const FRAMES_TOGETHER_MAX: usize = 64;
/// Longest first frame that may share a batch with the one beside it.
const HEAD_BYTES_MAX: u32 = 64;

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
/// Two passes are independent of each other where frame boundaries and order differ, and besides them the
/// command or the SCK.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pass {
    /// Read command.
    pub command: ReadCommand,
    /// SCK.
    pub sck: Hertz,
    /// Bytes of each frame but the first and last, and but those that leave room for the ID.
    pub frame_bytes: u32,
    /// Bytes of the first frame, or what they are beyond whole frames; a multiple of `frame_bytes` shifts
    /// no boundary, anything else all of them.
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

/// How a pass is laid out over a range.
///
/// Addresses are counted from the start of the range: the head, if there is one, then frames. Where
/// the ID is looked at, the frame is short, so that both go in one batch.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Layout {
    length: u32,
    /// A first frame of another length, which shifts all boundaries; 0 is none.
    head: u32,
    /// The head shares a batch with the frame beside it.
    joined: bool,
    frame: u32,
    /// Every frame that is followed by a look at the ID.
    short: u32,
    /// Frames from one short one to the next.
    every: u32,
}

/// What one batch reads.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Batch {
    /// Frames of the array, in order of reading.
    frames: Vec<Range<u32>>,
    /// Whether the ID is looked at after them.
    check: bool,
}

impl Layout {
    /// Frames of these lengths, the head alone in its batch.
    fn of(length: u32, first_bytes: u32, frame_bytes: u32, short_bytes: u32) -> Self {
        let frame = frame_bytes.max(1);
        Self {
            length,
            // Where frames are shorter than the first, as at a very slow clock, its rest shifts them.
            head: (first_bytes % frame).min(length),
            joined: false,
            frame,
            short: short_bytes.clamp(1, frame),
            every: ID_CHECK_EVERY_BYTES.div_ceil(frame),
        }
    }

    /// Frames besides the head.
    fn count(&self) -> u32 {
        let rest = self.length - self.head;
        let group = self.group();
        let over = u32::try_from(u64::from(rest) % group).unwrap_or(0);
        let more = match over {
            0 => 0,
            over => 1 + over.saturating_sub(self.short).div_ceil(self.frame),
        };
        u32::try_from(u64::from(rest) / group).unwrap_or(u32::MAX) * self.every + more
    }

    /// Bytes from one short frame to the next.
    fn group(&self) -> u64 {
        u64::from(self.every - 1) * u64::from(self.frame) + u64::from(self.short)
    }

    /// Where frame `index` begins; the head is not counted.
    fn start(&self, index: u32) -> u32 {
        let (groups, within) = (index / self.every, index % self.every);
        let inside = match within {
            0 => 0,
            within => u64::from(self.short) + u64::from(within - 1) * u64::from(self.frame),
        };
        let start = u64::from(self.head) + u64::from(groups) * self.group() + inside;
        u32::try_from(start.min(u64::from(self.length))).unwrap_or(self.length)
    }

    /// The frame that holds address `at` of the range.
    fn around(&self, at: u32) -> Range<u32> {
        if at < self.head {
            return 0..self.head;
        }
        let (mut low, mut high) = (0, self.count());
        while high.saturating_sub(low) > 1 {
            let middle = low + (high - low) / 2;
            match self.start(middle) <= at {
                true => low = middle,
                false => high = middle,
            }
        }
        self.start(low)..self.start(high)
    }

    /// The batches, in the given order.
    fn batches(self, order: Order) -> impl Iterator<Item = Batch> {
        let frames = self.count();
        let alone = u32::from(self.head > 0 && !(self.joined && frames > 0));
        let count = frames + alone;
        (0..count).map(move |number| {
            let down = order == Order::Down;
            let place = if down { count - 1 - number } else { number };
            let mut of_batch = Vec::new();
            let index = place.checked_sub(alone);
            if self.head > 0 && place == 0 {
                of_batch.push(0..self.head);
            }
            if let Some(index) = index.filter(|index| *index < frames) {
                of_batch.push(self.start(index)..self.start(index + 1));
            }
            if down {
                of_batch.reverse();
            }
            let due = index.is_some_and(|index| index % self.every == 0);
            Batch {
                frames: of_batch,
                check: due || number == 0 || number + 1 == count,
            }
        })
    }
}

/// Where the frames of a pass over the whole chip lie.
#[derive(Debug, Clone)]
pub(crate) struct Frames(Vec<(Range<u32>, Layout)>);

impl Frames {
    /// Those of a pass over `size_bytes` whose frames had these lengths.
    #[must_use]
    pub fn of(size_bytes: u32, first_bytes: u32, frame_bytes: u32, short_bytes: u32) -> Self {
        let segments = segments(0..size_bytes).into_iter();
        let layout = |range: &Range<u32>| {
            let length = range.end - range.start;
            Layout::of(length, first_bytes, frame_bytes, short_bytes)
        };
        Self(
            segments
                .map(|range| (range.clone(), layout(&range)))
                .collect(),
        )
    }

    /// The frame that holds `address`; `None` beyond the array.
    #[must_use]
    pub fn around(&self, address: u32) -> Option<Range<u32>> {
        let (range, layout) = self.0.iter().find(|(range, _)| range.contains(&address))?;
        let frame = layout.around(address - range.start);
        Some(range.start + frame.start..range.start + frame.end)
    }
}

impl Chip {
    /// Bytes of the frames of `pass` that leave room for the ID, as the link's limits are now.
    #[must_use]
    pub fn short_frame_bytes(&self, pass: &Pass) -> u32 {
        self.layout(pass, self.size_bytes()).short
    }

    /// Reads `range` as `pass` says and hands each frame's bytes to `take`, with their address.
    ///
    /// The ID is looked at behind the first frame, behind the last, and every MiB: in one batch with
    /// the frame before it where the link has room for both. A frame is handed on after that look.
    ///
    /// Each 16 MiB is a pass of its own. Where a register selects them it is set once for each, in
    /// messages of its own, and read back at the end. Elsewhere no frame crosses them either, since not
    /// every datasheet of a part with several dies says that its chip counts on from one to the next.
    ///
    /// # Errors
    /// `OutOfRange` before anything is sent; `LostContact`; `AddressMode`, `AddressRegister`; `Link`. What `take`
    /// was given before is then not to be relied on.
    pub fn read_pass(
        &mut self,
        pass: &Pass,
        range: Range<u32>,
        take: &mut dyn FnMut(Address, &[u8]) -> ControlFlow<()>,
    ) -> Result<PassEnd, ChipError> {
        let length = range.end.saturating_sub(range.start);
        self.check_range(Address(range.start), length as usize)?;
        if length == 0 {
            self.check_id()?;
        }
        let mut segments = segments(range);
        if pass.order == Order::Down {
            segments.reverse();
        }
        for segment in segments {
            let start = Address(segment.start);
            self.select(start)?;
            if self.read_segment(pass, segment, take)? == PassEnd::Stopped {
                return Ok(PassEnd::Stopped);
            }
            self.aim(start)?;
        }
        Ok(PassEnd::Whole)
    }

    /// Reads `into.len()` bytes from `address` on in frames of `frame_bytes`, each with an address of its own:
    /// as many in one message as the link takes. The range must not cross a multiple of 16 MiB, as a register that
    /// completes addresses is set between messages only.
    ///
    /// # Errors
    /// `OutOfRange` before anything is sent; `AddressRegister`; `Link`.
    pub fn read_in_frames(
        &mut self,
        (command, sck): (ReadCommand, Hertz),
        frame_bytes: usize,
        address: Address,
        into: &mut [u8],
    ) -> Result<(), ChipError> {
        self.check_range(address, into.len())?;
        let frame_bytes = frame_bytes.max(1);
        let holds = |count: &usize| {
            let frames = vec![(command.out_bytes(), frame_bytes); *count];
            self.guard.holds(&frames, sck)
        };
        let most = (1..=FRAMES_TOGETHER_MAX).take_while(holds).count().max(1);
        let mut at = address.0;
        for bytes in into.chunks_mut(most * frame_bytes) {
            self.select(Address(at))?;
            match self.read_together((command, sck), frame_bytes, at, bytes) {
                // The kernel takes less than it said; the link has lowered its limit and sent nothing.
                Err(ChipError::Link(LinkError::TooLong { .. })) => {
                    for (start, frame) in (at..)
                        .step_by(frame_bytes)
                        .zip(bytes.chunks_mut(frame_bytes))
                    {
                        self.read(command, sck, Address(start), frame)?;
                    }
                }
                sent => sent?,
            }
            at = at.saturating_add(bytes.len() as u32);
        }
        Ok(())
    }

    fn read_together(
        &mut self,
        (command, sck): (ReadCommand, Hertz),
        frame_bytes: usize,
        at: u32,
        into: &mut [u8],
    ) -> Result<(), ChipError> {
        let starts = (at..).step_by(frame_bytes).map(Address);
        let heads: Vec<Vec<u8>> = starts
            .take(into.len().div_ceil(frame_bytes))
            .map(|start| self.width.read_head(command, start))
            .collect();
        let frames = heads.iter().zip(into.chunks_mut(frame_bytes));
        let mut wire: Vec<_> = frames
            .map(|(head, bytes)| command.frame(head, bytes))
            .collect();
        Ok(self.guard.transfer(&mut wire, sck)?)
    }

    /// Reads what is reached without setting an address register.
    fn read_segment(
        &mut self,
        pass: &Pass,
        range: Range<u32>,
        take: &mut dyn FnMut(Address, &[u8]) -> ControlFlow<()>,
    ) -> Result<PassEnd, ChipError> {
        let length = range.end - range.start;
        let mut buffer = Vec::new();
        for mut batch in self.layout(pass, length).batches(pass.order) {
            for frame in &mut batch.frames {
                *frame = range.start + frame.start..range.start + frame.end;
            }
            buffer.clear();
            buffer.resize(batch.frames.iter().map(bytes_of).sum(), pass.poison);
            self.read_batch(pass, &batch, &mut buffer)?;
            let mut rest = buffer.as_slice();
            for frame in &batch.frames {
                let (bytes, after) = rest.split_at(bytes_of(frame));
                if take(Address(frame.start), bytes).is_break() {
                    return Ok(PassEnd::Stopped);
                }
                rest = after;
            }
        }
        Ok(PassEnd::Whole)
    }

    /// Frames as long as the pass says, but short ones where the ID would not fit beside them.
    fn layout(&self, pass: &Pass, length: u32) -> Layout {
        let plain = Layout::of(length, pass.first_bytes, pass.frame_bytes, pass.frame_bytes);
        let (head, frame) = (plain.head, plain.frame);
        let joined = head <= HEAD_BYTES_MAX;
        let beside = Some(head as usize).filter(|head| joined && *head > 0);
        let out_bytes = pass.command.out_bytes();
        let sent: usize = out_bytes.iter().sum();
        let holds = |bytes: u32| {
            let frames = beside.into_iter().chain([bytes as usize]);
            let mut frames: Vec<_> = frames.map(|bytes| (out_bytes, bytes)).collect();
            frames.push(([1, 0], ID_BYTES));
            self.guard.holds(&frames, pass.sck)
        };
        let limits = self.guard.limits();
        let taken = limits.counted(1 + ID_BYTES)
            + sent.saturating_sub(COMMAND_BYTES_MAX)
            + beside.map_or(0, |head| limits.counted(sent + head));
        let room = self.frame_bytes(pass.sck).saturating_sub(taken);
        // No boundary may leave the grid that the others lie on.
        let grid = if frame as usize >= Limits::GRID_BYTES {
            Limits::GRID_BYTES
        } else {
            2
        };
        let room = room / grid * grid;
        let short = u32::try_from(room).unwrap_or(u32::MAX).min(frame);
        // Where the room is scarce anyway, the ID goes in a batch of its own.
        let fits = short >= frame / 2 && holds(short);
        Layout {
            joined: joined && fits,
            short: if fits { short.max(1) } else { frame },
            ..plain
        }
    }

    /// Reads the frames of one batch into `buffer`, one behind the other, and looks at the ID if it
    /// is time.
    fn read_batch(
        &mut self,
        pass: &Pass,
        batch: &Batch,
        buffer: &mut [u8],
    ) -> Result<(), ChipError> {
        let out_bytes = pass.command.out_bytes();
        let sizes = batch.frames.iter().map(|f| (out_bytes, bytes_of(f)));
        let sizes: Vec<_> = sizes.chain([([1, 0], ID_BYTES)]).collect();
        let together = batch.check && self.guard.holds(&sizes, pass.sck);
        let heads: Vec<Vec<u8>> = batch.frames.iter().map(|f| self.head(pass, f)).collect();
        let (mut wire, mut id) = (Vec::new(), [0; ID_BYTES]);
        let mut rest = &mut *buffer;
        for (frame, head) in batch.frames.iter().zip(&heads) {
            let (bytes, after) = rest.split_at_mut(bytes_of(frame));
            wire.push(pass.command.frame(head, bytes));
            rest = after;
        }
        if together {
            let read_id = Segment::Out(&[opcode::READ_JEDEC_ID]);
            wire.push(Frame::new(vec![read_id, Segment::In(&mut id)]));
        }
        let sent = self.guard.transfer(&mut wire, pass.sck);
        drop(wire);
        match sent {
            // The kernel takes less than it said; the link has lowered its limit and sent nothing.
            Err(LinkError::TooLong { .. }) => self.read_apart(pass, batch, buffer)?,
            sent => sent?,
        }
        // An ID that is not the chip's, or was not read in this batch, is read on its own.
        if batch.check && id[..3] != self.id[..3] {
            self.check_id()?;
        }
        Ok(())
    }

    fn read_apart(
        &mut self,
        pass: &Pass,
        batch: &Batch,
        buffer: &mut [u8],
    ) -> Result<(), ChipError> {
        let mut rest = buffer;
        for frame in &batch.frames {
            let (bytes, after) = rest.split_at_mut(bytes_of(frame));
            self.read_lowered(pass.command, pass.sck, Address(frame.start), bytes)?;
            rest = after;
        }
        Ok(())
    }

    fn head(&self, pass: &Pass, frame: &Range<u32>) -> Vec<u8> {
        self.width.read_head(pass.command, Address(frame.start))
    }
}

/// `range` in pieces that no frame crosses the border of.
fn segments(range: Range<u32>) -> Vec<Range<u32>> {
    let mut segments = Vec::new();
    let mut rest = range;
    while !rest.is_empty() {
        let end = segment_end(Address(rest.start)).min(rest.end);
        segments.push(rest.start..end);
        rest.start = end;
    }
    segments
}

fn bytes_of(frame: &Range<u32>) -> usize {
    (frame.end - frame.start) as usize
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Every shape that [`Chip::layout`] can give, and smaller.
    fn layouts() -> impl Strategy<Value = Layout> {
        let frames = (1..80_u32).prop_flat_map(|frame| (Just(frame), 1..=frame, 0..=frame));
        (1..2000_u32, frames, any::<bool>(), 1..6_u32).prop_map(
            |(length, (frame, short, head), joined, every)| Layout {
                length,
                head: head.min(length),
                joined,
                frame,
                short,
                every,
            },
        )
    }

    proptest! {
        #[test]
        fn batches_tile_the_range_in_either_order(layout in layouts()) {
            let up: Vec<_> = layout.clone().batches(Order::Up).collect();
            let mut down: Vec<_> = layout.clone().batches(Order::Down).collect();
            down.reverse();
            let frames = |batches: &[Batch]| -> Vec<Range<u32>> {
                let each = batches.iter().flat_map(|batch| batch.frames.clone());
                let mut frames: Vec<_> = each.collect();
                frames.sort_by_key(|frame| frame.start);
                frames
            };
            let tiles = frames(&up);
            prop_assert_eq!(&tiles, &frames(&down));
            prop_assert_eq!((tiles[0].start, tiles[tiles.len() - 1].end), (0, layout.length));
            prop_assert!(tiles.windows(2).all(|two| two[0].end == two[1].start));
            let fits = |f: &Range<u32>| f.start < f.end && f.end - f.start <= layout.frame;
            prop_assert!(tiles.iter().all(fits));
            prop_assert!(up[0].check && up[up.len() - 1].check);
            for frame in &tiles {
                for at in [frame.start, frame.end - 1] {
                    prop_assert_eq!(&layout.around(at), frame);
                }
            }
            // A frame that shares its batch with the ID or the head is short, but for the last.
            for batch in &up[..up.len() - 1] {
                let bytes = batch.frames.last().map_or(0, |f| f.end - f.start);
                prop_assert!(!batch.check || bytes <= layout.short.max(layout.head));
            }
        }

        #[test]
        fn looks_at_the_id_are_never_further_apart_than_a_group(layout in layouts()) {
            for order in [Order::Up, Order::Down] {
                let batches = layout.clone().batches(order);
                let checks: Vec<bool> = batches.map(|batch| batch.check).collect();
                // The head, in a batch of its own, is one more.
                let group = layout.every as usize + 1;
                prop_assert!(checks.windows(group).all(|batches| batches.contains(&true)));
            }
        }
    }
}
