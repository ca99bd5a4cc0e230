//! A link over any [`SpiDevice`] of `embedded-hal` 1.0: a microcontroller, another board's driver, a test.

use std::io;
use std::time::{Duration, Instant};

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{self, Operation, SpiDevice};

use super::{Frame, Limits, Link, LinkError, Segment};
use crate::jedec::{Hertz, Lanes, Millivolts};

/// Bytes in each direction that any driver is taken to carry at once: the least buffer that Linux's spidev
/// has by itself, as drivers on Linux lead there.
const BATCH_BYTES: usize = 4096;

/// Zeros go out while bytes come in, so both share what a driver carries out. A batch that writes fills less
/// than one that reads: this part is for it.
const OUT_SHARE: usize = 4;

/// Gives a device another clock: the highest it can make that is not above the one asked for.
type SetClock<D> = Box<dyn FnMut(&mut D, Hertz) -> io::Result<()> + Send>;

/// One chip select on a bus that an [`SpiDevice`] drives.
///
/// Each frame is one transaction. The device has to be in SPI mode 0, most significant bit first, and has to
/// keep CS low for a whole transaction: the trait tells neither, nor the clock and the level, so its maker
/// declares them. Frames go on one lane.
///
/// ```
/// use norlock::jedec::{Hertz, Millivolts};
/// use norlock::link::{DeviceLink, Link};
/// use norlock::mock::Mock;
/// use norlock::part::Catalogue;
///
/// let catalogue = Catalogue::builtin()?;
/// let part = catalogue.parts().iter().find(|part| part.name == "W25Q80DV").cloned();
/// let mock = Mock::new(part.ok_or("not in the table")?);
/// let link = DeviceLink::new(mock.device(), mock.clone(), Hertz::mhz(8), Some(Millivolts(3300)))
///     .named("SPI2, CS at PB12");
/// assert_eq!(link.limits().sck_min, link.limits().sck_max);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub struct DeviceLink<D, T> {
    device: D,
    delay: T,
    name: String,
    level: Option<Millivolts>,
    limits: Limits,
    set_clock: Option<SetClock<D>>,
    /// The clock the device was last given.
    clock: Hertz,
    opened: Instant,
    /// What bits and waits take at the least.
    counted: Duration,
    /// What goes out while bytes come in.
    zeros: Vec<u8>,
}

impl<D: SpiDevice + Send, T: DelayNs + Send> DeviceLink<D, T> {
    /// A link over `device`, which runs at `clock` and no other; `level` is what its pins drive, and `delay`
    /// waits. Nothing is clocked.
    ///
    /// Whatever is asked below `clock` goes at `clock`. Such a link is good for reading. To write, a chip
    /// wants half the clock that its contact has proven: see [`DeviceLink::with_clocks`].
    #[must_use]
    pub fn new(device: D, delay: T, clock: Hertz, level: Option<Millivolts>) -> Self {
        Self {
            device,
            delay,
            name: "an embedded-hal device".into(),
            level,
            limits: Limits {
                batch_out_bytes: BATCH_BYTES / OUT_SHARE,
                batch_in_bytes: BATCH_BYTES - BATCH_BYTES / OUT_SHARE,
                segment_align_bytes: 1,
                batch_segments: 511,
                sck_max: clock,
                sck_min: clock,
                lanes: Lanes::ONE,
            },
            set_clock: None,
            clock,
            opened: Instant::now(),
            counted: Duration::ZERO,
            zeros: Vec::new(),
        }
    }

    /// Called `name` on screens and in records; `an embedded-hal device` otherwise.
    #[must_use]
    pub fn named(mut self, name: impl Into<String>) -> Self {
        self.name = name.into();
        self
    }

    /// With other clocks than the one declared, from `lowest` up to that one. `set` is called with the clock that is
    /// wanted, and gives the device the highest that it can make and that is not above it. Where `set` fails,
    /// nothing of the batch is sent, and the device's clock counts as unknown.
    #[must_use]
    pub fn with_clocks(
        mut self,
        lowest: Hertz,
        set: impl FnMut(&mut D, Hertz) -> io::Result<()> + Send + 'static,
    ) -> Self {
        self.limits.sck_min = lowest.min(self.limits.sck_max);
        self.set_clock = Some(Box::new(set));
        self
    }

    /// With batches of as many bytes as the device's driver carries at once in each direction; 4096 otherwise. A
    /// quarter of them is for what is sent, the rest for what is read, as zeros go out meanwhile.
    #[must_use]
    pub fn with_batch_bytes(mut self, bytes: usize) -> Self {
        self.limits.batch_out_bytes = bytes / OUT_SHARE;
        self.limits.batch_in_bytes = bytes - bytes / OUT_SHARE;
        self
    }

    /// Gives the device and the delay back.
    #[must_use]
    pub fn release(self) -> (D, T) {
        (self.device, self.delay)
    }

    /// Refuses what cannot be sent, before anything is.
    fn check(&self, batch: &[Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let segments = || batch.iter().flat_map(|frame| &frame.segments);
        let goes = |out: bool, segment: &Segment<'_>| match segment {
            Segment::Out(_) => out,
            Segment::In(_) => !out,
            Segment::Exchange(_) => true,
        };
        for (out, limit) in [
            (true, self.limits.batch_out_bytes),
            (false, self.limits.batch_in_bytes),
        ] {
            let counted = segments().filter(|segment| goes(out, segment));
            let bytes = counted.map(Segment::len).sum();
            if bytes > limit {
                return Err(LinkError::TooLong { bytes, limit });
            }
        }
        let carried = |frame: &Frame<'_>| self.limits.lanes.carry(frame.lanes);
        if batch.iter().all(carried) {
            return Ok(());
        }
        let source = io::Error::new(io::ErrorKind::Unsupported, "it has one lane");
        Err(LinkError::Refused { sck, source })
    }

    fn at_clock(&mut self, sck: Hertz) -> Result<(), LinkError> {
        let wanted = sck.clamp(self.limits.sck_min, self.limits.sck_max);
        if let Some(set) = self.set_clock.as_mut().filter(|_| wanted != self.clock) {
            // What a failed call has left behind nobody knows.
            self.clock = Hertz(0);
            let refused = |source| LinkError::Refused { sck, source };
            set(&mut self.device, wanted).map_err(refused)?;
        }
        self.clock = wanted;
        Ok(())
    }

    fn frame(&mut self, frame: &mut Frame<'_>) -> Result<(), LinkError> {
        self.wait(frame.settle);
        let into = frame.segments.iter().map(Segment::len).max();
        if self.zeros.len() < into.unwrap_or(0) {
            self.zeros.resize(into.unwrap_or(0), 0);
        }
        let zeros = &self.zeros;
        let mut operations: Vec<Operation<'_, u8>> = frame
            .segments
            .iter_mut()
            .map(|segment| match segment {
                Segment::Out(bytes) => Operation::Write(bytes),
                // A read leaves what goes out to the driver.
                Segment::In(bytes) => {
                    let zeros = zeros.get(..bytes.len()).unwrap_or_default();
                    Operation::Transfer(bytes, zeros)
                }
                Segment::Exchange(bytes) => Operation::TransferInPlace(bytes),
            })
            .collect();
        let sent = self.device.transaction(&mut operations);
        let clocks = frame.clocks().saturating_mul(1_000_000_000);
        self.counted += Duration::from_nanos(clocks / u64::from(self.clock.0.max(1)));
        sent.map_err(|error| LinkError::Io(io::Error::other(told(&error))))
    }
}

/// An error of a driver in words: the trait promises its kind and how it is debugged.
fn told<E: spi::Error>(error: &E) -> String {
    format!("{}: {error:?}", error.kind())
}

impl<D: SpiDevice + Send, T: DelayNs + Send> Link for DeviceLink<D, T> {
    fn name(&self) -> &str {
        &self.name
    }

    fn level(&self) -> Option<Millivolts> {
        self.level
    }

    fn limits(&self) -> Limits {
        self.limits.clone()
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        self.check(batch, sck)?;
        self.at_clock(sck)?;
        batch.iter_mut().try_for_each(|frame| self.frame(frame))
    }

    /// The computer's clock; on a device whose time is simulated it hardly moves, and then bits and waits count.
    fn now(&self) -> Duration {
        self.opened.elapsed().max(self.counted)
    }

    fn takes_time(&self) -> bool {
        true
    }

    fn wait(&mut self, time: Duration) {
        self.counted += time;
        let mut left_ns = time.as_nanos();
        while left_ns > 0 {
            let step_ns = u32::try_from(left_ns).unwrap_or(u32::MAX);
            self.delay.delay_ns(step_ns);
            left_ns -= u128::from(step_ns);
        }
    }
}

impl spi::Error for LinkError {
    fn kind(&self) -> spi::ErrorKind {
        spi::ErrorKind::Other
    }
}
