//! A link to a simulated chip that counts as one whose time is real.

use std::time::{Duration, Instant};

use norlock::jedec::{Hertz, Millivolts};
use norlock::link::{Frame, Limits, Link, LinkError};
use norlock::mock::MockLink;

/// Is told of each batch: when it was handed over, how long it takes on the virtual clock, and its bytes.
type Tell = Box<dyn FnMut(Instant, Duration, usize) + Send>;

/// Jobs work on what was read while this reads on.
pub struct RealTime {
    link: MockLink,
    sent: Tell,
    /// Whether it says so; where it does not, jobs read and work in turn.
    pub tells: bool,
}

impl RealTime {
    /// No time passes by itself: `sent` may let it pass before the batch counts as sent.
    pub fn new(
        link: MockLink,
        sent: impl FnMut(Instant, Duration, usize) + Send + 'static,
    ) -> Self {
        Self {
            link,
            sent: Box::new(sent),
            tells: true,
        }
    }
}

impl Link for RealTime {
    fn name(&self) -> &str {
        self.link.name()
    }
    fn level(&self) -> Option<Millivolts> {
        self.link.level()
    }
    fn under_voltage(&mut self) -> Option<String> {
        self.link.under_voltage()
    }
    fn limits(&self) -> Limits {
        self.link.limits()
    }
    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let (began, before) = (Instant::now(), self.link.now());
        let result = self.link.transfer(batch, sck);
        let bytes = batch.iter().map(Frame::len).sum();
        (self.sent)(began, self.link.now().saturating_sub(before), bytes);
        result
    }
    fn now(&self) -> Duration {
        self.link.now()
    }
    fn takes_time(&self) -> bool {
        self.tells
    }
    fn wait(&mut self, time: Duration) {
        self.link.wait(time);
    }
    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        self.link.idle(into, sck)
    }
}
