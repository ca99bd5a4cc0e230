//! Reads on several lanes: what is chosen, what decides it, and that a line which is not there never makes
//! an image untrue.

use norlock::jedec::{Hertz, Lanes};
use norlock::job::{self, BackupReport, Bench, Nobody, Stop, Way};
use norlock::link::{Link, LinkError, Sent};
use norlock::mock::{Fault, Faults, Flips};

use norlock::unit::store::Store;

use crate::altered::Altered;
use crate::reading::{every_reading_command, of};
use crate::station::{Station, code};

/// Reads on several lanes: first byte, the lanes of what follows it out and in, how many bytes of mode and
/// dummy clocks parts have by default, and whether the address has four bytes always (W25Q256JV Rev. I,
/// 8.1.2 and 8.2; N25Q256A Rev. W; S25FL064L). Nothing else may be on several lanes.
pub type OnLanes = (u8, [u8; 2], &'static [usize], bool);
pub const ON_LANES: [OnLanes; 8] = [
    (0x3B, [1, 2], &[1], false),
    (0xBB, [2, 2], &[1, 2, 3], false),
    (0x6B, [1, 4], &[1], false),
    (0xEB, [4, 4], &[3, 5], false),
    (0x3C, [1, 2], &[1], true),
    (0xBC, [2, 2], &[1, 2, 3], true),
    (0x6C, [1, 4], &[1], true),
    (0xEC, [4, 4], &[3, 5], true),
];

/// Whether a frame on several lanes is one of those, with nothing but ones in its mode and dummy clocks; and
/// one on a single lane is none of them.
pub fn lanes_are_right(sent: &Sent) -> bool {
    let row = ON_LANES.iter().find(|row| row.0 == sent.out[0]);
    match (row, sent.lanes == Lanes::ONE) {
        (None, one) => one,
        (Some(_), true) => false,
        (Some((_, lanes, dummies, four)), false) => {
            let behind = |address: &usize| {
                let rest = sent.out.get(1 + address..).unwrap_or_default();
                dummies.contains(&rest.len()) && rest.iter().all(|byte| *byte == 0xFF)
            };
            let addresses = if *four { &[4][..] } else { &[3, 4] };
            // Where the chip takes three address bytes, mode bits on several lanes come right behind them.
            let modes = sent.out.get(4..).unwrap_or_default();
            let ends = *four || lanes[0] == 1 || modes.iter().all(|byte| *byte == 0xFF);
            ends && [sent.lanes.out, sent.lanes.into] == *lanes
                && sent.read_bytes > 0
                && addresses.iter().any(behind)
        }
    }
}

const JV: (&str, &str) = ("W25Q80DV", "W25Q80DVSIG");

/// A station on so many lanes, with QE set (35h, bit 1; W25Q80DV Rev. H, 7.1) or not.
fn station((name, marking): (&str, &str), lanes: u8, quad: bool, faults: &[Fault]) -> Station {
    let station = Station {
        marking: Some(marking.into()),
        ..Station::with_part(name, 3)
    };
    let mut limits = station.mock.link().limits();
    limits.lanes = Lanes {
        out: lanes,
        into: lanes,
    };
    station.mock.set_limits(limits);
    set(&station, quad, faults);
    station
}

fn set(station: &Station, quad: bool, faults: &[Fault]) {
    let quad = quad.then_some(Fault::RegisterBits {
        register: 0x35,
        bits: 0x02,
    });
    let all = quad.iter().chain(faults).cloned();
    station
        .mock
        .set_faults(all.fold(Faults::seeded(1), Faults::with));
}

/// A backup that is kept, and equals the truth.
fn backup(station: &Station) -> BackupReport {
    let report = station.backup().unwrap();
    assert!(station.image(&report.file) == station.cells());
    assert_eq!(station.mock.modifying_operations(), 0);
    report
}

/// Opcodes of the frames on several lanes.
fn on_lanes(station: &Station) -> Vec<u8> {
    let trace = station.trace.lock().unwrap();
    let several = trace.iter().filter(|sent| sent.lanes != Lanes::ONE);
    let mut codes: Vec<u8> = several.map(|sent| sent.out[0]).collect();
    codes.sort_unstable();
    codes.dedup();
    codes
}

/// What a stop says that it means.
fn means(stop: &Stop) -> &str {
    let mut rows = stop.evidence.iter();
    let row = rows.find(|(label, _)| label == "means");
    row.map_or("", |(_, text)| text)
}

/// What was chosen for the second read, and the words for it.
fn chosen(report: &BackupReport) -> (u8, u8, u8, &str) {
    let reads = &report.reads;
    let lanes = reads.lanes.as_deref().unwrap_or_default();
    (
        reads.first.lanes,
        reads.second.opcode,
        reads.second.lanes,
        lanes,
    )
}

#[test]
fn one_of_the_two_reads_goes_on_all_lanes_that_read_right() {
    let plain = backup(&station(JV, 1, true, &[]));
    assert_eq!(chosen(&plain), (1, 0x0B, 1, ""));
    let quad = station(JV, 4, true, &[]);
    let report = backup(&quad);
    let told = "4: 6Bh reads what 03h does in 65536 bytes";
    assert_eq!(chosen(&report), (1, 0x6B, 4, told));
    assert_eq!(on_lanes(&quad), [0x6B]);
    assert_eq!(
        report.reads.words(),
        format!("03h 20 MHz upwards, 6Bh on 4 lanes 12 MHz downwards; lanes {told}")
    );
    let dual = station(JV, 2, true, &[]);
    assert_eq!(chosen(&backup(&dual)).1, 0x3B);
    assert_eq!(on_lanes(&dual), [0x3B]);
    // Modelled on the link's clock: 1 + 5/3 against 1 + 5/12, plus what each message costs.
    let ratio = plain.reads.time().as_secs_f64() / report.reads.time().as_secs_f64();
    println!("two reads of 1 MiB, one of them on four lanes: {ratio:.2} times as fast");
    assert!(ratio > 1.6 && ratio < 1.89, "{ratio}");
    assert!(report.reads.time() >= report.reads.floor());
}

/// Quad needs QE, which is read and never written: without it two lanes are used, and said.
#[test]
fn without_qe_two_lanes_are_used() {
    let off = station(JV, 4, false, &[]);
    let report = backup(&off);
    let told = "2: 3Bh reads what 03h does in 65536 bytes; QE is 0 and is left so";
    assert_eq!(chosen(&report), (1, 0x3B, 2, told));
    assert_eq!(on_lanes(&off), [0x3B]);
}

/// N25Q032A has no QE; IS25LQ512B has it in status register 1, and of these reads EBh alone; AT25DF041A has
/// none of them.
#[test]
fn each_part_reads_in_its_own_form() {
    for (name, marking, status_1, codes) in [
        ("N25Q032A13", "N25Q032A13ESE40F", 0, &[0x6B][..]),
        ("IS25LQ512B", "IS25LQ512B", 0x40, &[0xEB]),
        ("IS25LQ512B", "IS25LQ512B", 0, &[]),
        ("AT25DF041A", "AT25DF041A", 0, &[]),
    ] {
        let mut station = station((name, marking), 4, false, &[]);
        station.supply_read();
        if status_1 != 0 {
            set(&station, false, &[Fault::Protected { status_1 }]);
        }
        let report = backup(&station);
        assert_eq!(
            on_lanes(&station),
            codes,
            "{name}: {:?}",
            report.reads.lanes
        );
    }
}

/// IO2, IO3 not wired; MOSI that carries one way; four lanes that are too fast: each falls back to what reads
/// right, says why, and the backup is true.
#[test]
fn a_difference_falls_back_to_fewer_lanes() {
    let slow = |opcode| {
        Fault::Flips(Flips {
            rate: 0.001,
            above_sck: Some(Hertz::mhz(1)),
            opcode: Some(opcode),
            ..Flips::default()
        })
    };
    let lane = |line| Fault::Lane { line };
    for (faults, code, lanes) in [
        (vec![lane(3)], 0x3B, 2),
        (vec![lane(2)], 0x3B, 2),
        (vec![lane(0)], 0x0B, 1),
        (vec![slow(0x6B)], 0x3B, 2),
        (vec![slow(0x6B), slow(0x3B)], 0x0B, 1),
    ] {
        let station = station(JV, 4, true, &faults);
        let report = backup(&station);
        let (_, opcode, second, told) = chosen(&report);
        assert_eq!((opcode, second), (code, lanes), "{faults:?}");
        assert!(told.contains("6Bh differs from 03h in "), "{told}");
        assert_eq!(lanes == 1, told.starts_with("one: "), "{told}");
    }
}

/// A line that is lost once it was proven: the reads differ, and nothing is kept.
#[test]
fn a_line_that_is_lost_after_it_was_proven_is_noticed() {
    let station = station(JV, 4, true, &[]);
    backup(&station);
    let trace = std::mem::take(&mut *station.trace.lock().unwrap());
    let first = trace.iter().position(|sent| sent.out[0] == 0x6B).unwrap();
    let proven = trace[first..]
        .iter()
        .take_while(|sent| sent.sck == Hertz::mhz(20));
    let frames = (first + proven.count() + 40) as u64;
    let late = Fault::Flips(Flips {
        bits: 0x88,
        only: Some(norlock::mock::Struck::Zeros),
        opcode: Some(0x6B),
        from_frame: station.mock.counters().frames + frames,
        ..Flips::default()
    });
    set(&station, true, &[late]);
    let stop: Stop = station.backup().unwrap_err();
    assert!(stop.headline.contains("twin-read"), "{stop:?}");
    assert!(means(&stop).contains("--lanes 1"), "{stop:?}");
    let rare = Fault::Flips(Flips {
        rate: 0.0001,
        opcode: Some(0x0B),
        ..Flips::default()
    });
    let stop: Stop = self::station(JV, 1, true, &[rare]).backup().unwrap_err();
    assert!(stop.headline.contains("twin-read"), "{stop:?}");
    assert!(!means(&stop).contains("lanes"), "{stop:?}");
}

/// A driver that takes several lanes as a mode and no message on them: one lane reads as well.
#[test]
fn a_link_that_fails_on_several_lanes_is_used_on_one() {
    let errors: [fn(Hertz) -> LinkError; 2] = [
        |sck| LinkError::Refused {
            sck,
            source: std::io::Error::from_raw_os_error(22),
        },
        |_| LinkError::Io(std::io::Error::from_raw_os_error(110)),
    ];
    for (error, words) in errors.into_iter().zip(["does not take", "failed"]) {
        let station = station(JV, 4, true, &[]);
        let link = Altered::new(station.mock.link(), move |link, batch, sck| {
            match batch.iter().all(|frame| frame.lanes == Lanes::ONE) {
                true => link.transfer(batch, sck),
                false => Err(error(sck)),
            }
        });
        let bench = Bench {
            way: Way::Link(Box::new(link)),
            ..station.bench()
        };
        let report = job::backup(&mut station.unit(), bench, &mut Nobody).unwrap();
        assert!(station.image(&report.file) == station.cells());
        let (_, opcode, lanes, told) = chosen(&report);
        assert_eq!((opcode, lanes), (0x0B, 1), "{told}");
        assert!(
            told.starts_with("one: 6Bh: ") && told.contains(words),
            "{told}"
        );
        assert!(told.contains("; 3Bh: "), "{told}");
    }
}

/// A ready station on four lanes, and where 6Bh goes wrong in its write: from the frame on that `from` finds in
/// the trace of a write that went well.
fn write_that_errs(lanes: u8, from: fn(&[Sent]) -> usize) -> Stop {
    let ready = || {
        let ready = Station::ready(11);
        let mut limits = ready.mock.link().limits();
        limits.lanes = Lanes {
            out: lanes,
            into: lanes,
        };
        ready.mock.set_limits(limits);
        set(&ready, true, &[]);
        ready.trace.lock().unwrap().clear();
        ready
    };
    let well = ready();
    let before = well.mock.counters().frames;
    well.write().unwrap();
    let frame = before + from(&well.trace.lock().unwrap()) as u64;
    let station = ready();
    let flips = |opcode| {
        Fault::Flips(Flips {
            bits: 0x88,
            only: Some(norlock::mock::Struck::Zeros),
            opcode: Some(opcode),
            from_frame: frame,
            ..Flips::default()
        })
    };
    set(
        &station,
        true,
        &[flips(if lanes == 1 { 0x0B } else { 0x6B })],
    );
    station.write().unwrap_err()
}

/// What differs where several lanes were in use may be theirs: one lane is named as a thing to try, and only
/// then.
#[test]
fn one_lane_is_a_thing_to_try_where_several_were_in_use() {
    let names = |stop: &Stop| means(stop).contains("--lanes 1");
    for lanes in [1, 4] {
        let read_back = write_that_errs(lanes, |trace| {
            let first = trace.iter().position(|sent| sent.out[0] == 0x02);
            first.unwrap() + 1
        });
        assert!(
            read_back.headline.contains("does not read back"),
            "{read_back:?}"
        );
        assert_eq!(names(&read_back), lanes > 1, "{read_back:?}");
        let whole = write_that_errs(lanes, |trace| {
            let reads = [0x6B, 0x0B];
            let last = trace.iter().rposition(|sent| sent.out[0] == 0x02).unwrap();
            let after = trace[last..].iter();
            let mut long = after
                .enumerate()
                .filter(|(_, sent)| reads.contains(&sent.out[0]));
            last + long.nth(40).unwrap().0
        });
        assert!(
            whole.headline.contains("differs from the image"),
            "{whole:?}"
        );
        assert_eq!(names(&whole), lanes > 1, "{whole:?}");
    }
}

/// Where all that is compared is blank, nothing tells whether the lanes are there.
#[test]
fn blank_places_prove_no_lane() {
    for faults in [vec![], vec![Fault::Lane { line: 3 }]] {
        let station = station(JV, 4, true, &faults);
        let mut cells = vec![0xFF; 1 << 20];
        // Behind the first place that is compared, and before the second.
        cells[0x8000..0xF000].copy_from_slice(&code(9, 0x7000));
        station.mock.set_truth(0, &cells).unwrap();
        let report = backup(&station);
        let told = "one: too little content to compare 6Bh with 03h; too little content to compare 3Bh with 03h";
        assert_eq!(chosen(&report), (1, 0x0B, 1, told));
        assert!(on_lanes(&station).is_empty());
    }
}

/// A write reads back and reads the whole chip at the end with what its reads before have proven; `verify`
/// proves it anew.
#[test]
fn what_is_proven_is_used_to_the_end_of_a_write() {
    let ready = Station::ready(11);
    let mut limits = ready.mock.link().limits();
    limits.lanes = Lanes { out: 4, into: 4 };
    ready.mock.set_limits(limits);
    set(&ready, true, &[]);
    ready.trace.lock().unwrap().clear();
    let report = ready.write().unwrap();
    assert!(report.changed > 0);
    assert!(ready.cells() == ready.image("target.bin"));
    let trace = std::mem::take(&mut *ready.trace.lock().unwrap());
    let last_program = trace.iter().rposition(|sent| sent.out[0] == 0x02).unwrap();
    let after = trace[last_program..].iter();
    let long = after.filter(|sent| sent.read_bytes > 1024);
    assert!(long.clone().count() > 100 && long.clone().all(|sent| sent.out[0] == 0x6B));
    assert!(trace[..last_program].iter().any(|sent| sent.out[0] == 0x6B));
    ready
        .files
        .replace("/bench/image.bin".as_ref(), &ready.cells())
        .unwrap();
    let image = ready.files.open("/bench/image.bin".as_ref()).unwrap();
    let order = job::VerifyOrder::whole(image.as_ref(), 3);
    let verified = job::verify(&order, None, ready.bench(), &mut Nobody).unwrap();
    assert!(
        verified.is_equal()
            && verified
                .lanes
                .is_some_and(|told| told.starts_with("4: 6Bh"))
    );
}

/// With QE set the quad reads are sent as well, and it stays as it was found.
#[test]
fn reads_on_four_lanes_only_read() {
    let quad = Fault::RegisterBits {
        register: 0x35,
        bits: 0x02,
    };
    for name in ["W25Q80DV", "W25Q256JV"] {
        let station = of(name);
        station.mock.set_faults(Faults::none().with(quad.clone()));
        every_reading_command(&station, name);
        let trace = station.trace.lock().unwrap();
        let wanted = if name == "W25Q80DV" { 0x6B } else { 0x6C };
        assert!(trace.iter().any(|sent| sent.out[0] == wanted), "{name}");
    }
}

#[test]
fn the_judge_of_lanes_can_say_no() {
    let right = |out: &[u8], [first, second]: [u8; 2], read_bytes| {
        lanes_are_right(&Sent {
            at: std::time::Duration::ZERO,
            sck: Hertz::mhz(1),
            out: out.to_vec(),
            read: Vec::new(),
            read_bytes,
            settle: std::time::Duration::ZERO,
            lanes: Lanes {
                out: first,
                into: second,
            },
            on_one: 1,
            failed: false,
        })
    };
    let quad_io = [0xEC, 1, 2, 3, 4, 0xFF, 0xFF, 0xFF];
    assert!(right(&[0x6B, 1, 2, 3, 0xFF], [1, 4], 9) && right(&quad_io, [4, 4], 9));
    for (out, lanes, read_bytes) in [
        (&[0x6B, 1, 2, 3, 0xFF][..], [1, 1], 9),
        (&[0x6B, 1, 2, 3, 0xFF], [4, 4], 9),
        (&[0x6B, 1, 2, 3, 0xFF], [1, 4], 0),
        (&[0xEB, 1, 2, 3, 0xA0, 0xFF, 0xFF], [4, 4], 9),
        (&[0xEB, 1, 2, 3, 0xA0, 0xFF, 0xFF, 0xFF], [4, 4], 9),
        (&[0xBB, 1, 2, 3, 0xA0, 0xFF], [2, 2], 9),
        (&[0x03, 1, 2, 3], [1, 4], 9),
    ] {
        assert!(!right(out, lanes, read_bytes), "{out:02X?}");
    }
}

/// What was asked for with `--lanes` is answered where the contact is checked, at the SCK to work at.
#[test]
fn contact_says_how_many_lanes_read() {
    let lanes = |lanes, faults: &[Fault]| {
        let station = station(JV, lanes, true, faults);
        job::contact(None, station.bench(), &mut Nobody)
            .unwrap()
            .lanes
    };
    assert_eq!(lanes(1, &[]), None);
    let told = lanes(4, &[]).unwrap();
    assert!(told.starts_with("4: 6Bh reads what 03h does in "), "{told}");
    assert!(told.ends_with(" bytes, at 20 MHz"), "{told}");
    let told = lanes(4, &[Fault::Lane { line: 2 }]).unwrap();
    assert!(told.contains("6Bh differs from 03h in "), "{told}");
}
