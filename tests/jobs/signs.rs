//! Each pattern of a bad contact, from the fault that makes it, to its name; and that a good bench gives none.

use std::time::{Duration, SystemTime};

use norlock::interlock::Power;
use norlock::jedec::Hertz;
use norlock::job::{self, ContactReport, ContactWishes, Exit, Kind, Nobody, SCK_FREE, Seat, Stop};
use norlock::link::Sent;
use norlock::mock::{AddressBit, Fault, Faults, Flips, Miso, Torn};

use norlock::unit::{Operation, Unit};

use crate::station::Station;

fn station() -> Station {
    Station {
        sck: Hertz::mhz(10),
        ..Station::new(61)
    }
}

fn judged_with(power: Power, faults: &[Fault]) -> ContactReport {
    let station = station();
    let all = faults.iter().cloned();
    station
        .mock
        .set_faults(all.fold(Faults::seeded(7), Faults::with));
    let mut bench = station.bench();
    bench.said.power = Some(power);
    let report = job::contact(None, bench, &mut Nobody).unwrap();
    assert_eq!(station.mock.modifying_operations(), 0);
    // 66h and 99h are sent where a person asks for them, and nowhere else.
    let trace = station.trace.lock().unwrap();
    let sent: Vec<u8> = trace.iter().map(|sent| sent.out[0]).collect();
    let questions = [0x05, 0x9F, 0x5A, 0x03, 0x0B, 0x04, 0xFF, 0xAB, 0x35, 0x15];
    assert!(
        sent.iter().all(|code| questions.contains(code)),
        "{sent:02X?}"
    );
    report
}

fn judged(faults: &[Fault]) -> ContactReport {
    judged_with(Power::External, faults)
}

fn kinds(report: &ContactReport) -> Vec<Kind> {
    report.notes.iter().map(|note| note.kind).collect()
}

fn loose(shows: Miso) -> Fault {
    Fault::LooseContact {
        shows,
        from_frame: 0,
        frames: None,
    }
}

fn miso(shows: Miso) -> Fault {
    Fault::Miso {
        shows,
        from_frame: 0,
        frames: None,
    }
}

fn foreign() -> Fault {
    Fault::ForeignMaster { every: 3 }
}

fn sag() -> Fault {
    Fault::Sag {
        after_bytes: 600,
        frames: 3,
    }
}

fn hold(chance: f64) -> Fault {
    Fault::FloatingHold {
        chance,
        shows: Miso::Low,
    }
}

fn turns(bytes: [u8; 3]) -> Fault {
    Fault::AlternatingId {
        bytes: bytes.to_vec(),
    }
}

fn line(line: u8, is: AddressBit) -> Fault {
    Fault::AddressLine { line, is }
}

fn noise(rate: f64) -> Fault {
    Fault::Flips(Flips {
        rate,
        fresh: true,
        ..Flips::default()
    })
}

#[test]
fn each_bad_pattern_has_its_name() {
    let turned = AddressBit::SameAs(14);
    let cases: Vec<(Fault, Kind)> = vec![
        (loose(Miso::High), Kind::AllOnes),
        (loose(Miso::Low), Kind::AllZeros),
        (loose(Miso::Noise), Kind::Unsteady),
        (miso(Miso::Noise), Kind::Unsteady),
        (Fault::ForeignMaster { every: 1 }, Kind::ForeignMaster),
        (Fault::Asleep { deaf: true }, Kind::AllOnes),
        (Fault::StuckBit { bit: 5, high: true }, Kind::StuckBit),
        (
            Fault::StuckBit {
                bit: 6,
                high: false,
            },
            Kind::StuckBit,
        ),
        (Fault::BitSlip { bits: 1 }, Kind::Shifted),
        (Fault::BitSlip { bits: 3 }, Kind::Shifted),
        // EF 40 14, and what a missed edge makes of it.
        (turns([0xF7, 0xA0, 0x0A]), Kind::Shifted),
        (turns([0xC2, 0x20, 0x18]), Kind::Alternating),
        (turns([0xFF, 0xFF, 0xFF]), Kind::Alternating),
        (noise(0.01), Kind::Unsteady),
        (noise(0.0001), Kind::Unsteady),
        (foreign(), Kind::ForeignMaster),
        (hold(0.001), Kind::FloatingHold),
        (hold(0.00003), Kind::FloatingHold),
        (hold(0.01), Kind::FloatingHold),
        (hold(0.03), Kind::FloatingHold),
        (hold(0.1), Kind::FloatingHold),
        (
            Fault::FloatingHold {
                chance: 0.03,
                shows: Miso::High,
            },
            Kind::FloatingHold,
        ),
        (sag(), Kind::SupplySags),
        (line(0, AddressBit::Low), Kind::AddressLine),
        (line(5, AddressBit::High), Kind::AddressLine),
        (line(13, AddressBit::Low), Kind::AddressLine),
        (line(19, AddressBit::High), Kind::AddressLine),
        (line(16, turned), Kind::AddressLine),
        (Fault::Busy { ms: 100_000 }, Kind::Busy),
    ];
    for (fault, kind) in cases {
        let report = judged(std::slice::from_ref(&fault));
        let sign = report.sign.as_ref();
        assert_eq!(
            sign.map(|sign| sign.kind),
            Some(kind),
            "{fault:?}: {report:?}"
        );
        let sign = sign.unwrap();
        assert!(!report.good && !sign.seen.is_empty() && sign.look.len() > 20);
        assert_eq!((report.proven, report.chosen), (None, None), "{fault:?}");
        // What is not the same twice is no ID, and says nothing of the controller.
        let (reads, same) = report.evidence.ids;
        assert!(same == reads || report.jedec_id.is_none(), "{report:?}");
        let told = kinds(&report);
        assert!(!told.contains(&Kind::BrokenFrames), "{fault:?}: {report:?}");
    }
}

/// A signal that is high feeds a chip without a supply (docs/wiring.md, order of connecting), and a clip that
/// is lifted in the middle of an erase leaves the block torn.
#[test]
fn what_to_do_next_depends_on_the_sign() {
    for kind in Kind::ALL {
        let next = kind.next();
        let cuts = next.contains("supply") && kind != Kind::Busy;
        assert!(
            !cuts || next.contains("ignals off, then the supply"),
            "{next}"
        );
        let untouched = [
            Kind::Busy,
            Kind::AnotherChip,
            Kind::StuckBit,
            Kind::BoardFed,
            Kind::FloatingHold,
        ];
        assert!(
            !untouched.contains(&kind) || !next.contains("reseat"),
            "{next}"
        );
    }
    assert!(Kind::Busy.next().starts_with("Do not lift the clip"));
    assert!(Kind::AllOnes.next().contains("reseat"));
}

#[test]
fn cells_that_change_alone_may_be_worn() {
    let report = judged(&[Fault::WeakCells {
        addresses: 0..0x1000,
        bits: 0xFF,
        chance: 0.01,
    }]);
    let (reads, same) = report.evidence.ids;
    assert_eq!(reads, same);
    let sign = report.sign.unwrap();
    assert_eq!(sign.kind, Kind::Unsteady);
    for says in ["HOLD# (pin 7)", "norlock survey"] {
        assert!(sign.look.contains(says), "{sign:?}");
    }
}

#[test]
fn a_marking_of_another_part_is_noted() {
    let mut station = station();
    station.marking = Some("25Q64JVSIQ".into());
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good, "{report:?}");
    assert_eq!(kinds(&report), [Kind::Marking]);
    let seen = &report.notes[0].seen;
    assert!(
        seen.starts_with("The marking and the chip differ: 25Q64JVSIQ answers EF 40 17"),
        "{seen}"
    );
}

#[test]
fn another_chip_is_no_contact_of_the_unit() {
    let station = station();
    station.mock.set_unique_id(vec![1, 2, 3, 4, 5, 6, 7, 8]);
    station.backup().unwrap();
    let unit = || Unit::view(station.store(), &station.folder).unwrap();
    let contact = || job::contact(Some(&unit()), station.bench(), &mut Nobody).unwrap();
    let kept = || {
        job::keep_contact(station.store(), &station.folder, &contact()).unwrap();
        let unit = unit();
        let operations = unit.file().operations.iter();
        operations.filter(|one| one.command == "contact").count()
    };
    assert!(contact().notes.is_empty() && kept() == 1);
    let another = |seen: &str| {
        let report = contact();
        assert!(report.good && report.is_of_another(), "{report:?}");
        let told = report.notes.iter().any(|note| note.seen.contains(seen));
        assert!(told, "{report:?}");
        assert_eq!(kept(), 1);
    };
    station.mock.set_unique_id(vec![8, 7, 6, 5, 4, 3, 2, 1]);
    another("unique ID 08 07 06 05 04 03 02 01, the unit file of gauge-07 has 01 02");
    // One that nobody knows is another one as well.
    station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
    station.mock.set_sfdp(None);
    another("JEDEC ID 5A 12 34");
}

#[test]
fn the_address_bit_is_named() {
    for (bit, is) in [
        (0, AddressBit::Low),
        (7, AddressBit::High),
        (18, AddressBit::Low),
    ] {
        let report = judged(&[line(bit, is)]);
        let seen = report.sign.unwrap().seen;
        assert!(seen.contains(&format!("address bit A{bit} ")), "{seen}");
    }
}

#[test]
fn the_power_arrangement_says_where_to_look_first() {
    let look = |power, fault: &Fault| {
        let report = judged_with(power, std::slice::from_ref(fault));
        let sign = report.sign.unwrap();
        (sign.kind, sign.look)
    };
    for (power, says) in [
        (Power::Clip, "The clip's supply wire"),
        (Power::BoardHeldInReset, "The board feeds the chip"),
        (Power::External, "Is the external supply on"),
        (Power::Socket, "right way round in the socket"),
    ] {
        let (kind, text) = look(power, &loose(Miso::Low));
        assert!(
            kind == Kind::AllZeros && text.starts_with(says) || text.contains(says),
            "{text}"
        );
    }
    // A line that floats moves while CS is high as well, and nobody talks on it.
    for power in [Power::Clip, Power::External] {
        for fault in [loose(Miso::Noise), miso(Miso::Noise)] {
            let (kind, text) = look(power, &fault);
            let open = text.starts_with("MISO from header to pin");
            assert!(kind == Kind::Unsteady && open, "{kind:?}: {text}");
        }
    }
    // What the clip's wire feeds has no business on the bus.
    assert_eq!(look(Power::Clip, &foreign()).0, Kind::BoardFed);
    assert!(look(Power::Clip, &sag()).1.contains("another arrangement"));
}

#[test]
fn a_good_bench_gives_no_sign() {
    for seed in 70..74 {
        let station = Station::new(seed);
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert!(report.good && report.sign.is_none(), "{report:?}");
        assert!(report.notes.is_empty(), "{report:?}");
        let seen = &report.evidence;
        assert_eq!((seen.ids, seen.after_long), ((256, 256), (16, 16)));
        assert_eq!((seen.idle_changes, seen.sample_bytes), (Some(0), 64 << 10));
        assert_eq!(seen.lines, Some((20, 20)));
        let top = &report.ladder[0];
        assert_eq!((top.sck, top.wrong_bits), (Hertz::mhz(20), 0));
        // ID and SFDP header 64 times, 64 KiB eight times.
        assert_eq!(top.bits, 64 * (160 + 128) + 8 * 65536 * 8);
        assert_eq!(top.fewer_than_one_in(), Some(top.bits / 3));
        assert_eq!(top.measured.map(|one| one.sck), Some(Hertz::mhz(20)));
    }
}

#[test]
fn what_is_put_right_is_noted_and_no_bad_sign() {
    let short = Fault::Asleep { deaf: false };
    let cases = [
        (short, Kind::Asleep),
        (Fault::ContinuousRead {}, Kind::ContinuousRead),
        (Fault::ForeignMaster { every: 0 }, Kind::MisoFloats),
        (
            Fault::HostUnderVoltage {
                from_batch: 0,
                batches: None,
            },
            Kind::HostUnderVoltage,
        ),
        (
            Fault::Flips(Flips {
                above_sck: Some(Hertz::mhz(6)),
                rate: 0.001,
                ..Flips::default()
            }),
            Kind::LowSckOnly,
        ),
        (
            Fault::DividedClock {
                clock: Hertz::mhz(12),
                from_batch: 0,
                batches: None,
            },
            Kind::OddClock,
        ),
    ];
    for (fault, kind) in cases {
        let report = judged(std::slice::from_ref(&fault));
        assert!(report.good, "{fault:?}: {report:?}");
        assert_eq!(kinds(&report), [kind], "{fault:?}: {report:?}");
    }
}

#[test]
fn a_blank_chip_proves_less_and_says_so() {
    let station = station();
    station.mock.set_truth(0, &vec![0xFF; 1 << 20]).unwrap();
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good);
    assert_eq!(kinds(&report), [Kind::BlankSample]);
    assert_eq!(report.evidence.lines, Some((20, 0)));
}

#[test]
fn a_part_found_in_4_byte_mode_is_read_and_left_so() {
    let mut station = Station::with_part("W25Q256JV", 62);
    station.marking = Some("25Q256JVEIQ".into());
    station.supply_read();
    let mode = Fault::FourByteMode { at_power_up: false };
    station.mock.set_faults(Faults::none().with(mode));
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good, "{report:?}");
    assert_eq!(kinds(&report), [Kind::FourByteMode], "{report:?}");
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good && report.notes.is_empty(), "{report:?}");
}

#[test]
fn two_faults_at_once_give_a_sensible_one() {
    let cases: [(&[Fault], &[Kind]); 7] = [
        // The wires come before what is on them.
        (&[loose(Miso::High), sag()], &[Kind::AllOnes]),
        (&[foreign(), noise(0.01)], &[Kind::ForeignMaster]),
        (
            &[Fault::BitSlip { bits: 1 }, line(13, AddressBit::Low)],
            &[Kind::Shifted],
        ),
        (&[sag(), line(13, AddressBit::Low)], &[Kind::SupplySags]),
        (
            &[hold(0.001), line(13, AddressBit::Low)],
            &[Kind::FloatingHold, Kind::Unsteady],
        ),
        (
            &[Fault::Asleep { deaf: false }, hold(0.001)],
            &[Kind::FloatingHold, Kind::Unsteady],
        ),
        (&[turns([0xFF; 3]), foreign()], &[Kind::ForeignMaster]),
    ];
    for (faults, kinds) in cases {
        let report = judged(faults);
        let kind = report.sign.as_ref().map(|sign| sign.kind);
        assert!(
            kind.is_some_and(|kind| kinds.contains(&kind)),
            "{faults:?}: {report:?}"
        );
    }
}

#[test]
fn a_clock_that_is_not_the_one_asked_for_is_measured() {
    let ladder = |fault: Fault| {
        let station = Station {
            sck: SCK_FREE,
            ..Station::new(63)
        };
        station.mock.set_faults(Faults::none().with(fault));
        job::contact(None, station.bench(), &mut Nobody).unwrap()
    };
    let divided = |mhz| Fault::DividedClock {
        clock: Hertz::mhz(mhz),
        from_batch: 0,
        batches: None,
    };
    let report = ladder(divided(250));
    let measured: Vec<u32> = report
        .ladder
        .iter()
        .map(|rung| rung.measured.unwrap().sck.0 / 100_000)
        .collect();
    // 250 MHz by 6, 8, 14, 26, 50, 126 and 250; read to a part in a thousand.
    assert_eq!(measured, [416, 312, 178, 96, 50, 19, 10]);
    assert_eq!(report.chosen, Some(Hertz::mhz(33)));
    // One that makes 24 MHz of both 50 and 33 leaves no margin between those.
    let coarse = ladder(divided(48));
    assert_eq!(
        (coarse.proven, coarse.chosen),
        (Some(Hertz::mhz(50)), Some(Hertz::mhz(20)))
    );
    assert_eq!(kinds(&coarse), [Kind::OddClock]);
}

/// What the simulated link charges for a message is known.
#[test]
fn what_each_message_costs_is_measured_within_2_us() {
    for (overhead_us, clock) in [(0, 400), (7, 400), (30, 250), (113, 48), (900, 400)] {
        let station = station();
        station
            .mock
            .set_overhead(Duration::from_micros(overhead_us));
        let divided = Fault::DividedClock {
            clock: Hertz::mhz(clock),
            from_batch: 0,
            batches: None,
        };
        station.mock.set_faults(Faults::none().with(divided));
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert_eq!(
            report.overhead(),
            report.ladder[0].measured.map(|one| one.overhead)
        );
        for rung in &report.ladder {
            let told = rung.measured.unwrap().overhead.as_micros();
            assert!(
                told.abs_diff(overhead_us.into()) <= 2,
                "{overhead_us}: {rung:?}"
            );
        }
    }
}

#[test]
fn a_clock_that_moves_is_told() {
    let station = station();
    let mut faults = Faults::none();
    // From one to the other and back, every eleven messages.
    for n in 0..4000 {
        faults = faults.with(Fault::DividedClock {
            clock: Hertz::mhz(if n % 2 == 0 { 40 } else { 28 }),
            from_batch: n * 11,
            batches: Some(11),
        });
    }
    station.mock.set_faults(faults);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(
        report.good && kinds(&report) == [Kind::OddClock],
        "{report:?}"
    );
    assert!(
        report.notes[0].seen.contains("it moves"),
        "{:?}",
        report.notes
    );
}

#[test]
fn the_proven_sck_is_kept_with_the_unit_and_found_again() {
    let station = Station {
        sck: SCK_FREE,
        ..Station::new(64)
    };
    station
        .mock
        .set_faults(Faults::seeded(3).with(Fault::Flips(Flips {
            above_sck: Some(Hertz::mhz(15)),
            rate: 0.001,
            ..Flips::default()
        })));
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert_eq!(
        (report.proven, report.chosen),
        (Some(Hertz::mhz(10)), Some(Hertz::mhz(5)))
    );
    drop(station.unit());
    job::keep_contact(station.store(), &station.folder, &report).unwrap();
    let unit = station.unit();
    let link = station.bench().way.name();
    assert_eq!(job::proven_sck(&unit, &link), Some(Hertz::mhz(5)));
    assert_eq!(job::proven_sck(&unit, "/dev/spidev0.0"), None);
    let kept = unit.file().operations.last().unwrap();
    assert_eq!(kept.outcome, "the clip is seated, and right up to 10 MHz");
    let bits = report.rests_on().unwrap().bits;
    let proven = format!("no error in {bits} bits at 5 MHz, measured 5 MHz");
    assert_eq!(kept.conditions["proven"], proven);
    let overhead = job::message_overhead(&unit, &link);
    assert_eq!(overhead, report.overhead());
    assert_eq!(job::message_overhead(&unit, "/dev/spidev0.0"), None);
    // A later one through another link says nothing of this one; a record without a cost is an older one's.
    let mut another = Operation {
        command: "contact".into(),
        conditions: kept.conditions.clone(),
        ..Operation::default()
    };
    let other = "/dev/spidev0.0";
    another.conditions.insert("link".into(), other.into());
    another.conditions.insert("sck".into(), "2 MHz".into());
    another.conditions.remove("overhead");
    let mut unit = unit;
    unit.record(another, SystemTime::now()).unwrap();
    let of = |link| {
        (
            job::proven_sck(&unit, link),
            job::message_overhead(&unit, link),
        )
    };
    assert_eq!(of(&link), (Some(Hertz::mhz(5)), overhead));
    assert_eq!(of(other), (Some(Hertz::mhz(2)), None));
    drop(unit);
    // A bad contact leaves the record as it was.
    station
        .mock
        .set_faults(Faults::none().with(loose(Miso::High)));
    let bad = job::contact(None, station.bench(), &mut Nobody).unwrap();
    job::keep_contact(station.store(), &station.folder, &bad).unwrap();
    assert_eq!(station.unit().file().operations.len(), 2);
}

/// From noise nothing is told of a mode.
#[test]
fn noise_is_no_continuous_read() {
    for seed in 0..40 {
        let station = station();
        let faults = Faults::seeded(seed).with(miso(Miso::Noise));
        station.mock.set_faults(faults);
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert!(!report.good, "{report:?}");
        let kinds = kinds(&report);
        assert!(!kinds.contains(&Kind::ContinuousRead), "{seed}: {report:?}");
    }
}

/// The frames of a reset that went out.
fn reset_frames(station: &Station) -> Vec<u8> {
    let trace = station.trace.lock().unwrap();
    let reset = |sent: &&Sent| [0x66, 0x99].contains(&sent.out[0]);
    trace.iter().filter(reset).map(|sent| sent.out[0]).collect()
}

fn with_reset(unit: Option<&Unit>, station: &Station) -> Result<ContactReport, Stop> {
    let wishes = ContactWishes {
        reset: true,
        ..ContactWishes::default()
    };
    job::contact_as_wished(unit, station.bench(), wishes, &mut Nobody)
}

#[test]
fn a_reset_is_sent_where_it_is_asked_for() {
    for found in [Fault::WriteEnabled {}, Fault::ContinuousRead {}] {
        let station = station();
        station.mock.set_faults(Faults::none().with(found));
        let report = with_reset(None, &station).unwrap();
        assert!(report.good && kinds(&report) == [Kind::Reset], "{report:?}");
        assert!(!report.look.unwrap().wel_was_set);
        assert_eq!(reset_frames(&station), [0x66, 0x99]);
    }
    // A reset ends the mode that a part was left in.
    let mut station = Station::with_part("W25Q256JV", 62);
    station.marking = Some("25Q256JVEIQ".into());
    station.supply_read();
    let mode = Fault::FourByteMode { at_power_up: false };
    station.mock.set_faults(Faults::none().with(mode));
    let report = with_reset(None, &station).unwrap();
    assert_eq!(kinds(&report), [Kind::Reset], "{report:?}");
}

/// W25Q80DV Rev. K, 8.2: while BUSY is 1 all instructions but a read of the status are ignored; and on an open
/// MISO a busy chip looks like an idle one.
#[test]
fn a_chip_that_may_be_busy_is_not_reset() {
    let busy = Fault::Busy { ms: 300 };
    let cases = [
        (vec![busy.clone()], "says it is busy"),
        (vec![busy.clone(), miso(Miso::High)], "does not answer"),
        (vec![busy.clone(), miso(Miso::Low)], "does not answer"),
        (vec![busy, miso(Miso::Noise)], ""),
        (vec![Fault::Asleep { deaf: true }], "does not answer"),
        (vec![turns([0xC2, 0x20, 0x18])], "does not answer"),
    ];
    for (faults, says) in cases {
        for seed in 0..8 {
            let station = station();
            let all = faults.iter().cloned();
            station
                .mock
                .set_faults(all.fold(Faults::seeded(seed), Faults::with));
            let stop = with_reset(None, &station).unwrap_err();
            assert_eq!(stop.exit, Exit::ChipFault, "{faults:?}: {stop:?}");
            assert!(stop.headline.contains(says), "{faults:?}: {stop:?}");
            assert!(reset_frames(&station).is_empty(), "{faults:?}");
        }
    }
}

/// 66h and 99h are a reset by JESD216 alone: to a chip that nothing is known of, or that is known to have other
/// commands, they may be anything. With a bit slip the ID is such a one, and steady.
#[test]
fn a_chip_that_may_have_other_commands_is_not_reset() {
    let cases: [(&[u8], bool, &str); 3] = [
        (&[0x1F, 0x24, 0x00], true, "AT45DB"),
        (
            &[0x5A, 0x12, 0x34],
            false,
            "which the table does not know, and no SFDP",
        ),
        (&[0xEF, 0x40, 0x14], true, "JEDEC ID FB D0 05"),
    ];
    for (id, sfdp, says) in cases {
        let station = station();
        station.mock.set_jedec_id(id.to_vec());
        if !sfdp {
            station.mock.set_sfdp(None);
        }
        if id[0] == 0xEF {
            let slip = Fault::BitSlip { bits: 2 };
            station.mock.set_faults(Faults::none().with(slip));
        }
        let stop = with_reset(None, &station).unwrap_err();
        let text = format!("{stop:?}");
        assert!(text.contains(says) && text.contains("supply"), "{text}");
        assert!(reset_frames(&station).is_empty(), "{text}");
    }
    // An ID that the table does not know is no hindrance where SFDP tells.
    let station = station();
    station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
    with_reset(None, &station).unwrap();
    assert_eq!(reset_frames(&station), [0x66, 0x99]);
}

/// MT25QL128ABA Rev. I: bit 7 of the flag status register is the inverse of WIP, so 1 where it is ready.
#[test]
fn a_part_that_says_by_70h_that_it_is_busy_is_not_reset() {
    let mut station = Station::with_part("N25Q032A13", 63);
    station.unreadable();
    with_reset(None, &station).unwrap();
    assert_eq!(reset_frames(&station), [0x66, 0x99]);
    station.trace.lock().unwrap().clear();
    let flips = Flips {
        rate: 1.0,
        opcode: Some(0x70),
        ..Flips::default()
    };
    let faults = Faults::seeded(3).with(Fault::Flips(flips));
    station.mock.set_faults(faults);
    let stop = with_reset(None, &station).unwrap_err();
    assert!(stop.headline.contains("says it is busy"), "{stop:?}");
    assert!(reset_frames(&station).is_empty());
}

/// Of several dies one answers, and another may be busy.
#[test]
fn a_part_of_several_dies_is_not_reset() {
    for name in ["MT25QL01GBBB", "N25Q00AA13", "N25Q512A11", "W25Q01JV"] {
        let station = station();
        let parts = station.catalogue.parts();
        let part = parts.iter().find(|part| part.name == name).unwrap();
        station.mock.set_jedec_id(part.jedec_id.0.clone());
        let stop = with_reset(None, &station).unwrap_err();
        assert!(stop.headline.contains("several dies"), "{name}: {stop:?}");
        assert!(reset_frames(&station).is_empty(), "{name}");
    }
}

#[test]
fn a_unit_with_a_block_in_hand_is_not_reset() {
    let station = Station::ready(65);
    let cut = Fault::PowerCut {
        at_operation: 2,
        torn: Torn::StillBusy,
    };
    station.mock.set_faults(Faults::none().with(cut));
    station.write().unwrap_err();
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
    let unit = Unit::view(station.store(), &station.folder).unwrap();
    station.trace.lock().unwrap().clear();
    let stop = with_reset(Some(&unit), &station).unwrap_err();
    assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
    assert!(stop.next.contains("give the same write command again"));
    assert!(station.trace.lock().unwrap().is_empty());
    drop(unit);
    station.write().unwrap();
    let unit = Unit::view(station.store(), &station.folder).unwrap();
    assert_eq!(
        kinds(&with_reset(Some(&unit), &station).unwrap()),
        [Kind::Reset]
    );
}

#[test]
fn the_check_begins_once_the_clip_is_seated() {
    let station = station();
    let loose = |shows, from_frame, frames| Fault::LooseContact {
        shows,
        from_frame,
        frames: Some(frames),
    };
    let faults = Faults::seeded(2)
        .with(loose(Miso::High, 0, 80))
        .with(loose(Miso::Noise, 81, 40));
    station.mock.set_faults(faults);
    let mut told = Vec::new();
    let mut tell = |seat, settled| told.push((seat, settled));
    let wishes = ContactWishes {
        watch: Some(&mut tell),
        ..ContactWishes::default()
    };
    let report = job::contact_as_wished(None, station.bench(), wishes, &mut Nobody).unwrap();
    assert!(report.good, "{report:?}");
    let (lifted, unsteady, seated) = (Seat::Lifted, Seat::Unsteady, Seat::Seated);
    let wanted = [
        (lifted, false),
        (unsteady, false),
        (seated, false),
        (seated, true),
    ];
    assert_eq!(told, wanted);
}

#[test]
fn a_clip_that_is_never_seated_ends_in_a_verdict() {
    let station = station();
    station
        .mock
        .set_faults(Faults::none().with(loose(Miso::High)));
    let mut told = Vec::new();
    let mut tell = |seat, settled| told.push((seat, settled));
    let wishes = ContactWishes {
        watch: Some(&mut tell),
        ..ContactWishes::default()
    };
    let report = job::contact_as_wished(None, station.bench(), wishes, &mut Nobody).unwrap();
    assert_eq!(report.sign.map(|sign| sign.kind), Some(Kind::AllOnes));
    assert_eq!(told, [(Seat::Lifted, false)]);
}
