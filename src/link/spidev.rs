//! Linux spidev: one batch is one message, or a few where a settle time must pass with CS high.
//!
//! Source of the transfer rules: Linux `Documentation/spi/spidev.rst`,
//! `include/uapi/linux/spi/spidev.h` and `drivers/spi/spidev.c`.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use spidev::{SpiModeFlags, Spidev, SpidevOptions, SpidevTransfer};

use super::lock::NodeLock;
use super::{Frame, Limits, Link, LinkError, Segment, ioctl};
use crate::jedec::{Hertz, Millivolts};

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
    bufsiz: usize,
    sck_max: Hertz,
    opened: Instant,
}

impl SpidevLink {
    /// Opens and locks the node at `path`; `level` is what the person declares its pins to drive.
    ///
    /// Sets the mode and reads it back. Nothing is clocked.
    ///
    /// # Errors
    /// `Node` if it cannot be opened or set up, `InUse` if another process holds it, `Mode` if the
    /// controller keeps another mode.
    pub fn open(path: &Path, level: Option<Millivolts>) -> Result<Self, LinkError> {
        let name = path.display().to_string();
        let fail = |action| {
            let node = name.clone();
            move |source| LinkError::Node {
                action,
                node,
                source,
            }
        };
        let mut device = Spidev::open(path).map_err(fail("open"))?;
        let lock = NodeLock::take(device.inner()).map_err(fail("lock"))?;
        let lock = lock.ok_or_else(|| LinkError::InUse { node: name.clone() })?;
        let wanted = SpidevOptions::new()
            .mode(SpiModeFlags::SPI_MODE_0)
            .bits_per_word(8)
            .build();
        device.configure(&wanted).map_err(fail("set the mode of"))?;
        let found = device
            .query_configuration()
            .map_err(fail("read the mode of"))?;
        let got = found.spi_mode.map_or(0, |mode| mode.bits());
        if got != SpiModeFlags::SPI_MODE_0.bits() {
            return Err(LinkError::Mode {
                node: name,
                asked: 0,
                got,
            });
        }
        let sck_max = Hertz(
            found
                .max_speed_hz
                .filter(|hz| *hz > 0)
                .unwrap_or(50_000_000),
        );
        let (bufsiz, opened) = (bufsiz(), Instant::now());
        Ok(Self {
            name,
            device,
            _lock: lock,
            level,
            bufsiz,
            sck_max,
            opened,
        })
    }

    fn message(&mut self, frames: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let expected: usize = frames.iter().map(Frame::len).sum();
        let bytes = longer_direction(frames);
        if bytes > self.bufsiz {
            return Err(LinkError::TooLong {
                bytes,
                limit: self.bufsiz,
            });
        }
        match ioctl::message(self.device.inner(), &mut transfers(frames, sck)) {
            Ok(got) if got == expected => Ok(()),
            Ok(got) => Err(LinkError::Short { expected, got }),
            Err(error) if error.raw_os_error() == Some(Errno::EMSGSIZE as i32) => {
                // The parameter may be missing or stale: what the kernel refuses is remembered.
                self.bufsiz = lowered(self.bufsiz);
                Err(LinkError::TooLong {
                    bytes,
                    limit: self.bufsiz,
                })
            }
            Err(error) => Err(LinkError::Io(error)),
        }
    }
}

impl Link for SpidevLink {
    fn name(&self) -> &str {
        &self.name
    }

    fn level(&self) -> Option<Millivolts> {
        self.level
    }

    fn limits(&self) -> Limits {
        Limits {
            batch_out_bytes: self.bufsiz,
            batch_in_bytes: self.bufsiz,
            segment_overhead_bytes: ALIGNMENT_BYTES,
            batch_segments: ioctl::TRANSFERS_MAX,
            sck_max: self.sck_max,
            sck_min: Hertz(1_000),
        }
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let mut rest = batch;
        while !rest.is_empty() {
            if let Some(first) = rest.first().filter(|frame| !delay_fits(frame)) {
                std::thread::sleep(first.settle);
            }
            let next = rest.iter().skip(1).position(|frame| !delay_fits(frame));
            let (message, after) = rest.split_at_mut(next.map_or(rest.len(), |next| next + 1));
            self.message(message, sck)?;
            rest = after;
        }
        Ok(())
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
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

/// The limit to try after the kernel refused `bufsiz`.
fn lowered(bufsiz: usize) -> usize {
    if bufsiz > BUFSIZ_DEFAULT {
        BUFSIZ_DEFAULT
    } else {
        (bufsiz / 2).max(256)
    }
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
        for segment in &mut frame.segments {
            if segment.is_empty() {
                continue;
            }
            let mut row = match segment {
                Segment::Out(bytes) => SpidevTransfer::write(bytes),
                Segment::In(bytes) => SpidevTransfer::read(bytes),
                Segment::Exchange(bytes) => SpidevTransfer::read_write_in_place(bytes),
            };
            row.speed_hz = sck.0;
            row.bits_per_word = 8;
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

#[cfg(test)]
mod tests {
    use super::*;

    fn show(row: &SpidevTransfer<'_, '_>) -> (u32, u16, u8, u8) {
        (
            row.speed_hz,
            row.delay_usecs,
            row.bits_per_word,
            row.cs_change,
        )
    }

    /// The layout of a page program with its status poll, row by row: speed, delay, word, cs_change.
    #[test]
    fn the_settle_delay_belongs_to_the_status_frame() {
        let (mut wel, mut wip) = ([0], [0]);
        let mut frames = [
            Frame::new(vec![Segment::Out(&[0x06])]),
            Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut wel)]),
            Frame::new(vec![
                Segment::Out(&[0x02, 0, 0, 0]),
                Segment::Out(&[0xA5; 256]),
            ]),
            Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut wip)])
                .after(Duration::from_nanos(700_001)),
        ];
        let rows = transfers(&mut frames, Hertz::mhz(10));
        let table = [
            (10_000_000, 0, 8, 1),   // WREN, then CS up
            (10_000_000, 0, 8, 0),   // RDSR
            (10_000_000, 0, 8, 1),   // WEL, then CS up
            (10_000_000, 0, 8, 0),   // page program and address
            (10_000_000, 0, 8, 1),   // data; the program starts as CS rises, so no delay here
            (10_000_000, 701, 8, 0), // RDSR, then the settle time, rounded up
            (10_000_000, 0, 8, 0),   // WIP; CS is not kept low after the message
        ];
        assert_eq!(rows.iter().map(show).collect::<Vec<_>>(), table);
    }

    #[test]
    fn a_settle_that_no_delay_can_carry_is_slept_between_messages() {
        let mut byte = [0];
        let short = Duration::from_micros(5);
        assert!(!delay_fits(
            &Frame::new(vec![Segment::Exchange(&mut byte)]).after(short)
        ));
        assert!(!delay_fits(
            &Frame::new(vec![Segment::Out(&[4])]).after(short)
        ));
        let mut long =
            Frame::new(vec![Segment::Out(&[5]), Segment::In(&mut byte)]).after(DELAY_MAX);
        assert!(delay_fits(&long));
        long.settle += Duration::from_micros(1);
        assert!(!delay_fits(&long));
    }

    #[test]
    fn directions_are_counted_apart_and_rounded_up() {
        let (mut four, mut big) = ([0; 4], [0; 200]);
        let frames = [
            Frame::new(vec![Segment::Out(&[0; 4]), Segment::In(&mut big)]),
            Frame::new(vec![Segment::Exchange(&mut four)]),
        ];
        assert_eq!(longer_direction(&frames), 256 + 128);
    }

    #[test]
    fn a_refused_limit_is_lowered() {
        assert_eq!(
            (lowered(65536), lowered(4096), lowered(256)),
            (4096, 2048, 256)
        );
    }

    #[test]
    fn a_missing_node_is_named() {
        let error = SpidevLink::open(Path::new("/dev/spidev99.9"), None).unwrap_err();
        assert_eq!(error.to_string(), "cannot open /dev/spidev99.9");
    }
}
