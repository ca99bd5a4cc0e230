//! A link over the emulator's flash controller in user mode.
//!
//! What differs from a wire:
//! - The controller cannot send and receive at once. An [`Segment::Exchange`] goes out up to its
//!   last byte that is not zero, and the rest is received; while receiving the controller sends
//!   zeros, so the wire carries the same bytes. What came in during the first part is lost and given
//!   as zero, which is what these models drive meanwhile.
//! - There is no clock: SCK is taken and ignored.
//! - The models take no time. `settle` and `wait` do not sleep: `wait` moves this link's clock on, so
//!   that a job on a 32 MiB chip does not sit out its typical erase times.
//! - Models of some makers take no dummy clocks after 0Bh, where the real parts take eight (GD25Q64C
//!   Rev 3.0). The link leaves the dummy byte out for those, see [`NO_FAST_READ_DUMMY`].
//! - The controller counts along in a fast read, to send the dummy byte as eight: it has to be told
//!   how many address bytes there are, or it takes the fourth for the dummy byte.

use std::io;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use norlock::jedec::opcode::{FAST_READ, FAST_READ_4BYTE, READ_JEDEC_ID};
use norlock::jedec::{Hertz, Lanes, Millivolts};
use norlock::link::{Frame, Limits, Link, LinkError, Segment};

use crate::socket::TestSocket;

/// Registers of the controller, and where the chip's bytes go while CS is low.
const CONFIGURATION: u32 = 0x1E62_0000;
const ADDRESS_WIDTH: u32 = 0x1E62_0004;
const CONTROL: u32 = 0x1E62_0010;
const WINDOW: u32 = 0x2000_0000;
const WRITE_ENABLE: u32 = 1 << 16;
const CS_HIGH: u32 = 7;
const CS_LOW: u32 = 3;
const FOUR_BYTES: u32 = 1;

/// Makers whose models answer 0Bh without dummy clocks: GigaDevice, Eon, Atmel, Intel, and Micron's
/// parts on eight lanes.
///
/// Observed with version 10.0.2: with the dummy byte their data comes eight bytes late.
const NO_FAST_READ_DUMMY: [u8; 5] = [0xC8, 0x1C, 0x1F, 0x89, 0x2C];

/// Makers whose models take the dummy byte as one byte, where the others count its eight clocks: ISSI,
/// SST.
///
/// Observed with version 10.0.2: with eight their data comes seven bytes early.
const FAST_READ_DUMMY_WHOLE: [u8; 2] = [0x9D, 0xBF];

/// Bytes and segments that one batch may hold. The emulator itself takes far more.
const BATCH_BYTES: usize = 256 * 1024;
const BATCH_SEGMENTS: usize = 511;

/// What went over the wire.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Batches handed over.
    pub batches: u64,
    /// CS assertions.
    pub frames: u64,
    /// Bytes to the chip.
    pub bytes_out: u64,
    /// Bytes from the chip.
    pub bytes_in: u64,
}

/// The controller and its one chip.
pub struct Bus {
    socket: TestSocket,
    counts: Counts,
    dummy: Dummy,
    wide: bool,
}

/// What a model takes for the dummy byte of a fast read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Dummy {
    /// Eight bytes, one for each clock; the controller makes them of one.
    EightBytes,
    /// One byte.
    OneByte,
    /// None.
    Nothing,
}

impl Bus {
    /// Makes the controller ready and reads the maker's byte of the ID.
    pub fn new(mut socket: TestSocket) -> io::Result<Self> {
        let configuration = socket.read_word(CONFIGURATION)?;
        socket.write_word(CONFIGURATION, configuration | WRITE_ENABLE)?;
        socket.write_word(CONTROL, CS_HIGH)?;
        let mut bus = Self {
            socket,
            counts: Counts::default(),
            dummy: Dummy::EightBytes,
            wide: false,
        };
        let mut maker = [0];
        bus.frame(&mut [Segment::Out(&[READ_JEDEC_ID]), Segment::In(&mut maker)])?;
        bus.dummy = match maker[0] {
            maker if NO_FAST_READ_DUMMY.contains(&maker) => Dummy::Nothing,
            maker if FAST_READ_DUMMY_WHOLE.contains(&maker) => Dummy::OneByte,
            _ => Dummy::EightBytes,
        };
        bus.counts = Counts::default();
        Ok(bus)
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// CS low, the segments, CS high; CS rises after an error too.
    fn frame(&mut self, segments: &mut [Segment<'_>]) -> io::Result<()> {
        self.counts.frames += 1;
        self.set_address_width(segments)?;
        self.socket.write_word(CONTROL, CS_LOW)?;
        let moved = self.segments(segments);
        self.socket.write_word(CONTROL, CS_HIGH)?;
        moved
    }

    fn segments(&mut self, segments: &mut [Segment<'_>]) -> io::Result<()> {
        for (index, segment) in segments.iter_mut().enumerate() {
            match segment {
                Segment::Out(bytes) if index == 0 => self.send_header(bytes)?,
                Segment::Out(bytes) => self.send(bytes)?,
                Segment::In(bytes) => self.receive(bytes)?,
                Segment::Exchange(bytes) => self.exchange(bytes)?,
            }
        }
        Ok(())
    }

    /// Tells the controller how many address bytes a fast read has. Told of four where there are
    /// three, it takes the dummy byte for the fourth and leaves it one byte.
    fn set_address_width(&mut self, segments: &[Segment<'_>]) -> io::Result<()> {
        let Some(Segment::Out(header)) = segments.first() else {
            return Ok(());
        };
        let four_bytes = header.len() == 6 || self.dummy == Dummy::OneByte;
        let wide = is_fast_read(header) && four_bytes;
        if wide != self.wide {
            let value = if wide { FOUR_BYTES } else { 0 };
            self.socket.write_word(ADDRESS_WIDTH, value)?;
            self.wide = wide;
        }
        Ok(())
    }

    /// The first bytes of a frame. The controller looks for the dummy byte only where a word of the
    /// window begins, so that byte goes alone.
    fn send_header(&mut self, bytes: &[u8]) -> io::Result<()> {
        let bytes = self.without_dummy(bytes)?;
        match bytes.split_last_chunk::<1>() {
            Some((address, dummy))
                if is_fast_read(bytes) && bytes.len() == 6 && self.dummy == Dummy::EightBytes =>
            {
                self.send(address)?;
                self.send(dummy)
            }
            _ => self.send(bytes),
        }
    }

    /// A fast read's header as this model takes it.
    fn without_dummy<'a>(&self, header: &'a [u8]) -> io::Result<&'a [u8]> {
        if self.dummy != Dummy::Nothing || !is_fast_read(header) {
            return Ok(header);
        }
        match header {
            [address @ .., 0] if (4..=5).contains(&address.len()) => Ok(address),
            _ => Err(io::Error::new(
                io::ErrorKind::Unsupported,
                "a fast read goes to this model only as opcode, address and one dummy byte",
            )),
        }
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.counts.bytes_out += bytes.len() as u64;
        self.socket.write_bytes(WINDOW, bytes)
    }

    fn receive(&mut self, bytes: &mut [u8]) -> io::Result<()> {
        self.counts.bytes_in += bytes.len() as u64;
        self.socket.read_bytes(WINDOW, bytes)
    }

    fn exchange(&mut self, bytes: &mut [u8]) -> io::Result<()> {
        let outward = bytes
            .iter()
            .rposition(|&byte| byte != 0)
            .map_or(0, |at| at + 1);
        let (head, tail) = bytes.split_at_mut(outward);
        if is_fast_read(head) && self.dummy != Dummy::EightBytes {
            return Err(io::ErrorKind::Unsupported.into());
        }
        self.send(head)?;
        head.fill(0);
        self.receive(tail)
    }
}

fn is_fast_read(header: &[u8]) -> bool {
    matches!(header, [FAST_READ | FAST_READ_4BYTE, ..])
}

/// One opening of the bus.
pub struct EmulatedLink {
    name: String,
    bus: Arc<Mutex<Bus>>,
    level: Millivolts,
    opened: Instant,
    waited: Duration,
}

impl EmulatedLink {
    /// The same link at another level, as a person would set it.
    pub fn at(mut self, level: Millivolts) -> Self {
        self.level = level;
        self
    }

    pub fn new(model: &str, bus: Arc<Mutex<Bus>>) -> Self {
        Self {
            name: format!("emulated {model}"),
            bus,
            level: Millivolts(3300),
            opened: Instant::now(),
            waited: Duration::ZERO,
        }
    }
}

impl Link for EmulatedLink {
    fn name(&self) -> &str {
        &self.name
    }

    fn level(&self) -> Option<Millivolts> {
        Some(self.level)
    }

    fn limits(&self) -> Limits {
        Limits {
            batch_out_bytes: BATCH_BYTES,
            batch_in_bytes: BATCH_BYTES,
            segment_align_bytes: 1,
            batch_segments: BATCH_SEGMENTS,
            sck_max: Hertz::mhz(50),
            sck_min: Hertz(100_000),
            lanes: Lanes::ONE,
        }
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], _sck: Hertz) -> Result<(), LinkError> {
        within_limits(batch)?;
        let mut bus = self
            .bus
            .lock()
            .map_err(|_| io::Error::other("another user of the bus has panicked"))?;
        bus.counts.batches += 1;
        for frame in batch {
            bus.frame(&mut frame.segments)?;
        }
        Ok(())
    }

    fn now(&self) -> Duration {
        self.opened.elapsed() + self.waited
    }

    fn wait(&mut self, time: Duration) {
        self.waited += time;
    }
}

/// Holds a caller to the limits as strictly as a real link would.
fn within_limits(batch: &[Frame<'_>]) -> Result<(), LinkError> {
    let segments = || batch.iter().flat_map(|frame| &frame.segments);
    let outward = |segment: &&Segment<'_>| !matches!(segment, Segment::In(_));
    let inward = |segment: &&Segment<'_>| !matches!(segment, Segment::Out(_));
    let bytes_out: usize = segments().filter(outward).map(Segment::len).sum();
    let bytes_in: usize = segments().filter(inward).map(Segment::len).sum();
    let bytes = bytes_out.max(bytes_in);
    if bytes > BATCH_BYTES {
        let limit = BATCH_BYTES;
        return Err(LinkError::TooLong { bytes, limit });
    }
    if segments().count() > BATCH_SEGMENTS {
        let told = format!("more than {BATCH_SEGMENTS} segments in one batch");
        return Err(io::Error::new(io::ErrorKind::InvalidInput, told).into());
    }
    Ok(())
}
