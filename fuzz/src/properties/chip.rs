//! The simulated chip, with all that a bench file can say of it: reads do not change it.

use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::link::{Frame, Link, Segment};
use norlock::mock::Mock;

use super::bench::{ARRAY_BYTES, with_chip};

/// Works on the chip of a bench file.
pub fn check(bytes: &[u8]) -> bool {
    with_chip(bytes, work)
}

/// Reads, programs, erases, wakes and resets. The link may fail; what reads may not change the cells.
pub fn work(mock: &Mock) {
    let before = mock.truth(0..ARRAY_BYTES);
    assert_eq!(before.len(), ARRAY_BYTES as usize);
    let mut link = mock.link();
    for (out, count) in [
        (&[0x9F][..], 20),
        (&[0x05], 2),
        (&[0x5A, 0, 0, 0, 0], 64),
        (&[0x03, 0, 0x1F, 0xF0], 64),
        (&[0x0B, 0, 0, 0, 0], 300),
    ] {
        send(&mut link, out, count);
    }
    assert!(
        mock.truth(0..ARRAY_BYTES) == before,
        "a read changed the cells"
    );
    mock.monitor().cover(0..ARRAY_BYTES);
    for out in [
        &[0x06][..],
        &[0x02, 0, 0, 0xFE, 1, 2, 3, 4],
        &[0x06],
        &[0x20, 0, 0, 0],
        &[0x06],
        &[0x01, 0],
        &[0xAB],
        &[0x66],
        &[0x99],
    ] {
        send(&mut link, out, 0);
        link.wait(Duration::from_secs(1));
    }
    send(&mut link, &[0x03, 0, 0, 0], 64);
}

fn send(link: &mut dyn Link, out: &[u8], count: usize) {
    let mut seen = vec![0; count];
    let frame = Frame::new(vec![Segment::Out(out), Segment::In(&mut seen)]);
    // A fault may fail the link: the next frame finds it as it is then.
    let _ = link.transfer(&mut [frame], Hertz::mhz(10));
}
