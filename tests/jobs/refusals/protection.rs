//! A protected range holds the write; lifting it is a step of the write, and is undone.

use norlock::jedec::Hertz;
use norlock::job::{
    self, Attendant, Exit, Nobody, RestoreOrder, Stop, Task, WriteOrder, WriteReport,
};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Fault, Faults, Torn};
use norlock::unit::journal::Journal;
use norlock::unit::store::Store;

use super::{held, modifying, refused, write};
use crate::station::{REGIONS, Station};

/// BP0 to BP2: all of the array in this family (W25Q32JV Rev. G, section 7.1).
const ALL: u8 = 0x1C;

/// Status register 1 as the chip answers, past norlock.
fn status(station: &Station) -> u8 {
    let mut status = [0];
    let frame = Frame::new(vec![Segment::Out(&[0x05]), Segment::In(&mut status)]);
    station
        .mock
        .link()
        .transfer(&mut [frame], Hertz::mhz(1))
        .unwrap();
    status[0]
}

fn protected(seed: u64) -> Station {
    let station = Station::ready(seed);
    station
        .mock
        .set_faults(Faults::none().with(Fault::Protected { status_1: ALL }));
    assert_eq!(status(&station), ALL);
    station
}

fn lifting(station: &Station) -> WriteOrder {
    WriteOrder {
        lift_protection: true,
        ..station.order()
    }
}

#[test]
fn a_protected_range_holds_and_lifting_it_is_undone() {
    let station = protected(60);
    let stop = refused(&station, station.write(), &["writable"]);
    assert!(stop.next.contains("--lift-protection"), "{stop:?}");
    refused(&station, station.write(), &["writable"]);
    write(&station, lifting(&station)).unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    assert_eq!(status(&station), ALL);
    // It protects again: going back is held by it.
    held(station.restore(1), &["writable"]);
}

#[test]
fn with_wp_low_nothing_is_lifted_and_nothing_changes() {
    let station = protected(61);
    let before = station.cells();
    let pin = Faults::none().with(Fault::WriteProtectPin { lock_bit: true });
    station.mock.set_faults(pin);
    let found = status(&station);
    assert_eq!(found, ALL | 0x80);
    let stop = held(write(&station, lifting(&station)), &["writable"]);
    assert!(stop.next.contains("WP#"), "{stop:?}");
    assert_eq!(stop.chip, job::ChipState::NotTaken);
    assert!(modifying(&station) > 0, "lifting was not even tried");
    assert_eq!(station.cells(), before);
    assert_eq!(
        station.mock.counters().erases + station.mock.counters().programs,
        0
    );
    assert_eq!(status(&station), found);
    assert!(Journal::find_unfinished(&station.unit()).unwrap().is_none());
    // With WP# pulled up the same command goes through.
    station.mock.set_faults(Faults::none());
    write(&station, lifting(&station)).unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    assert_eq!(status(&station), found);
}

/// Asks to stop once some blocks are written.
struct Impatient {
    writing: bool,
    blocks: u64,
}

impl Attendant for Impatient {
    fn begins(&mut self, task: &Task) {
        self.writing = task.name == "writing";
    }
    fn at(&mut self, done: u64, _place: Option<&str>) {
        if self.writing {
            self.blocks = done;
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.writing && self.blocks >= 2
    }
}

fn unfinished(result: Result<WriteReport, Stop>) {
    let stop = result.expect_err("it was not interrupted");
    assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
}

#[test]
fn stopped_by_the_person_it_is_put_back_at_once() {
    let station = protected(62);
    let mut impatient = Impatient {
        writing: false,
        blocks: 0,
    };
    let order = lifting(&station);
    let result = job::write(&mut station.unit(), order, station.bench(), &mut impatient);
    unfinished(result);
    assert_eq!(status(&station), ALL);
    let report = job::write(
        &mut station.unit(),
        lifting(&station),
        station.bench(),
        &mut Nobody,
    );
    assert!(report.unwrap().resumed);
    assert_eq!(station.cells(), station.image("target.bin"));
    assert_eq!(status(&station), ALL);
}

#[test]
fn after_a_power_cut_the_journal_knows_how_it_was_found() {
    for go_back in [false, true] {
        let station = protected(63);
        let as_found = station.cells();
        let cut = Fault::PowerCut {
            at_operation: 12,
            torn: Torn::Prefix,
        };
        station.mock.set_faults(Faults::seeded(1).with(cut));
        unfinished(write(&station, lifting(&station)));
        station.mock.set_faults(Faults::none());
        station.mock.power_up();
        assert_eq!(
            status(&station),
            0,
            "the cut left it protected: this shows nothing"
        );
        if go_back {
            station.restore(1).unwrap();
            assert_eq!(station.cells(), as_found);
        } else {
            write(&station, lifting(&station)).unwrap();
            assert_eq!(station.cells(), station.image("target.bin"));
        }
        assert_eq!(status(&station), ALL);
    }
}

/// Where the table was read, a protected range that is not touched does not hold; for a sister part of
/// which it was not, any bit counts as all (W25Q32JV Rev. G, section 7.1: SEC, TB and BP0 are 4 KiB at 0).
#[test]
fn without_a_table_that_was_read_a_range_is_the_whole_chip() {
    for (name, marking, holds) in [
        ("W25Q32JV", "W25Q32JVSIQ", false),
        ("W25Q32FV", "W25Q32FVSIG", true),
    ] {
        let mut station = Station::with_part(name, 64);
        station.marking = Some(marking.into());
        station.backup().unwrap();
        let map = REGIONS.replace("1MiB", "4MiB");
        let path = station.folder.join("regions.toml");
        station.files.replace(&path, map.as_bytes()).unwrap();
        let as_found = station.cells();
        station.mock.set_truth(0x20_0000, &[0x00; 0x2000]).unwrap();
        let bits = Fault::Protected { status_1: 0x64 };
        station.mock.set_faults(Faults::none().with(bits));
        if holds {
            let stop = refused(&station, station.restore(1), &["writable"]);
            assert!(!stop.next.contains("--lift-protection"), "{stop:?}");
            // Nor is it lifted: which form of status write it takes was not read either.
            let order = RestoreOrder {
                to: 1,
                offline: station.paper(),
                lift_protection: true,
                ..RestoreOrder::default()
            };
            let lifting = job::restore(&mut station.unit(), &order, station.bench(), &mut Nobody);
            let stop = refused(&station, lifting, &["writable"]);
            assert!(stop.headline.contains("memory"), "{stop:?}");
            assert_eq!(status(&station), 0x64);
        } else {
            station
                .restore(1)
                .unwrap_or_else(|stop| panic!("{name}: {stop:?}"));
            assert_eq!(station.cells(), as_found);
            assert_eq!(status(&station), 0x64);
        }
    }
}

/// M25PX16 Rev. B: a sector's lock register (E5h, E8h) locks it whatever BP says; open at power-up.
#[test]
fn a_locked_sector_holds_only_what_touches_it() {
    let mut station = Station::with_part("M25PX16", 66);
    let described = crate::station::part(&station.catalogue, "M25PX16");
    station.marking = Some(described.markings[0].clone());
    station.supply_read();
    let named = "gauge-07: the number on its sticker".to_owned();
    station.accepted = vec![(norlock::interlock::Acceptable::SameUnit, named)];
    station.backup().unwrap();
    let as_found = station.cells();
    let tell = |frames: &[&[u8]]| {
        let mut link = station.mock.link();
        for out in frames {
            link.transfer(&mut [Frame::new(vec![Segment::Out(out)])], Hertz::mhz(1))
                .unwrap();
        }
    };
    tell(&[&[0x06], &[0xE5, 0x10, 0, 0, 0x01]]);
    // Another block than the locked one is written.
    station.mock.set_truth(0x1F_0000, &[0; 16]).unwrap();
    station.restore(1).unwrap();
    assert_eq!(station.cells(), as_found);
    station.mock.set_truth(0x10_0000, &[0; 16]).unwrap();
    station.trace.lock().unwrap().clear();
    let stop = refused(&station, station.restore(1), &["writable"]);
    let shown = format!("{stop:?}");
    assert!(
        shown.contains("0x100000 to 0x110000 is protected, by their own locks"),
        "{shown}"
    );
    let unit = station.unit();
    let look = job::protection(Some(&unit), station.bench(), &mut Nobody).unwrap();
    drop(unit);
    assert_eq!((look.locks_read, look.locked.len()), (32, 1));
    assert_eq!(look.protection.ranges().unwrap().len(), 1);
    // A cut of the supply opens it.
    station.mock.power_up();
    station.restore(1).unwrap();
    assert_eq!(station.cells(), as_found);
}

/// W25Q32JV Rev. G, 7.1.10: with WPS = 1 each block has a lock, all closed at power-up, and BP has no effect.
#[test]
fn with_a_lock_for_each_block_the_open_ones_can_be_written() {
    let mut station = Station::with_part("W25Q32JV", 67);
    station.marking = Some("W25Q32JVSIQ".into());
    station.backup().unwrap();
    let as_found = station.cells();
    let wps = Fault::RegisterBits {
        register: 0x15,
        bits: 0x04,
    };
    station.mock.set_faults(Faults::none().with(wps));
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
    station.mock.set_truth(0x20_0000, &[0; 16]).unwrap();
    station.trace.lock().unwrap().clear();
    refused(&station, station.restore(1), &["writable"]);
    for out in [&[0x06][..], &[0x39, 0x20, 0, 0]] {
        let mut link = station.mock.link();
        link.transfer(&mut [Frame::new(vec![Segment::Out(out)])], Hertz::mhz(1))
            .unwrap();
    }
    station.restore(1).unwrap();
    assert_eq!(station.cells(), as_found);
}

/// SRL (W25Q32JV Rev. G, section 7.1) is bit 0 of SR2: no status write takes until the next power-up.
#[test]
fn a_lock_until_power_up_is_named_as_the_reason() {
    let station = protected(65);
    for bytes in [&[0x06][..], &[0x31, 0x01]] {
        let frame = Frame::new(vec![Segment::Out(bytes)]);
        let mut link = station.mock.link();
        link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
    }
    let stop = refused(&station, write(&station, lifting(&station)), &["writable"]);
    let shown = format!("{stop:?}");
    assert!(shown.contains("locked until the next power-up"), "{shown}");
}
