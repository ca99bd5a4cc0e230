//! A link to a simulated chip that counts as one whose time is real.

use std::time::{Duration, Instant};

use norlock::link::{Frame, Link};
use norlock::mock::MockLink;

use crate::altered::Altered;

/// Jobs work on what was read while this reads on. No time passes by itself: `sent`, which is told when a batch
/// was handed over, how long it takes on the virtual clock, and its bytes, may let it pass before it counts as
/// sent.
pub fn real_time(
    link: MockLink,
    mut sent: impl FnMut(Instant, Duration, usize) + Send + 'static,
) -> Altered<MockLink> {
    let link = Altered::new(link, move |link, batch, sck| {
        let (began, before) = (Instant::now(), link.now());
        let result = link.transfer(batch, sck);
        let bytes = batch.iter().map(Frame::len).sum();
        sent(began, link.now().saturating_sub(before), bytes);
        result
    });
    link.taking_time(true)
}
