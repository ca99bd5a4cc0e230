//! The simulated link to a simulated chip.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::Mock;
use super::bench::Bench;
use crate::jedec::{Hertz, Millivolts};
use crate::link::{Frame, Limits, Link, LinkError};

/// A link to the chip of a [`Mock`]; several may follow one another, as commands do on a bench that
/// stays powered.
#[derive(Debug)]
pub struct MockLink {
    name: String,
    level: Option<Millivolts>,
    opened_at: Duration,
    bench: Arc<Mutex<Bench>>,
}

impl Mock {
    /// Opens a link to the chip.
    #[must_use]
    pub fn link(&self) -> MockLink {
        let opened_at = self.now();
        let bench = self.lock();
        MockLink {
            name: bench.name.clone(),
            level: bench.level,
            opened_at,
            bench: Arc::clone(&self.bench),
        }
    }
}

impl Link for MockLink {
    fn name(&self) -> &str {
        &self.name
    }

    fn level(&self) -> Option<Millivolts> {
        self.level
    }

    fn under_voltage(&mut self) -> Option<String> {
        let bench = super::lock(&self.bench);
        let next = bench.counters.batches.saturating_add(1);
        let dips = bench.faults.host_dips(next);
        dips.then(|| "the simulated computer's sensor reports under-voltage".to_owned())
    }

    fn limits(&self) -> Limits {
        super::lock(&self.bench).limits.clone()
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        super::lock(&self.bench).transfer(batch, sck)
    }

    fn now(&self) -> Duration {
        let now_ns = super::lock(&self.bench).clock.now_ns();
        Duration::from_nanos(now_ns).saturating_sub(self.opened_at)
    }

    fn wait(&mut self, time: Duration) {
        super::lock(&self.bench).clock.advance(time);
    }

    fn idle(&mut self, into: &mut [u8], sck: Hertz) -> Result<bool, LinkError> {
        super::lock(&self.bench).idle(into, sck);
        Ok(true)
    }
}
