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

/// One frame by 03h that goes on where the array ends, and so begins at its start again (W25Q80DV Rev. H,
/// Read Data).
#[test]
fn a_chip_is_asked_where_its_array_ends_only_as_far_as_addresses_reach() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    let mut asked = |address, length| {
        let mut seen = vec![0; length];
        let told = chip.read_round(address, &mut seen).unwrap();
        told.then_some(seen)
    };
    let around = [pattern(MIB - 4, 4), pattern(0, 4)].concat();
    assert_eq!(asked(MIB - 4, 8), Some(around));
    assert_eq!(asked((1 << 24) - 2, 2), Some(pattern(MIB - 2, 2)));
    let longest = desk.chip().frame_bytes(SCK);
    assert_eq!(asked(0, longest), Some(pattern(0, longest as u32)));
    desk.clear();
    assert_eq!(asked(0, longest + 1), None);
    assert_eq!(asked(1 << 24, 2), None);
    assert_eq!(desk.sent(), []);

    let desk = Desk::new("W25Q256JV");
    desk.mock.set_truth((32 << 20) - 2, &[1, 2]).unwrap();
    desk.mock.set_truth(0, &[3, 4]).unwrap();
    let mut seen = [0; 4];
    assert!(desk.chip().read_round((32 << 20) - 2, &mut seen).unwrap());
    assert_eq!(seen, [1, 2, 3, 4]);
}

/// 0Bh is common but not every part has it: the table or SFDP has to tell.
#[test]
fn the_second_read_is_a_fast_one_where_the_part_is_known_to_have_it() {
    for (listed, has_sfdp, fast) in [
        (true, Some(false), true),
        (true, None, true),
        (false, Some(true), true),
        (false, Some(false), false),
        (false, None, false),
    ] {
        let mut part = part("W25Q80DV");
        part.has_sfdp = has_sfdp;
        if !listed {
            part.sck_max.remove(&0x0B);
        }
        let command = Desk::with(part).chip().second_command();
        assert_eq!(
            command == ReadCommand::FastRead,
            fast,
            "{listed} {has_sfdp:?}"
        );
    }
}

/// Too long within a pass: the batch's frames are read one by one, and none is handed on unread.
#[test]
fn a_pass_goes_on_in_shorter_frames_where_the_link_takes_less_than_it_said() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 2,
        error: Failure::TooLong,
        lasting: false,
    }));
    let mut all = Vec::new();
    chip.read_pass(&pass(1001, Order::Up), 0..20_000, &mut |_, bytes| {
        all.extend_from_slice(bytes);
        ControlFlow::Continue(())
    })
    .unwrap();
    assert!(all == pattern(0, 20_000));
}

/// Frames begin on a grid behind the first, and the ID goes along with a frame: no message more than the
/// frames take, on links that count by bytes or by whole buffers, in either order.
#[test]
fn a_pass_takes_no_more_messages_than_its_frames() {
    let desk = Desk::new("W25Q64JV");
    let length = 3 * MIB;
    desk.mock.set_truth(0, &pattern(0, length)).unwrap();
    for (align, bytes) in [(1, 4096), (64, 4096), (128, 65_536)] {
        desk.mock.set_limits(Limits {
            segment_align_bytes: align,
            batch_out_bytes: bytes,
            batch_in_bytes: bytes,
            ..desk.mock.link().limits()
        });
        let mut chip = desk.chip();
        let frame_bytes = chip.pass_frame_bytes(SCK);
        for (first_bytes, order) in [
            (frame_bytes, Order::Up),
            (61, Order::Up),
            (61, Order::Down),
            (1001, Order::Down),
        ] {
            desk.clear();
            let pass = Pass {
                frame_bytes,
                ..pass(first_bytes, order)
            };
            let (mut seen, mut starts) = (vec![0; length as usize], Vec::new());
            chip.read_pass(&pass, 0..length, &mut |address, bytes| {
                starts.push(address.0);
                seen[address.0 as usize..][..bytes.len()].copy_from_slice(bytes);
                ControlFlow::Continue(())
            })
            .unwrap();
            let what = format!("{align} {bytes} {first_bytes} {order:?}");
            assert!(seen == pattern(0, length), "{what}");
            let head = first_bytes % frame_bytes;
            let off_grid = |at: &&u32| **at != 0 && (**at - head) % 128 != 0;
            assert_eq!(starts.iter().find(off_grid), None, "{what}");
            let sent = desk.sent();
            let messages = sent.chunk_by(|one, two| one.at == two.at);
            let messages: Vec<usize> = messages.map(<[Sent]>::len).collect();
            let ids = sent.iter().filter(|frame| frame.out[0] == 0x9F).count();
            assert!((3..=5).contains(&ids), "{what}: {ids} looks at the ID");
            let least = (length - head).div_ceil(frame_bytes) as usize;
            // Its first look, a long first frame, and one frame more for what short ones leave over.
            assert!(
                messages.len() <= least + 3,
                "{what}: {} for {least}",
                messages.len()
            );
        }
    }
}

/// Ranges shorter than the first frame, and about as long.
#[test]
fn a_short_pass_reads_all_of_its_range() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_truth(0, &pattern(0, MIB)).unwrap();
    let mut chip = desk.chip();
    for first_bytes in [61, 1001] {
        for order in [Order::Up, Order::Down] {
            for length in [1, 60, 61, 62, 1000, 1001, 1002, 3061, 4001, 4002] {
                let mut seen = vec![0; length as usize];
                let mut frames = 0;
                let pass = pass(first_bytes, order);
                chip.read_pass(&pass, 7..7 + length, &mut |address, bytes| {
                    seen[address.0 as usize - 7..][..bytes.len()].copy_from_slice(bytes);
                    frames += 1;
                    ControlFlow::Continue(())
                })
                .unwrap();
                assert!(
                    seen == pattern(7, length),
                    "{first_bytes} {order:?} {length}"
                );
                let least = 1 + length.saturating_sub(first_bytes).div_ceil(3000);
                assert_eq!(frames, least, "{first_bytes} {order:?} {length}");
            }
        }
    }
}
