//! Reads on several lanes: which there are, and how they go over the wire.

use std::ops::ControlFlow;

use super::*;
use crate::jedec::{LaneProgram, LaneRead, Lanes};
use crate::part::{FourByte, ProgramMethod};

/// The part with all four reads, as W25Q256JV Rev. I has them in 8.2, on four lanes, with QE set.
fn desk(name: &str) -> Desk {
    let forms = [
        (0x6B, [1, 1, 4], 8),
        (0xEB, [1, 4, 4], 2 + 4),
        (0x3B, [1, 1, 2], 8),
        (0xBB, [1, 2, 2], 2 + 2),
    ];
    let reads = forms.map(|(code, lanes, clocks)| LaneRead::listed(code, lanes, clocks).unwrap());
    let desk = Desk::with(Part {
        lane_reads: reads.to_vec(),
        ..part(name)
    });
    on(&desk, 4);
    quad(&desk);
    desk
}

fn on(desk: &Desk, lanes: u8) {
    let (out, into) = (lanes, lanes);
    let lanes = Lanes { out, into };
    let limits = desk.mock.link().limits();
    desk.mock.set_limits(Limits { lanes, ..limits });
}

fn quad(desk: &Desk) {
    let register = Fault::RegisterBits {
        register: 0x35,
        bits: 0x02,
    };
    desk.mock.set_faults(Faults::seeded(1).with(register));
}

fn codes(chip: &Chip) -> Vec<u8> {
    chip.lane_reads().iter().map(|read| read.opcode).collect()
}

#[test]
fn each_read_goes_out_in_its_own_form() {
    for (name, four, codes) in [
        ("W25Q128JV", false, [0x6B, 0xEB, 0x3B, 0xBB]),
        ("W25Q256JV", true, [0x6C, 0xEC, 0x3C, 0xBC]),
    ] {
        let desk = desk(name);
        let size = desk.part.size_bytes;
        desk.mock.set_truth(size - 4096, &pattern(0, 4096)).unwrap();
        let mut chip = desk.chip();
        let at = size - 4000;
        for (read, code) in chip.lane_reads().into_iter().zip(codes) {
            desk.clear();
            let mut into = vec![0; 3000];
            let command = ReadCommand::Lanes(read);
            chip.read(command, SCK, Address(at), &mut into).unwrap();
            assert_eq!(into, pattern(96, 3000), "{name} {code:02X}h");
            let sent = desk.sent();
            let [frame] = sent.as_slice() else {
                panic!("{sent:?}");
            };
            let mut head = vec![code];
            head.extend(&at.to_be_bytes()[usize::from(!four)..]);
            head.extend(vec![0xFF; read.dummy_bytes]);
            assert_eq!((&frame.out, frame.lanes), (&head, read.lanes));
        }
    }
}

/// Link, opcodes for four address bytes, and frames of one transfer each take some away.
#[test]
fn there_are_as_many_as_link_and_addressing_have() {
    let small = desk("W25Q128JV");
    assert_eq!(codes(&small.chip()), [0x6B, 0xEB, 0x3B, 0xBB]);
    on(&small, 2);
    assert_eq!(codes(&small.chip()), [0x3B, 0xBB]);
    on(&small, 1);
    assert!(codes(&small.chip()).is_empty());
    let mut large = desk("W25Q256JV");
    large.part.addressing.four_byte = vec![FourByte::Dedicated {
        opcodes: vec![0x0C, 0x12, 0x13, 0x21, 0x3C, 0xDC, 0xEC],
    }];
    assert_eq!(codes(&large.chip()), [0xEB, 0x3B]);
    // A mode that is left alone may be on without showing it; more than a byte of mode bits has to follow.
    let mut moded = desk("W25Q128JV");
    moded.part.addressing.four_byte = vec![FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable: false,
    }];
    assert_eq!(codes(&moded.chip()), [0x6B, 0xEB, 0x3B]);
    let single = desk("W25Q128JV");
    let mut bare = Bare::new(drops_cs(single.link()), Purpose::Read, SCK);
    let look = bare.meet(PATIENCE, &|| false).unwrap();
    assert!(look.single_transfers);
    let chip = bare.into_chip(single.part.clone(), look.id).unwrap();
    assert!(codes(&chip).is_empty());
}

/// What a chip takes for mode bits must be no address byte: where it could take three and four, by a
/// mode, reads whose address goes on several lanes are left out.
#[test]
fn addresses_on_several_lanes_have_one_length_only() {
    let way = |write_enable| FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable,
    };
    for (ways, wanted) in [
        (vec![way(false)], &[0x6B, 0x3B][..]),
        (vec![way(true)], &[0x6B, 0x3B]),
    ] {
        let mut large = desk("W25Q256JV");
        large.part.addressing.four_byte = ways;
        assert_eq!(
            codes(&large.chip()),
            wanted,
            "{}",
            large.chip().addressing()
        );
    }
    let mut always = desk("W25Q256JV");
    always.part.addressing.four_byte.clear();
    always.part.addressing.three_byte = false;
    assert_eq!(codes(&always.chip()), [0x6B, 0xEB, 0x3B, 0xBB]);
}

/// A head on several lanes is two segments, each of which counts for itself: what is laid out for one message
/// goes in one.
#[test]
fn frames_of_three_segments_are_counted_as_such() {
    for (out_bytes, segments, batches) in [(4096, 511, 4), (65536, 48, 4), (65536, 511, 1)] {
        let desk = desk("W25Q128JV");
        let limits = desk.mock.link().limits();
        desk.mock.set_limits(Limits {
            batch_out_bytes: out_bytes,
            batch_in_bytes: 65536,
            batch_segments: segments,
            segment_align_bytes: 128,
            ..limits
        });
        let mut chip = desk.chip();
        let quad = chip.lane_reads()[1];
        let command = (ReadCommand::Lanes(quad), SCK);
        let mut into = vec![0; 64 * 16];
        desk.clear();
        let before = desk.mock.counters().batches;
        chip.read_in_frames(command, 16, Address(0), &mut into)
            .unwrap();
        assert!(desk.sent().iter().all(|sent| !sent.failed));
        assert_eq!(desk.mock.counters().batches - before, batches);
    }
    // Head, frame and ID take five segments out of 128 bytes.
    for out_bytes in [512, 640] {
        let desk = desk("W25Q128JV");
        let limits = desk.mock.link().limits();
        desk.mock.set_limits(Limits {
            batch_out_bytes: out_bytes,
            segment_align_bytes: 128,
            ..limits
        });
        let mut chip = desk.chip();
        let pass = Pass {
            command: ReadCommand::Lanes(chip.lane_reads()[1]),
            sck: SCK,
            frame_bytes: chip.pass_frame_bytes(SCK),
            first_bytes: 61,
            order: Order::Up,
            poison: 0x5A,
        };
        desk.clear();
        let end = chip.read_pass(&pass, 0..0x4_0000, &mut |_, _| ControlFlow::Continue(()));
        assert_eq!(end.unwrap(), PassEnd::Whole);
        assert!(desk.sent().iter().all(|sent| !sent.failed), "{out_bytes}");
    }
}

/// QE is read where SFDP or family say that it is; where they contradict each other, nothing is sent.
#[test]
fn qe_is_read_where_it_is() {
    use crate::jedec::sfdp::QuadEnable;
    let enabled = |code: Option<u8>| {
        let mut desk = desk("W25Q128JV");
        desk.part.quad_enable = code.map(QuadEnable);
        let mut chip = desk.chip();
        desk.clear();
        let found = chip.quad_enabled().unwrap();
        let asked = desk.opcodes();
        let wanted: &[u8] = if found.is_some() { &[0x35, 0x35] } else { &[] };
        assert_eq!(asked, wanted, "{code:?}");
        found
    };
    for code in [None, Some(1), Some(4), Some(5), Some(6)] {
        assert_eq!(enabled(code), Some(true), "{code:?}");
    }
    // SR1 bit 6, 3Fh, reserved, and no bit at all: the family has it elsewhere.
    for code in [Some(0), Some(2), Some(3), Some(7)] {
        assert_eq!(enabled(code), None, "{code:?}");
    }
    let plain = Desk::new("W25Q128JV");
    assert_eq!(plain.chip().quad_enabled().unwrap(), Some(false));
    let micron = Desk::new("N25Q032A13");
    assert_eq!(micron.chip().quad_enabled().unwrap(), Some(true));
    let unknown = Desk::new("AT25DF041A");
    assert_eq!(unknown.chip().quad_enabled().unwrap(), None);
}

/// The same part with programs on four lanes, to be armed.
fn programs(name: &str, codes: &[u8]) -> Desk {
    let mut desk = desk(name);
    desk.part.lane_programs = codes.to_vec();
    let mock = Mock::new(desk.part.clone());
    mock.monitor().cover(0..u32::MAX);
    mock.set_times(Times::Typical);
    desk.mock = mock;
    on(&desk, 4);
    quad(&desk);
    desk
}

/// An armed chip that programs on four lanes.
fn armed(desk: &Desk) -> Armed {
    let mut chip = desk.try_chip(Purpose::Write).unwrap();
    let (program, _) = chip.lane_program().unwrap();
    chip.use_lane_program(program);
    desk.clear();
    chip.arm(Allowed).unwrap()
}

/// The frames that program: what went out, and how much of it on one lane.
fn pages(desk: &Desk) -> Vec<(Vec<u8>, usize)> {
    let sent = desk.sent().into_iter();
    sent.filter(|sent| sent.lanes == LaneProgram::LANES)
        .map(|sent| (sent.out, sent.on_one))
        .collect()
}

#[test]
fn each_program_goes_out_in_its_own_form() {
    for (name, code, at, head, on_one) in [
        ("W25Q128JV", 0x32, 0x1005, vec![0x32, 0, 0x10, 5], 4),
        ("W25Q128JV", 0x38, 0x1005, vec![0x38, 0, 0x10, 5], 1),
        ("W25Q256JV", 0x34, 0x0100_1005, vec![0x34, 1, 0, 0x10, 5], 5),
        ("W25Q256JV", 0x3E, 0x0100_1005, vec![0x3E, 1, 0, 0x10, 5], 1),
    ] {
        let desk = programs(name, &[code]);
        let mut armed = armed(&desk);
        let data = pattern(7, 251);
        armed.program(Address(at), &data).unwrap();
        let sent = pages(&desk);
        assert_eq!(sent, [([head, data.clone()].concat(), on_one)], "{name}");
        assert_eq!(desk.mock.truth(at..at + 251), data, "{code:02X}h");
        assert!(!desk.opcodes().contains(&0x02) && !desk.opcodes().contains(&0x12));
    }
}

/// Of two, the one that keeps its address on one lane.
#[test]
fn an_address_on_one_lane_comes_first() {
    let desk = programs("W25Q256JV", &[0x3E, 0x34]);
    let (program, proof) = desk
        .try_chip(Purpose::Write)
        .unwrap()
        .lane_program()
        .unwrap();
    assert_eq!((program.opcode_4byte, proof.opcode), (0x34, 0xEB));
}

/// What a page is divided into where messages are short, each segment counting for itself.
#[test]
fn a_page_on_four_lanes_fits_the_messages_of_the_link() {
    for (code, batch_out_bytes, align, pieces) in [
        (0x32, 4096, 1, 1),
        (0x32, 96, 1, 3),
        (0x32, 640, 128, 2),
        (0x38, 96, 1, 3),
        (0x38, 768, 128, 2),
    ] {
        let desk = programs("W25Q128JV", &[code]);
        let limits = desk.mock.link().limits();
        desk.mock.set_limits(Limits {
            batch_out_bytes,
            segment_align_bytes: align,
            ..limits
        });
        let mut armed = armed(&desk);
        let data = pattern(9, 256);
        armed.program(Address(0x300), &data).unwrap();
        assert_eq!(desk.mock.truth(0x300..0x400), data, "{code:02X}h");
        let sent = pages(&desk).len();
        assert_eq!(sent, pieces, "{code:02X}h in {batch_out_bytes}");
        assert!(desk.sent().iter().all(|sent| !sent.failed));
    }
}

/// Not in a reading job, not on fewer lanes, not by bytes, not without the read that proves the way out; and not
/// where a mode says how many address bytes there are.
#[test]
fn a_page_on_four_lanes_wants_all_of_it() {
    let has = |desk: &Desk| {
        let chip = desk.try_chip(Purpose::Write).unwrap();
        chip.lane_program().is_some()
    };
    let desk = || programs("W25Q128JV", &[0x32]);
    assert!(has(&desk()));
    assert!(desk().chip().lane_program().is_none());
    let two = desk();
    on(&two, 2);
    assert!(!has(&two));
    let mut bytes = desk();
    bytes.part.program = ProgramMethod::Byte;
    assert!(!has(&bytes));
    let mut none = desk();
    none.part.lane_programs.clear();
    assert!(!has(&none));
    let mut unproven = desk();
    unproven.part.lane_reads.retain(|read| read.opcode != 0xEB);
    assert!(!has(&unproven));
    // 32h alone on a part that is addressed by opcodes for four bytes.
    assert!(!has(&programs("W25Q256JV", &[0x32])));
    let mut mode = programs("W25Q256JV", &[0x32]);
    mode.part.addressing.four_byte = vec![FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable: false,
    }];
    assert!(!has(&mode));
}
