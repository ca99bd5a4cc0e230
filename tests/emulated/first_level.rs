//! The bench itself: identity, reading and writing by single frames, judged from outside.

use std::ops::Range;

use norlock::jedec::opcode::{FAST_READ, READ_JEDEC_ID, READ_SFDP};
use norlock::link::{Frame, Link, LinkError, Segment};

use crate::on_each_model;
use crate::wire::{SCK, addressed, read, receive, send, send_enabled};

#[test]
fn read_id_is_the_datasheets() {
    on_each_model(|emulator, model, _| {
        let mut link = emulator.link();
        let id = receive(&mut link, &[READ_JEDEC_ID], 3);
        if let Some(expected) = model.jedec_id {
            assert_eq!(id, expected, "{}", model.name);
        }
        let mut exchanged = [READ_JEDEC_ID, 0, 0, 0];
        let exchange = Frame::new(vec![Segment::Exchange(&mut exchanged)]);
        link.transfer(&mut [exchange], SCK).unwrap();
        assert_eq!(exchanged[1..], id, "{}: one transfer or two", model.name);
        assert_eq!(emulator.counts().frames, 2, "{}", model.name);
    });
}

/// JESD216F, section 6: header signature, pointer in the first parameter header, density in DWORD 2.
#[test]
fn sfdp_gives_the_size() {
    on_each_model(|emulator, model, _| {
        let mut link = emulator.link();
        let header = receive(&mut link, &[READ_SFDP, 0, 0, 0, 0], 16);
        let signed = header.starts_with(b"SFDP");
        assert_eq!(signed, model.has_sfdp.unwrap_or(signed), "{}", model.name);
        if signed {
            let density_at = [READ_SFDP, header[14], header[13], header[12] + 4, 0];
            let density = receive(&mut link, &density_at, 4);
            let density = u32::from_le_bytes(density.try_into().unwrap());
            let size_bytes = (u64::from(density) + 1) / 8;
            assert_eq!(size_bytes, model.size_bytes as u64, "{}", model.name);
        }
    });
}

#[test]
fn reading_gives_the_backing_file() {
    on_each_model(|emulator, model, content| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        let whole = read(&mut link, 0, size, size);
        assert!(whole == content, "{}: read whole", model.name);
        for at in [0, 0x1234, size.min(1 << 24) - 16] {
            let [_, high, middle, low] = u32::try_from(at).unwrap().to_be_bytes();
            let fast = receive(&mut link, &[FAST_READ, high, middle, low, 0], 16);
            assert_eq!(fast, content[at..at + 16], "{}: 0Bh at {at:#x}", model.name);
        }
        if size > 1 << 24 {
            let at = size - 0x4321;
            let fast = receive(
                &mut link,
                &[addressed((0x0B, 0x0C), at, size), vec![0]].concat(),
                16,
            );
            assert_eq!(fast, content[at..at + 16], "{}: 0Ch", model.name);
        }
        let last = read(&mut link, size - 1, 1, size);
        assert_eq!(last, content[size - 1..], "{}", model.name);
    });
}

/// Erase sets to FF, program only clears bits, and no other byte of the file changes.
#[test]
fn erase_and_program_change_the_file_where_asked() {
    on_each_model(|emulator, model, mut expected| {
        let (mut link, size) = (emulator.link(), model.size_bytes);
        let (middle, last) = (size / 2, size - 0x1_0000);
        let mut erase = |opcodes: (u8, u8), range: Range<usize>| {
            send_enabled(&mut link, &addressed(opcodes, range.start, size));
            expected[range].fill(0xFF);
        };
        erase((0x20, 0x21), middle..middle + 0x1000);
        erase((0x52, 0x5C), 0x8000..0x1_0000);
        erase((0xD8, 0xDC), last..size);
        let pattern: Vec<u8> = (0..=255).collect();
        for at in [0x100, middle, size - 0x100] {
            let mut frame = addressed((0x02, 0x12), at, size);
            frame.extend(&pattern);
            send_enabled(&mut link, &frame);
            let page = &mut expected[at..at + 0x100];
            page.iter_mut()
                .zip(&pattern)
                .for_each(|(cell, bits)| *cell &= bits);
        }
        send(&mut link, &[0x04]);
        assert!(
            read(&mut link, 0, size, size) == expected,
            "{}: chip",
            model.name
        );
        emulator.stop_and_compare(&expected);
    });
}

#[test]
fn a_batch_above_the_limit_is_refused_before_anything_is_sent() {
    on_each_model(|emulator, model, _| {
        let mut link = emulator.link();
        let mut bytes = vec![0; link.limits().batch_in_bytes + 1];
        let segments = vec![Segment::Out(&[0x03, 0, 0, 0]), Segment::In(&mut bytes)];
        let refused = link.transfer(&mut [Frame::new(segments)], SCK);
        assert!(
            matches!(refused, Err(LinkError::TooLong { .. })),
            "{}",
            model.name
        );
        assert_eq!(emulator.counts().frames, 0, "{}", model.name);
    });
}
