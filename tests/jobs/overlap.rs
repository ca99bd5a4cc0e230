//! What is read is worked on beside the bus where the link's time is real: jobs end as they do in turn,
//! also where something fails.

use norlock::jedec::Hertz;
use norlock::job::{self, Attendant, Exit, Nobody, Stop, Task, VerifyOrder, VerifyReport};
use norlock::link::{Guard, Purpose, Trace};
use norlock::mock::{Failure, Fault, Faults, Flips};
use norlock::unit::store::{Action, Fails};

use crate::real_time::real_time;
use crate::station::Station;

/// 1 MiB, as the region map of the tests has it.
fn gauge(real_time: bool) -> Station {
    Station {
        real_time,
        ..Station::new(31)
    }
}

/// 256 KiB.
fn small(real_time: bool) -> Station {
    Station {
        real_time,
        marking: Some("W25Q20RLSNIG".into()),
        ..Station::with_part("W25Q20RL", 31)
    }
}

fn verify(station: &Station, attendant: &mut dyn Attendant) -> Result<VerifyReport, Stop> {
    let unit = station.unit();
    let image = unit.open_image(&unit.baseline().unwrap()).unwrap();
    let order = VerifyOrder::whole(image.as_ref(), 2);
    job::verify(&order, Some(&unit), station.bench(), attendant)
}

/// What `run` gives in turn, which has to be what it gives beside the bus.
fn both<T>(what: &str, station: fn(bool) -> Station, run: impl Fn(&Station) -> T) -> T
where
    T: PartialEq + std::fmt::Debug,
{
    let [in_turn, beside] = [false, true].map(|real_time| run(&station(real_time)));
    let words = |ended: &T| format!("{ended:?}").chars().take(600).collect::<String>();
    assert!(
        in_turn == beside,
        "{what}, in turn: {}\nbeside the bus: {}",
        words(&in_turn),
        words(&beside)
    );
    in_turn
}

/// What lies between a chip and its link passes on that the link's time is real.
#[test]
fn guard_trace_and_box_pass_it_on() {
    for real in [false, true] {
        let link = real_time(small(false).mock.link(), |_, _, _| {}).taking_time(real);
        let guard = Guard::new(Box::new(Trace::new(link, drop)), Purpose::Read);
        assert_eq!(guard.takes_time(), real);
    }
}

/// How a backup ends; nothing may be kept of one that is stopped.
fn backed_up(station: &Station) -> Result<(), (Exit, String)> {
    let ended = station.backup().map(drop);
    station.files.fail_no_more();
    assert_eq!(station.unit().images().len(), usize::from(ended.is_ok()));
    ended.map_err(|stop| (stop.exit, format!("{stop:?}")))
}

#[test]
fn whole_jobs_send_and_keep_the_same() {
    both("backup and write", gauge, |station| {
        let backup = station.backup().unwrap();
        station.map();
        station.tailor(77);
        let write = station.write().unwrap();
        let told = (backup.reads.sha256, backup.reads.time(), write.time);
        let names = ["as-found.bin", "as-found.sha256", "target.bin"];
        let kept = names.map(|name| station.image(name));
        assert_eq!(kept[2], station.cells());
        (station.trace.lock().unwrap().clone(), told, kept)
    });
}

#[test]
fn what_differs_is_found_alike() {
    let found = both("verify", small, |station| {
        station.backup().unwrap();
        for at in [5, 0x03_FFFF, 0x01_1000] {
            station.mock.set_truth(at, &[0xA5]).unwrap();
        }
        let report = verify(station, &mut Nobody).unwrap();
        (report.differing, report.differences, report.blocks)
    });
    assert_eq!(found.0, [3, 3]);
    let refused = both("flipped bits", small, |station| {
        let flips = Fault::Flips(Flips {
            rate: 1e-4,
            above_sck: Some(Hertz::mhz(15)),
            ..Flips::default()
        });
        station.mock.set_faults(Faults::seeded(4).with(flips));
        backed_up(station)
    });
    assert!(matches!(refused, Err((Exit::Held, _))), "{refused:?}");
}

/// Number of the fortieth call of this kind on the image, while a backup reads.
fn fortieth(action: Action) -> usize {
    let station = small(false);
    station.backup().unwrap();
    let log = station.files.log();
    let of_image = log
        .iter()
        .enumerate()
        .filter(|(_, (what, path))| *what == action && path.ends_with("as-found.bin.unfinished"));
    of_image.map(|(call, _)| call).nth(40).unwrap()
}

#[test]
fn a_file_that_fails_counts_before_a_link_that_fails_behind_it() {
    for action in [Action::Write, Action::Read] {
        let call = fortieth(action);
        let alone = small(false);
        alone.files.fail_at(call, 5, Fails::Once);
        let stop = backed_up(&alone).unwrap_err();
        assert_eq!(stop.0, Exit::FileFault, "{stop:?}");
        let batches = alone.mock.counters().batches;
        let mut ends = Vec::new();
        for at_batch in batches - 4..batches + 3 {
            let ended = both(&format!("{action:?}, batch {at_batch}"), small, |station| {
                station.files.fail_at(call, 5, Fails::Once);
                station.mock.set_faults(Faults::none().with(Fault::Link {
                    at_batch,
                    error: Failure::Errno(5),
                    lasting: false,
                }));
                backed_up(station)
            });
            ends.push(ended.unwrap_err().0);
        }
        for exit in [Exit::ChipFault, Exit::FileFault] {
            assert!(ends.contains(&exit), "{action:?}: {ends:?}");
        }
    }
}

/// Asks to stop once so many bytes of a pass are read.
struct StopAt {
    pass: &'static str,
    bytes: u64,
    now: (&'static str, u64),
}

impl Attendant for StopAt {
    fn begins(&mut self, task: &Task) {
        self.now = (task.name, 0);
    }
    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.now.1 = done;
    }
    fn ends(&mut self, _words: &str) {
        self.now.0 = "";
    }
    fn stop_asked(&self) -> bool {
        self.now.0 == self.pass && self.now.1 >= self.bytes
    }
}

#[test]
fn a_stop_is_heard_while_a_byte_is_left_to_read() {
    let size = small(false).cells().len() as u64;
    for (bytes, heard) in [(1, true), (size / 2, true), (size, false)] {
        let pass = "second pass";
        both(pass, small, |station| {
            station.backup().unwrap();
            let now = ("", 0);
            let ended = verify(station, &mut StopAt { pass, bytes, now });
            match ended {
                Ok(report) => assert!(!heard && report.is_equal(), "{bytes}"),
                Err(stop) => assert!(heard && stop.exit == Exit::Stopped, "{stop:?}"),
            }
            station.trace.lock().unwrap().clone()
        });
    }
}
