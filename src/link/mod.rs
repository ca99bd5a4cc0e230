//! One chip select on one SPI bus.
//!
//! A [`Segment`] is bytes out or in, a [`Frame`] the segments of one CS assertion, a batch several
//! frames handed over at once. Links carry bytes only: opcodes, addresses and dummy clocks are laid
//! out by [`crate::chip`], so that the mock decodes what a chip would see.
//!
//! [`SpidevLink`] is a node of Linux's spidev, [`DeviceLink`] any `SpiDevice` of `embedded-hal` 1.0, and
//! [`MockLink`](crate::mock::MockLink) leads to a simulated chip; for anything else implement [`Link`]. A
//! [`Way::Link`](crate::job::Way::Link) hands a link to a job. Whatever it is, the chip above it puts a [`Guard`] in
//! front, which lets no modifying frame of a reading job pass. [`Trace`] tells of each frame.

mod device;
mod guard;
#[cfg(test)]
mod guard_tests;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod ioctl;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod lock;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod node;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod spidev;
#[cfg(all(feature = "linux", target_os = "linux"))]
mod supply;
mod trace;

use std::fmt;
use std::time::Duration;

pub use device::DeviceLink;
pub use guard::{Class, Guard, Purpose, Scope};
#[cfg(all(feature = "linux", target_os = "linux"))]
pub use node::{Node, list_nodes};
#[cfg(all(feature = "linux", target_os = "linux"))]
pub use spidev::SpidevLink;
pub use trace::{Sent, Trace};

use crate::jedec::{Hertz, Lanes, Millivolts};

/// Whether a node leads to the flash that the bench computer itself boots from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HostFlash {
    /// It is a node of the pin header; the text says how that is known.
    No(String),
    /// It is the host's own flash, or may well be.
    Yes(String),
    /// Nothing here tells.
    Unknown(String),
}

/// A run of bytes in one direction, or in both at once.
#[derive(Debug)]
pub enum Segment<'a> {
    /// Host to chip.
    Out(&'a [u8]),
    /// Chip to host; zeros are shifted out meanwhile.
    In(&'a mut [u8]),
    /// Both at once; the buffer's bytes go out and are replaced by what came in.
    Exchange(&'a mut [u8]),
}

impl Segment<'_> {
    /// Bytes on the wire.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            Segment::Out(bytes) => bytes.len(),
            Segment::In(bytes) | Segment::Exchange(bytes) => bytes.len(),
        }
    }

    /// Whether nothing goes over the wire.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// On how many lanes it goes in a frame on `lanes`: the first segment holds the opcode, and goes on
    /// one as an exchange does.
    fn lanes(&self, index: usize, lanes: Lanes) -> u8 {
        match self {
            Segment::Out(_) if index > 0 => lanes.out.max(1),
            Segment::In(_) => lanes.into.max(1),
            Segment::Out(_) | Segment::Exchange(_) => 1,
        }
    }
}

/// The segments of one CS assertion, and how long the chip must have had since CS last rose.
///
/// A program or erase starts when CS rises, so a settle time belongs to the frame that *follows*
/// the modifying one, never to that frame itself: a delay inside it would hold CS low and start
/// nothing.
#[derive(Debug)]
pub struct Frame<'a> {
    /// Least time between the rise of CS before this frame and the first byte read in it. A link
    /// rounds it up.
    pub settle: Duration,
    /// Lanes of all segments but the first, which goes on one.
    pub lanes: Lanes,
    /// What goes over the wire while CS is low.
    pub segments: Vec<Segment<'a>>,
}

impl<'a> Frame<'a> {
    /// A frame on one lane, with no settle time.
    #[must_use]
    pub fn new(segments: Vec<Segment<'a>>) -> Self {
        Self {
            settle: Duration::ZERO,
            lanes: Lanes::ONE,
            segments,
        }
    }

    /// The same frame, answering at the earliest `settle` after CS last rose.
    #[must_use]
    pub fn after(mut self, settle: Duration) -> Self {
        self.settle = settle;
        self
    }

    /// The same frame on `lanes`; its first segment, the opcode, stays on one.
    #[must_use]
    pub fn on(mut self, lanes: Lanes) -> Self {
        self.lanes = lanes;
        self
    }

    /// Periods of SCK that it takes.
    #[must_use]
    pub fn clocks(&self) -> u64 {
        let each = self.segments.iter().enumerate().map(|(index, segment)| {
            let lanes = u64::from(segment.lanes(index, self.lanes));
            (segment.len() as u64).saturating_mul(8).div_ceil(lanes)
        });
        each.sum()
    }

    /// Bytes on the wire.
    #[must_use]
    pub fn len(&self) -> usize {
        self.segments.iter().map(Segment::len).sum()
    }

    /// Whether nothing goes over the wire.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// What one batch may hold, and what the link is declared to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Bytes that may go out in one batch, all frames together.
    pub batch_out_bytes: usize,
    /// Bytes that may come in in one batch, all frames together.
    pub batch_in_bytes: usize,
    /// Each segment counts as its length rounded up to a multiple of this, in its direction alone
    /// (alignment of transfer buffers); 1 where it counts as it is.
    pub segment_align_bytes: usize,
    /// Segments that one batch may hold.
    pub batch_segments: usize,
    /// Highest SCK to ask for.
    pub sck_max: Hertz,
    /// Lowest SCK the link can make.
    pub sck_min: Hertz,
    /// Lanes that a frame may be on. Whether all of them reach the chip the link cannot know.
    pub lanes: Lanes,
}

/// One chip select on one bus.
///
/// `transfer` sends the frames in order: for each, CS low, the segments without a gap in CS, CS high.
/// No byte is read in a frame before its `settle` time has passed since CS last rose. It returns only
/// when all frames are done or none further will be sent.
pub trait Link: Send {
    /// What the link is called on screens, such as `/dev/spidev0.0`.
    fn name(&self) -> &str;

    /// Level that the link's outputs drive and its supply pin gives, where it is declared.
    fn level(&self) -> Option<Millivolts>;

    /// What the bench computer reports of an under-voltage of its own supply, now or a moment ago, in
    /// words; the clip's supply comes from it. `None` also where nothing is reported.
    fn under_voltage(&mut self) -> Option<String> {
        None
    }

    /// What one batch may hold now. May shrink after [`LinkError::TooLong`].
    fn limits(&self) -> Limits;

    /// Sends a batch at `sck` or the next lower clock the link can make; below [`Limits::sck_min`] at that one.
    ///
    /// # Errors
    /// Any [`LinkError`]; frames may have been sent up to the one that failed, so the state of a
    /// chip after a modifying batch is unknown. `TooLong` is returned before anything is sent. A frame on lanes that
    /// the link does not have is `Refused`.
    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError>;

    /// Time since the link was opened. A mock counts virtual time.
    fn now(&self) -> Duration;

    /// Whether time passes while a batch is sent, in which the computer can do something else. False on a
    /// virtual clock: nothing would be won there, and runs would no longer be the same each time.
    fn takes_time(&self) -> bool {
        false
    }

    /// Waits at least `time` with CS high. Callers keep it below 100 ms a call, so that a person who
    /// stops the work is heard.
    fn wait(&mut self, time: Duration);

    /// Clocks bytes in with CS high, zeros going out: no chip is spoken to, and whatever changes on MISO
    /// is driven by another. False, with nothing clocked, where the link cannot.
    ///
    /// # Errors
    /// Any [`LinkError`].
    fn idle(&mut self, _into: &mut [u8], _sck: Hertz) -> Result<bool, LinkError> {
        Ok(false)
    }
}

impl<L: Link + ?Sized> Link for Box<L> {
    fn name(&self) -> &str {
        (**self).name()
    }
    fn level(&self) -> Option<Millivolts> {
        (**self).level()
    }
    fn under_voltage(&mut self) -> Option<String> {
        (**self).under_voltage()
    }
    fn limits(&self) -> Limits {
        (**self).limits()
    }
    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        (**self).transfer(batch, sck)
    }
    fn now(&self) -> Duration {
        (**self).now()
    }
    fn takes_time(&self) -> bool {
        (**self).takes_time()
    }
    fn wait(&mut self, time: Duration) {
        (**self).wait(time);
    }
    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        (**self).idle(into, sck)
    }
}

/// Why a batch, or the link itself, failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LinkError {
    /// The device node could not be opened or set up.
    #[error("cannot {action} {node}")]
    Node {
        /// What was tried, such as `open`.
        action: &'static str,
        /// The device node.
        node: String,
        /// What the kernel said.
        #[source]
        source: std::io::Error,
    },
    /// Another process holds the device.
    #[error("{node} is in use by another process")]
    InUse {
        /// The device node.
        node: String,
    },
    /// The controller does not take the mode that was asked for.
    #[error("{node}: asked for SPI mode 0x{asked:X}, the controller reads back 0x{got:X}")]
    Mode {
        /// The device node.
        node: String,
        /// Mode word written.
        asked: u32,
        /// Mode word read back.
        got: u32,
    },
    /// The batch is longer than the link takes; nothing was sent.
    #[error("a batch of {bytes} bytes is longer than the {limit} the link takes")]
    TooLong {
        /// Bytes in the longer direction.
        bytes: usize,
        /// What the link takes now.
        limit: usize,
    },
    /// The kernel moved another number of bytes than asked; what was sent is not known.
    #[error("the link moved {got} of {expected} bytes")]
    Short {
        /// Bytes in the batch.
        expected: usize,
        /// Bytes the link says it moved.
        got: usize,
    },
    /// The driver refuses a batch as it was asked for, most often before anything of it is sent: spidev by
    /// EINVAL, [`DeviceLink`] for lanes that it has not or a clock that cannot be set.
    #[error("the controller does not take a transfer at {sck}")]
    Refused {
        /// SCK asked for.
        sck: Hertz,
        /// What the driver said.
        #[source]
        source: std::io::Error,
    },
    /// The transfer failed.
    #[error("the link failed during a transfer")]
    Io(#[from] std::io::Error),
    /// WEL was still set after write disable, at the end of a change of address mode.
    #[error("WEL is still set after write disable")]
    StillEnabled,
    /// The guard kept a frame off the wire.
    #[error("{0}")]
    Guard(String),
    /// The bench computer lost its supply (simulated).
    #[error("the supply was cut (simulated, cut {cut})")]
    PowerCut {
        /// The modifying operation at which it happened; replays alone.
        cut: u64,
    },
    /// A datasheet forbids the frame, or the write-ahead rule was broken (simulated chips only).
    #[error("the simulated chip refuses: {0}")]
    Forbidden(String),
}

impl Limits {
    /// Longest time that one batch may spend on the wire: the kernel's transfer cannot be interrupted.
    pub const BATCH_TIME_MAX: Duration = Duration::from_millis(50);

    /// Frames of a pass are laid end to end. Each but the first and the last is a multiple of this long, unless frames
    /// are shorter than this altogether. So the length of the first decides how far behind a multiple of this all
    /// others begin. Two passes whose first frames differ then have no two boundaries near each other, however long
    /// the frames of each are.
    pub const GRID_BYTES: usize = 128;

    /// Bytes one reading frame may bring in, with `command_bytes` going out before them at `sck`.
    ///
    /// What goes out does not lessen what may come in: the two are counted apart. A multiple of
    /// [`Limits::GRID_BYTES`] where it is not less; at least 16, so that a very slow clock still moves. It is
    /// the same on any number of lanes, so that it can be laid out before the lanes are chosen.
    #[must_use]
    pub fn read_bytes(&self, command_bytes: usize, sck: Hertz) -> usize {
        let by_size = self.whole_segments(self.batch_in_bytes);
        Self::on_grid(by_size.min(Self::time_bytes(sck).saturating_sub(command_bytes)))
    }

    /// As [`Limits::read_bytes`], for a frame that is one exchange: the command takes room in both
    /// directions.
    #[must_use]
    pub(crate) fn exchange_bytes(&self, command_bytes: usize, sck: Hertz) -> usize {
        let by_size = self.whole_segments(self.batch_in_bytes.min(self.batch_out_bytes));
        Self::on_grid(
            by_size
                .min(Self::time_bytes(sck))
                .saturating_sub(command_bytes),
        )
    }

    /// Whether one batch holds these reading frames, within [`Limits::BATCH_TIME_MAX`] at `sck`. Each is given as its
    /// bytes out, in one segment or two (0 is none), and its bytes in; with `exchange` each goes as one segment that
    /// is both. Time is counted on one lane: on more they take less.
    #[must_use]
    pub fn holds(&self, frames: &[([usize; 2], usize)], exchange: bool, sck: Hertz) -> bool {
        let sum = |of: &dyn Fn([usize; 2], usize) -> usize| -> usize {
            frames.iter().map(|(out, into)| of(*out, *into)).sum()
        };
        let on_wire = sum(&|[code, rest], into| code + rest + into);
        let (out, into) = if exchange {
            let both = sum(&|[code, rest], into| self.counted(code + rest + into));
            (both, both)
        } else {
            let out = sum(&|[code, rest], _| self.counted(code) + self.counted(rest));
            (out, sum(&|_, into| self.counted(into)))
        };
        let segments = sum(&|[_, rest], _| 2 + usize::from(rest > 0));
        out <= self.batch_out_bytes
            && into <= self.batch_in_bytes
            && segments <= self.batch_segments
            && on_wire <= Self::time_bytes(sck)
    }

    /// What a segment of `bytes` counts as.
    #[must_use]
    pub fn counted(&self, bytes: usize) -> usize {
        bytes.next_multiple_of(self.segment_align_bytes.max(1))
    }

    /// Bytes that go over the wire on one lane within [`Limits::BATCH_TIME_MAX`].
    #[must_use]
    pub(crate) fn time_bytes(sck: Hertz) -> usize {
        let bytes = u128::from(sck.0) * Self::BATCH_TIME_MAX.as_millis() / 8000;
        usize::try_from(bytes).unwrap_or(usize::MAX)
    }

    fn whole_segments(&self, bytes: usize) -> usize {
        let align = self.segment_align_bytes.max(1);
        bytes / align * align
    }

    fn on_grid(bytes: usize) -> usize {
        match bytes / Self::GRID_BYTES {
            0 => (bytes & !1).max(16),
            cells => cells * Self::GRID_BYTES,
        }
    }
}

impl fmt::Display for Limits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} bytes a batch, SCK up to {}",
            self.batch_in_bytes, self.sck_max
        )
    }
}
