//! Whole jobs on a part that takes words and powers up protected (SST25VF016B DS25044A).

use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::job::{self, Exit, Nobody, RestoreOrder, Stop, WriteOrder, WriteReport};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Fault, Faults, Torn};
use norlock::unit::store::Store;

use crate::station::{REGIONS, Station};

/// BP0 to BP2, as it powers up: all of the array (status register table; table 4).
const ALL: u8 = 0x1C;
/// WEL and AAI.
const IN_PROGRAM: u8 = 0x42;

/// A unit with a backup, a map and a target, on a chip as it comes up.
fn ready(seed: u64) -> Station {
    let mut station = Station::with_part("SST25VF016B", seed);
    station.marking = Some("SST25VF016B".into());
    station.backup().unwrap();
    // Twice as large throughout.
    let map = [
        ("1MiB", "2MiB"),
        ("64KiB", "128KiB"),
        ("32KiB", "64KiB"),
        ("0x0E0000", "0x1C0000"),
        ("0x0F0000", "0x1E0000"),
        ("0x020000", "0x040000"),
        ("0x010000", "0x020000"),
    ];
    let map = map
        .iter()
        .fold(REGIONS.to_owned(), |map, (from, to)| map.replace(from, to));
    let path = station.folder.join("regions.toml");
    station.files.replace(&path, map.as_bytes()).unwrap();
    station.tailor(seed + 1000);
    assert_eq!(status(&station), ALL);
    station
}

/// Status register 1 as the chip answers, past norlock.
fn status(station: &Station) -> u8 {
    let mut status = [0];
    let frame = Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]);
    let mut link = station.mock.link();
    link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
    status[0]
}

fn write(station: &Station, lift_protection: bool) -> Result<WriteReport, Stop> {
    let order = WriteOrder {
        lift_protection,
        ..station.order()
    };
    job::write(&mut station.unit(), order, station.bench(), &mut Nobody)
}

fn held_by(result: Result<WriteReport, Stop>) -> Vec<String> {
    let stop = result.expect_err("it was not held");
    let held = stop.held.iter().map(|held| format!("{held:?}"));
    held.collect()
}

fn programs(station: &Station) -> (usize, usize) {
    let trace = station.trace.lock().unwrap();
    let count = |code| trace.iter().filter(|sent| sent.out[0] == code).count();
    (count(0xAD), count(0x02))
}

fn cut(station: &Station, at_operation: u64, torn: Torn) {
    let fault = Fault::PowerCut { at_operation, torn };
    station.mock.set_faults(Faults::seeded(1).with(fault));
    let stop = write(station, true).expect_err("it was not cut");
    assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
}

#[test]
fn a_part_that_powers_up_protected_is_written_by_words_and_protected_again() {
    let station = ready(1);
    station.mock.set_overhead(Duration::ZERO);
    let found = station.cells();
    let held = held_by(write(&station, false));
    assert!(
        held.len() == 1 && held[0].contains("Writable") && held[0].contains("--lift-protection"),
        "{held:?}"
    );
    assert!(station.cells() == found);

    station.trace.lock().unwrap().clear();
    let report = write(&station, true).unwrap();
    assert!(report.lifted && !report.resumed);
    assert!(station.cells() == station.image("target.bin"));
    assert_eq!(status(&station), ALL);
    // 340 KiB of dense bytes: nearly all go as words, none alone.
    let (words, bytes) = programs(&station);
    assert!(
        words > 170_000 && bytes == 0,
        "{words} words, {bytes} bytes"
    );
    let apart = report.time.as_secs_f64() / report.modelled.as_secs_f64();
    assert!(
        (1.0..1.1).contains(&apart),
        "{:?} for {:?}",
        report.time,
        report.modelled
    );

    let order = RestoreOrder {
        to: 1,
        offline: station.paper(),
        lift_protection: true,
        ..RestoreOrder::default()
    };
    job::restore(&mut station.unit(), &order, station.bench(), &mut Nobody).unwrap();
    assert!(station.cells() == found);
    assert_eq!(status(&station), ALL);
}

/// BPL set and WP# low: the register cannot be written (DS25044A, table of BPL and WP#).
#[test]
fn with_bpl_set_and_wp_low_nothing_is_lifted() {
    let station = ready(2);
    let before = station.cells();
    let pin = Faults::none().with(Fault::WriteProtectPin { lock_bit: true });
    station.mock.set_faults(pin);
    let held = held_by(write(&station, true));
    assert!(held.len() == 1 && held[0].contains("WP#"), "{held:?}");
    assert!(station.cells() == before);
    assert_eq!(status(&station), ALL | 0x80);
    // Pulled up, the same command goes through, and BPL is as it was found.
    station.mock.set_faults(Faults::none());
    write(&station, true).unwrap();
    assert!(station.cells() == station.image("target.bin"));
    assert_eq!(status(&station), ALL | 0x80);
}

/// The process is killed within a run of words and the chip keeps its supply: it stays in auto
/// address increment, unprotected, until the next run brings it out.
#[test]
fn killed_within_a_run_it_is_brought_out_and_protected_again() {
    for at_operation in [40, 41, 70_000] {
        let station = ready(3);
        cut(&station, at_operation, Torn::StillBusy);
        assert_eq!(
            status(&station) & (ALL | IN_PROGRAM),
            IN_PROGRAM,
            "not cut within a run"
        );
        station.trace.lock().unwrap().clear();
        let report = write(&station, true).unwrap();
        assert!(report.resumed);
        let first: Vec<u8> = station
            .trace
            .lock()
            .unwrap()
            .iter()
            .map(|sent| sent.out[0])
            .take(20)
            .collect();
        let exit = first.iter().position(|code| *code == 0x04).unwrap();
        assert!(
            first[..exit].iter().all(|code| *code == 0x05),
            "{first:02X?}"
        );
        assert!(station.cells() == station.image("target.bin"));
        assert_eq!(status(&station), ALL);
    }
}

/// The supply fails: the chip comes up protected whatever it was, and has to be lifted anew.
#[test]
fn after_a_power_cut_it_is_lifted_anew() {
    for (at_operation, torn) in [
        (1, Torn::NotStarted),
        (30, Torn::Prefix),
        (50_000, Torn::Prefix),
    ] {
        let station = ready(4);
        cut(&station, at_operation, torn);
        assert_eq!(status(&station), ALL);
        assert!(held_by(write(&station, false))[0].contains("Writable"));
        assert!(write(&station, true).unwrap().resumed);
        assert!(station.cells() == station.image("target.bin"));
        assert_eq!(status(&station), ALL);
    }
}

/// A reading command notices a chip that was left in the mode, and leaves it readable.
#[test]
fn a_reading_job_brings_it_out_too() {
    let station = ready(5);
    cut(&station, 1000, Torn::StillBusy);
    assert_eq!(status(&station) & IN_PROGRAM, IN_PROGRAM);
    let report = job::id(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.wel_was_set);
    assert_eq!(status(&station) & IN_PROGRAM, 0);
}
