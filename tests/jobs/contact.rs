//! How far up the SCK ladder the reads stay right, and what a bad contact looks like.

use std::cell::Cell;
use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::job::{self, Attendant, ContactReport, ContactWishes, Exit, Kind, Nobody, Task};
use norlock::link::Link;
use norlock::mock::{Fault, Faults, Flips, Mock, Struck};

use crate::station::Station;

fn judged(fault: Option<Fault>, sck_mhz: u32) -> ContactReport {
    let station = Station {
        sck: Hertz::mhz(sck_mhz),
        ..Station::new(60)
    };
    let faults = fault.into_iter().fold(Faults::seeded(7), Faults::with);
    station.mock.set_faults(faults);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert_eq!(station.mock.modifying_operations(), 0);
    report
}

fn above(mhz: u32, rate: f64) -> Flips {
    Flips {
        rate,
        above_sck: Some(Hertz::mhz(mhz)),
        ..Flips::default()
    }
}

fn mhz(report: &ContactReport) -> Vec<u32> {
    report
        .ladder
        .iter()
        .map(|rung| rung.sck.0 / 1_000_000)
        .collect()
}

#[test]
fn a_good_clip_is_proven_up_to_the_sck_asked_for() {
    for asked in [1, 10, 20, 33, 50] {
        let report = judged(None, asked);
        assert!(report.good && report.sign.is_none(), "{report:?}");
        assert_eq!(report.proven, Some(Hertz::mhz(asked)));
        assert_eq!(report.chosen, Some(Hertz::mhz(asked)));
        assert_eq!(mhz(&report).first(), Some(&asked));
        assert_eq!(mhz(&report).last(), Some(&1));
        assert!(
            report
                .ladder
                .iter()
                .all(|rung| rung.same == rung.reads && rung.reads > 64)
        );
    }
}

#[test]
fn the_ladder_ends_where_the_link_does() {
    let station = Station {
        sck: Hertz::mhz(50),
        ..Station::new(60)
    };
    let mut limits = norlock::link::Link::limits(&station.mock.link());
    limits.sck_max = Hertz::mhz(16);
    station.mock.set_limits(limits);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert_eq!(mhz(&report), [16, 10, 5, 2, 1]);
    // Not the one asked for: one step below.
    assert_eq!(
        (report.proven, report.chosen),
        (Some(Hertz::mhz(16)), Some(Hertz::mhz(10)))
    );
    assert_eq!(report.ends_at, Some("the link's limit"));
}

/// W25Q80DV Rev. K: 104 MHz, and 50 MHz for 03h.
#[test]
fn the_ladder_ends_where_the_part_does() {
    let station = Station {
        sck: Hertz::mhz(200),
        ..Station::new(60)
    };
    let mut limits = norlock::link::Link::limits(&station.mock.link());
    limits.sck_max = Hertz::mhz(300);
    station.mock.set_limits(limits);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert_eq!(report.ends_at, Some("the part's limit"), "{report:?}");
    assert_eq!(report.proven, Some(report.ladder[0].sck));
    assert_eq!(judged(None, 20).ends_at, None);
}

#[test]
fn wires_too_long_for_the_sck_asked_for_are_told_at_any_rate() {
    for rate in [0.0001, 0.01, 1.0] {
        for fresh in [false, true] {
            let flips = Flips {
                fresh,
                ..above(15, rate)
            };
            let report = judged(Some(Fault::Flips(flips)), 20);
            assert!(report.good, "{rate}: {report:?}");
            assert_eq!(mhz(&report), [20, 10, 5, 2, 1]);
            assert_eq!(report.proven, Some(Hertz::mhz(10)), "{rate}: {report:?}");
            assert_eq!(report.chosen, Some(Hertz::mhz(5)));
        }
    }
}

#[test]
fn bits_that_fail_in_the_array_alone_count() {
    let flips = Flips {
        opcode: Some(0x0B),
        ..above(4, 0.001)
    };
    let report = judged(Some(Fault::Flips(flips)), 50);
    assert_eq!(report.proven, Some(Hertz::mhz(2)), "{report:?}");
    assert_eq!(report.chosen, Some(Hertz::mhz(1)));
}

#[test]
fn a_rung_is_not_proven_above_one_that_failed() {
    let mut flips = above(4, 0.01);
    flips.up_to_sck = Some(Hertz::mhz(7));
    let report = judged(Some(Fault::Flips(flips)), 20);
    let right: Vec<bool> = report.ladder.iter().map(job::Rung::is_right).collect();
    assert_eq!(right, [false, true, true]);
    assert_eq!(report.proven, Some(Hertz::mhz(2)));
    assert_eq!(mhz(&report), [5, 2, 1]);
}

#[test]
fn only_the_lowest_is_right_and_half_of_it_is_advised() {
    let report = judged(Some(Fault::Flips(above(1, 0.01))), 20);
    assert_eq!(report.proven, Some(Hertz::mhz(1)));
    assert_eq!(report.chosen, Some(Hertz(500_000)));
}

#[test]
fn where_no_rung_is_right_the_contact_is_bad() {
    let fresh = |opcode, rate| Flips {
        opcode,
        rate,
        fresh: true,
        ..Flips::default()
    };
    for flips in [
        fresh(None, 0.01),
        fresh(Some(0x03), 0.001),
        fresh(Some(0x0B), 0.001),
    ] {
        let report = judged(Some(Fault::Flips(flips)), 20);
        assert!(!report.good && report.proven.is_none(), "{report:?}");
        assert!(report.sign.is_some(), "{report:?}");
    }
    // What only fast reads show is found by the ladder, which then stands beside the sign.
    let report = judged(Some(Fault::Flips(fresh(Some(0x0B), 0.001))), 20);
    assert_eq!(report.ladder.len(), 1);
    assert!(report.sign.unwrap().seen.contains("even at 1 MHz"));
}

#[test]
fn an_unknown_part_is_judged_by_id_and_sfdp() {
    let station = Station::new(60);
    station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
    station.mock.set_sfdp(None);
    let spoil = |flips| {
        station
            .mock
            .set_faults(Faults::seeded(7).with(Fault::Flips(flips)));
        job::contact(None, station.bench(), &mut Nobody).unwrap()
    };
    let report = spoil(above(15, 0.01));
    assert_eq!((report.good, report.part), (true, None));
    assert_eq!(report.proven, Some(Hertz::mhz(10)));
    assert!(report.ladder.iter().all(|rung| rung.reads == 128));
    let array_only = Flips {
        opcode: Some(0x03),
        ..above(15, 0.5)
    };
    assert_eq!(spoil(array_only).proven, Some(Hertz::mhz(20)));
}

// EF 40 14 is the W25Q80DV's answer to 9Fh (W25Q80DV Rev. K, 8.1.1 manufacturer and device ID).
#[test]
fn a_stuck_bit_is_named() {
    for (bit, high, seen) in [
        (7, true, "EF C0 94"),
        (6, true, "EF 40 54"),
        (5, true, "EF 60 34"),
        (3, true, "EF 48 1C"),
        (2, false, "EB 40 10"),
        (6, false, "AF 00 14"),
    ] {
        let report = judged(Some(Fault::StuckBit { bit, high }), 20);
        assert!(!report.good);
        let sign = report.sign.unwrap();
        assert_eq!(sign.kind, Kind::StuckBit);
        let sign = sign.seen;
        let says = format!("bit {bit} of every byte reads {}", u8::from(high));
        assert!(sign.contains(&says) && sign.contains(seen), "{sign}");
    }
}

#[test]
fn an_unknown_id_that_only_resembles_one_is_no_stuck_bit() {
    let station = Station::new(60);
    // As EF 40 14 with bit 3 at 1, while the status register reads it as 0.
    station.mock.set_jedec_id(vec![0xEF, 0x48, 0x1C]);
    station.mock.set_sfdp(None);
    let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
    assert!(report.good && report.part.is_none(), "{report:?}");
}

#[test]
fn one_bit_struck_by_flips_is_a_stuck_bit_as_well() {
    let flips = Flips {
        bits: 0x80,
        only: Some(Struck::Zeros),
        ..Flips::default()
    };
    let report = judged(Some(Fault::Flips(flips)), 20);
    assert!(
        report
            .sign
            .unwrap()
            .seen
            .contains("bit 7 of every byte reads 1")
    );
}

/// About a minute at the slowest, also on a blank chip, where each address line takes the most tries; and what
/// is claimed is what was read.
#[test]
fn a_slow_clock_ends_within_a_minute_and_claims_less() {
    for hz in [1_000, 10_000, 100_000, 1_000_000] {
        for blank in [false, true] {
            let station = Station {
                sck: Hertz(hz),
                ..Station::new(60)
            };
            if blank {
                station.mock.set_truth(0, &vec![0xFF; 1 << 20]).unwrap();
            }
            let before = station.mock.now();
            let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
            let taken = station.mock.now() - before;
            println!("{hz} Hz: {taken:?}, {} bits", report.ladder[0].bits);
            assert!(taken < Duration::from_secs(60), "{hz} Hz: {taken:?}");
            assert!(report.good, "{report:?}");
            let [rung] = report.ladder.as_slice() else {
                panic!("{report:?}");
            };
            assert_eq!((rung.sck, report.proven), (Hertz(hz), Some(Hertz(hz))));
            assert_eq!(rung.fewer_than_one_in(), Some(rung.bits / 3));
            let trace = station.trace.lock().unwrap();
            let came_in: usize = trace.iter().map(|sent| sent.read_bytes * 8).sum();
            assert!(rung.bits > 5_000 && rung.bits < came_in as u64, "{rung:?}");
            // One answer in fifty that is wrong shows even there, most often.
            assert!(report.evidence.ids.0 >= 16, "{report:?}");
        }
        let station = Station {
            sck: Hertz(hz),
            ..Station::new(60)
        };
        let fresh = Flips {
            rate: 0.01,
            fresh: true,
            ..Flips::default()
        };
        station
            .mock
            .set_faults(Faults::seeded(7).with(Fault::Flips(fresh)));
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert!(!report.good, "{hz}: {report:?}");
    }
}

/// Somebody who asks to stop from some question on, and takes the link time between two questions.
struct StopsAt<'a> {
    mock: &'a Mock,
    at: u32,
    asked: Cell<u32>,
    last: Cell<Duration>,
    longest: Cell<Duration>,
}

impl<'a> StopsAt<'a> {
    fn new(mock: &'a Mock, at: u32) -> Self {
        let (asked, last, longest) = (Cell::default(), Cell::new(mock.now()), Cell::default());
        Self {
            mock,
            at,
            asked,
            last,
            longest,
        }
    }
}

impl Attendant for StopsAt<'_> {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        let now = self.mock.now();
        let since = now - self.last.replace(now);
        self.longest.set(self.longest.get().max(since));
        self.asked.set(self.asked.get() + 1);
        self.asked.get() >= self.at
    }
}

#[test]
fn at_the_slowest_clock_too_a_person_is_heard_within_seconds() {
    let of_id = |id: &[u8]| {
        let station = Station {
            sck: Hertz(1000),
            ..Station::new(60)
        };
        station.mock.set_jedec_id(id.to_vec());
        station
    };
    for station in [of_id(&[0xEF, 0x40, 0x14]), of_id(&[0x5A, 0x12, 0x34])] {
        for reset in [false, true] {
            let mut person = StopsAt::new(&station.mock, u32::MAX);
            let mut tell = |_, _| {};
            let wishes = ContactWishes {
                reset,
                watch: reset.then_some(&mut tell),
            };
            let ended = job::contact_as_wished(None, station.bench(), wishes, &mut person);
            assert!(ended.unwrap().good);
            let longest = person.longest.get();
            assert!(longest < Duration::from_secs(2), "{reset}: {longest:?}");
        }
    }
}

#[test]
fn a_clock_that_no_link_makes_is_refused() {
    let station = Station {
        sck: Hertz(999),
        ..Station::new(60)
    };
    let stop = job::contact(None, station.bench(), &mut Nobody).unwrap_err();
    assert_eq!(stop.exit, Exit::Usage);
    assert_eq!(stop.headline, "SCK cannot be 999 Hz here.");
    assert_eq!(stop.next, "Give --sck 1kHz or more.");
    assert!(station.backup().is_err());
    assert!(station.trace.lock().unwrap().is_empty());
}

#[test]
fn a_person_who_stops_is_heard_between_two_reads() {
    let large = || {
        let mut station = Station::with_part("W25Q256JV", 62);
        station.marking = Some("25Q256JVEIQ".into());
        station.supply_read();
        station
    };
    let small = || Station::new(60);
    // The large one takes longer, and what is to be put back is there late.
    let busy = Faults::none().with(Fault::Busy { ms: 100_000 });
    let benches = [
        (small(), Faults::none(), 1000, 1),
        (large(), Faults::none(), 1000, 500),
        (small(), busy, 800, 1),
    ];
    for (station, faults, least, from) in benches {
        let run = |at| {
            station.mock.set_faults(faults.clone());
            let mut person = StopsAt::new(&station.mock, at);
            let ended = job::contact(None, station.bench(), &mut person);
            station.mock.set_faults(Faults::none());
            Link::wait(&mut station.mock.link(), Duration::from_secs(100));
            (ended, person.asked.get())
        };
        let (ended, asks) = run(u32::MAX);
        ended.unwrap();
        assert!(asks > least, "{asks} asks");
        let places = [1, 20, 280, 300, asks * 2 / 3, asks];
        for at in places.into_iter().filter(|at| *at >= from) {
            let (ended, asked) = run(at);
            assert_eq!(ended.unwrap_err().exit, Exit::Stopped, "{at} of {asks}");
            assert_eq!(asked, at, "of {asks}");
        }
        // The chip was left as it was found each time.
        let report = job::contact(None, station.bench(), &mut Nobody).unwrap();
        assert!(report.good && report.notes.is_empty(), "{report:?}");
    }
}
