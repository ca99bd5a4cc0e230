//! Reads on several lanes, as W25Q128JV Rev. I has them (8.2.7 to 8.2.10), and lines that are not there.

use super::super::faults::{Fault, Faults};
use super::*;
use crate::jedec::Lanes;
use crate::jedec::sfdp::Sfdp;

/// W25Q128JV with all its read commands, on four lanes, with QE set or not.
fn desk(quad: bool, faults: &[Fault]) -> Desk {
    let mut part = w25q128jv();
    for code in [0x3B, 0xBB, 0x6B, 0xEB] {
        part.sck_max.insert(code, Hertz::mhz(104));
    }
    let desk = Desk::with(part);
    let mut limits = desk.link.limits();
    limits.lanes = Lanes { out: 4, into: 4 };
    desk.mock.set_limits(limits);
    desk.mock.set_truth(0, &prime_pattern(0, 4096)).unwrap();
    let quad = quad.then_some(Fault::RegisterBits {
        register: 0x35,
        bits: 0x02,
    });
    let all = quad.iter().chain(faults).cloned();
    desk.mock.set_faults(all.fold(Faults::none(), Faults::with));
    desk
}

/// Sends the opcode on one lane, the rest on `out`, and reads on `into`.
fn on(
    desk: &mut Desk,
    frame: &[u8],
    (out, into): (u8, u8),
    length: usize,
) -> Result<Vec<u8>, LinkError> {
    let mut bytes = vec![0xA5; length];
    let (code, rest) = frame.split_at(1);
    let segments = vec![
        Segment::Out(code),
        Segment::Out(rest),
        Segment::In(&mut bytes),
    ];
    let frame = Frame::new(segments).on(Lanes { out, into });
    desk.link.transfer(&mut [frame], desk.sck)?;
    Ok(bytes)
}

/// Opcode, address 100h, and so many bytes of mode and dummy clocks.
fn head(code: u8, dummies: usize) -> Vec<u8> {
    [&[code, 0, 1, 0][..], &vec![0xFF; dummies]].concat()
}

const FORMS: [(u8, usize, (u8, u8)); 4] = [
    (0x3B, 1, (1, 2)),
    (0xBB, 1, (2, 2)),
    (0x6B, 1, (1, 4)),
    (0xEB, 3, (4, 4)),
];

#[test]
fn each_read_brings_the_array_in_its_clocks() {
    let mut desk = desk(true, &[]);
    for (code, dummies, lanes) in FORMS {
        let before = desk.mock.counters().wire;
        let seen = on(&mut desk, &head(code, dummies), lanes, 1000).unwrap();
        assert_eq!(seen, prime_pattern(0x100, 1000), "{code:02X}h");
        let clocks = 8 + (3 + dummies as u64) * 8 / u64::from(lanes.0) + 8000 / u64::from(lanes.1);
        let took = desk.mock.counters().wire - before;
        assert_eq!(took, Duration::from_nanos(clocks * 100), "{code:02X}h");
    }
}

// "QE bit in Status Register-2 must be set to 1 before the device will accept the instruction."
#[test]
fn quad_reads_are_not_taken_while_qe_is_0() {
    let mut desk = desk(false, &[]);
    for (code, dummies, lanes) in FORMS {
        let seen = on(&mut desk, &head(code, dummies), lanes, 100).unwrap();
        let wanted = match lanes.1 {
            4 => vec![0xFF; 100],
            _ => prime_pattern(0x100, 100),
        };
        assert_eq!(seen, wanted, "{code:02X}h");
    }
}

#[test]
fn no_command_is_taken_on_lanes_that_it_does_not_have() {
    let mut desk = desk(true, &[]);
    for (code, lanes) in [
        (0x6B, (1, 1)),
        (0x6B, (4, 4)),
        (0x03, (1, 4)),
        (0x02, (4, 1)),
    ] {
        let refused = on(&mut desk, &head(code, 1), lanes, 4);
        assert!(
            matches!(refused, Err(LinkError::Forbidden(_))),
            "{refused:?}"
        );
    }
    let mut limits = desk.link.limits();
    limits.lanes = Lanes { out: 2, into: 2 };
    desk.mock.set_limits(limits);
    let refused = on(&mut desk, &head(0x6B, 1), (1, 4), 4);
    assert!(
        matches!(refused, Err(LinkError::Refused { .. })),
        "{refused:?}"
    );
    on(&mut desk, &head(0x3B, 1), (1, 2), 4).unwrap();
}

// On four lanes a clock brings bits 7 and 3 over IO3, 6 and 2 over IO2, 5 and 1 over IO1, 4 and 0 over
// IO0; on two, odd bits over IO1 and even ones over IO0 (figures of 8.2.7 and 8.2.8).
#[test]
fn a_line_that_is_not_there_reads_1() {
    let seen = |line, code, dummies, lanes| {
        let mut desk = desk(true, &[Fault::Lane { line }]);
        on(&mut desk, &head(code, dummies), lanes, 64).unwrap()
    };
    let with = |mask: u8| -> Vec<u8> {
        let pattern = prime_pattern(0x100, 64);
        pattern.iter().map(|byte| byte | mask).collect()
    };
    assert_eq!(seen(3, 0x6B, 1, (1, 4)), with(0x88));
    assert_eq!(seen(2, 0x6B, 1, (1, 4)), with(0x44));
    assert_eq!(seen(0, 0x6B, 1, (1, 4)), with(0x11));
    assert_eq!(seen(0, 0x3B, 1, (1, 2)), with(0x55));
    // On one lane all of them are good.
    for line in 0..4 {
        let mut desk = desk(true, &[Fault::Lane { line }]);
        assert_eq!(desk.read(&[0x03, 0, 1, 0], 64), with(0));
    }
    // MISO carries what comes in, and IO2 and IO3 have no part in two lanes.
    for line in [1, 2, 3] {
        assert_eq!(seen(line, 0x3B, 1, (1, 2)), with(0));
    }
    // Address 000100h arrives as 888988h where IO3 is missing: other cells are read.
    let astray = seen(3, 0xEB, 3, (4, 4));
    assert_ne!(astray, with(0x88));
}

#[test]
fn mode_bits_10_begin_continuous_read() {
    for (mode, continues) in [
        (0xFF, false),
        (0x00, false),
        (0xA0, true),
        (0x20, true),
        (0x10, false),
    ] {
        let mut desk = desk(true, &[]);
        on(&mut desk, &[0xEB, 0, 1, 0, mode, 0xFF, 0xFF], (4, 4), 4).unwrap();
        let id = desk.read(&[0x9F], 3);
        assert_eq!(id != [0xEF, 0x40, 0x18], continues, "{mode:02X}h");
    }
}

/// What it says of itself is what it takes.
#[test]
fn its_sfdp_has_the_reads_that_it_takes() {
    let mut desk = desk(true, &[]);
    let bytes = desk.read(&[0x5A, 0, 0, 0, 0], 256);
    let sfdp = Sfdp::parse(&bytes).unwrap();
    let own: Vec<_> = sfdp
        .basic
        .fast_reads
        .iter()
        .filter_map(|read| read.lane_read())
        .collect();
    for (code, dummies, (out, into)) in FORMS {
        let read = own.iter().find(|read| read.opcode == code).unwrap();
        assert_eq!(
            (read.dummy_bytes, read.lanes),
            (dummies, Lanes { out, into })
        );
    }
    assert_eq!(
        sfdp.basic.quad_enable.and_then(|qe| qe.bit()),
        Some((0x35, 0x02))
    );
}

/// W25Q256JV with its programs on four lanes: 32h, and 34h with four address bytes (Rev. I, 8.1.2); and 38h and 3Eh,
/// whose address goes on four lanes (JESD216F, 4-byte table; 38h from memory).
fn programs() -> Desk {
    let desk = without_qe();
    set(&desk, &[]);
    desk
}

fn without_qe() -> Desk {
    let mut part = w25q256jv();
    part.lane_programs = vec![0x32, 0x38];
    for way in &mut part.addressing.four_byte {
        if let crate::part::FourByte::Dedicated { opcodes } = way {
            opcodes.extend([0x34, 0x3E]);
        }
    }
    let desk = Desk::with(part);
    let mut limits = desk.link.limits();
    limits.lanes = Lanes { out: 4, into: 4 };
    desk.mock.set_limits(limits);
    desk.mock.monitor().cover(0..u32::MAX);
    desk
}

/// Sets QE, for good, and these faults.
fn set(desk: &Desk, faults: &[Fault]) {
    let quad = Faults::none().with(Fault::RegisterBits {
        register: 0x35,
        bits: 0x02,
    });
    let all = faults.iter().cloned();
    desk.mock.set_faults(all.fold(quad, Faults::with));
}

/// Enables, and sends segments on four lanes but for the first; waits until it is done.
fn program(desk: &mut Desk, segments: &[&[u8]]) -> Result<(), LinkError> {
    let enable = Frame::new(vec![Segment::Out(&[0x06])]);
    let segments = segments.iter().map(|bytes| Segment::Out(bytes)).collect();
    let frame = Frame::new(segments).on(Lanes { out: 4, into: 1 });
    desk.link.transfer(&mut [enable, frame], desk.sck)?;
    desk.link.wait(Duration::from_millis(5));
    Ok(())
}

#[test]
fn a_page_goes_out_on_four_lanes() {
    let data = prime_pattern(3, 200);
    let frames: [&[&[u8]]; 4] = [
        &[&[0x32, 0, 0x10, 5], &data],
        &[&[0x34, 0, 0, 0x10, 5], &data],
        &[&[0x38], &[0, 0x10, 5], &data],
        &[&[0x3E], &[0, 0, 0x10, 5], &data],
    ];
    for segments in frames {
        let mut desk = programs();
        let before = desk.mock.counters().wire;
        program(&mut desk, segments).unwrap();
        assert_eq!(desk.mock.truth(0x1005..0x1005 + 200), data);
        assert_eq!(desk.mock.counters().programs, 1);
        let rest: usize = segments[1..].iter().map(|bytes| bytes.len() * 2).sum();
        let clocks = (8 + segments[0].len() * 8 + rest) as u64;
        let took = desk.mock.counters().wire - before;
        assert_eq!(took, Duration::from_nanos(clocks * 100), "{segments:02X?}");
    }
}

#[test]
fn a_page_on_four_lanes_is_not_taken_while_qe_is_0() {
    for code in [0x32, 0x38] {
        let mut desk = without_qe();
        let head: [&[u8]; 2] = match code {
            0x32 => [&[0x32, 0, 0, 0], &[0; 8]],
            _ => [&[0x38], &[0, 0, 0, 0, 0]],
        };
        program(&mut desk, &head).unwrap();
        assert_eq!(desk.mock.truth(0..8), [0xFF; 8]);
        assert_eq!(desk.mock.counters().programs, 0);
        // It has not even ended write enable.
        assert_eq!(desk.read(&[0x05], 1), [0x02]);
    }
}

#[test]
fn no_page_is_taken_on_lanes_that_it_does_not_have() {
    let rows: [&[&[u8]]; 5] = [
        &[&[0x32], &[0, 0, 0], &[0; 8]],
        &[&[0x38, 0, 0, 0], &[0; 8]],
        &[&[0x34, 0, 0, 0], &[0, 0]],
        &[&[0x02, 0, 0, 0], &[0; 8]],
        &[&[0x12, 0, 0, 0, 0], &[0; 8]],
    ];
    for segments in rows {
        let refused = program(&mut programs(), segments);
        assert!(
            matches!(refused, Err(LinkError::Forbidden(_))),
            "{segments:02X?}"
        );
    }
    // Nor does a part have it that nobody says so of.
    let mut other = desk(true, &[]);
    other.mock.monitor().cover(0..u32::MAX);
    let refused = program(&mut other, &[&[0x32, 0, 0, 0], &[0; 8]]);
    assert!(
        matches!(refused, Err(LinkError::Forbidden(_))),
        "{refused:?}"
    );
}

/// What is sent over a line that carries inwards alone arrives as ones: MOSI is good, and so is what goes on it alone.
#[test]
fn a_page_over_a_line_that_is_not_there_is_programmed_in_part() {
    for (line, mask) in [(0, 0x00), (1, 0x22), (2, 0x44), (3, 0x88)] {
        let mut desk = programs();
        set(&desk, &[Fault::Lane { line }]);
        program(&mut desk, &[&[0x32, 0, 1, 0], &[0x00; 16]]).unwrap();
        assert_eq!(desk.mock.truth(0x100..0x110), [mask; 16], "line {line}");
    }
}
