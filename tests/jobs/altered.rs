//! A link of which a test alters what it is about; all else is that of the link below.
//!
//! There is this one for all tests and benchmarks, so that a call that links learn later is passed on in all.

use std::time::Duration;

use norlock::jedec::{Hertz, Millivolts};
use norlock::link::{Frame, Limits, Link, LinkError};

type Sends<L> = Box<dyn FnMut(&mut L, &mut [Frame<'_>], Hertz) -> Result<(), LinkError> + Send>;

/// Sends as it is told to.
pub struct Altered<L> {
    link: L,
    sends: Sends<L>,
    lives: Box<dyn Fn() -> bool + Send>,
    takes_time: Option<bool>,
}

impl<L: Link> Altered<L> {
    /// Batches go to `sends`, which may hand them to the link below.
    pub fn new(
        link: L,
        sends: impl FnMut(&mut L, &mut [Frame<'_>], Hertz) -> Result<(), LinkError> + Send + 'static,
    ) -> Self {
        Self {
            link,
            sends: Box::new(sends),
            lives: Box::new(|| true),
            takes_time: None,
        }
    }

    /// Once it does not live any more, nothing is clocked and no time passes. Batches are for `sends` to stop.
    pub fn while_alive(self, lives: impl Fn() -> bool + Send + 'static) -> Self {
        let lives = Box::new(lives);
        Self { lives, ..self }
    }

    /// Says that its time is real, or that it is not.
    pub fn taking_time(self, takes_time: bool) -> Self {
        let takes_time = Some(takes_time);
        Self { takes_time, ..self }
    }
}

impl<L: Link> Link for Altered<L> {
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
        (self.sends)(&mut self.link, batch, sck)
    }
    fn now(&self) -> Duration {
        self.link.now()
    }
    fn takes_time(&self) -> bool {
        self.takes_time.unwrap_or_else(|| self.link.takes_time())
    }
    fn wait(&mut self, time: Duration) {
        if (self.lives)() {
            self.link.wait(time);
        }
    }
    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        match (self.lives)() {
            true => self.link.idle(into, sck),
            false => Ok(false),
        }
    }
}
