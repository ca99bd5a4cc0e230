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
            segment_align_bytes: ALIGNMENT_BYTES,
            batch_segments: ioctl::TRANSFERS_MAX,
            sck_max: self.sck_max,
            sck_min: Hertz(1_000),
        }
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let node = self.device.inner();
        send(batch, sck, &mut self.bufsiz, &mut |rows| {
            ioctl::message(node, rows)
        })
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// What sends one message and tells how many bytes it moved.
type Kernel<'k> = dyn FnMut(&mut [SpidevTransfer<'_, '_>]) -> io::Result<usize> + 'k;

/// Sends a batch as one message, or as a few where a settle time must be slept between them.
///
/// Lengths are checked before the first is sent: a batch that is too long leaves the chip alone.
fn send(
    batch: &mut [Frame<'_>],
    sck: Hertz,
    bufsiz: &mut usize,
    kernel: &mut Kernel<'_>,
) -> Result<(), LinkError> {
    let bytes = batch
        .chunk_by(|_, next| delay_fits(next))
        .map(longer_direction)
        .max()
        .unwrap_or(0);
    if bytes > *bufsiz {
        let limit = *bufsiz;
        return Err(LinkError::TooLong { bytes, limit });
    }
    for frames in batch.chunk_by_mut(|_, next| delay_fits(next)) {
        if let Some(first) = frames.first().filter(|frame| !delay_fits(frame)) {
            std::thread::sleep(first.settle);
        }
        message(frames, sck, bufsiz, kernel)?;
    }
    Ok(())
}

fn message(
    frames: &mut [Frame<'_>],
    sck: Hertz,
    bufsiz: &mut usize,
    kernel: &mut Kernel<'_>,
) -> Result<(), LinkError> {
    let expected: usize = frames.iter().map(Frame::len).sum();
    let bytes = longer_direction(frames);
    match kernel(&mut transfers(frames, sck)) {
        Ok(got) if got == expected => Ok(()),
        Ok(got) => Err(LinkError::Short { expected, got }),
        Err(error) if error.raw_os_error() == Some(Errno::EMSGSIZE as i32) => {
            // The parameter may be missing or stale: what the kernel refuses is remembered.
            *bufsiz = lowered(*bufsiz);
            let limit = *bufsiz;
            Err(LinkError::TooLong { bytes, limit })
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

    /// Sends one reading frame of `bytes` to a kernel that answers `answers` in turn; the result, the
    /// limit afterwards and how often the kernel was asked.
    fn asked(
        bytes: usize,
        bufsiz: usize,
        answers: &[Result<usize, Errno>],
    ) -> (Vec<String>, usize, usize) {
        let (mut limit, mut calls) = (bufsiz, 0);
        let mut said = Vec::new();
        for _ in answers {
            let mut into = vec![0; bytes];
            let mut batch = [Frame::new(vec![
                Segment::Out(&[0x03, 0, 0, 0]),
                Segment::In(&mut into),
            ])];
            let result = send(&mut batch, Hertz::mhz(1), &mut limit, &mut |rows| {
                assert_eq!(rows.len(), 2);
                let answer = answers[calls];
                calls += 1;
                answer.map_err(Into::into)
            });
            said.push(match result {
                Ok(()) => "sent".to_owned(),
                Err(LinkError::Io(error)) => format!("{:?}", error.raw_os_error().unwrap()),
                Err(LinkError::TooLong { limit, .. }) => format!("limit {limit}"),
                Err(LinkError::Short { expected, got }) => format!("{got} of {expected}"),
                Err(other) => panic!("{other:?}"),
            });
        }
        (said, limit, calls)
    }

    /// Return value and errors as `drivers/spi/spidev.c` gives them.
    #[test]
    fn what_the_kernel_answers_is_told() {
        let number = |errno: Errno| (errno as i32).to_string();
        for (answer, wanted) in [
            (Ok(104), "sent".to_owned()),
            (Ok(103), "103 of 104".to_owned()),
            (Ok(0), "0 of 104".to_owned()),
            (Ok(105), "105 of 104".to_owned()),
            (Err(Errno::ESHUTDOWN), number(Errno::ESHUTDOWN)),
            (Err(Errno::EINVAL), number(Errno::EINVAL)),
            (Err(Errno::ENOMEM), number(Errno::ENOMEM)),
        ] {
            assert_eq!(asked(100, 4096, &[answer]), (vec![wanted], 4096, 1));
        }
    }

    #[test]
    fn a_limit_that_the_kernel_does_not_keep_is_lowered_and_remembered() {
        let refused = Err(Errno::EMSGSIZE);
        // Three times asked, and the third time no message of that length goes out.
        let (said, limit, calls) = asked(3000, 65536, &[refused, refused, Ok(3004)]);
        assert_eq!(said, ["limit 4096", "limit 2048", "limit 2048"]);
        assert_eq!((limit, calls), (2048, 2));
        assert_eq!(asked(1000, 65536, &[refused, Ok(1004)]).0[1], "sent");
    }

    /// A batch in two messages, of which the second is too long: nothing is sent.
    #[test]
    fn lengths_are_checked_before_the_first_message() {
        let mut big = vec![0; 5000];
        let mut batch = [
            Frame::new(vec![Segment::Out(&[0x06])]),
            Frame::new(vec![Segment::Exchange(&mut big)]).after(Duration::from_micros(1)),
        ];
        let error = send(&mut batch, Hertz::mhz(1), &mut 4096, &mut |_| {
            panic!("sent")
        });
        assert!(matches!(
            error,
            Err(LinkError::TooLong {
                bytes: 5120,
                limit: 4096
            })
        ));
    }

    #[test]
    fn a_settle_that_is_slept_divides_the_batch() {
        let mut byte = [0x05, 0];
        let mut batch = [
            Frame::new(vec![Segment::Out(&[0x06])]),
            Frame::new(vec![Segment::Out(&[0x20, 0, 0, 0])]),
            Frame::new(vec![Segment::Exchange(&mut byte)]).after(Duration::from_micros(1)),
            Frame::new(vec![Segment::Out(&[0x04])]),
        ];
        let mut rows_of = Vec::new();
        send(&mut batch, Hertz::mhz(1), &mut 4096, &mut |rows| {
            assert_eq!(rows.last().unwrap().cs_change, 0);
            rows_of.push(rows.len());
            Ok([5, 3][rows_of.len() - 1])
        })
        .unwrap();
        assert_eq!(rows_of, [2, 2]);
    }

    /// 14 bits of size hold 511 transfers of 32 bytes (`include/uapi/linux/spi/spidev.h`); beyond
    /// them the kernel would do nothing and say 0.
    #[test]
    fn more_transfers_than_a_message_holds_are_refused() {
        let null = std::fs::File::open("/dev/null").unwrap();
        let mut rows: Vec<SpidevTransfer<'_, '_>> =
            (0..512).map(|_| SpidevTransfer::write(&[0x05])).collect();
        let error = ioctl::message(&null, &mut rows).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
        // One fewer reaches the kernel, which knows no such request for this device.
        let error = ioctl::message(&null, &mut rows[..511]).unwrap_err();
        assert_eq!(error.raw_os_error(), Some(Errno::ENOTTY as i32));
    }

    #[test]
    fn a_missing_node_is_named() {
        let error = SpidevLink::open(Path::new("/dev/spidev99.9"), None).unwrap_err();
        assert_eq!(error.to_string(), "cannot open /dev/spidev99.9");
    }
}
