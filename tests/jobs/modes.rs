//! What `contact` says of a chip, or a link, that is found in another state than the usual one.

use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::job::{self, ContactReport, Kind, Nobody, Way};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Fault, Faults, Flips, Struck};

use crate::altered::Altered;
use crate::station::Station;

fn station() -> Station {
    Station {
        sck: Hertz::mhz(5),
        ..Station::new(66)
    }
}

fn judged(fault: Fault) -> ContactReport {
    let station = station();
    station.mock.set_faults(Faults::seeded(7).with(fault));
    job::contact(None, station.bench(), &mut Nobody).unwrap()
}

/// Contact over a link on which `passes` alters a frame, and says whether it goes out.
fn judged_through(
    station: &Station,
    mut passes: impl FnMut(&mut Frame<'_>) -> bool + Send + 'static,
) -> ContactReport {
    let mut bench = station.bench();
    let link = Altered::new(station.mock.link(), move |link, batch, sck| {
        for frame in batch {
            if passes(frame) {
                link.transfer(std::slice::from_mut(frame), sck)?;
            }
        }
        Ok(())
    });
    bench.way = Way::Link(Box::new(link));
    job::contact(None, bench, &mut Nobody).unwrap()
}

fn kinds(report: &ContactReport) -> Vec<Kind> {
    report.notes.iter().map(|note| note.kind).collect()
}

/// Fills what comes in, by its place behind the opcode.
fn answer(frame: &mut Frame<'_>, byte: impl Fn(usize) -> u8) {
    let mut place = 0;
    for segment in &mut frame.segments {
        if let Segment::In(bytes) | Segment::Exchange(bytes) = segment {
            for (at, into) in bytes.iter_mut().enumerate() {
                *into = byte((place + at).saturating_sub(1));
            }
        }
        place += segment.len();
    }
}

#[test]
fn a_status_that_no_chip_has_is_a_sign() {
    let status = |flips: Flips| {
        let opcode = Some(0x05);
        let report = judged(Fault::Flips(Flips { opcode, ..flips }));
        let sign = report.sign.unwrap();
        assert!(!report.good && sign.kind == Kind::Status, "{sign:?}");
        sign.seen
    };
    let only = Some(Struck::Zeros);
    let all = status(Flips {
        only,
        ..Flips::default()
    });
    assert_eq!(all, "status reads FF, while the ID reads right");
    let changes = status(Flips {
        bits: 0x40,
        rate: 0.5,
        fresh: true,
        ..Flips::default()
    });
    assert!(changes.ends_with("with nothing sent between"), "{changes}");
}

#[test]
fn a_controller_that_drops_cs_is_noted() {
    let report = judged_through(&station(), |frame| {
        let whole = frame.segments.len() == 1;
        if !whole {
            answer(frame, |_| 0xFF);
        }
        whole
    });
    assert!(report.good, "{report:?}");
    assert_eq!(kinds(&report), [Kind::BrokenFrames]);
}

/// JESD216F, 6.2: a part that has SFDP answers 5Ah with its signature.
#[test]
fn a_part_that_should_describe_itself_and_does_not_is_noted() {
    let station = station();
    station.mock.set_sfdp(None);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good && !report.sfdp, "{report:?}");
    assert_eq!(kinds(&report), [Kind::NoSfdp]);
}

/// In a continuous read of two lanes data comes after twelve clocks, so that what is read as an ID is neither
/// one nor an idle line.
#[test]
fn a_chip_whose_id_is_nobodys_is_roused() {
    let mut roused = false;
    let report = judged_through(&station(), move |frame| {
        roused |= match frame.segments.as_slice() {
            [Segment::Out(bytes)] => bytes == &[0xFF, 0xFF],
            [Segment::Exchange(bytes)] => bytes.iter().all(|byte| *byte == 0xFF),
            _ => false,
        };
        if !roused {
            answer(frame, |place| 0x58 + 4 * (place % 32) as u8);
        }
        roused
    });
    assert!(report.good, "{report:?}");
    assert_eq!(kinds(&report), [Kind::ContinuousRead]);
    let seen = &report.notes[0].seen;
    assert_eq!(seen, "the ID read 58 5C 60, and EF 40 14 after FFh");
    assert_eq!(report.jedec_id.as_deref(), Some("EF 40 14"));
}

/// A long erase that ends in the second after the minute.
#[test]
fn a_chip_that_was_busy_was_not_in_continuous_read() {
    for ms in [59_000, 60_500] {
        let report = judged(Fault::Busy { ms });
        assert!(report.good && report.notes.is_empty(), "{ms}: {report:?}");
        let busy_for = report.look.unwrap().busy_for;
        assert!(busy_for.abs_diff(Duration::from_millis(ms)) < Duration::from_secs(1));
    }
}

/// S25FL256S, bank register: EXTADD, bit 7, makes addresses four bytes (001-98283 Rev. *P, from memory). The
/// dedicated opcodes do not tell.
#[test]
fn four_bytes_by_a_bit_of_the_bank_register_are_noted() {
    for (value, noted) in [(0x80, true), (0x01, false)] {
        let mut station = Station::with_part("S25FL256S, 64 KiB sectors", 67);
        station.marking = Some("S25FL256S".into());
        station.sck = Hertz::mhz(2);
        station.supply_read();
        let found = Fault::AddressRegister { value };
        station.mock.set_faults(Faults::none().with(found));
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert!(report.good, "{report:?}");
        let told = kinds(&report).contains(&Kind::FourByteMode);
        assert_eq!(told, noted, "{value:02X}: {report:?}");
    }
}
