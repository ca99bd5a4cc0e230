//! Erasing and programming.

use std::ops::{ControlFlow, Range};

use super::*;
use crate::jedec::status::RegisterWrite;
use crate::mock::{AddressBit, Failure, Miso};
use crate::part::{EraseType, ProgramMethod};

const MIB: u32 = 1 << 20;

fn kind(armed: &Armed, size_bytes: u32) -> EraseType {
    let kinds = &armed.part().erase_types;
    kinds
        .iter()
        .find(|kind| kind.size_bytes == size_bytes)
        .unwrap()
        .clone()
}

fn modifying(desk: &Desk) -> Vec<Sent> {
    let mut sent = desk.sent();
    sent.retain(|sent| [0x01, 0x02, 0x06, 0x12, 0x20, 0x52, 0xD8, 0x31].contains(&sent.out[0]));
    sent
}

/// Ends the session and reads the whole chip: the frames that are not the `same`, in order of reading.
fn differing(armed: Armed, mut same: impl FnMut(Address, &[u8]) -> bool) -> Vec<Range<u32>> {
    let pass = Pass {
        command: ReadCommand::Read,
        sck: SCK,
        frame_bytes: 3000,
        first_bytes: 1000,
        order: Order::Down,
        poison: 0,
    };
    let mut chip = armed.disarmed().unwrap();
    let (mut differing, whole) = (Vec::new(), 0..chip.size_bytes());
    let mut take = |address: Address, bytes: &[u8]| {
        if !same(address, bytes) {
            differing.push(address.0..address.0 + bytes.len() as u32);
        }
        ControlFlow::Continue(())
    };
    let end = chip.read_pass(&pass, whole, &mut take).unwrap();
    assert_eq!(end, PassEnd::Whole);
    differing
}

#[test]
fn each_erase_type_erases_its_block_and_no_more() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    for size in [4096, 32768, 65536] {
        desk.mock.set_truth(0, &vec![0; MIB as usize]).unwrap();
        let kind = kind(&armed, size);
        for start in [0, size, MIB - size] {
            armed.erase(&kind, Address(start)).unwrap();
            let block = desk.mock.truth(start..start + size);
            assert!(block.iter().all(|byte| *byte == 0xFF));
        }
        let cells = desk.mock.truth(0..MIB);
        let erased = cells.iter().filter(|byte| **byte == 0xFF).count();
        assert_eq!(erased, 3 * size as usize);
    }
    assert_eq!(desk.mock.counters().ignored, 0);
}

#[test]
fn what_is_no_block_is_not_sent() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let good = kind(&armed, 4096);
    let boot = EraseType {
        only_in: Some(0x4000..0x6000),
        ..good.clone()
    };
    let none = EraseType {
        size_bytes: 0,
        ..good.clone()
    };
    let huge = EraseType {
        size_bytes: 1 << 31,
        ..good.clone()
    };
    desk.clear();
    for (kind, address) in [
        (&good, 1),
        (&good, 0x800),
        (&good, MIB),
        (&good, u32::MAX - 0xFFF),
        (&boot, 0x3000),
        (&boot, 0x6000),
        (&none, 0),
        (&huge, 0),
        (&huge, 1 << 31),
    ] {
        let error = armed.erase(kind, Address(address)).unwrap_err();
        assert!(matches!(error, ChipError::NotABlock { .. }), "{error:?}");
    }
    assert_eq!(desk.sent(), []);
    armed.erase(&boot, Address(0x5000)).unwrap();
    assert!(!armed.is_latched());
}

#[test]
fn pages_are_programmed_within_their_borders() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    for (address, data) in [
        (0, pattern(1, 256)),
        (0x1FF, vec![0x12]),
        (0x280, pattern(3, 128)),
        (MIB - 1, vec![0x34]),
    ] {
        armed.program(Address(address), &data).unwrap();
        let end = address + data.len() as u32;
        assert_eq!(desk.mock.truth(address..end), data);
    }
    desk.clear();
    for (address, length) in [(0, 257), (0xFF, 2), (0, 0), (0x1234, 0xCD)] {
        let error = armed.program(Address(address), &vec![0; length]);
        assert!(matches!(error, Err(ChipError::CrossesPage { .. })));
    }
    for (address, length) in [(MIB, 1), (MIB - 1, 2), (u32::MAX, 2)] {
        let error = armed.program(Address(address), &vec![0; length]);
        assert!(matches!(error, Err(ChipError::OutOfRange { .. })));
    }
    assert_eq!(desk.sent(), []);
    assert!(!armed.is_latched());
}

/// A hand-made part without a page size is refused, not divided by.
#[test]
fn a_page_of_nothing_takes_nothing() {
    let mut odd = part("W25Q80DV");
    odd.page_size_bytes = 0;
    let desk = Desk::with(odd);
    let error = desk.armed().program(Address(0), &[1]);
    assert!(matches!(error, Err(ChipError::CrossesPage { .. })));
}

/// Parts that program bytes get bytes (SST25VF512 DS25076A: byte program).
#[test]
fn byte_parts_get_single_bytes() {
    let mut bytes = part("SST25VF016B");
    bytes.protected_at_power_up = false;
    bytes.program = ProgramMethod::Byte;
    let desk = Desk::with(bytes);
    let mut armed = desk.armed();
    desk.clear();
    armed.program(Address(0x101), &[1, 2, 3]).unwrap();
    assert_eq!(desk.mock.truth(0x100..0x105), [0xFF, 1, 2, 3, 0xFF]);
    assert_eq!(desk.mock.counters().programs, 3);
    let programs = modifying(&desk);
    assert!(
        programs
            .iter()
            .all(|sent| [0x02, 0x06].contains(&sent.out[0]))
    );
}

/// WREN and WEL in a message of their own, then the erase in another.
#[test]
fn an_erase_is_sent_only_once_wel_was_seen() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    desk.clear();
    let smallest = kind(&armed, 4096);
    armed.erase(&smallest, Address(0x2000)).unwrap();
    let sent = desk.sent();
    assert_eq!(sent[0].out, [0x06]);
    assert_eq!((sent[1].out[0], sent[1].read[0]), (0x05, 0x02));
    assert_eq!(sent[2].out, [0x20, 0x00, 0x20, 0x00]);
    assert_eq!(sent[0].at, sent[1].at);
    assert!(sent[2].at > sent[1].at);
    // Nothing is learnt yet: sleeps for half the typical time before it polls.
    let typical = smallest.time.typical;
    assert!(sent[3].at - sent[2].at >= typical / 2 && sent[3].out[0] == 0x05);
    assert!(sent.len() < 40, "{} polls", sent.len());
    // And the next time for nearly all of it.
    desk.clear();
    armed.erase(&smallest, Address(0x3000)).unwrap();
    armed.erase(&smallest, Address(0x4000)).unwrap();
    armed.erase(&smallest, Address(0x5000)).unwrap();
    desk.clear();
    armed.erase(&smallest, Address(0x6000)).unwrap();
    let sent = desk.sent();
    assert!(sent[3].at - sent[2].at >= typical * 3 / 4);
    assert!(sent.len() < 12, "{} polls", sent.len());
}

/// MISO low shows WEL clear, MISO high shows an open wire, noise neither: nothing is erased.
#[test]
fn a_write_enable_that_is_not_seen_stops_the_erase() {
    for shows in [Miso::Low, Miso::High] {
        let desk = Desk::new("W25Q80DV");
        desk.mock.set_truth(0, &[1, 2, 3]).unwrap();
        let mut armed = desk.armed();
        let from_frame = desk.mock.frames() + 1;
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
            shows,
            from_frame,
            frames: None,
        }));
        let smallest = kind(&armed, 4096);
        let error = armed.erase(&smallest, Address(0)).unwrap_err();
        assert!(
            matches!(error, ChipError::WriteEnableRefused { .. }),
            "{error:?}"
        );
        assert!(armed.is_latched());
        assert_eq!(desk.mock.truth(0..3), [1, 2, 3]);
        assert_eq!(desk.mock.counters().erases, 0);
    }
}

/// A chip that is busy has WEL set too; a second erase on top is not sent.
#[test]
fn a_busy_chip_is_not_written() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::Busy { ms: 50 }));
    let error = armed.erase(&smallest, Address(0)).unwrap_err();
    assert!(matches!(
        error,
        ChipError::WriteEnableRefused { status: 3, .. }
    ));
    assert!(!modifying(&desk).iter().any(|sent| sent.out[0] == 0x20));
}

#[test]
fn a_program_that_is_ignored_latches() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    // The write enable is lost on the way, and the status reads as it is.
    let from_frame = desk.mock.frames() + 1;
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::LooseContact {
            shows: Miso::Low,
            from_frame,
            frames: Some(1),
        }));
    let error = armed.program(Address(0), &[0; 4]).unwrap_err();
    assert!(matches!(
        error,
        ChipError::WriteEnableRefused { status: 0, .. }
    ));
    assert!(armed.is_latched());
    assert_eq!(desk.mock.truth(0..4), [0xFF; 4]);
    desk.clear();
    let write = RegisterWrite {
        opcode: 0x01,
        data: vec![0],
        volatile: false,
    };
    for error in [
        armed.erase(&smallest, Address(0)).unwrap_err(),
        armed.program(Address(0), &[0]).unwrap_err(),
        armed.write_status(&write).unwrap_err(),
    ] {
        assert!(matches!(error, ChipError::Latched), "{error:?}");
    }
    assert_eq!(desk.sent(), []);
    // Reading is left, and arming anew opens it again.
    armed.read(Address(0), &mut [0; 4]).unwrap();
    let mut again = armed.disarmed().unwrap().arm(Allowed).unwrap();
    again.program(Address(0), &[0; 4]).unwrap();
    assert_eq!(desk.mock.truth(0..4), [0; 4]);
}

#[test]
fn an_operation_may_take_half_more_than_its_maximum() {
    for (name, factor, fails) in [
        ("W25Q80DV", 1.45, false),
        ("W25Q80DV", 3.0, true),
        ("N25Q256A13", 1.45, false),
        ("N25Q256A13", 3.0, true),
    ] {
        let desk = Desk::new(name).fault(Fault::Slow { factor });
        desk.mock.set_times(Times::Max);
        let mut armed = desk.armed();
        let smallest = kind(&armed, 4096);
        let results = [armed.erase(&smallest, Address(0)), {
            desk.mock.set_times(Times::Max);
            if fails {
                desk.mock.link().wait(Duration::from_secs(60));
                armed = armed.disarmed().unwrap().arm(Allowed).unwrap();
            }
            armed.program(Address(0), &[0])
        }];
        for result in results {
            match result {
                Ok(()) => assert!(!fails),
                Err(ChipError::TimedOut { waited, status, .. }) => {
                    assert!(fails && waited > Duration::ZERO && status & 1 == 1);
                }
                Err(error) => panic!("{error:?}"),
            }
        }
        assert_eq!(armed.is_latched(), fails);
    }
}

/// Protected blocks make the flags rise: N25Q256A (flag status register), S25FL (E_ERR and P_ERR,
/// and busy until 30h), AT25DF (EPE).
#[test]
fn failure_flags_are_read_and_cleared() {
    for (name, clear) in [
        ("N25Q256A13", Some(0x50)),
        ("S25FL512S", Some(0x30)),
        ("AT25DF081A", None),
    ] {
        let mut held = part(name);
        held.protected_at_power_up = false;
        let erases = |desk: &Desk| {
            let mut armed = desk.armed();
            let kind = armed.part().erase_types.last().unwrap().clone();
            let end = kind.only_in.as_ref().map_or(held.size_bytes, |r| r.end);
            let result = armed.erase(&kind, Address(end - kind.size_bytes));
            (armed, result, "erase")
        };
        let programs = |desk: &Desk| {
            let mut armed = desk.armed();
            let result = armed.program(Address(held.size_bytes - 1), &[0]);
            (armed, result, "program")
        };
        for works in [
            &erases as &dyn Fn(&Desk) -> (Armed, Result<(), ChipError>, &'static str),
            &programs,
        ] {
            let desk = Desk::with(held.clone()).fault(Fault::Protected { status_1: 0x1C });
            let (armed, result, word) = works(&desk);
            let error = result.unwrap_err();
            assert!(
                matches!(&error, ChipError::Failed { what, .. } if *what == word),
                "{name}: {error:?}"
            );
            assert!(armed.is_latched());
            let sent = desk.opcodes();
            if let Some(clear) = clear {
                assert!(sent.contains(&clear), "{name}");
                assert_eq!(desk.ask(&[0x05]) & 3, 0, "{name}");
            }
        }
    }
}

/// A protected block of a part without failure flags leaves WEL set: it is cleared.
#[test]
fn wel_is_cleared_where_the_chip_leaves_it() {
    let desk = Desk::new("W25Q80DV").fault(Fault::Protected { status_1: 0x1C });
    desk.mock.set_truth(0, &[7]).unwrap();
    let mut armed = desk.armed();
    desk.clear();
    let smallest = kind(&armed, 4096);
    armed.erase(&smallest, Address(0)).unwrap();
    assert_eq!(desk.mock.truth(0..1), [7], "the fault missed");
    assert_eq!(desk.opcodes().last(), Some(&0x04));
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
}

/// W25Q80DV: 01h with one byte writes SR1 (Rev. H, 7.2.8 as W25Q128JV Rev. I, 8.2.5).
#[test]
fn a_status_register_is_written_and_read_back() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    armed.write_status(&protect(0x04)).unwrap();
    assert_eq!(armed.registers().unwrap().get(0x05), Some(0x04));
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::WriteProtectPin { lock_bit: true }));
    armed.write_status(&protect(0x00)).unwrap();
    assert_eq!(armed.registers().unwrap().get(0x05), Some(0x84));
    assert!(!armed.is_latched());
}

/// Two fences: the methods refuse, and below them the guard (`link::guard_tests`).
#[test]
fn what_is_armed_for_its_protection_erases_and_programs_nothing() {
    let desk = Desk::new("W25Q128JV");
    let chip = desk.try_chip(Purpose::Write).unwrap();
    let mut armed = chip.arm(ProtectionAllowed).unwrap();
    let smallest = kind(&armed, 4096);
    desk.clear();
    for error in [
        armed.erase(&smallest, Address(0)).unwrap_err(),
        armed.program(Address(0), &[0]).unwrap_err(),
    ] {
        assert!(matches!(error, ChipError::ProtectionOnly), "{error:?}");
    }
    assert_eq!(desk.sent(), []);
    let write = RegisterWrite {
        opcode: 0x01,
        data: vec![0x04, 0x00],
        volatile: false,
    };
    armed.write_status(&write).unwrap();
    assert_eq!(desk.ask(&[0x05]), 0x04);
}

/// W25Q128JV Rev. I, 7.1 and 8.2.2: after 50h the write changes what is in force; a WEL that is set makes
/// it last, so 04h goes before. The stored bits come back at power-up.
#[test]
fn a_volatile_status_write_ends_with_the_supply() {
    let desk = Desk::new("W25Q128JV");
    let mut armed = desk.armed();
    let write = |value, volatile| RegisterWrite {
        opcode: 0x01,
        data: vec![value, 0x00],
        volatile,
    };
    armed.write_status(&write(0x04, false)).unwrap();
    desk.tell(&[0x06]);
    desk.clear();
    armed.write_status(&write(0x18, true)).unwrap();
    assert_eq!(desk.opcodes()[..3], [0x04, 0x50, 0x01]);
    let sent = desk.sent();
    assert!(sent[..3].iter().all(|frame| frame.at == sent[0].at));
    assert_eq!(armed.registers().unwrap().get(0x05), Some(0x18));
    desk.mock.power_up();
    assert_eq!(desk.ask(&[0x05]), 0x04);
}

#[test]
fn modifying_frames_go_at_half_the_proven_clock() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    armed.erase(&smallest, Address(0)).unwrap();
    armed.program(Address(0), &[1, 2, 3]).unwrap();
    let sent = modifying(&desk);
    assert!(sent.len() >= 4);
    assert!(sent.iter().all(|sent| sent.sck <= Hertz::mhz(5)));
    armed.read(Address(0), &mut [0; 3]).unwrap();
    assert_eq!(desk.sent().last().unwrap().sck, Hertz::mhz(6));
    let (command, sck, frame) = armed.last_read();
    assert_eq!((command, sck), (ReadCommand::FastRead, SCK));
    assert!(frame > 1000);
}

/// Contact may have proven a higher clock than the part has for any command.
#[test]
fn no_command_goes_above_the_part_s_highest_clock() {
    let mut slow = part("W25Q80DV");
    slow.sck_max = [(0x03, Hertz::mhz(2)), (0x0B, Hertz::mhz(3))].into();
    let desk = Desk::with(slow);
    let mut armed = desk.armed();
    desk.clear();
    let smallest = kind(&armed, 4096);
    armed.check_id().unwrap();
    armed.registers().unwrap();
    armed.erase(&smallest, Address(0)).unwrap();
    armed.program(Address(0), &[1, 2, 3]).unwrap();
    armed.read(Address(0), &mut [0; 3]).unwrap();
    drop(armed);
    let sent = desk.sent();
    assert!(
        sent.iter().all(|sent| sent.sck <= Hertz::mhz(3)),
        "{sent:?}"
    );
    assert!(sent.len() > 10);
}

#[test]
fn the_whole_read_finds_what_a_wrong_address_bit_did() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    // A17 is stuck while writing and while the block is read back, and comes free later.
    desk.mock
        .set_faults(Faults::seeded(1).with(Fault::AddressLine {
            line: 17,
            is: AddressBit::Low,
        }));
    armed.erase(&smallest, Address(0x02_0000)).unwrap();
    armed.program(Address(0x02_0000), &[0x42]).unwrap();
    let mut seen = [0];
    armed.read(Address(0x02_0000), &mut seen).unwrap();
    assert_eq!(seen, [0x42], "reading back is fooled");
    desk.mock.set_faults(Faults::none());
    let mut wanted = vec![0xFF; MIB as usize];
    wanted[0x02_0000] = 0x42;
    let differing = differing(armed, |address, bytes| {
        let here = address.0 as usize..address.0 as usize + bytes.len();
        bytes == &wanted[here]
    });
    assert_eq!(differing.len(), 2);
    assert!(differing[0].contains(&0x02_0000));
    assert!(differing[1].contains(&0));
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
}

#[test]
fn a_good_session_finishes_without_a_difference() {
    let desk = Desk::new("W25Q256JV");
    let mut armed = desk.armed();
    let high = 0x0180_0000;
    let smallest = kind(&armed, 4096);
    armed.erase(&smallest, Address(high)).unwrap();
    armed.program(Address(high), &[9, 8, 7]).unwrap();
    let mut read = 0;
    let blank = [0xFF; 3000];
    let differing = differing(armed, |address, bytes| {
        read += bytes.len();
        let mut wanted = blank;
        let at = high.wrapping_sub(address.0) as usize;
        if let Some(place) = wanted.get_mut(at..at.saturating_add(3)) {
            place.copy_from_slice(&[9, 8, 7]);
        }
        bytes == &wanted[..bytes.len()]
    });
    assert_eq!(differing, []);
    assert_eq!(read, 32 << 20);
}

/// After disarming, the guard keeps modifying frames off the wire.
#[test]
fn a_disarmed_chip_takes_no_more_writes() {
    let desk = Desk::new("W25Q80DV");
    let mut chip = desk.armed().disarmed().unwrap();
    desk.clear();
    for out in [
        &[0x06][..],
        &[0x02, 0, 0, 0, 0],
        &[0x20, 0, 0, 0],
        &[0x01, 0],
    ] {
        let error = chip.send(out).unwrap_err();
        assert!(
            matches!(error, ChipError::Link(LinkError::Guard(_))),
            "{error:?}"
        );
    }
    assert_eq!(desk.sent(), []);
}

#[test]
fn a_chip_opened_for_reading_cannot_be_armed() {
    let desk = Desk::new("W25Q80DV");
    let error = desk.chip().arm(Allowed).err().unwrap();
    assert!(matches!(error, ChipError::OpenedForReading));
}

/// Dropped at any frame, with the link in order again: WEL is clear and nothing more was changed.
#[test]
fn an_armed_chip_that_is_dropped_is_tidied() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    desk.tell(&[0x06]);
    assert_eq!(desk.ask(&[0x05]) & 2, 2);
    armed.read(Address(0), &mut [0; 4]).unwrap();
    drop(armed);
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
}

#[test]
fn a_link_that_fails_in_an_operation_latches() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
        at_batch: desk.mock.counters().batches + 1,
        error: crate::mock::Failure::Short,
        lasting: false,
    }));
    let error = armed.program(Address(0), &[0]).unwrap_err();
    assert!(matches!(error, ChipError::Link(LinkError::Short { .. })));
    assert!(armed.is_latched());
}

fn protect(value: u8) -> RegisterWrite {
    RegisterWrite {
        opcode: 0x01,
        data: vec![value, 0x00],
        volatile: false,
    }
}

/// MISO high for one look at the status while a register is written: an open wire, unless the register is
/// to hold nothing but ones, which read the same.
#[test]
fn an_open_wire_while_a_register_is_written_latches_unless_all_its_bits_are_set() {
    for (value, done) in [(0xFC, true), (0x04, false), (0x7C, false)] {
        let desk = Desk::new("W25Q80DV");
        let mut armed = desk.armed();
        // Write enable and its status, the register, and the first look.
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
            shows: Miso::High,
            from_frame: desk.mock.frames() + 4,
            frames: Some(1),
        }));
        let result = armed.write_status(&protect(value));
        assert_eq!(result.is_ok(), done, "{value:02X}: {result:?}");
        if !done {
            let error = result.unwrap_err();
            let strange = matches!(error, ChipError::StrangeStatus { seen: 0xFF, .. });
            assert!(strange, "{error:?}");
        }
        assert_eq!(armed.is_latched(), !done);
        assert_eq!(desk.ask(&[0x05]), value);
    }
}

/// What is read back once that it is not what was written is for the caller to see, who latches.
#[test]
fn a_chip_that_is_latched_by_its_caller_takes_no_more_writes() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    armed.latch();
    desk.clear();
    let error = armed.program(Address(0), &[0]).unwrap_err();
    assert!(matches!(error, ChipError::Latched), "{error:?}");
    assert_eq!(desk.sent(), []);
}

/// While it only reads, a chip may flicker; before a change one answer of another chip is enough.
#[test]
fn one_id_of_another_chip_latches() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
        shows: Miso::High,
        from_frame: desk.mock.frames() + 1,
        frames: Some(1),
    }));
    let error = armed.check_id().unwrap_err();
    assert!(
        matches!(error, ChipError::LostContact { times: 1, .. }),
        "{error:?}"
    );
    assert!(armed.is_latched());
}

/// Flag status register, bit 7: ready only once it is 1, whatever 05h says (MT25QL128ABA Rev. I).
#[test]
fn a_part_with_a_ready_flag_is_ready_when_the_flag_says_so() {
    let erased = |fault: Option<u64>| {
        let desk = Desk::new("N25Q256A13");
        let mut armed = desk.armed();
        let smallest = kind(&armed, 4096);
        desk.clear();
        let from_frame = desk.mock.frames() + fault.unwrap_or(u64::MAX / 2);
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
            shows: Miso::Low,
            from_frame,
            frames: Some(1),
        }));
        armed.erase(&smallest, Address(0)).unwrap();
        desk.opcodes()
    };
    // A look at the address mode, write enable, its status, the erase; then status and flag together.
    let usual = erased(None);
    let looks = usual[4..].chunks(2);
    assert!(looks.len() > 1 && looks.into_iter().all(|look| look == [0x05, 0x70]));
    // The last flag is not seen: one more look.
    let again = erased(Some(usual.len() as u64));
    assert_eq!(again.len(), usual.len() + 2);
}

/// Frames of a first program: write enable, its status, the program, four looks of which the last is ready.
/// What one of them shows that cannot be is told, whatever the last one says; what looks ready too early is
/// not believed.
#[test]
fn every_look_within_a_message_counts() {
    let program = |shows, looks_at, frames| {
        let desk = Desk::new("W25Q80DV");
        let mut armed = desk.armed();
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Miso {
            shows,
            from_frame: desk.mock.frames() + 3 + looks_at,
            frames: Some(frames),
        }));
        let result = armed.program(Address(0), &pattern(1, 256));
        // The simulated chip refuses what is sent while it is busy.
        let next = result.and_then(|()| armed.program(Address(256), &pattern(2, 256)));
        (next, desk)
    };
    for look in 1..=4 {
        let (result, _) = program(Miso::High, look, 1);
        let strange = matches!(result, Err(ChipError::StrangeStatus { seen: 0xFF, .. }));
        assert!(strange, "{look}: {result:?}");
    }
    for look in 1..=3 {
        let (result, desk) = program(Miso::Low, look, 1);
        assert!(result.is_ok(), "{look}: {result:?}");
        assert_eq!(desk.mock.truth(0..256), pattern(1, 256));
        assert_eq!(desk.mock.truth(256..512), pattern(2, 256));
    }
}

/// What was learnt decides when the chip is looked at, and never what is said of it.
#[test]
fn a_wrong_learnt_time_gives_no_wrong_verdict() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    let mut block = 0;
    let mut both = |armed: &mut Armed| {
        block += 1;
        let at = Address(block * 4096);
        let erased = armed.erase(&smallest, at);
        erased.and_then(|()| armed.program(at, &pattern(block, 256)))
    };
    let slow = |factor| {
        desk.mock
            .set_faults(Faults::seeded(1).with(Fault::Slow { factor }))
    };
    for (times, factor) in [
        (Times::Max, 1.0),
        (Times::Typical, 1.0),
        (Times::Typical, 0.01),
        (Times::Max, 1.45),
        (Times::Typical, 0.001),
    ] {
        desk.mock.set_times(times);
        slow(factor);
        for _ in 0..12 {
            both(&mut armed).unwrap();
        }
    }
    for block in 1..=60 {
        let data = desk.mock.truth(block * 4096..block * 4096 + 256);
        assert_eq!(data, pattern(block, 256), "{block}");
    }
    // Learnt of a chip a thousand times as quick, and slower than may be: it is waited for all the same.
    desk.mock.set_times(Times::Max);
    slow(3.0);
    let before = desk.mock.now();
    let error = both(&mut armed).unwrap_err();
    assert!(matches!(error, ChipError::TimedOut { .. }), "{error:?}");
    let limit = smallest.time.max + smallest.time.max / 2;
    let waited = desk.mock.now() - before;
    assert!(waited >= limit && waited <= limit * 2, "{waited:?}");
    assert!(armed.is_latched());
}

#[test]
fn a_chip_that_takes_its_maximum_is_not_asked_without_a_pause() {
    let desk = Desk::new("W25Q80DV");
    desk.mock.set_times(Times::Max);
    let mut armed = desk.armed();
    let smallest = kind(&armed, 4096);
    desk.clear();
    armed.erase(&smallest, Address(0)).unwrap();
    // From the typical time on, one look in a 64th of it.
    let looks = smallest.time.max.as_micros() / (smallest.time.typical.as_micros() / 64);
    let polls = desk.sent().len() as u128;
    assert!((10..=looks + 10).contains(&polls), "{polls} of {looks}");
}

/// The link takes less than it said: the rest of the page follows in pieces. If it takes no less than before,
/// the same again would not go either.
#[test]
fn a_page_goes_in_pieces_where_the_link_takes_less_than_it_said() {
    for (shrinks, programs) in [(true, 2), (false, 0)] {
        let desk = Desk::new("W25Q80DV");
        let mut armed = desk.armed();
        let batch_bytes = if shrinks { 300 } else { 128 };
        desk.mock.set_limits(Limits {
            batch_out_bytes: batch_bytes,
            batch_in_bytes: batch_bytes,
            ..desk.mock.link().limits()
        });
        desk.mock.set_faults(Faults::seeded(1).with(Fault::Link {
            at_batch: desk.mock.counters().batches + 1,
            error: Failure::TooLong,
            lasting: false,
        }));
        let data = pattern(3, 256);
        let result = armed.program(Address(0x100), &data);
        if shrinks {
            result.unwrap();
            assert_eq!(desk.mock.truth(0x100..0x200), data);
        } else {
            let error = result.unwrap_err();
            let told = matches!(error, ChipError::Link(LinkError::TooLong { .. }));
            assert!(told && armed.is_latched(), "{error:?}");
        }
        assert_eq!(desk.mock.counters().programs, programs, "{shrinks}");
    }
}

/// Each segment counts in whole units of the transfer buffer: write enable, two looks and a command leave
/// 400 - 4 * 64 bytes, of which two units are whole.
#[test]
fn a_message_holds_as_much_of_a_page_as_the_link_takes() {
    let desk = Desk::new("W25Q80DV");
    let mut armed = desk.armed();
    desk.mock.set_limits(Limits {
        batch_out_bytes: 400,
        segment_align_bytes: 64,
        ..desk.mock.link().limits()
    });
    let before = desk.mock.counters().batches;
    armed.program(Address(0), &pattern(3, 256)).unwrap();
    let counters = desk.mock.counters();
    assert_eq!((counters.programs, counters.batches - before), (2, 2));
}
