//! Frames and batches drawn at random: none that could write passes a guard that only reads.

use super::*;

/// A link that takes everything and answers zeros.
struct Sink;

impl Link for Sink {
    fn name(&self) -> &str {
        "sink"
    }
    fn level(&self) -> Option<Millivolts> {
        None
    }
    fn limits(&self) -> Limits {
        Limits {
            batch_out_bytes: 4096,
            batch_in_bytes: 4096,
            segment_align_bytes: 1,
            batch_segments: 511,
            sck_max: Hertz::mhz(50),
            sck_min: Hertz(1),
            lanes: Lanes { out: 4, into: 4 },
        }
    }
    fn transfer(&mut self, batch: &mut [Frame<'_>], _sck: Hertz) -> Result<(), LinkError> {
        for frame in batch {
            for segment in &mut frame.segments {
                if let Segment::In(bytes) | Segment::Exchange(bytes) = segment {
                    bytes.fill(0);
                }
            }
        }
        Ok(())
    }
    fn now(&self) -> Duration {
        Duration::ZERO
    }
    fn wait(&mut self, _time: Duration) {}
}

/// One segment: 0 out, 1 in, 2 both.
type Piece = (u8, Vec<u8>);

fn frame(pieces: &mut [Piece]) -> Frame<'_> {
    let segments = pieces.iter_mut().map(|(kind, bytes)| match kind {
        0 => Segment::Out(bytes),
        1 => Segment::In(bytes),
        _ => Segment::Exchange(bytes),
    });
    Frame::new(segments.collect())
}

/// Frames whose first byte is often a modifying or session opcode.
fn pieces() -> impl Strategy<Value = Vec<Piece>> {
    let opcode = prop_oneof![
        3 => prop::sample::select(MODIFYING.to_vec()),
        2 => prop::sample::select(vec![0x06, 0x04, 0x05, 0x9F, 0xAB, 0xFF, 0xB7, 0xE9, 0xC5, 0x17, 0x03, 0x0B, 0x4B, 0x5A, 0x13, 0x0C]),
        1 => any::<u8>(),
    ];
    let rest = prop::collection::vec((0..3_u8, prop::collection::vec(any::<u8>(), 0..8)), 0..3);
    let kind = prop_oneof![4 => Just(0_u8), 1 => Just(2_u8)];
    let tail = prop::collection::vec(any::<u8>(), 0..6);
    (kind, opcode, tail, rest).prop_map(|(kind, opcode, tail, rest)| {
        let mut first = vec![opcode];
        first.extend(tail);
        let mut all = vec![(kind, first)];
        all.extend(rest);
        all
    })
}

/// A bare opcode, or one with what a reading job sends.
fn usual_pieces() -> impl Strategy<Value = Vec<Piece>> {
    let bare = |code: u8| vec![(0, vec![code])];
    let asks = |code: u8| vec![(0, vec![code]), (1, vec![0])];
    prop::sample::select(vec![
        bare(0x06),
        bare(0x06),
        bare(0xB7),
        bare(0xE9),
        bare(0x04),
        bare(0x04),
        asks(0x05),
        asks(0x05),
        vec![(0, vec![0xC5, 1])],
        vec![(0, vec![0x17, 0x80])],
        vec![(0, vec![0x02, 0, 0, 0, 1])],
    ])
}

/// A part of the table, with opcodes in it that a wicked SFDP or parts file could have put there.
fn spoilt(catalogue: &Catalogue, which: usize, codes: &[u8], spoil: bool) -> Part {
    let parts = catalogue.parts();
    let mut part = parts[which % parts.len()].clone();
    if spoil {
        for (kind, code) in part.erase_types.iter_mut().zip(codes) {
            kind.opcode = *code;
            kind.opcode_4byte = Some(*code);
        }
        let [enter, exit, ..] = *codes else {
            return part;
        };
        // Each code as a read on every number of lanes.
        let lanes = [(1, 2), (1, 4), (2, 2), (4, 4), (4, 1)];
        part.lane_reads = codes
            .iter()
            .flat_map(|code| lanes.map(|(out, into)| (*code, Lanes { out, into })))
            .map(|(opcode, lanes)| LaneRead {
                opcode,
                lanes,
                dummy_bytes: dummy_bytes(opcode, which),
            })
            .collect();
        part.lane_programs = codes.to_vec();
        part.addressing.four_byte = vec![
            FourByte::Dedicated {
                opcodes: codes.to_vec(),
            },
            FourByte::Mode {
                enter,
                exit,
                write_enable: codes.len() % 2 == 0,
            },
            FourByte::ExtendedRegister,
            FourByte::BankRegister {
                extadd: codes.len() % 3 == 0,
            },
        ];
        if let Some(id) = &mut part.unique_id {
            id.opcode = exit;
        }
    }
    part
}

/// One of the lengths that parts have.
fn dummy_bytes(opcode: u8, which: usize) -> usize {
    let row = ON_LANES.iter().find(|row| row.0 == opcode);
    row.map_or(which % 3, |row| row.2[which % row.2.len()])
}

fn codes() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(
        prop_oneof![
            prop::sample::select(MODIFYING.to_vec()),
            any::<u8>(),
            prop::sample::select(ON_LANES.map(|row| row.0).to_vec()),
        ],
        2..8,
    )
}

/// A read of the list, nearly or wholly in its form: its lanes or others, the opcode by itself or not, three or
/// four address bytes, as many more as some part has, and ones in them half of the time.
fn lane_pieces() -> impl Strategy<Value = (Vec<Piece>, (u8, u8))> {
    let row = prop::sample::select(ON_LANES.to_vec());
    let address = prop::collection::vec(any::<u8>(), 3..=4);
    let other = prop_oneof![4 => Just(None), 1 => lanes().prop_map(Some)];
    let kind = prop_oneof![8 => Just(0_u8), 1 => Just(2_u8)];
    let behind = (
        any::<prop::sample::Index>(),
        any::<[u8; 5]>(),
        any::<bool>(),
    );
    let reads = prop::collection::vec(any::<u8>(), 0..4);
    (row, address, behind, other, (kind, any::<bool>(), reads)).prop_map(
        |(row, address, (count, noise, ones), other, (kind, split, reads))| {
            let (code, lanes, dummies, _) = row;
            let behind = &noise[..dummies[count.index(dummies.len())]];
            let mut rest = address;
            rest.extend(behind.iter().map(|byte| if ones { 0xFF } else { *byte }));
            let mut pieces = match split {
                true => vec![(0, vec![code]), (kind, rest)],
                false => vec![(kind, [vec![code], rest].concat())],
            };
            pieces.push((1, reads));
            (pieces, other.unwrap_or((lanes[0], lanes[1])))
        },
    )
}

fn lanes() -> impl Strategy<Value = (u8, u8)> {
    prop::sample::select(vec![(1, 1), (1, 1), (1, 2), (1, 4), (2, 2), (4, 4), (4, 1)])
}

/// The frame as the trace would have it.
fn as_sent(pieces: &[Piece], (out, into): (u8, u8)) -> Sent {
    let bytes = |wanted: fn(u8) -> bool| {
        let pieces = pieces.iter().filter(move |(kind, _)| wanted(*kind));
        pieces.flat_map(|(_, bytes)| bytes.iter().copied())
    };
    Sent {
        at: Duration::ZERO,
        sck: Hertz::mhz(1),
        out: bytes(|kind| kind != 1).collect(),
        read: Vec::new(),
        read_bytes: bytes(|kind| kind == 1).count(),
        settle: Duration::ZERO,
        lanes: Lanes { out, into },
        on_one: pieces.first().map_or(0, |(_, bytes)| bytes.len()),
        failed: false,
    }
}

/// On several lanes nothing passes but reads of the list, in the whole of their form; and some do.
#[test]
fn a_reading_guard_never_passes_a_modifying_frame() {
    let catalogue = Catalogue::builtin().unwrap();
    let passed = std::cell::Cell::new(0);
    let config = ProptestConfig {
        cases: 8000,
        failure_persistence: None,
        ..ProptestConfig::default()
    };
    let frames = prop_oneof![(pieces(), lanes()), lane_pieces()];
    let known = (any::<usize>(), codes(), 0..8_u8, 0..8_u8);
    let ran = TestRunner::new(config).run(
        &(frames, known),
        |((mut pieces, lanes), (which, codes, spoil, identified))| {
            let mut guard = Guard::new(Box::new(Sink), Purpose::Read);
            if identified > 0 {
                guard.identified(&spoilt(&catalogue, which, &codes, spoil > 1));
            }
            let (out, into) = lanes;
            let judged = guard.judge(&frame(&mut pieces).on(Lanes { out, into }));
            let passes = judged.is_ok();
            let sent = as_sent(&pieces, lanes);
            if let Some(code) = sent.out.first() {
                let modifies = MODIFYING.contains(code) || *code == 0x06;
                prop_assert!(!(passes && modifies), "{pieces:02X?}");
            }
            if passes {
                prop_assert!(lanes_are_right(&sent), "{pieces:02X?} on {lanes:?}");
            }
            if passes && lanes != (1, 1) {
                let kinds: Vec<u8> = pieces
                    .iter()
                    .filter(|(_, bytes)| !bytes.is_empty())
                    .map(|(kind, _)| *kind)
                    .collect();
                prop_assert!(kinds.is_sorted() && !kinds.contains(&2), "{pieces:02X?}");
                prop_assert!(out == 1 || pieces[0].1.len() == 1, "{pieces:02X?}");
                passed.set(passed.get() + 1);
            }
            Ok(())
        },
    );
    ran.unwrap();
    println!("{} frames on several lanes passed", passed.get());
    assert!(passed.get() > 20, "{} frames passed", passed.get());
}

/// What a change of address mode is made of, and now and then something else in one place.
fn enabled_batch() -> impl Strategy<Value = Vec<Vec<Piece>>> {
    let other = (0..12_usize, usual_pieces());
    let mode = prop::sample::select(vec![0xB7, 0xE9, 0xC5, 0x17]);
    (mode, other).prop_map(|(mode, (place, other))| {
        let value = if mode < 0xB0 || mode == 0xC5 {
            vec![mode, 1]
        } else {
            vec![mode]
        };
        let mut batch = vec![
            vec![(0, vec![0x06])],
            vec![(0, value)],
            vec![(0, vec![0x04])],
            vec![(0, vec![0x05]), (1, vec![0])],
        ];
        if let Some(frame) = batch.get_mut(place) {
            *frame = other;
        }
        batch
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 5000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_reading_guard_lets_no_batch_through_that_writes(
        mut batch in prop_oneof![
            2 => prop::collection::vec(prop_oneof![3 => usual_pieces(), 1 => pieces()], 1..6),
            1 => enabled_batch(),
        ],
        on in prop::collection::vec(prop_oneof![6 => Just((1, 1)), 1 => lanes()], 6),
        which in any::<usize>(), codes in codes(), spoil: bool, write: bool,
    ) {
        thread_local!(static TABLE: Catalogue = Catalogue::builtin().unwrap());
        let seen = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
        let tell = std::sync::Arc::clone(&seen);
        let link = Trace::new(Sink, move |sent| tell.lock().unwrap().push(sent));
        // Also behind a guard for writing, as long as the chip is not armed.
        let purpose = if write { Purpose::Write } else { Purpose::Read };
        let mut guard = Guard::new(Box::new(link), purpose);
        guard.identified(&TABLE.with(|table| spoilt(table, which, &codes, spoil)));
        let frames = batch.iter_mut().zip(on);
        let frames = frames.map(|(pieces, (out, into))| frame(pieces).on(Lanes { out, into }));
        let mut frames: Vec<Frame<'_>> = frames.collect();
        let _ = guard.transfer(&mut frames, Hertz::mhz(1));
        let judged = only_reads(&seen.lock().unwrap());
        prop_assert!(judged.is_ok(), "{judged:?}");
    }
}
