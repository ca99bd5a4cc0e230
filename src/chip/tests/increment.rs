//! Auto address increment (SST25VF016B DS25044A, AAI word program), frame by frame.

use super::*;
use crate::mock::{Failure, Miso};

const AAI: u8 = 0x40;
const WEL: u8 = 0x02;

/// A part that takes words, not protected.
fn words(name: &str) -> Part {
    Part {
        protected_at_power_up: false,
        ..part(name)
    }
}

fn desk() -> Desk {
    Desk::with(words("SST25VF016B"))
}

/// Out of the mode, and not write enabled.
fn assert_left(desk: &Desk) {
    assert_eq!(desk.ask(&[0x05]) & (AAI | WEL), 0);
}

/// The datasheet's sequence: the address goes out once, with the first word; each next word waits
/// for the one before, which has 10 us (TBP, table of operating characteristics); 04h ends it.
#[test]
fn words_go_behind_one_address_in_one_message() {
    let desk = desk();
    let mut armed = desk.armed();
    desk.clear();
    armed.program(Address(0x0102), &[1, 2, 3, 4]).unwrap();
    assert_eq!(desk.mock.truth(0x101..0x107), [0xFF, 1, 2, 3, 4, 0xFF]);
    let sent = desk.sent();
    let out: Vec<&[u8]> = sent.iter().map(|sent| sent.out.as_slice()).collect();
    let wanted: [&[u8]; 8] = [
        &[0x06],
        &[0x05],
        &[0xAD, 0x00, 0x01, 0x02, 1, 2],
        &[0x05],
        &[0xAD, 3, 4],
        &[0x05],
        &[0x04],
        &[0x05],
    ];
    assert_eq!(out, wanted);
    assert!(sent.iter().all(|frame| frame.at == sent[0].at));
    // The time of a word passes before the status is read, never inside the frame of the word.
    let settle: Vec<u128> = sent.iter().map(|sent| sent.settle.as_micros()).collect();
    assert_eq!(settle, [0, 0, 0, 10, 0, 10, 0, 0]);
    let status = |at: usize| sent[at].read[0];
    assert_eq!([1, 3, 5, 7].map(status), [0x02, 0x42, 0x42, 0x00]);
}

#[test]
fn half_words_at_the_ends_go_as_bytes() {
    for (address, length, programs) in [(0x101, 1, 1), (0x101, 2, 2), (0x101, 4, 3), (0x100, 3, 2)]
    {
        let desk = desk();
        let mut armed = desk.armed();
        let data: Vec<u8> = (1..=length).collect();
        armed.program(Address(address), &data).unwrap();
        let end = address + u32::from(length);
        assert_eq!(desk.mock.truth(address..end), data);
        assert_eq!(desk.mock.truth(address - 1..address), [0xFF]);
        assert_eq!(desk.mock.truth(end..end + 1), [0xFF]);
        assert_eq!(desk.mock.counters().programs, programs);
        assert_left(&desk);
    }
}

/// A whole block in as many messages as the link's limits ask for, slow clocks included.
#[test]
fn a_long_run_is_divided_at_the_limits_of_the_link() {
    for (align, sck_khz, words_each) in [(1, 10_000, 170), (128, 10_000, 16), (1, 100, 49)] {
        let desk = desk();
        desk.mock.set_limits(Limits {
            segment_align_bytes: align,
            ..desk.mock.link().limits()
        });
        let mut bare = Bare::new(Box::new(desk.link()), Purpose::Write, Hertz(sck_khz * 1000));
        let look = bare.meet(PATIENCE, &|| false).unwrap();
        let chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
        let mut armed = chip.arm(Allowed).unwrap();
        let before = desk.mock.counters();
        let data = pattern(7, 4096);
        armed.program(Address(0x1000), &data).unwrap();
        assert!(desk.mock.truth(0x1000..0x2000) == data);
        let after = desk.mock.counters();
        let batches = after.batches - before.batches;
        let least = 2048_u64.div_ceil(words_each);
        assert!(
            (least..=least + 1).contains(&batches),
            "{batches} messages, {sck_khz} kHz"
        );
        let in_wire = after.wire - before.wire;
        assert!(in_wire / u32::try_from(batches).unwrap() <= Limits::BATCH_TIME_MAX);
        assert_left(&desk);
    }
}

/// At its last address the chip leaves the mode by itself (DS25044A, AAI word program).
#[test]
fn the_end_of_the_array_ends_the_run() {
    let desk = desk();
    let mut armed = desk.armed();
    let size = armed.part().size_bytes;
    armed.program(Address(size - 4), &[1, 2, 3, 4]).unwrap();
    assert_eq!(desk.mock.truth(size - 4..size), [1, 2, 3, 4]);
    assert_left(&desk);
}

/// A word that meets a busy chip is ignored. Its status tells, whatever the block then reads as.
#[test]
fn a_word_that_met_a_busy_chip_latches() {
    let desk = desk();
    let mut armed = desk.armed();
    desk.mock.set_times(Times::Max);
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::Slow { factor: 4.0 }));
    let error = armed.program(Address(0), &[1, 2, 3, 4, 5, 6]).unwrap_err();
    assert!(
        matches!(error, ChipError::Failed { what: "program", status, .. } if status & 1 == 1),
        "{error:?}"
    );
    assert!(armed.is_latched());
    assert_ne!(desk.mock.truth(0..6), [1, 2, 3, 4, 5, 6]);
    desk.mock.link().wait(Duration::from_millis(1));
    armed.check_id().unwrap();
    assert_left(&desk);
}

/// MISO that shows low or high for one status of the run: WEL, a word's, the one at the end.
#[test]
fn a_status_that_is_not_as_it_must_be_latches_and_the_mode_is_left() {
    // Near the end of the array too: only its last word ends the mode by itself.
    let near_end = words("SST25VF016B").size_bytes - 0x40;
    for (shows, address) in [(Miso::Low, 0x40), (Miso::Low, near_end), (Miso::High, 0x40)] {
        for frame in [2, 4, 6, 8] {
            let desk = desk();
            let mut armed = desk.armed();
            let from_frame = desk.mock.frames() + frame;
            desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
                shows,
                from_frame,
                frames: Some(1),
            }));
            let result = armed.program(Address(address), &[1, 2, 3, 4]);
            // All zeros is what the status at the end must be.
            let fits = shows == Miso::Low && frame == 8;
            assert_eq!(
                result.is_err(),
                !fits,
                "{shows:?}, {address:#X}, frame {frame}"
            );
            assert_eq!(armed.is_latched(), !fits);
            assert_left(&desk);
            armed.check_id().unwrap();
        }
    }
}

/// Write enable is not heard: no word is, nor what looks like one behind it.
#[test]
fn without_write_enable_nothing_is_programmed() {
    let desk = desk();
    let mut armed = desk.armed();
    let from_frame = desk.mock.frames() + 1;
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::LooseContact {
            shows: Miso::Low,
            from_frame,
            frames: Some(1),
        }));
    let error = armed.program(Address(0), &[0; 64]).unwrap_err();
    assert!(
        matches!(error, ChipError::WriteEnableRefused { status: 0, .. }),
        "{error:?}"
    );
    assert!(armed.is_latched());
    assert!(desk.mock.truth(0..64).iter().all(|byte| *byte == 0xFF));
}

/// The link fails in any message of a run; the mode is left as soon as it answers again.
#[test]
fn a_link_that_fails_in_a_run_leaves_the_mode() {
    for at in 1..=3 {
        for error in [Failure::Short, Failure::Errno(5)] {
            let desk = desk();
            let mut armed = desk.armed();
            desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
                at_batch: desk.mock.counters().batches + at,
                error,
                lasting: false,
            }));
            assert!(armed.program(Address(0), &[0; 800]).is_err());
            assert!(armed.is_latched());
            assert_left(&desk);
            drop(armed);
            assert_left(&desk);
        }
    }
}

/// The link stays dead for a while: the first look at the chip leaves the mode, or else the drop.
#[test]
fn a_mode_that_could_not_be_left_is_left_later() {
    for drops in [false, true] {
        let desk = desk();
        let mut armed = desk.armed();
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
            at_batch: desk.mock.counters().batches + 2,
            error: Failure::Errno(5),
            lasting: true,
        }));
        assert!(armed.program(Address(0), &[0; 800]).is_err());
        desk.mock.set_faults(Faults::none());
        assert_eq!(desk.ask(&[0x05]) & (AAI | WEL), AAI | WEL);
        if drops {
            drop(armed);
        } else {
            armed.check_id().unwrap();
            armed.read(Address(0), &mut [0; 4]).unwrap();
            armed.registers().unwrap();
        }
        assert_left(&desk);
    }
}

#[test]
fn a_limit_that_is_lowered_in_a_run_loses_no_word() {
    let desk = desk();
    let mut armed = desk.armed();
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 2,
        error: Failure::TooLong,
        lasting: false,
    }));
    // So that the limit, not the number of segments, decides.
    desk.mock.set_limits(Limits {
        segment_align_bytes: 64,
        ..desk.mock.link().limits()
    });
    let data = pattern(1, 1000);
    armed.program(Address(0x200), &data).unwrap();
    assert!(desk.mock.truth(0x200..0x200 + 1000) == data);
    assert_left(&desk);
}

/// Too long, and the link takes no less than before: the same message again would not go either.
#[test]
fn a_run_that_is_too_long_for_a_link_that_takes_no_less_fails() {
    let desk = desk();
    let mut armed = desk.armed();
    desk.mock.set_limits(Limits {
        batch_out_bytes: 128,
        batch_in_bytes: 128,
        ..desk.mock.link().limits()
    });
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 1,
        error: Failure::TooLong,
        lasting: false,
    }));
    let error = armed.program(Address(0), &[0; 200]).unwrap_err();
    let told = matches!(error, ChipError::Link(LinkError::TooLong { .. }));
    assert!(told && armed.is_latched(), "{error:?}");
    assert_eq!(desk.mock.counters().programs, 0);
}

/// Whatever is left of the link's room, in bytes or in segments: each message but the last keeps within it,
/// and one word more would not have gone. A byte is kept for a fourth address byte.
#[test]
fn each_message_of_a_run_is_as_long_as_the_link_takes() {
    for (bytes, segments) in (32..64)
        .map(|bytes| (bytes, 511))
        .chain((9..30).map(|s| (4096, s)))
    {
        let desk = desk();
        let mut armed = desk.armed();
        desk.mock.set_limits(Limits {
            batch_out_bytes: bytes,
            batch_in_bytes: bytes,
            batch_segments: segments,
            ..desk.mock.link().limits()
        });
        desk.clear();
        armed.program(Address(0x300), &pattern(1, 120)).unwrap();
        let mut messages: Vec<(Vec<u8>, usize, usize)> = Vec::new();
        let sent = desk.sent();
        for batch in sent.chunk_by(|one, two| one.at == two.at) {
            let looks = batch.iter().filter(|frame| frame.read_bytes > 0).count();
            let both = |frame: &Sent| frame.out.len() + frame.read_bytes;
            let bytes: usize = batch.iter().map(both).sum();
            let codes = batch.iter().map(|frame| frame.out[0]).collect();
            messages.push((codes, bytes, batch.len() + looks));
        }
        let last = messages.len() - 1;
        for (number, (codes, taken, parts)) in messages.iter().enumerate() {
            let what =
                format!("{bytes} bytes, {segments} segments, message {number}: {codes:02X?}");
            assert!(*taken <= bytes && *parts <= segments, "{what}");
            let spare = usize::from(number == 0);
            let full = taken + spare + 6 > bytes || parts + 3 > segments;
            // Before the last one, room for its end may be missing.
            let nearly = number + 1 >= last;
            assert!(full || nearly, "{what}");
        }
        assert_left(&desk);
    }
}

/// At the end neither WEL nor the mode may show; a chip that may still be in it is not talked to.
#[test]
fn a_mode_that_is_not_seen_to_end_is_no_success() {
    for bit in [1, 6] {
        let desk = desk();
        let mut armed = desk.armed();
        desk.mock
            .set_faults(Faults::seeded(1).with(Fault::StuckBit { bit, high: true }));
        let status = 1 << bit;
        let error = armed.program(Address(0), &[1, 2, 3, 4]).unwrap_err();
        assert!(
            matches!(error, ChipError::Failed { status: seen, .. } if seen == status),
            "{error:?}"
        );
        let error = armed.check_id().unwrap_err();
        assert!(
            matches!(error, ChipError::WelStuck { status: seen } if seen == status),
            "{error:?}"
        );
        desk.mock.set_faults(Faults::none());
        armed.check_id().unwrap();
        assert_left(&desk);
    }
}

/// A controller that drops CS between transfers gets single ones.
#[test]
fn words_go_through_single_transfers() {
    let desk = desk();
    let mut bare = Bare::new(drops_cs(desk.link()), Purpose::Write, SCK);
    let look = bare.meet(PATIENCE, &|| false).unwrap();
    assert!(look.single_transfers);
    let chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
    let mut armed = chip.arm(Allowed).unwrap();
    let data = pattern(1, 500);
    armed.program(Address(0x200), &data).unwrap();
    assert!(desk.mock.truth(0x200..0x200 + 500) == data);
    assert_left(&desk);
}

/// A part of which no usable maximum is known is polled after each word (F25L004A: 20 ms is the
/// table's usual limit, not the part's).
#[test]
fn a_part_without_a_known_maximum_is_polled() {
    let desk = Desk::with(words("F25L004A"));
    assert_eq!(crate::chip::word_settle(&desk.part), None);
    for times in [Times::Typical, Times::Drawn, Times::Max] {
        desk.mock.set_times(times);
        let mut armed = desk.armed();
        let data = pattern(3, 64);
        let at = 0x1000 * (times as u32 + 1);
        armed.program(Address(at), &data).unwrap();
        assert_eq!(desk.mock.truth(at..at + 64), data);
        assert_left(&desk);
    }
}

/// Each word in a message of its own, with one look where that finds it done.
#[test]
fn a_polled_word_that_is_done_is_looked_at_once() {
    let desk = Desk::with(words("F25L004A"));
    let mut armed = desk.armed();
    desk.clear();
    armed.program(Address(0), &[1, 2, 3, 4]).unwrap();
    let opcodes = [0x06, 0x05, 0xAD, 0x05, 0xAD, 0x05, 0x04, 0x05];
    assert_eq!(desk.opcodes(), opcodes);
}

/// Left in the mode by a process that was killed, a chip takes no Read ID: 04h goes first.
#[test]
fn a_chip_found_in_the_mode_is_brought_out_before_anything_else() {
    let desk = desk();
    desk.tell(&[0x06]);
    desk.tell(&[0xAD, 0, 0, 0, 1, 2]);
    desk.mock.link().wait(Duration::from_millis(1));
    assert_eq!(desk.ask(&[0x05]), AAI | WEL);
    desk.clear();
    let look = desk.meet().unwrap();
    assert_eq!(desk.opcodes()[..3], [0x05, 0x04, 0x9F]);
    assert!(look.wel_was_set && look.status == AAI | WEL);
    assert_eq!(look.id[..3], [0xBF, 0x25, 0x41]);
    assert_left(&desk);
}
