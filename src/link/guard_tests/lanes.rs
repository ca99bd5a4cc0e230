//! Reads on several lanes: which frames pass.

use super::*;

/// The part with the reads that its SFDP prints: opcode, lanes, mode and dummy clocks (W25Q128JV Rev. I and
/// W25Q256JV Rev. I, 8.2; N25Q256A Rev. W).
fn with_lane_reads(name: &str, reads: &[(u8, [u8; 3], usize)]) -> Part {
    let listed = |(code, lanes, clocks): &(u8, [u8; 3], usize)| {
        LaneRead::listed(*code, *lanes, *clocks).unwrap()
    };
    Part {
        lane_reads: reads.iter().map(listed).collect(),
        ..part(name)
    }
}

const OF_WINBOND: [(u8, [u8; 3], usize); 4] = [
    (0x6B, [1, 1, 4], 8),
    (0xEB, [1, 4, 4], 2 + 4),
    (0x3B, [1, 1, 2], 8),
    (0xBB, [1, 2, 2], 4),
];

/// Judges a frame whose opcode goes by itself, on these lanes.
fn on_lanes(guard: &Guard, out: &[u8], lanes: (u8, u8), reads: usize) -> Option<Class> {
    let mut into = vec![0; reads];
    let (code, rest) = out.split_at(1);
    let frame = Frame::new(vec![
        Segment::Out(code),
        Segment::Out(rest),
        Segment::In(&mut into),
    ]);
    let (out, into) = lanes;
    guard.judge(&frame.on(Lanes { out, into })).ok()
}

/// Part, bytes out, lanes, bytes in, and whether it passes.
type Row<'a> = (&'a Part, Vec<u8>, (u8, u8), usize, bool);

#[test]
fn reads_on_several_lanes_pass_in_their_very_form() {
    let jv = with_lane_reads("W25Q128JV", &OF_WINBOND);
    let large = with_lane_reads("W25Q256JV", &OF_WINBOND);
    let few = with_lane_reads("W25Q256JV", &OF_WINBOND[2..3]);
    let micron = with_lane_reads("N25Q256A13", &[(0xEB, [1, 4, 4], 1 + 9)]);
    let mut always = micron.clone();
    always.addressing.three_byte = false;
    let mut silent = jv.clone();
    let none = |read: &mut LaneRead| read.dummy_bytes = 0;
    silent.lane_reads.iter_mut().for_each(none);
    let ones = |head: &[u8], count: usize| [head, &vec![0xFF; count]].concat();
    let plain = part("W25Q128JV");
    let table: [Row<'_>; 34] = [
        (&jv, ones(&[0x3B, 1, 2, 3], 1), (1, 2), 100, true),
        (&jv, ones(&[0x6B, 1, 2, 3], 1), (1, 4), 100, true),
        (&jv, ones(&[0xBB, 1, 2, 3], 1), (2, 2), 100, true),
        (&jv, ones(&[0xEB, 1, 2, 3], 3), (4, 4), 100, true),
        (&micron, ones(&[0xEB, 1, 2, 3], 5), (4, 4), 100, true),
        (&always, ones(&[0xEB, 1, 2, 3, 4], 5), (4, 4), 100, true),
        (&large, ones(&[0x6C, 1, 2, 3, 4], 1), (1, 4), 100, true),
        (&large, ones(&[0xEC, 1, 2, 3, 4], 3), (4, 4), 100, true),
        (&large, ones(&[0x6B, 1, 2, 3, 4], 1), (1, 4), 100, true),
        // Other lanes, length, dummies; nothing read; an opcode that its SFDP has not.
        (&jv, ones(&[0x6B, 1, 2, 3], 1), (1, 1), 100, false),
        (&jv, ones(&[0x6B, 1, 2, 3], 1), (1, 2), 100, false),
        (&jv, ones(&[0x6B, 1, 2, 3], 1), (4, 4), 100, false),
        (&jv, ones(&[0x6B, 1, 2, 3], 1), (1, 4), 0, false),
        (&jv, ones(&[0x6B, 1, 2, 3], 3), (1, 4), 100, false),
        (&jv, ones(&[0x6B, 1, 2], 1), (1, 4), 100, false),
        (&jv, ones(&[0xEB, 1, 2, 3], 2), (4, 4), 100, false),
        (&micron, ones(&[0xEB, 1, 2, 3], 3), (4, 4), 100, false),
        (&micron, ones(&[0x6B, 1, 2, 3], 1), (1, 4), 100, false),
        (&few, ones(&[0x6C, 1, 2, 3, 4], 1), (1, 4), 100, false),
        (&plain, ones(&[0x6B, 1, 2, 3], 1), (1, 4), 100, false),
        (&large, ones(&[0x6C, 1, 2, 3], 1), (1, 4), 100, false),
        (&jv, ones(&[0x6C, 1, 2, 3, 4], 1), (1, 4), 100, false),
        // Mode bits of Axh begin continuous read; 00h would end it, but one form is enough.
        (
            &jv,
            vec![0xEB, 1, 2, 3, 0xA0, 0xFF, 0xFF],
            (4, 4),
            100,
            false,
        ),
        (
            &jv,
            vec![0xEB, 1, 2, 3, 0xFF, 0xFF, 0x00],
            (4, 4),
            100,
            false,
        ),
        (&jv, vec![0xBB, 1, 2, 3, 0xA0], (2, 2), 100, false),
        // Nor do address bits where the chip takes three bytes, or may.
        (&jv, ones(&[0xEB, 1, 2, 3, 0xA0], 3), (4, 4), 100, false),
        (&jv, ones(&[0xBB, 1, 2, 3, 0xA0], 1), (2, 2), 100, false),
        (&micron, ones(&[0xEB, 1, 2, 3, 0xA0], 5), (4, 4), 100, false),
        (&always, ones(&[0xEB, 1, 2, 3], 5), (4, 4), 100, false),
        // Lanes that nobody drives are mode bits that nobody knows.
        (&silent, vec![0xEB, 1, 2, 3], (4, 4), 100, false),
        (&silent, vec![0xBB, 1, 2, 3], (2, 2), 100, false),
        // Whatever else there is on several lanes.
        (&jv, vec![0x03, 1, 2, 3], (1, 4), 100, false),
        (&jv, vec![0x32, 1, 2, 3, 0xFF], (4, 1), 0, false),
        (&jv, vec![0x9F], (1, 4), 3, false),
    ];
    for (part, out, lanes, reads, passes) in table {
        let (guard, _) = super::guard(Purpose::Read, Some(part));
        let wanted = passes.then_some(Class::Observe);
        let judged = on_lanes(&guard, &out, lanes, reads);
        assert_eq!(judged, wanted, "{}: {out:02X?} on {lanes:?}", part.name);
        let (none, _) = super::guard(Purpose::Read, None);
        assert_eq!(on_lanes(&none, &out, lanes, reads), None, "{out:02X?}");
    }
    // An exchange goes on one lane, whatever the frame is on.
    let (guard, _) = super::guard(Purpose::Read, Some(&jv));
    let (mut dummy, mut into) = ([0xFF], [0; 8]);
    let (head, behind) = (
        Segment::Out(&[0x6B, 1, 2, 3]),
        Segment::Exchange(&mut dummy),
    );
    let frame = Frame::new(vec![head, behind, Segment::In(&mut into)]);
    guard
        .judge(&frame.on(Lanes { out: 1, into: 4 }))
        .unwrap_err();
    // The opcode goes on one lane, so where the address does not it is by itself.
    let mut into = [0; 8];
    let out = ones(&[0xEB, 1, 2, 3], 3);
    let frame = Frame::new(vec![Segment::Out(&out), Segment::In(&mut into)]);
    guard
        .judge(&frame.on(Lanes { out: 4, into: 4 }))
        .unwrap_err();
}

/// What SFDP, or a file, may name as a read on several lanes is one only if the standard lists it so.
#[test]
fn no_part_makes_another_opcode_a_read_on_several_lanes() {
    let mut part = part("W25Q128JV");
    for code in 0..=0xFF_u8 {
        for lanes in [(1, 2), (1, 4), (2, 2), (4, 4), (4, 1), (2, 1)] {
            let (out, into) = lanes;
            part.lane_reads = vec![LaneRead {
                opcode: code,
                lanes: Lanes { out, into },
                dummy_bytes: 1,
            }];
            let (mut guard, _) = super::guard(Purpose::Write, Some(&part));
            guard.arm(Scope::Array);
            let known = [
                (0x6B, (1, 4)),
                (0xEB, (4, 4)),
                (0x3B, (1, 2)),
                (0xBB, (2, 2)),
            ];
            let wanted = known.contains(&(code, lanes)).then_some(Class::Observe);
            let judged = on_lanes(&guard, &[code, 0, 0, 0, 0xFF], lanes, 9);
            assert_eq!(judged, wanted, "{code:02X}h on {lanes:?}");
            // Nor are bytes out.
            let modified = on_lanes(&guard, &[code, 0, 0, 0, 0xFF], lanes, 0);
            assert_eq!(modified, None, "{code:02X}h on {lanes:?}");
        }
    }
}

/// One transfer a frame goes on one lane: the link then offers no other, and takes none.
#[test]
fn frames_of_one_transfer_go_on_one_lane() {
    let jv = with_lane_reads("W25Q128JV", &OF_WINBOND);
    let (mut guard, wire) = super::guard(Purpose::Read, Some(&jv));
    assert_eq!(guard.limits().lanes, Lanes { out: 4, into: 4 });
    guard.single_transfers(true);
    assert_eq!(guard.limits().lanes, Lanes::ONE);
    let mut into = [0; 8];
    let out = [0x6B, 0, 0, 0, 0xFF];
    let frame = Frame::new(vec![Segment::Out(&out), Segment::In(&mut into)]);
    let mut batch = [frame.on(Lanes { out: 1, into: 4 })];
    let refused = guard.transfer(&mut batch, Hertz::mhz(1));
    assert!(matches!(refused, Err(LinkError::Guard(_))), "{refused:?}");
    assert!(wire.lock().unwrap().is_empty());
    guard.single_transfers(false);
    guard.transfer(&mut batch, Hertz::mhz(1)).unwrap();
}

/// A frame of these segments on four lanes out.
fn programs(guard: &Guard, segments: &[&[u8]], lanes: Lanes) -> Option<Class> {
    let segments = segments.iter().map(|bytes| Segment::Out(bytes)).collect();
    guard.judge(&Frame::new(segments).on(lanes)).ok()
}

/// 32h and 34h have their address on one lane, 38h and 3Eh on four (W25Q256JV Rev. I, 8.1.2; JESD216F, 4-byte table;
/// 38h from memory). Each passes on a part that has it, in that form and within a page, to an armed chip alone.
#[test]
fn programs_on_four_lanes_pass_in_their_very_form() {
    let with = |name: &str, codes: &[u8]| Part {
        lane_programs: codes.to_vec(),
        ..part(name)
    };
    let jv = with("W25Q128JV", &[0x32]);
    let mx = with("MX25L12835F", &[0x38]);
    let large = with("W25Q256JV", &[0x32, 0x34, 0x3E]);
    let mut always = with("W25Q256JV", &[0x32]);
    always.addressing.three_byte = false;
    let mut bytes = jv.clone();
    bytes.program = ProgramMethod::Byte;
    let plain = with("W25Q128JV", &[]);
    let (page, more) = ([0_u8; 256], [0_u8; 257]);
    let four = LaneProgram::LANES;
    let one = Lanes::ONE;
    let all = Lanes { out: 4, into: 4 };
    let two = Lanes { out: 2, into: 1 };
    type Row<'a> = (&'a Part, &'a [&'a [u8]], Lanes, bool);
    let table: [Row<'_>; 30] = [
        (&jv, &[&[0x32, 1, 2, 0], &page], four, true),
        (&jv, &[&[0x32, 1, 2, 0xFF], &page[..1]], four, true),
        (&jv, &[&[0x32, 1, 2, 3], &page[..4], &page[..4]], four, true),
        (&mx, &[&[0x38], &[1, 2, 0], &page], four, true),
        (&mx, &[&[0x38], &[1, 2, 0, 9]], four, true),
        (&large, &[&[0x34, 1, 2, 3, 0], &page], four, true),
        (&large, &[&[0x3E], &[1, 2, 3, 0], &page], four, true),
        (&large, &[&[0x32, 1, 2, 0], &page], four, true),
        (&always, &[&[0x32, 1, 2, 3, 0], &page], four, true),
        // Beyond the page, or nothing at all.
        (&jv, &[&[0x32, 1, 2, 0], &more], four, false),
        (&jv, &[&[0x32, 1, 2, 1], &page], four, false),
        (&jv, &[&[0x32, 1, 2, 0xFF], &page[..2]], four, false),
        (&jv, &[&[0x32, 1, 2, 3]], four, false),
        (&jv, &[&[0x32]], four, false),
        (&large, &[&[0x34, 1, 2, 3, 1], &page], four, false),
        // The address on other lanes, or of another length.
        (&jv, &[&[0x32], &[1, 2, 0], &page], four, false),
        (&jv, &[&[0x32, 1, 2, 0, 0], &page[..9]], four, false),
        (&jv, &[&[0x32, 1, 2], &page[..9]], four, false),
        (&mx, &[&[0x38, 1, 2, 0], &page], four, false),
        (&large, &[&[0x34, 1, 2, 0], &page], four, false),
        (&always, &[&[0x32, 1, 2, 0], &page], four, false),
        // All of it on other lanes.
        (&jv, &[&[0x32, 1, 2, 0], &page], one, false),
        (&jv, &[&[0x32, 1, 2, 0], &page], two, false),
        (&jv, &[&[0x32, 1, 2, 0], &page], all, false),
        (&jv, &[&[0x02, 1, 2, 0], &page], four, false),
        // A part that has it not, or takes bytes.
        (&plain, &[&[0x32, 1, 2, 0], &page], four, false),
        (&jv, &[&[0x38], &[1, 2, 0], &page], four, false),
        (&jv, &[&[0x34, 1, 2, 3, 0], &page], four, false),
        (&mx, &[&[0x3E], &[1, 2, 3, 0], &page], four, false),
        (&bytes, &[&[0x32, 1, 2, 0], &page[..1]], four, false),
    ];
    for (part, segments, lanes, passes) in table {
        let what = format!("{}: {segments:02X?} on {lanes}", part.name);
        let (mut guard, _) = super::guard(Purpose::Write, Some(part));
        let unarmed = programs(&guard, segments, lanes);
        assert_eq!(unarmed, None, "{what}");
        guard.arm(Scope::Protection);
        assert_eq!(programs(&guard, segments, lanes), None, "{what}");
        guard.arm(Scope::Array);
        let judged = programs(&guard, segments, lanes);
        assert_eq!(judged, passes.then_some(Class::Modify), "{what}");
        let (mut reading, _) = super::guard(Purpose::Read, Some(part));
        reading.arm(Scope::Array);
        assert_eq!(programs(&reading, segments, lanes), None, "{what}");
        let (mut none, _) = super::guard(Purpose::Write, None);
        none.arm(Scope::Array);
        assert_eq!(programs(&none, segments, lanes), None, "{what}");
    }
    // Nothing comes in, and an exchange goes on one lane.
    let (mut guard, _) = super::guard(Purpose::Write, Some(&jv));
    guard.arm(Scope::Array);
    let (mut into, mut both) = ([0; 4], [0; 4]);
    for last in [Segment::In(&mut into), Segment::Exchange(&mut both)] {
        let head = Segment::Out(&[0x32, 1, 2, 0]);
        let frame = Frame::new(vec![head, Segment::Out(&page[..8]), last]);
        guard.judge(&frame.on(four)).unwrap_err();
    }
}

/// A part may claim any opcode; only those four are ever programs on four lanes.
#[test]
fn no_part_makes_another_opcode_a_program_on_four_lanes() {
    let mut part = part("W25Q256JV");
    part.lane_programs = (0..=0xFF).collect();
    part.lane_reads.clear();
    let (mut guard, _) = super::guard(Purpose::Write, Some(&part));
    guard.arm(Scope::Array);
    for code in 0..=0xFF_u8 {
        let heads: [&[&[u8]]; 4] = [
            &[&[code, 1, 2, 0], &[0; 8]],
            &[&[code, 1, 2, 3, 0], &[0; 8]],
            &[&[code], &[1, 2, 0], &[0; 8]],
            &[&[code], &[1, 2, 3, 0], &[0; 8]],
        ];
        let passed: Vec<bool> = heads
            .iter()
            .map(|head| programs(&guard, head, LaneProgram::LANES).is_some())
            .collect();
        // 1-4-4 with three address bytes and data is the same frame as with four and a byte less.
        let wanted = match code {
            0x32 => [true, false, false, false],
            0x34 => [false, true, false, false],
            0x38 | 0x3E => [false, false, true, true],
            _ => [false; 4],
        };
        assert_eq!(passed, wanted, "{code:02X}h");
    }
}

/// Where a mode changes how many address bytes there are, and need not show, a chip in it takes the first byte
/// behind three for the fourth: the mode bits that follow then have to be driven too.
#[test]
fn no_mode_bits_are_left_undriven_in_a_mode_that_does_not_show() {
    let reads = [(0xBB, [1, 2, 2], 4), (0xEB, [1, 4, 4], 2 + 4)];
    let mut small = with_lane_reads("W25Q128JV", &reads);
    let ones = |code: u8, count: usize| [&[code, 1, 2, 3][..], &vec![0xFF; count]].concat();
    let passes = |part: &Part| {
        let (guard, _) = super::guard(Purpose::Read, Some(part));
        let dual = on_lanes(&guard, &ones(0xBB, 1), (2, 2), 9);
        let quad = on_lanes(&guard, &ones(0xEB, 3), (4, 4), 9);
        [dual.is_some(), quad.is_some()]
    };
    assert_eq!(passes(&small), [true, true]);
    let mode = FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable: false,
    };
    for way in [mode, FourByte::BankRegister { extadd: true }] {
        small.addressing.four_byte = vec![way];
        assert_eq!(passes(&small), [false, true]);
    }
    small.addressing.four_byte = vec![FourByte::ExtendedRegister];
    assert_eq!(passes(&small), [true, true]);
}
