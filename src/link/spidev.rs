//! Linux spidev: one batch is one message, or a few where a settle time must pass with CS high.
//!
//! Source of the transfer rules: Linux `Documentation/spi/spidev.rst`,
//! `include/uapi/linux/spi/spidev.h` and `drivers/spi/spidev.c`.

use std::fs;
use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use spidev::{SpiModeFlags, Spidev, SpidevOptions, SpidevTransfer};

use super::lock::NodeLock;
use super::supply::{HWMON, HostSupply};
use super::{Frame, Limits, Link, LinkError, Segment, ioctl};
use crate::jedec::{Hertz, Lanes, Millivolts};

/// Where the kernel shows the byte limit of one message.
const BUFSIZ_PARAMETER: &str = "/sys/module/spidev/parameters/bufsiz";
/// The kernel's default limit, taken when the parameter cannot be read.
const BUFSIZ_DEFAULT: usize = 4096;
/// Buffers are rounded up to the alignment that direct memory access needs, 128 bytes at most
/// (`drivers/spi/spidev.c` since July 2020; the number is from memory).
const ALIGNMENT_BYTES: usize = 128;
/// Longest settle that goes into a message as `delay_usecs` (16 bits); longer ones are slept.
const DELAY_MAX: Duration = Duration::from_millis(20);

/// An opened and locked spidev node in SPI mode 0, eight bits a word, most significant bit first.
#[derive(Debug)]
pub struct SpidevLink {
    name: String,
    device: Spidev,
    _lock: NodeLock,
    level: Option<Millivolts>,
    supply: HostSupply,
    bufsiz: usize,
    sck_max: Hertz,
    wired: u8,
    lanes: Lanes,
    opened: Instant,
}

impl SpidevLink {
    /// Opens and locks the node at `path`; `level` is what the person declares its pins to drive, and `wired`
    /// how many lanes are wired to the chip: 1, 2 or 4. No more are used, whatever the controller has: a
    /// chip that drives a wire which is tied to the supply, or which a translator drives, may be harmed.
    ///
    /// Sets the mode and reads it back, first plain, then with the lanes that the controller takes. Nothing
    /// is clocked.
    ///
    /// # Errors
    /// `Node` if it cannot be opened or set up, `InUse` if another process holds it, `Mode` if the
    /// controller keeps another mode.
    pub fn open(path: &Path, level: Option<Millivolts>, wired: u8) -> Result<Self, LinkError> {
        let name = path.display().to_string();
        let fail = |action| failed(&name, action);
        let mut device = Spidev::open(path).map_err(fail("open"))?;
        let lock = NodeLock::take(device.inner()).map_err(fail("lock"))?;
        let lock = lock.ok_or_else(|| LinkError::InUse { node: name.clone() })?;
        let (sck_max, lanes) = set_up(&mut device, &name, wired)?;
        let (bufsiz, opened) = (bufsiz(), Instant::now());
        Ok(Self {
            name,
            device,
            _lock: lock,
            level,
            supply: HostSupply::look(Path::new(HWMON)),
            bufsiz,
            sck_max,
            wired,
            lanes,
            opened,
        })
    }
}

impl Link for SpidevLink {
    fn name(&self) -> &str {
        &self.name
    }

    fn level(&self) -> Option<Millivolts> {
        self.level
    }

    fn under_voltage(&mut self) -> Option<String> {
        self.supply.alarm()
    }

    fn limits(&self) -> Limits {
        limits(self.bufsiz, self.sck_max, self.lanes)
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        send(batch, sck, &mut self.bufsiz, &mut self.device)
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    fn takes_time(&self) -> bool {
        true
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }

    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        let node = (&*self.name, self.wired);
        idle(into, sck, &mut self.bufsiz, &mut self.device, node)
    }
}

/// Clocks bytes in with CS left high (SPI_NO_CS), where the controller takes and keeps that mode; then
/// the usual mode is set again and read back, whatever came of it.
fn idle(
    into: &mut [u8],
    sck: Hertz,
    bufsiz: &mut usize,
    kernel: &mut dyn Kernel,
    (name, wired): (&str, u8),
) -> Result<bool, LinkError> {
    let quiet = SpiModeFlags::SPI_MODE_0 | SpiModeFlags::SPI_NO_CS;
    // What the controller does not offer the kernel refuses, and leaves the mode as it was.
    let taken = kernel.configure(&in_mode(quiet)).is_ok()
        && kernel
            .configuration()
            .is_ok_and(|found| found.spi_mode == Some(quiet));
    let clocked = match taken {
        true => message(
            &mut [Frame::new(vec![Segment::In(into)])],
            sck,
            bufsiz,
            kernel,
        ),
        false => Ok(()),
    };
    set_up(kernel, name, wired)?;
    clocked.map(|()| taken)
}

/// What one message may hold.
fn limits(bufsiz: usize, sck_max: Hertz, lanes: Lanes) -> Limits {
    Limits {
        batch_out_bytes: bufsiz,
        batch_in_bytes: bufsiz,
        segment_align_bytes: ALIGNMENT_BYTES,
        batch_segments: ioctl::TRANSFERS_MAX,
        sck_max,
        sck_min: Hertz(1_000),
        lanes,
    }
}

/// What the kernel does for an opened node.
trait Kernel {
    /// Writes mode and word size.
    fn configure(&mut self, wanted: &SpidevOptions) -> io::Result<()>;
    /// Reads them back, and the node's SCK limit.
    fn configuration(&self) -> io::Result<SpidevOptions>;
    /// Sends one message and tells how many bytes it moved.
    fn message(&mut self, rows: &mut [SpidevTransfer<'_, '_>]) -> io::Result<usize>;
}

impl Kernel for Spidev {
    fn configure(&mut self, wanted: &SpidevOptions) -> io::Result<()> {
        Spidev::configure(self, wanted)
    }

    fn configuration(&self) -> io::Result<SpidevOptions> {
        self.query_configuration()
    }

    fn message(&mut self, rows: &mut [SpidevTransfer<'_, '_>]) -> io::Result<usize> {
        ioctl::message(self.inner(), rows)
    }
}

/// Makes of what the kernel said that `action` on the node did not work.
fn failed(name: &str, action: &'static str) -> impl FnOnce(io::Error) -> LinkError + use<> {
    let node = name.to_owned();
    move |source| LinkError::Node {
        action,
        node,
        source,
    }
}

/// Eight bits a word, in `mode`.
fn in_mode(mode: SpiModeFlags) -> SpidevOptions {
    SpidevOptions::new().mode(mode).bits_per_word(8).build()
}

/// Sets mode 0 and eight bits a word, and returns the node's SCK limit and the lanes it takes.
fn set_up(kernel: &mut dyn Kernel, name: &str, wired: u8) -> Result<(Hertz, Lanes), LinkError> {
    let sck_max = set_plain(kernel, name)?;
    if wired < 2 {
        return Ok((sck_max, Lanes::ONE));
    }
    if let Some(lanes) = ask_lanes(kernel, wired) {
        return Ok((sck_max, lanes));
    }
    Ok((set_plain(kernel, name)?, Lanes::ONE))
}

/// The lanes that the controller takes: four each way are asked for where so many are wired, then two where
/// four did not stay. Only what reads back counts: the kernel drops what a controller lacks, and refuses
/// two and four lanes of one direction together (`spi_setup` in `drivers/spi/spi.c`, from memory). `None`
/// where the kernel refuses, or another mode came of it.
fn ask_lanes(kernel: &mut dyn Kernel, wired: u8) -> Option<Lanes> {
    let (four_out, four_in) = (SpiModeFlags::SPI_TX_QUAD, SpiModeFlags::SPI_RX_QUAD);
    let (two_out, two_in) = (SpiModeFlags::SPI_TX_DUAL, SpiModeFlags::SPI_RX_DUAL);
    let mut ask = |mode: SpiModeFlags| {
        kernel.configure(&in_mode(mode)).ok()?;
        let got = kernel.configuration().ok()?.spi_mode?;
        mode.contains(got).then_some(got)
    };
    let mut got = SpiModeFlags::SPI_MODE_0;
    if wired >= 4 {
        got = ask(four_out | four_in)?;
    }
    for (four, two) in [(four_out, two_out), (four_in, two_in)] {
        if !got.contains(four) {
            got = ask(got | two)?;
        }
    }
    let lanes = |two, four| match (got.contains(four), got.contains(two)) {
        (true, _) => 4,
        (false, true) => 2,
        (false, false) => 1,
    };
    Some(Lanes {
        out: lanes(two_out, four_out),
        into: lanes(two_in, four_in),
    })
}

/// Sets mode 0 on one lane, reads it back, and returns the node's SCK limit.
///
/// Any other bit in what is read back (CS active high, three wires, LSB first) would make other bytes
/// of what goes over the wire.
fn set_plain(kernel: &mut dyn Kernel, name: &str) -> Result<Hertz, LinkError> {
    let fail = |action| failed(name, action);
    let wanted = in_mode(SpiModeFlags::SPI_MODE_0);
    kernel.configure(&wanted).map_err(fail("set the mode of"))?;
    let found = kernel.configuration().map_err(fail("read the mode of"))?;
    let got = found.spi_mode.map_or(0, |mode| mode.bits());
    if got != SpiModeFlags::SPI_MODE_0.bits() {
        return Err(LinkError::Mode {
            node: name.to_owned(),
            asked: 0,
            got,
        });
    }
    let limit = found.max_speed_hz.filter(|hz| *hz > 0);
    Ok(Hertz(limit.unwrap_or(50_000_000)))
}

/// Sends a batch as one message, or as a few where a settle time must be slept between them, or where
/// one would take longer or hold more than a message may.
///
/// Lengths are checked before the first is sent: a batch that is too long leaves the chip alone.
fn send(
    batch: &mut [Frame<'_>],
    sck: Hertz,
    bufsiz: &mut usize,
    kernel: &mut dyn Kernel,
) -> Result<(), LinkError> {
    let counts = messages(batch, sck);
    let (mut rest, mut bytes) = (&*batch, 0);
    for count in &counts {
        let (frames, later) = rest.split_at(*count);
        bytes = bytes.max(longer_direction(frames));
        rest = later;
    }
    if bytes > *bufsiz {
        let limit = *bufsiz;
        return Err(LinkError::TooLong { bytes, limit });
    }
    let (mut rest, mut begun) = (batch, false);
    for count in counts {
        let (frames, later) = rest.split_at_mut(count);
        if let Some(first) = frames.first().filter(|frame| !delay_fits(frame)) {
            std::thread::sleep(first.settle);
        }
        match message(frames, sck, bufsiz, kernel) {
            // Part of the batch is out: it cannot be said again with other lengths.
            Err(LinkError::TooLong { .. }) if begun => {
                return Err(io::Error::from(Errno::EMSGSIZE).into());
            }
            sent => sent?,
        }
        (rest, begun) = (later, true);
    }
    Ok(())
}

/// How many frames go into each message: the kernel's call cannot be interrupted, so a message ends
/// before the frame that would bring it above [`Limits::BATCH_TIME_MAX`], and a message holds so many
/// transfers only.
fn messages(batch: &[Frame<'_>], sck: Hertz) -> Vec<usize> {
    let mut counts: Vec<usize> = Vec::new();
    let (mut time, mut transfers) = (Duration::ZERO, 0);
    for frame in batch {
        let wire = u128::from(frame.clocks()) * 1_000_000_000 / u128::from(sck.0.max(1));
        let takes = Duration::from_nanos(u64::try_from(wire).unwrap_or(u64::MAX)) + frame.settle;
        let parts = frame
            .segments
            .iter()
            .filter(|part| !part.is_empty())
            .count();
        (time, transfers) = (time + takes, transfers + parts);
        let full = time > Limits::BATCH_TIME_MAX || transfers > ioctl::TRANSFERS_MAX;
        match counts.last_mut().filter(|_| delay_fits(frame) && !full) {
            Some(count) => *count += 1,
            None => {
                counts.push(1);
                (time, transfers) = (takes, parts);
            }
        }
    }
    counts
}

fn message(
    frames: &mut [Frame<'_>],
    sck: Hertz,
    bufsiz: &mut usize,
    kernel: &mut dyn Kernel,
) -> Result<(), LinkError> {
    let expected: usize = frames.iter().map(Frame::len).sum();
    let bytes = longer_direction(frames);
    let answer = kernel.message(&mut transfers(frames, sck));
    let errno = |error: &io::Error| error.raw_os_error().map(Errno::from_raw);
    match answer {
        Ok(got) if got == expected => Ok(()),
        Ok(got) => Err(LinkError::Short { expected, got }),
        Err(error) if errno(&error) == Some(Errno::EMSGSIZE) => {
            // The parameter may be missing or stale: what the kernel refuses is remembered.
            *bufsiz = lowered(bytes).min(*bufsiz);
            let limit = *bufsiz;
            Err(LinkError::TooLong { bytes, limit })
        }
        Err(source) if errno(&source) == Some(Errno::EINVAL) => {
            Err(LinkError::Refused { sck, source })
        }
        Err(error) => Err(LinkError::Io(error)),
    }
}

fn bufsiz() -> usize {
    let text = fs::read_to_string(BUFSIZ_PARAMETER).unwrap_or_default();
    text.trim()
        .parse()
        .ok()
        .filter(|size| *size >= 256)
        .unwrap_or(BUFSIZ_DEFAULT)
}

/// The limit to try after the kernel refused a message of `bytes`: its default, then a little less,
/// for kernels before 2015 that count both directions together (the year is from memory), then half
/// and half again.
fn lowered(bytes: usize) -> usize {
    let steps = [BUFSIZ_DEFAULT, 3840, 2048, 1024, 512];
    steps.into_iter().find(|step| *step < bytes).unwrap_or(256)
}

/// Whether the settle time of `frame` can be the delay of its first transfer: the delay then runs
/// after the command byte and before the first byte read, with the earlier frame's CS long risen.
fn delay_fits(frame: &Frame<'_>) -> bool {
    let parts = frame
        .segments
        .iter()
        .filter(|segment| !segment.is_empty())
        .count();
    frame.settle.is_zero() || (parts >= 2 && frame.settle <= DELAY_MAX)
}

/// Bytes of the direction that counts more, as the kernel counts them: transmit and receive apart,
/// each buffer rounded up.
fn longer_direction(frames: &[Frame<'_>]) -> usize {
    let (mut out, mut into) = (0, 0);
    for segment in frames.iter().flat_map(|frame| &frame.segments) {
        let bytes = segment.len().next_multiple_of(ALIGNMENT_BYTES);
        match segment {
            Segment::Out(_) => out += bytes,
            Segment::In(_) => into += bytes,
            Segment::Exchange(_) => {
                out += bytes;
                into += bytes;
            }
        }
    }
    out.max(into)
}

/// Lays frames out as transfers: speed and word size in each, CS toggled between frames, never asked
/// for on the last one, where it would keep CS low after the message.
fn transfers<'t>(frames: &'t mut [Frame<'_>], sck: Hertz) -> Vec<SpidevTransfer<'t, 't>> {
    let mut rows = Vec::new();
    for frame in frames {
        let settle = u16::try_from(frame.settle.as_nanos().div_ceil(1000)).unwrap_or(u16::MAX);
        let first = rows.len();
        for (index, segment) in frame.segments.iter_mut().enumerate() {
            if segment.is_empty() {
                continue;
            }
            let nbits = nbits(segment, segment.lanes(index, frame.lanes));
            let mut row = match segment {
                Segment::Out(bytes) => SpidevTransfer::write(bytes),
                Segment::In(bytes) => SpidevTransfer::read(bytes),
                Segment::Exchange(bytes) => SpidevTransfer::read_write_in_place(bytes),
            };
            row.speed_hz = sck.0;
            row.bits_per_word = 8;
            row.pad = nbits;
            rows.push(row);
        }
        let parts = rows.len() - first;
        if let Some(row) = rows.get_mut(first).filter(|_| parts >= 2) {
            row.delay_usecs = settle;
        }
        if let Some(row) = rows.last_mut() {
            row.cs_change = 1;
        }
    }
    if let Some(row) = rows.last_mut() {
        row.cs_change = 0;
    }
    rows
}

/// The last four bytes of a transfer: `tx_nbits`, `rx_nbits`, `word_delay_usecs` and one unused
/// (`include/uapi/linux/spi/spidev.h`). 0 is one lane, as kernels know it that have none of these.
fn nbits(segment: &Segment<'_>, lanes: u8) -> u32 {
    match segment {
        Segment::Out(_) if lanes > 1 => u32::from_ne_bytes([lanes, 0, 0, 0]),
        Segment::In(_) if lanes > 1 => u32::from_ne_bytes([0, lanes, 0, 0]),
        _ => 0,
    }
}

#[cfg(test)]
mod tests;
