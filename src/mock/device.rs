//! The simulated chip as an [`SpiDevice`] of `embedded-hal` 1.0, for drivers that know no other link.

use std::time::Duration;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

use super::{Mock, MockLink};
use crate::jedec::Hertz;
use crate::link::{Frame, Link, LinkError, Segment};

/// The chip of a [`Mock`] behind an [`SpiDevice`]; several may follow one another.
///
/// A transaction is one frame. A delay within it moves the clock before the frame begins.
#[derive(Debug)]
pub struct MockDevice {
    link: MockLink,
    sck: Hertz,
}

impl Mock {
    /// The chip as an [`SpiDevice`], clocked at 8 MHz. The bench itself is a [`DelayNs`] on its virtual clock.
    ///
    /// ```
    /// use embedded_hal::spi::SpiDevice as _;
    /// use norlock::mock::Mock;
    /// use norlock::part::Catalogue;
    ///
    /// let catalogue = Catalogue::builtin()?;
    /// let part = catalogue.parts().iter().find(|part| part.name == "W25Q80DV").cloned();
    /// let mut chip = Mock::new(part.ok_or("not in the table")?).device();
    /// let mut id = [0x9F, 0, 0, 0];
    /// chip.transfer_in_place(&mut id)?;
    /// assert_eq!(id[1..], [0xEF, 0x40, 0x14]);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    #[must_use]
    pub fn device(&self) -> MockDevice {
        MockDevice {
            link: self.link(),
            sck: Hertz::mhz(8),
        }
    }
}

impl MockDevice {
    /// The clock of the transactions that follow.
    pub fn set_sck(&mut self, sck: Hertz) {
        self.sck = sck;
    }
}

impl ErrorType for MockDevice {
    type Error = LinkError;
}

impl SpiDevice for MockDevice {
    /// Sends the operations as one frame.
    ///
    /// # Errors
    /// Any [`LinkError`]: where a datasheet forbids the frame, where it is longer than the bench's limits, and
    /// what its faults say. The chip is left as the frames before that left it.
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), LinkError> {
        // Of a transfer the one side may be longer than the other: what goes out is filled up with zeros.
        let mut both: Vec<Vec<u8>> = operations.iter().filter_map(exchanged).collect();
        let mut exchanges = both.iter_mut();
        let mut segments = Vec::new();
        let mut within = Duration::ZERO;
        for operation in operations.iter_mut() {
            match operation {
                Operation::Write(bytes) => segments.push(Segment::Out(bytes)),
                Operation::Read(into) => segments.push(Segment::In(into)),
                Operation::TransferInPlace(bytes) => segments.push(Segment::Exchange(bytes)),
                Operation::Transfer(..) => {
                    segments.extend(exchanges.next().map(|bytes| Segment::Exchange(bytes)));
                }
                Operation::DelayNs(ns) => within += Duration::from_nanos((*ns).into()),
            }
        }
        self.link.wait(within);
        let sent = self.link.transfer(&mut [Frame::new(segments)], self.sck);
        let transfers = operations
            .iter_mut()
            .filter_map(|operation| match operation {
                Operation::Transfer(into, _) => Some(into),
                _ => None,
            });
        for (into, came) in transfers.zip(both) {
            into.iter_mut()
                .zip(came)
                .for_each(|(place, byte)| *place = byte);
        }
        sent
    }
}

/// What a transfer sends, as long as its longer side.
fn exchanged(operation: &Operation<'_, u8>) -> Option<Vec<u8>> {
    let Operation::Transfer(into, out) = operation else {
        return None;
    };
    let mut bytes = out.to_vec();
    bytes.resize(out.len().max(into.len()), 0);
    Some(bytes)
}

impl DelayNs for Mock {
    fn delay_ns(&mut self, ns: u32) {
        self.link().wait(Duration::from_nanos(ns.into()));
    }
}
