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
    for code in 0..=0xFF_u8 {
        for lanes in [(1, 2), (1, 4), (2, 2), (4, 4), (4, 1), (2, 1)] {
            let (out, into) = lanes;
            let mut part = part("W25Q128JV");
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
