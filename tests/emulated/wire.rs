//! Single frames, as a person with a logic analyser would name them.

use norlock::jedec::Hertz;
use norlock::jedec::opcode::{READ_STATUS_1, WRITE_ENABLE};
use norlock::link::{Frame, Link, Segment};

use crate::link::EmulatedLink;

/// Any clock; the emulated bus has none.
pub const SCK: Hertz = Hertz::mhz(10);

/// Sends `bytes` in one frame.
pub fn send(link: &mut EmulatedLink, bytes: &[u8]) {
    receive(link, bytes, 0);
}

/// Sends `bytes` and receives `len` in the same frame.
pub fn receive(link: &mut EmulatedLink, bytes: &[u8], len: usize) -> Vec<u8> {
    let mut received = vec![0; len];
    let segments = vec![Segment::Out(bytes), Segment::In(&mut received)];
    link.transfer(&mut [Frame::new(segments)], SCK).unwrap();
    received
}

/// Status register 1.
pub fn status(link: &mut EmulatedLink) -> u8 {
    receive(link, &[READ_STATUS_1], 1)[0]
}

/// WREN, then `bytes`, as two frames of one batch.
pub fn send_enabled(link: &mut EmulatedLink, bytes: &[u8]) {
    let enable = Frame::new(vec![Segment::Out(&[WRITE_ENABLE])]);
    let modify = Frame::new(vec![Segment::Out(bytes)]);
    link.transfer(&mut [enable, modify], SCK).unwrap();
}

/// Opcode and address: `opcodes` for three and for four address bytes, by the chip's size.
pub fn addressed(opcodes: (u8, u8), at: usize, size_bytes: usize) -> Vec<u8> {
    let address = u32::try_from(at).unwrap().to_be_bytes();
    if size_bytes > 1 << 24 {
        [&[opcodes.1], &address[..]].concat()
    } else {
        [&[opcodes.0], &address[1..]].concat()
    }
}

/// Reads `len` bytes at `at` with 03h, or 13h above 16 MiB, in pieces that fit in a batch.
pub fn read(link: &mut EmulatedLink, at: usize, len: usize, size_bytes: usize) -> Vec<u8> {
    let piece = link.limits().batch_in_bytes;
    let mut bytes = Vec::with_capacity(len);
    while bytes.len() < len {
        let header = addressed((0x03, 0x13), at + bytes.len(), size_bytes);
        let next = piece.min(len - bytes.len());
        bytes.extend(receive(link, &header, next));
    }
    bytes
}
