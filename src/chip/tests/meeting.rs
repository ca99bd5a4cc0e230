//! The start sequence.

use super::*;
use crate::jedec::sfdp::{
    CommandAddress, ConfigurationMap, DetectionCommand, Region, Revision, SECTOR_MAP, SectorMap,
    Sfdp, SfdpTable,
};
use crate::mock::{Flips, Miso};

/// 05h before 9Fh, at 1 MHz at most, and nothing that could change anything.
#[test]
fn status_is_asked_before_the_id() {
    let desk = Desk::new("W25Q128JV");
    let look = desk.meet().unwrap();
    assert_eq!(look.id[..3], [0xEF, 0x40, 0x18]);
    assert_eq!((look.status, look.busy_for), (0, Duration::ZERO));
    assert!(!look.woken && !look.wel_was_set && !look.single_transfers);
    let opcodes = desk.opcodes();
    assert_eq!(opcodes[0], 0x05);
    assert!(opcodes.iter().all(|code| [0x05, 0x9F].contains(code)));
    assert!(desk.sent().iter().all(|sent| sent.sck == Hertz::mhz(1)));
}

#[test]
fn a_busy_chip_is_waited_for_before_anything_else_is_sent() {
    let desk = Desk::new("W25Q128JV").fault(Fault::Busy { ms: 1700 });
    let look = desk.meet().unwrap();
    assert_eq!(look.status & 1, 1);
    let waited = look.busy_for.as_millis();
    assert!((1690..2000).contains(&waited), "{waited} ms");
    let sent = desk.sent();
    let first_id = sent.iter().position(|sent| sent.out[0] == 0x9F).unwrap();
    assert!(sent[..first_id].iter().all(|sent| sent.out[0] == 0x05));
    assert!(sent[first_id].at >= Duration::from_millis(1700));
}

#[test]
fn a_chip_busy_for_ever_is_reported_after_the_patience() {
    let desk = Desk::new("W25Q128JV").fault(Fault::Busy { ms: 3_600_000 });
    let error = desk.meet().unwrap_err();
    assert!(
        matches!(error, ChipError::StillBusy { status: 0x03, waited } if waited >= PATIENCE),
        "{error:?}"
    );
    assert!(desk.opcodes().iter().all(|code| *code == 0x05));
}

#[test]
fn a_person_can_stop_the_wait() {
    let desk = Desk::new("W25Q128JV").fault(Fault::Busy { ms: 60_000 });
    let asked = std::cell::Cell::new(0);
    let stop = || {
        asked.set(asked.get() + 1);
        asked.get() > 3
    };
    let error = desk.bare(Purpose::Read).meet(PATIENCE, &stop).unwrap_err();
    assert!(matches!(error, ChipError::Stopped), "{error:?}");
}

/// ABh releases (W25Q128JV Rev. I, 8.2.20); FFh twice ends a continuous read (common practice).
#[test]
fn a_sleeping_chip_is_woken() {
    let desk = Desk::new("W25Q128JV").fault(Fault::Asleep { deaf: false });
    let look = desk.meet().unwrap();
    assert!(look.woken);
    assert_eq!(look.id[..3], [0xEF, 0x40, 0x18]);
    let opcodes = desk.opcodes();
    let wake: Vec<u8> = opcodes
        .into_iter()
        .filter(|code| *code != 0x05 && *code != 0x9F)
        .collect();
    assert_eq!(wake, [0xFF, 0xAB]);
}

#[test]
fn a_deaf_chip_and_stuck_wires_do_not_answer() {
    for (fault, byte) in [
        (Fault::Asleep { deaf: true }, 0xFF),
        (loose(Miso::High), 0xFF),
        (loose(Miso::Low), 0x00),
    ] {
        let desk = Desk::new("W25Q128JV").fault(fault);
        let error = desk.meet().unwrap_err();
        assert!(
            matches!(error, ChipError::NoAnswer { byte: seen } if seen == byte),
            "{error:?}"
        );
    }
}

fn loose(shows: Miso) -> Fault {
    Fault::LooseContact {
        shows,
        from_frame: 0,
        frames: None,
    }
}

#[test]
fn uniform_ids_of_a_talking_chip_are_no_ids() {
    for byte in [0x00, 0xFF] {
        let bytes = vec![byte; 3];
        let desk = Desk::new("W25Q128JV").fault(Fault::LyingId { bytes });
        assert!(matches!(desk.meet(), Err(ChipError::NoAnswer { .. })));
    }
    // Uniform, but no idle line: that is for identification to judge.
    let bytes = vec![0x7F; 3];
    let desk = Desk::new("W25Q128JV").fault(Fault::LyingId { bytes });
    assert_eq!(desk.meet().unwrap().id[..3], [0x7F; 3]);
}

#[test]
fn wel_left_set_is_cleared_and_told() {
    let desk = Desk::new("W25Q128JV").fault(Fault::WriteEnabled {});
    let look = desk.meet().unwrap();
    assert!(look.wel_was_set && look.status & 2 != 0);
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
    assert_eq!(desk.opcodes().iter().filter(|code| **code == 4).count(), 1);
}

/// MISO bit 1 stuck at 1 looks like a WEL that nothing clears.
#[test]
fn wel_that_stays_set_stops_the_work() {
    let desk = Desk::new("W25Q128JV").fault(Fault::StuckBit { bit: 1, high: true });
    let error = desk.meet().unwrap_err();
    assert!(
        matches!(error, ChipError::WelStuck { status: 2 }),
        "{error:?}"
    );
}

/// Whatever state the chip is in: a controller that drops CS is no dead chip.
#[test]
fn a_controller_that_drops_cs_is_found_out() {
    let awake = Fault::Protected { status_1: 0 };
    for (fault, woken, busy) in [
        (awake, false, false),
        (Fault::Asleep { deaf: false }, true, false),
        (Fault::Busy { ms: 400 }, false, true),
        (Fault::WriteEnabled {}, false, false),
    ] {
        let desk = Desk::new("W25Q80DV").fault(fault);
        desk.mock.set_truth(0, &pattern(0, 20_000)).unwrap();
        let link = drops_cs(desk.link());
        let mut bare = Bare::new(link, Purpose::Write, SCK);
        let look = bare.meet(PATIENCE, &|| false).unwrap();
        assert!(look.single_transfers);
        assert_eq!((look.woken, !look.busy_for.is_zero()), (woken, busy));
        let mut chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
        let mut seen = vec![0; 19_000];
        chip.read(ReadCommand::FastRead, SCK, Address(3), &mut seen)
            .unwrap();
        assert_eq!(seen, pattern(3, 19_000));
        let mut armed = chip.arm(Allowed).unwrap();
        let kind = armed.part().erase_types[0].clone();
        armed.erase(&kind, Address(0x1000)).unwrap();
        armed.program(Address(0x1010), &[1, 2, 3]).unwrap();
        assert_eq!(desk.mock.truth(0x100F..0x1014), [0xFF, 1, 2, 3, 0xFF]);
    }
}

/// One bad read in the comparison says nothing of the controller.
#[test]
fn a_flicker_is_not_taken_for_the_controller() {
    let desk = Desk::new("W25Q128JV").fault(Fault::Miso {
        shows: Miso::Noise,
        from_frame: 4,
        frames: Some(1),
    });
    assert!(!desk.meet().unwrap().single_transfers);
    let read: Vec<Vec<u8>> = desk.sent().iter().map(|sent| sent.read.clone()).collect();
    assert!(read[3][..3] != [0xEF, 0x40, 0x18], "the fault missed");
}

#[test]
fn sfdp_is_read_across_frames() {
    let desk = Desk::new("W25Q128JV");
    let limits = Limits {
        batch_in_bytes: 40,
        batch_out_bytes: 40,
        ..desk.mock.link().limits()
    };
    let mut whole = [0; 64];
    let mut parts = [0; 64];
    desk.bare(Purpose::Read)
        .sfdp(0, &mut whole, SCK, &|| false)
        .unwrap();
    desk.mock.set_limits(limits);
    desk.bare(Purpose::Read)
        .sfdp(0, &mut parts, SCK, &|| false)
        .unwrap();
    assert_eq!(whole, parts);
    assert_eq!(whole[..4], *b"SFDP");
}

/// SFDP of the part on the desk with a sector map: 4 KiB below 64 KiB and 64 KiB above where bit 3 of
/// the register is 0 (ID 0), 64 KiB throughout where it is 1 (ID 1).
fn mapped(desk: &Desk, change: impl FnOnce(&mut DetectionCommand)) -> Sfdp {
    let mut space = [0; 256];
    desk.bare(Purpose::Read)
        .sfdp(0, &mut space, SCK, &|| false)
        .unwrap();
    let mut space = Sfdp::parse(&space).unwrap().space();
    let region = |range, number| Region {
        range,
        erase_types: vec![number],
    };
    let mut command = DetectionCommand {
        opcode: 0x65,
        address_bytes: CommandAddress::Three,
        address: 0x80_0004,
        dummy_clocks: Some(8),
        mask: 0x08,
    };
    change(&mut command);
    let size = u64::from(desk.part.size_bytes);
    let (bottom, uniform) = (
        vec![region(0..0x1_0000, 1), region(0x1_0000..size, 3)],
        vec![region(0..size, 3)],
    );
    let map = |id, regions| ConfigurationMap { id, regions };
    let map = SectorMap {
        commands: vec![command],
        maps: vec![map(0, bottom), map(1, uniform)],
    };
    space.tables.push(SfdpTable {
        id: SECTOR_MAP,
        revision: Revision { major: 1, minor: 0 },
        dwords: map.encode(),
    });
    let space = space.encode().unwrap();
    desk.mock.set_sfdp(Some(space.clone()));
    desk.clear();
    Sfdp::parse(&space).unwrap()
}

/// A chip that was met, and frames of two segments with it.
fn met(desk: &Desk) -> Bare {
    let mut bare = desk.bare(Purpose::Read);
    bare.meet(PATIENCE, &|| false).unwrap();
    desk.clear();
    bare
}

#[test]
fn the_chip_is_asked_which_sector_map_is_in_force() {
    for (value, id) in [(0xF7, 0), (0x08, 1)] {
        let desk = Desk::new("W25Q128JV");
        let sfdp = mapped(&desk, |_| {});
        desk.mock.set_registers([(0x80_0004, value)].into());
        let mut bare = met(&desk);
        let layout = bare.erase_layout(&sfdp, 0x34).unwrap().unwrap();
        assert_eq!((layout.maps.as_slice(), &layout.doubt), (&[id][..], &None));
        let sent = desk.sent();
        assert_eq!(sent.len(), 2, "asked twice");
        for frame in sent {
            assert_eq!(frame.out, [0x65, 0x80, 0x00, 0x04, 0x00]);
            assert_eq!(
                (frame.read.as_slice(), frame.sck),
                (&[value][..], Hertz::mhz(1))
            );
        }
    }
}

#[test]
fn a_question_that_depends_on_a_setting_is_not_asked() {
    type Change = fn(&mut DetectionCommand);
    let cases: [(Change, &str); 4] = [
        (
            |command| command.dummy_clocks = None,
            "dummy clocks by a setting",
        ),
        (|command| command.dummy_clocks = Some(4), "no whole bytes"),
        (|command| command.opcode = 0x35, "not known to be a read"),
        (
            |command| command.address_bytes = CommandAddress::Current,
            "the mode the chip is in",
        ),
    ];
    for (change, why) in cases {
        // Takes three or four address bytes.
        let desk = Desk::new("W25Q256JV");
        let sfdp = mapped(&desk, change);
        let layout = desk
            .bare(Purpose::Read)
            .erase_layout(&sfdp, 0x34)
            .unwrap()
            .unwrap();
        assert_eq!(layout.maps, [0, 1]);
        assert!(layout.doubt.unwrap().contains(why), "{why}");
        assert_eq!(desk.sent(), []);
    }
    // A part that takes three only is always in that mode.
    let desk = Desk::new("W25Q80DV");
    let sfdp = mapped(&desk, |command| {
        command.address_bytes = CommandAddress::Current
    });
    desk.mock.set_registers([(0x80_0004, 0)].into());
    let layout = desk
        .bare(Purpose::Read)
        .erase_layout(&sfdp, 0x34)
        .unwrap()
        .unwrap();
    assert_eq!(layout.maps, [0]);
}

#[test]
fn two_answers_that_differ_count_as_none() {
    let desk = Desk::new("W25Q128JV");
    let sfdp = mapped(&desk, |_| {});
    desk.mock.set_registers([(0x80_0004, 0x08)].into());
    let flips = Flips {
        rate: 0.1,
        opcode: Some(0x65),
        fresh: true,
        ..Flips::default()
    };
    desk.mock
        .set_faults(Faults::seeded(3).with(Fault::Flips(flips)));
    let mut differed = 0;
    for _ in 0..40 {
        let layout = met(&desk).erase_layout(&sfdp, 0x34).unwrap().unwrap();
        let sent = desk.sent();
        let differ = sent[0].read != sent[1].read;
        assert_eq!(layout.doubt.is_some(), differ, "{layout:?}");
        differed += usize::from(differ);
    }
    assert!((1..40).contains(&differed), "{differed}");
}

/// The write disable that goes first is lost on the way; the one behind the ID is not.
#[test]
fn a_write_disable_that_was_lost_is_sent_again() {
    let desk = Desk::new("W25Q128JV");
    desk.mock.set_faults(
        Faults::seeded(1)
            .with(Fault::WriteEnabled {})
            .with(Fault::Heard {
                times: 0,
                opcode: Some(0x04),
                from_frame: 0,
                frames: Some(3),
            }),
    );
    let look = desk.meet().unwrap();
    assert!(look.wel_was_set);
    assert_eq!(desk.opcodes().iter().filter(|code| **code == 4).count(), 2);
    assert_eq!(desk.ask(&[0x05]) & 2, 0);
}
