//! Reading never writes, whatever the chip answers.
//!
//! The trace below the guard is judged by a list of its own, kept apart from the guard's.

mod drawn;

use std::time::Duration;

use norlock::interlock::Acceptable;
use norlock::jedec::sfdp::{CommandAddress, ConfigurationMap, DetectionCommand, Region, SectorMap};
use norlock::jedec::{Hertz, LaneRead, Lanes, Millivolts};
use norlock::job::{self, Attendant, Bench, Exit, Nobody, Stop, Task};
use norlock::link::{Frame, Guard, Limits, Link, LinkError, Purpose, Segment, Sent, Trace};
use norlock::mock::{AddressBit, Fault, Faults};
use norlock::part::{Catalogue, FourByte, Part, SupplyRange};
use norlock::unit::Digest;
use norlock::unit::store::Store;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;

use crate::lanes::{ON_LANES, lanes_are_right};
use crate::sector_map::with_map;
use crate::station::{Station, part};

/// First bytes of commands that change array, registers, protection or one-time bits, or that leave
/// plain SPI or power, on parts of any maker: the instruction tables of W25Q128JV Rev. I, W25Q256JV
/// Rev. I, MX25L51245G, IS25LP128F, N25Q256A Rev. W, S25FL256S, S25FL256L, SST25VF016B DS25044A,
/// SST26VF016B, AT25DF321A, GD25Q64C Rev. 3.0. 06h, B7h, E9h, C5h and 17h are judged by their form.
const MODIFYING: [u8; 58] = [
    0x01, 0x02, 0x11, 0x12, 0x20, 0x21, 0x31, 0x32, 0x33, 0x34, 0x36, 0x38, 0x39, 0x3E, 0x42, 0x44,
    0x45, 0x50, 0x51, 0x52, 0x53, 0x5C, 0x60, 0x61, 0x62, 0x66, 0x68, 0x71, 0x77, 0x78, 0x7A, 0x7E,
    0x81, 0x82, 0x83, 0x8D, 0x8E, 0x98, 0x99, 0xA5, 0xA6, 0xAD, 0xAF, 0xB1, 0xB9, 0xC0, 0xC1, 0xC2,
    0xC7, 0xD2, 0xD7, 0xD8, 0xDB, 0xDC, 0xE1, 0xE3, 0xE4, 0xF5,
];

/// Judges a trace: no modifying first byte, 06h only as 06h, mode or address register, 04h, 05h in one
/// batch, and an address register only so.
fn only_reads(trace: &[Sent]) -> Result<(), String> {
    let mut enabled_until = 0;
    for (at, sent) in trace.iter().enumerate() {
        let code = *sent.out.first().ok_or("an empty frame")?;
        if MODIFYING.contains(&code) {
            return Err(format!("frame {at} is {:02X?}", sent.out));
        }
        if !lanes_are_right(sent) {
            let (out, lanes) = (&sent.out, sent.lanes);
            return Err(format!("frame {at} is {out:02X?} on {lanes}"));
        }
        if code == 0x06 {
            let batch = trace.get(at..at + 4).ok_or("06h at the end")?;
            let together = batch.iter().all(|frame| frame.at == sent.at);
            let mode = is_session(&batch[1].out);
            let closed = batch[2].out == [0x04] && batch[3].out == [0x05];
            if !(together && sent.out.len() == 1 && mode && closed && batch[3].read_bytes > 0) {
                return Err(format!(
                    "06h at frame {at} is followed by {:02X?}",
                    batch[1].out
                ));
            }
            enabled_until = at + 4;
        }
        // Elsewhere 3Dh and E2h are other reads, and E8h programs a password: as reads of a lock they have an
        // address and bring a byte in (W25Q128JV Rev. I; N25Q032A Rev. G; MT25QL128ABA Rev. I).
        let lock = match code {
            0x3D | 0xE8 => Some(4),
            0xE2 => Some(5),
            _ => None,
        };
        if lock.is_some_and(|bytes| sent.out.len() != bytes || sent.read_bytes != 1) {
            return Err(format!("frame {at} is {:02X?}", sent.out));
        }
        let register = matches!(code, 0xC5 | 0x17);
        if register && at >= enabled_until {
            return Err(format!("frame {at} is {:02X?}", sent.out));
        }
        // Read any register (S25FS512S): an address, at most a dummy byte, and one byte read.
        if code == 0x65 && !((4..=6).contains(&sent.out.len()) && sent.read_bytes == 1) {
            return Err(format!("frame {at} is {:02X?}", sent.out));
        }
        if matches!(code, 0xB7 | 0xE9) && sent.out.len() != 1 {
            return Err(format!("frame {at} is {:02X?}", sent.out));
        }
    }
    Ok(())
}

fn is_session(out: &[u8]) -> bool {
    matches!(out, [0xB7] | [0xE9] | [0xC5 | 0x17, _])
}

/// Stops a read after 200 000 bytes, so that large parts take no time.
struct Impatient(u64);

impl Attendant for Impatient {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.0 = done;
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.0 > 200_000
    }
}

/// The station's bench, with the supply range as a person reads it in the datasheet.
fn bench(station: &Station) -> Bench {
    let mut bench = station.bench();
    let marking = station.marking.as_deref();
    let marking = marking.and_then(|text| station.catalogue.by_marking(text));
    bench.said.supply = marking.map(|marking| SupplyRange {
        from_memory: false,
        ..marking.supply()
    });
    bench.said.supply = bench.said.supply.or(station.supply);
    bench
}

/// How the reading commands ended; those that the chip is too large for did not run.
pub struct Ends {
    id: Result<job::IdReport, Stop>,
    protection: Result<job::ProtectionReport, Stop>,
    contact: Result<job::ContactReport, Stop>,
    backup: Option<Result<job::BackupReport, Stop>>,
    verify: Option<Result<job::VerifyReport, Stop>>,
    survey: Option<Result<job::SurveyReport, Stop>>,
}

/// Runs every reading command and judges what went over the wire, whatever came of it.
pub fn every_reading_command(station: &Station, what: &str) -> Ends {
    let before = Digest::of(&station.cells());
    let id = job::id(None, bench(station), &mut Nobody);
    let contact = job::contact(None, bench(station), &mut Nobody);
    let _ = job::sfdp(bench(station), &mut Nobody);
    let protection = job::protection(None, bench(station), &mut Nobody);
    let part = id.as_ref().ok().and_then(|report| report.part.as_ref());
    let size_bytes = part.map(|part| part.size_bytes);
    let backup = size_bytes.is_none_or(|size| size <= 1 << 26).then(|| {
        let small = size_bytes.is_some_and(|size| size <= 1 << 20);
        let patience: &mut dyn Attendant = if small {
            &mut Nobody
        } else {
            &mut Impatient(0)
        };
        job::backup(&mut station.unit(), bench(station), patience)
    });
    let verify = size_bytes.is_some_and(|size| size <= 1 << 20).then(|| {
        let path = "/bench/image.bin".as_ref();
        station.files.replace(path, &station.cells()).unwrap();
        let image = station.files.open(path).unwrap();
        job::verify(
            &job::VerifyOrder::whole(image.as_ref(), 2),
            None,
            bench(station),
            &mut Nobody,
        )
    });
    let survey = size_bytes.is_none_or(|size| size <= 1 << 26).then(|| {
        // Large parts are stopped within a pass.
        let patience = &mut Impatient(0);
        job::survey(&mut station.unit(), 6, bench(station), patience)
    });
    judge(station, what);
    let after = Digest::of(&station.cells());
    assert_eq!(before, after, "{what}: the array changed");
    Ends {
        id,
        protection,
        contact,
        backup,
        verify,
        survey,
    }
}

/// On a sound bench the commands do read: one that is refused at once would only read as well.
fn all_succeeded(ends: &Ends, name: &str) {
    assert!(ends.id.is_ok(), "{name}: {:?}", ends.id);
    assert!(ends.protection.is_ok(), "{name}: {:?}", ends.protection);
    let contact = ends.contact.as_ref().unwrap();
    assert!(
        contact.good && contact.chosen == contact.link.2,
        "{name}: {contact:?}"
    );
    match &ends.backup {
        Some(Ok(report)) => assert!(report.reads.differing.is_empty(), "{name}"),
        Some(Err(stop)) => {
            assert_eq!(stop.exit, Exit::Stopped, "{name}: {stop:?}");
            assert!(ends.verify.is_none(), "{name}: {stop:?}");
        }
        None => panic!("{name}: larger than any of these tests"),
    }
    match &ends.survey {
        Some(Err(stop)) => assert_eq!(stop.exit, Exit::Stopped, "{name}: {stop:?}"),
        other => panic!("{name}: {other:?}"),
    }
    if let Some(verify) = &ends.verify {
        let report = verify.as_ref().unwrap();
        assert!(
            report.is_equal() && report.sck.len() == 2,
            "{name}: {report:?}"
        );
    }
}

fn judge(station: &Station, what: &str) {
    let trace = station.trace.lock().unwrap();
    if let Err(why) = only_reads(&trace) {
        panic!("{what}: {why}");
    }
    assert_eq!(station.mock.modifying_operations(), 0, "{what}");
    assert!(!trace.is_empty(), "{what}: nothing was sent at all");
}

/// On a link with four lanes each way, so that all that could be sent on them may be.
pub fn of(name: &str) -> Station {
    let station = Station::with_part(name, 5);
    let mut limits = station.mock.link().limits();
    limits.lanes = Lanes { out: 4, into: 4 };
    station.mock.set_limits(limits);
    let marking = part(&station.catalogue, name).markings[0].clone();
    Station {
        marking: Some(marking),
        ..station
    }
}

/// Parts of each kind: three bytes, opcodes with four, a mode with four without and with write
/// enable, the bank register, byte and word programming, Micron's flag status.
const PARTS: [&str; 12] = [
    "W25Q80DV",
    "W25Q128JV",
    "W25Q256JV",
    "W25Q256FV",
    "EN25QH256",
    "N25Q256A13",
    "MT25QL256ABA",
    "S25FL256S, 64 KiB sectors",
    "SST25VF080B",
    "SST26VF016B",
    "IS25LP128F",
    "AT25DF041A",
];

#[test]
fn parts_of_every_kind_are_only_read() {
    let mut whole = 0;
    for name in PARTS {
        let ends = every_reading_command(&of(name), name);
        all_succeeded(&ends, name);
        whole += usize::from(ends.verify.is_some());
    }
    assert_eq!(whole, 3, "parts that are small enough to be read whole");
}

/// A whole one, with a fault that the chip is asked about in short frames.
#[test]
fn a_survey_only_reads() {
    let mut station = Station::with_part("IS25LQ512B", 5);
    station.unreadable();
    let line = Fault::AddressLine {
        line: 2,
        is: AddressBit::Low,
    };
    station.mock.set_faults(Faults::none().with(line));
    let report = job::survey(&mut station.unit(), 12, station.bench(), &mut Nobody).unwrap();
    assert_eq!(report.verdict(), job::Verdict::Address);
    judge(&station, "survey");
}

#[test]
fn write_enable_before_a_mode_is_undone_at_once() {
    let station = of("N25Q256A13");
    job::id(None, bench(&station), &mut Nobody).unwrap();
    judge(&station, "mode with write enable");
    let trace = station.trace.lock().unwrap();
    let enabled = trace.iter().filter(|sent| sent.out == [0x06]).count();
    assert_eq!(
        enabled, 2,
        "in and out of the mode, or this test tells nothing"
    );
}

#[test]
fn a_chip_is_only_read_in_whatever_state_it_is_found() {
    let faults = [
        Fault::WriteEnabled {},
        Fault::Asleep { deaf: false },
        Fault::Asleep { deaf: true },
        Fault::FourByteMode { at_power_up: false },
        Fault::FourByteMode { at_power_up: true },
        Fault::Busy { ms: 300 },
        Fault::Protected { status_1: 0x1C },
        Fault::StuckBit { bit: 1, high: true },
        Fault::BitSlip { bits: 7 },
        Fault::RealSize {
            size_bytes: 1 << 19,
        },
    ];
    for name in ["W25Q80DV", "W25Q256FV", "N25Q256A13", "SST25VF080B"] {
        for fault in &faults {
            let station = of(name);
            station
                .mock
                .set_faults(Faults::seeded(2).with(fault.clone()));
            let what = format!("{name}, {fault:?}");
            if name == "W25Q80DV" {
                every_reading_command(&station, &what);
            } else {
                let _ = job::id(None, bench(&station), &mut Nobody);
                judge(&station, &what);
            }
        }
    }
}

#[test]
fn write_enable_latch_left_set_is_cleared_before_anything_else() {
    let station = of("W25Q80DV");
    station
        .mock
        .set_faults(Faults::none().with(Fault::WriteEnabled {}));
    let report = job::id(None, bench(&station), &mut Nobody).unwrap();
    assert!(report.wel_was_set);
    let trace = station.trace.lock().unwrap();
    let cleared = trace.iter().position(|sent| sent.out == [0x04]).unwrap();
    let before = &trace[..cleared];
    assert!(
        before.iter().all(|sent| matches!(sent.out[0], 0x05 | 0x9F)),
        "{before:?}"
    );
    let mut status = [0xFF];
    let mut batch = [Frame::new(vec![
        Segment::Out(&[0x05]),
        Segment::In(&mut status),
    ])];
    station
        .mock
        .link()
        .transfer(&mut batch, Hertz::mhz(1))
        .unwrap();
    assert_eq!(status[0] & 2, 0, "WEL is clear afterwards");
}

/// The mock's own SFDP, read from it.
fn sfdp_of(name: &str) -> Vec<u8> {
    let station = of(name);
    job::sfdp(bench(&station), &mut Nobody).unwrap().raw
}

/// SFDP whose opcode fields hold modifying opcodes, with the erase opcodes being reads.
/// Fields: JESD216F section 6.4.4 ff. (DWORDs 3, 4: fast reads; 8, 9: erases; 12, 13: suspend and
/// resume; 14: deep power-down; 16: ways into 4-byte addressing).
fn wicked(mut sfdp: Vec<u8>) -> Vec<Vec<u8>> {
    let at = |dword: usize| 0x30 + (dword - 1) * 4;
    let clean = sfdp.clone();
    for byte in [1, 3] {
        for dword in [3, 4, 6, 7] {
            sfdp[at(dword) + byte] = 0x02;
        }
        sfdp[at(8) + byte] = 0x03;
        sfdp[at(9) + byte] = 0x0B;
    }
    sfdp[at(13)..at(13) + 4].copy_from_slice(&[0xC7, 0x01, 0x60, 0xD8]);
    sfdp[at(14)..at(14) + 4].copy_from_slice(&[0xFC, 0x06, 0x63, 0x2C]);
    let reads_erase = sfdp.clone();
    sfdp[at(16)..at(16) + 4].fill(0xFF);
    let every_way = sfdp.clone();
    let mut erases_read = clean;
    for (byte, opcode) in [(1, 0x9F), (3, 0x05)] {
        erases_read[at(8) + byte] = opcode;
        erases_read[at(9) + byte] = opcode;
        erases_read[at(3) + byte] = 0xC7;
        erases_read[at(4) + byte] = 0x60;
    }
    // 4-byte address only.
    let mut four = every_way.clone();
    four[at(1) + 2] = four[at(1) + 2] & !0x06 | 0x04;
    vec![reads_erase, every_way, erases_read, four]
}

#[test]
fn sfdp_cannot_ask_for_modifying_opcodes() {
    for name in ["W25Q80DV", "W25Q256JV"] {
        for (number, sfdp) in wicked(sfdp_of(name)).into_iter().enumerate() {
            for known in [true, false] {
                let mut station = of(name);
                station.mock.set_sfdp(Some(sfdp.clone()));
                if !known {
                    station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
                    station.accepted = vec![(Acceptable::KnownPart, "a test".into())];
                }
                every_reading_command(&station, &format!("{name}, SFDP {number}, {known}"));
            }
        }
    }
}

/// Whatever instruction, address and form the commands of a sector map name, only 65h with an address is
/// added to what is sent.
#[test]
fn a_sector_map_cannot_ask_for_anything_but_registers() {
    let opcodes = |station: &Station| {
        let trace = station.trace.lock().unwrap();
        let opcodes = trace.iter().map(|sent| sent.out[0]);
        opcodes.collect::<std::collections::BTreeSet<u8>>()
    };
    let plain = of("W25Q80DV");
    job::id(None, bench(&plain), &mut Nobody).unwrap();
    let mut usual = opcodes(&plain);
    usual.insert(0x65);
    for code in 0..=0xFF_u8 {
        let station = of("W25Q80DV");
        let form = [
            CommandAddress::None,
            CommandAddress::Three,
            CommandAddress::Four,
            CommandAddress::Current,
        ];
        let command = |address_bytes, dummy_clocks| DetectionCommand {
            opcode: code,
            address_bytes,
            address: 0x0080_0002,
            dummy_clocks,
            mask: 1,
        };
        let map = SectorMap {
            commands: form
                .into_iter()
                .flat_map(|form| [command(form, Some(0)), command(form, Some(8))])
                .collect(),
            maps: vec![ConfigurationMap {
                id: 0,
                regions: vec![Region {
                    range: 0..1 << 20,
                    erase_types: vec![1],
                }],
            }],
        };
        let sfdp = with_map(&station, &map);
        station.mock.set_sfdp(Some(sfdp));
        station.mock.set_registers([(0x0080_0002, 0)].into());
        station.trace.lock().unwrap().clear();
        let result = job::id(None, bench(&station), &mut Nobody);
        assert!(result.is_ok(), "{code:02X}: {result:?}");
        judge(&station, &format!("{code:02X}h"));
        let sent = opcodes(&station);
        assert!(sent.is_subset(&usual), "{code:02X}h: {sent:02X?}");
        assert_eq!(sent.contains(&0x65), code == 0x65, "{code:02X}h");
    }
}

#[test]
fn a_chip_that_nobody_knows_is_only_read() {
    for (sfdp, size_bytes) in [(true, None), (false, None), (false, Some(1 << 20))] {
        let mut station = of("W25Q80DV");
        station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
        if !sfdp {
            station.mock.set_sfdp(None);
        }
        station.unreadable();
        let mut sized = bench(&station);
        sized.size_bytes = size_bytes;
        let result = job::backup(&mut station.unit(), sized, &mut Nobody);
        let what = format!("SFDP {sfdp}, size {size_bytes:?}");
        match result {
            Ok(report) => {
                assert!(sfdp || size_bytes.is_some(), "{what}");
                assert!(station.image(&report.file) == station.cells(), "{what}");
            }
            Err(stop) => {
                assert!(!sfdp && size_bytes.is_none(), "{what}: {stop:?}");
                assert_eq!(stop.exit, Exit::ChipFault);
            }
        }
        every_reading_command(&station, &what);
    }
}

#[test]
fn garbage_for_sfdp_is_only_read() {
    let usual = sfdp_of("W25Q80DV");
    for seed in 0..60 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut sfdp = usual.clone();
        // All random, random behind the headers, or a few bytes changed.
        let changed = match seed % 3 {
            0 => 4..sfdp.len(),
            1 => 0x30..sfdp.len(),
            _ => 0..0,
        };
        sfdp[changed]
            .iter_mut()
            .for_each(|byte| *byte = random.u8(..));
        for _ in 0..random.usize(..8) {
            let at = random.usize(4..sfdp.len());
            sfdp[at] = MODIFYING[random.usize(..MODIFYING.len())];
        }
        let station = of("W25Q80DV");
        station.mock.set_sfdp(Some(sfdp));
        if seed % 2 == 0 {
            station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
        }
        let what = format!("seed {seed}");
        let _ = job::id(None, bench(&station), &mut Nobody);
        let _ = job::sfdp(bench(&station), &mut Nobody);
        let _ = job::contact(None, bench(&station), &mut Nobody);
        if seed % 2 == 1 {
            let _ = job::backup(&mut station.unit(), bench(&station), &mut Impatient(0));
        }
        judge(&station, &what);
    }
}

/// A write that is refused, and by what.
type Refused = (&'static str, fn(&mut Station));

#[test]
fn a_refused_write_only_reads() {
    let refused: [Refused; 9] = [
        ("twin-read", |station| {
            let flips = norlock::mock::Flips {
                rate: 0.001,
                addresses: Some(0x2_0000..0x3_0000),
                fresh: true,
                ..norlock::mock::Flips::default()
            };
            station
                .mock
                .set_faults(Faults::seeded(1).with(Fault::Flips(flips)));
        }),
        ("nothing-unexplained", |station| {
            station.mock.set_truth(0x1_8000, b"baud=300").unwrap();
        }),
        ("same-unit", |station| {
            station.mock.set_unique_id(
                vec![9; 8]
                    .into_iter()
                    .zip(0..)
                    .map(|(a, b)| a ^ b)
                    .collect(),
            )
        }),
        ("supply-level", |station| {
            station.mock.set_level(Some(Millivolts(1800)))
        }),
        ("supply-level", |station| {
            station.marking = Some("W25Q80EWSNIG".into())
        }),
        ("known-part", |station| {
            station.marking = Some("W25Q64JVSSIQ".into())
        }),
        ("writable", |station| {
            station
                .mock
                .set_faults(Faults::none().with(Fault::Protected { status_1: 0x1C }));
        }),
        ("backup-intact", |station| {
            station
                .files
                .corrupt(&station.folder.join("as-found.bin"), |bytes| bytes[77] ^= 1);
        }),
        ("contact", |station| {
            let slip = Fault::BitSlip { bits: 2 };
            station.mock.set_faults(Faults::none().with(slip));
        }),
    ];
    for (interlock, spoil) in refused {
        let mut station = Station::ready(11);
        station.trace.lock().unwrap().clear();
        let before = station.mock.modifying_operations();
        let cells_before = station.cells();
        spoil(&mut station);
        let cells = station.cells();
        let stop: Stop = station.write().unwrap_err();
        assert_eq!(stop.exit.number(), 3, "{interlock}: {stop:?}");
        assert!(
            stop.held
                .iter()
                .any(|held| held.interlock.id() == interlock),
            "{interlock}: {stop:?}"
        );
        assert!(stop.headline.contains(stop.held[0].interlock.id()));
        only_reads(&station.trace.lock().unwrap()).unwrap();
        assert_eq!(station.mock.modifying_operations(), before);
        assert!(cells == station.cells() && cells.len() == cells_before.len());
    }
}

#[test]
fn the_judge_of_traces_can_say_no() {
    let station = Station::ready(12);
    station.write().unwrap();
    assert!(only_reads(&station.trace.lock().unwrap()).is_err());
    let sent = |out: &[u8], at: u64, read_bytes: usize| Sent {
        at: Duration::from_micros(at),
        sck: Hertz::mhz(1),
        out: out.to_vec(),
        read: vec![0; read_bytes],
        read_bytes,
        settle: Duration::ZERO,
        lanes: Lanes::ONE,
        on_one: 1,
        failed: false,
    };
    let good = [
        sent(&[6], 1, 0),
        sent(&[0xB7], 1, 0),
        sent(&[4], 1, 0),
        sent(&[5], 1, 1),
    ];
    only_reads(&good).unwrap();
    only_reads(&good[..3]).unwrap_err();
    let mut apart = good.clone();
    apart[1].at = Duration::from_micros(2);
    only_reads(&apart).unwrap_err();
    let mut open = good.clone();
    open.swap(2, 3);
    only_reads(&open).unwrap_err();
}
