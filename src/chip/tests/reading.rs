//! Reading: ranges, frames, passes, identities.

use std::ops::ControlFlow;

use super::*;
use crate::mock::{Content, Failure, Miso};

const MIB: u32 = 1 << 20;

fn reads(desk: &Desk) -> Vec<Sent> {
    let mut sent = desk.sent();
    sent.retain(|sent| [0x03, 0x0B, 0x13, 0x0C].contains(&sent.out[0]));
    sent
}

#[test]
fn ranges_end_with_the_chip() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    for command in [ReadCommand::Read, ReadCommand::FastRead] {
        for (address, length) in [
            (0, 1),
            (MIB - 1, 1),
            (0, 0),
            (MIB, 0),
            (12_345, 9_999),
            (0, MIB),
        ] {
            let mut seen = vec![0; length as usize];
            chip.read(command, SCK, Address(address), &mut seen)
                .unwrap();
            assert!(seen == pattern(address, length), "{address} {length}");
        }
    }
    desk.clear();
    for (address, length) in [
        (MIB, 1),
        (MIB - 1, 2),
        (0, MIB + 1),
        (MIB + 1, 0),
        (u32::MAX, 1),
        (u32::MAX, 4096),
    ] {
        let mut seen = vec![0; length as usize];
        let error = chip
            .read(ReadCommand::Read, SCK, Address(address), &mut seen)
            .unwrap_err();
        assert!(
            matches!(
                error,
                ChipError::OutOfRange {
                    size_bytes: MIB,
                    ..
                }
            ),
            "{error:?}"
        );
    }
    assert_eq!(desk.sent(), []);
}

/// W25Q80DV: 03h has no dummy byte, 0Bh one (Rev. H, instruction set table).
#[test]
fn frames_are_split_at_the_limits_of_the_link() {
    let desk = Desk::new("W25Q80DV");
    let mut chip = desk.chip();
    let frame = chip.frame_bytes(SCK);
    desk.clear();
    chip.read(ReadCommand::FastRead, SCK, Address(5), &mut vec![0; 10_000])
        .unwrap();
    let sent = reads(&desk);
    let lengths: Vec<usize> = sent.iter().map(|sent| sent.read_bytes).collect();
    assert_eq!(lengths, [frame, frame, 10_000 - 2 * frame]);
    let [_, high, middle, low] = (5 + frame as u32).to_be_bytes();
    assert_eq!(sent[1].out, [0x0B, high, middle, low, 0]);
    // A slow clock makes frames short: none lasts beyond 50 ms.
    assert!(chip.frame_bytes(Hertz(100_000)) * 80 < 50_000);
    assert!(chip.frame_bytes(Hertz(0)) >= 16);
}

#[test]
fn a_batch_that_is_too_long_once_is_read_in_shorter_ones() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    let frame = chip.frame_bytes(SCK);
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 2,
        error: Failure::TooLong,
        lasting: false,
    }));
    let mut seen = vec![0; 20_000];
    chip.read(ReadCommand::Read, SCK, Address(7), &mut seen)
        .unwrap();
    assert!(seen == pattern(7, 20_000));
    assert!(chip.frame_bytes(SCK) < frame);
}

#[test]
fn reads_go_on_across_16_mib() {
    for name in ["W25Q256JV", "MX25L25635F", "N25Q256A13"] {
        let desk = Desk::new(name);
        let start = (16 << 20) - 5000;
        desk.mock.set_truth(start, &pattern(start, 10_000)).unwrap();
        let mut chip = desk.chip();
        for command in [ReadCommand::Read, ReadCommand::FastRead] {
            let mut seen = vec![0; 10_000];
            chip.read(command, SCK, Address(start), &mut seen).unwrap();
            assert!(seen == pattern(start, 10_000), "{name}");
        }
    }
}

fn pass(first_bytes: u32, order: Order) -> Pass {
    Pass {
        command: ReadCommand::Read,
        sck: SCK,
        frame_bytes: 3000,
        first_bytes,
        order,
        poison: 0x5A,
    }
}

#[test]
fn a_pass_hands_on_every_byte_once_in_its_order() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    for order in [Order::Up, Order::Down] {
        let mut seen = vec![0; 100_000];
        let mut starts = Vec::new();
        let end = chip
            .read_pass(&pass(1001, order), 500..100_500, &mut |address, bytes| {
                starts.push(address.0);
                let at = (address.0 - 500) as usize;
                seen[at..at + bytes.len()].copy_from_slice(bytes);
                ControlFlow::Continue(())
            })
            .unwrap();
        assert_eq!(end, PassEnd::Whole);
        assert!(seen == pattern(500, 100_000));
        assert_eq!(starts.is_sorted(), order == Order::Up);
        assert!(starts.contains(&500) && starts.contains(&1501));
    }
}

/// At a very slow clock frames have 16 bytes, fewer than the first one is asked to have.
#[test]
fn boundaries_shift_where_frames_are_short_too() {
    let desk = Desk::new("W25Q80DV");
    let mut chip = desk.chip();
    for (first_bytes, second) in [(16, 516), (61, 513), (13, 513)] {
        let short = Pass {
            frame_bytes: 16,
            ..pass(first_bytes, Order::Up)
        };
        let mut starts = Vec::new();
        chip.read_pass(&short, 500..700, &mut |address, _| {
            starts.push(address.0);
            ControlFlow::Continue(())
        })
        .unwrap();
        assert_eq!(starts[..2], [500, second]);
    }
}

#[test]
fn a_pass_can_be_stopped_and_is_checked_before_it_starts() {
    let desk = Desk::new("W25Q80DV");
    let mut chip = desk.chip();
    let mut frames = 0;
    let mut take = |_: Address, _: &[u8]| {
        frames += 1;
        if frames == 3 {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    };
    let up = pass(3000, Order::Up);
    assert_eq!(
        chip.read_pass(&up, 0..MIB, &mut take).unwrap(),
        PassEnd::Stopped
    );
    assert_eq!(
        chip.read_pass(&up, 9..9, &mut take).unwrap(),
        PassEnd::Whole
    );
    #[allow(clippy::reversed_empty_ranges, reason = "what a caller must not do")]
    let reversed = 9..3;
    chip.read_pass(&up, reversed, &mut take).unwrap();
    assert!(matches!(
        chip.read_pass(&up, 1..MIB + 1, &mut take),
        Err(ChipError::OutOfRange { .. })
    ));
    assert_eq!(frames, 3);
}

/// A frame that the link does not fill shows the pass's poison, not the bytes before.
#[test]
fn a_stale_buffer_shows_the_poison() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    // Frame 1 of the pass is the ID, 2 and 3 are the first ones of the array.
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::StaleBuffer {
            from_frame: desk.mock.frames() + 3,
            frames: Some(1),
        }));
    let mut all = Vec::new();
    chip.read_pass(&pass(3000, Order::Up), 0..9000, &mut |_, bytes| {
        all.extend_from_slice(bytes);
        ControlFlow::Continue(())
    })
    .unwrap();
    assert!(all[3000..6000].iter().all(|byte| *byte == 0x5A));
    assert!(all[..3000] == pattern(0, 3000));
}

#[test]
fn a_contact_lost_in_a_pass_is_noticed_within_a_mib() {
    let desk = Desk::new("W25Q64JV");
    let mut chip = desk.chip();
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::LooseContact {
            shows: Miso::High,
            from_frame: desk.mock.frames() + 100,
            frames: None,
        }));
    let mut taken = 0;
    let error = chip
        .read_pass(&pass(3000, Order::Up), 0..8 * MIB, &mut |_, bytes| {
            taken += bytes.len();
            ControlFlow::Continue(())
        })
        .unwrap_err();
    assert!(
        matches!(&error, ChipError::LostContact { seen, times: 8, .. } if seen == "FF FF FF"),
        "{error:?}"
    );
    assert!(taken < (MIB + 300_000) as usize, "{taken} bytes");
}

#[test]
fn the_id_may_flicker_but_not_change() {
    let desk = Desk::new("W25Q80DV");
    let mut chip = desk.chip();
    let flicker = |frames| Fault::Miso {
        shows: Miso::High,
        from_frame: desk.mock.frames() + 1,
        frames: Some(frames),
    };
    desk.mock.set_faults(Faults::seeded(1).with(flicker(7)));
    chip.check_id().unwrap();
    desk.mock.set_faults(Faults::seeded(1).with(flicker(8)));
    assert!(matches!(
        chip.check_id(),
        Err(ChipError::LostContact { .. })
    ));
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Swapped {
        after_operation: 0,
        jedec_id: Some(vec![0xC8, 0x40, 0x14]),
        unique_id: None,
        content: Content::Same,
    }));
    let error = chip.check_id().unwrap_err().to_string();
    assert_eq!(error, "the ID reads C8 40 14, 8 times of 8, not EF 40 14");
}

#[test]
fn a_unique_id_that_tells_nothing_is_none() {
    for (bytes, told) in [
        (vec![0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x07], true),
        (vec![0xFF; 8], false),
        (vec![0x00; 8], false),
        (vec![0x77; 8], false),
        (vec![0xEF, 0x40, 0x18, 0, 1, 2, 3, 4], false),
    ] {
        let desk = Desk::new("W25Q128JV");
        desk.mock.set_unique_id(bytes.clone());
        assert_eq!(desk.chip().unique_id().unwrap(), told.then_some(bytes));
    }
    let mut none = part("W25Q128JV");
    none.unique_id = None;
    assert_eq!(Desk::with(none).chip().unique_id().unwrap(), None);
    let mut empty = part("W25Q128JV");
    empty.unique_id.as_mut().unwrap().length_bytes = 0;
    assert_eq!(Desk::with(empty).chip().unique_id().unwrap(), None);
}

/// N25Q256A Rev. W, Read ID data-out table: 10h, two bytes, 14 factory bytes.
#[test]
fn factory_bytes_are_told_where_they_are_announced() {
    let factory: Vec<u8> = (1..15).collect();
    let desk = Desk::new("N25Q256A13");
    desk.mock.set_unique_id(factory.clone());
    let mut chip = desk.chip();
    assert_eq!(chip.id_bytes()[3..6], [0x10, 0, 0]);
    assert_eq!(chip.unique_id().unwrap(), Some(factory.clone()));
    drop(chip);
    desk.mock.set_unique_id(vec![0; 14]);
    assert_eq!(desk.chip().unique_id().unwrap(), None);
    // An answer of another length is not the one that the document lays out.
    desk.mock.set_unique_id(factory);
    let short = [
        0x20, 0xBA, 0x19, 0x0C, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14,
    ];
    let lie = Fault::LyingId {
        bytes: short.to_vec(),
    };
    desk.mock.set_faults(Faults::seeded(1).with(lie));
    assert_eq!(desk.chip().unique_id().unwrap(), None);
}

/// XT25F128B Rev 1.2, section 6.37: 5Ah, 000094h, a dummy byte, 16 bytes; 4Bh is not in its command table.
#[test]
fn a_unique_id_in_sfdp_space_is_read_there() {
    let desk = Desk::new("XT25F128B");
    let own: Vec<u8> = (0x31..0x41).collect();
    desk.mock.set_unique_id(own.clone());
    let mut chip = desk.chip();
    let from = desk.mock.frames();
    assert_eq!(chip.unique_id().unwrap(), Some(own));
    assert_eq!(desk.mock.frames() - from, 1);
}

#[test]
fn clocks_stay_within_part_and_proof() {
    let mut slow = part("W25Q80DV");
    slow.sck_max = [(0x03, Hertz::mhz(5)), (0x0B, Hertz::mhz(80))].into();
    let chip = Desk::with(slow).chip();
    assert_eq!(chip.sck_for(ReadCommand::Read), Hertz::mhz(5));
    assert_eq!(chip.sck_for(ReadCommand::FastRead), SCK);
}
