//! Writing at the wire's speed: how many messages a page takes, and how long the chip waits for the next one.
//!
//! All times are the simulated bench's. The floor is what the chip was busy, what has to go over the wire, what
//! the messages cost and the journal's syncs; what is above it is time in which the chip stood ready. Looks that
//! found it busy are not counted in the floor, nor messages of such looks alone: they lie within the busy time.

use std::path::Path;
use std::time::Duration;

use norlock::job::{self, Attendant, Task};
use norlock::link::{Limits, Link, Sent};
use norlock::mock::{Counters, Faults, Mock, Times};
use norlock::part::Catalogue;
use norlock::unit::store::Store;

use crate::small;
use crate::station::{Station, code, part};

/// Page program times as in the chip table, typical and maximum in us, and whether the made-up part has a
/// ready flag besides.
const KINDS: [(&str, bool); 6] = [
    ("120, 1800", false),
    ("400, 3000", false),
    ("700, 3000", false),
    ("1400, 3000", false),
    ("2000, 20000", false),
    ("500, 5000", true),
];

/// Opcodes of programs and of looks at a busy chip.
const PROGRAM: u8 = 0x02;
const LOOKS: [u8; 2] = [0x05, 0x70];

/// Notes clock and counters where writing begins and where it ends.
struct Writing {
    mock: Mock,
    at: Vec<(Duration, Counters)>,
    writes: bool,
}

impl Attendant for Writing {
    fn begins(&mut self, task: &Task) {
        self.writes = task.name == "writing";
        if self.writes {
            self.at.push((self.mock.now(), self.mock.counters()));
        }
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {
        if self.writes {
            self.at.push((self.mock.now(), self.mock.counters()));
        }
    }
    fn stop_asked(&self) -> bool {
        false
    }
}

/// A 64 KiB unit of a made-up part with a backup, a map, and a target that rewrites 192 pages.
fn small_unit(times_us: &str, flagged: bool, seed: u64) -> Station {
    let parts = small::PARTS.replacen("800, 3000", times_us, 1);
    let parts = match flagged {
        true => parts.replacen("\"winbond\"", "\"micron\"\nbusy = \"flag-status\"", 1),
        false => parts,
    };
    let catalogue = Catalogue::builtin().unwrap();
    let catalogue = catalogue.with_user_file(&parts, "harbour.toml").unwrap();
    let station = Station {
        mock: Mock::new(part(&catalogue, "HB25Q512")),
        marking: Some("HB25Q512".into()),
        catalogue,
        ..Station::new(seed)
    };
    let found = code(seed, small::SIZE);
    station.mock.set_truth(0, &found).unwrap();
    station.backup().unwrap();
    let map = station.folder.join("regions.toml");
    station
        .files
        .replace(&map, small::REGIONS.as_bytes())
        .unwrap();
    let mut target = code(seed + 1, 0xC000);
    target.extend(&found[0xC000..]);
    station
        .files
        .replace(Path::new("/bench/target.bin"), &target)
        .unwrap();
    station
}

/// What writing took, as it is judged here.
#[derive(Debug)]
struct Figures {
    messages_per_page: f64,
    over_floor: f64,
}

impl Figures {
    fn of(station: &Station, writing: &Writing) -> Self {
        let [(began, before), (ended, after)] = writing.at[..] else {
            panic!("written {} times", writing.at.len() / 2);
        };
        let sent = station.trace.lock().unwrap();
        let seen = Seen::of(&sent);
        let overhead = (after.overhead - before.overhead) / (after.batches - before.batches) as u32;
        let floor = (after.busy - before.busy)
            + (after.wire - before.wire - seen.useless)
            + (after.overhead - before.overhead - overhead * seen.useless_messages)
            + (after.sync - before.sync);
        Self {
            messages_per_page: seen.programming as f64 / (after.programs - before.programs) as f64,
            over_floor: (ended - began).as_secs_f64() / floor.as_secs_f64(),
        }
    }
}

/// What the trace of a write shows.
#[derive(Default)]
struct Seen {
    /// Messages that program, or look whether that is done.
    programming: usize,
    /// Messages of nothing but looks that found the chip busy.
    useless_messages: u32,
    /// Time on the wire of all looks that found it busy.
    useless: Duration,
}

impl Seen {
    fn of(sent: &[Sent]) -> Self {
        let (mut seen, mut programs) = (Self::default(), false);
        for message in sent.chunk_by(|a, b| a.at == b.at) {
            let looks = message.iter().all(|frame| LOOKS.contains(&frame.out[0]));
            programs = match looks {
                true => programs,
                false => message.iter().any(|frame| frame.out[0] == PROGRAM),
            };
            seen.programming += usize::from(programs);
            let busy = |frame: &Sent| frame.out == [0x05] && frame.read[0] & 1 == 1;
            for frame in message.iter().filter(|frame| busy(frame)) {
                seen.useless += Duration::from_secs_f64(16.0 / f64::from(frame.sck.0));
            }
            seen.useless_messages += u32::from(looks && message.iter().any(busy));
        }
        seen
    }
}

fn write(station: &Station, target: &str) -> Figures {
    station.trace.lock().unwrap().clear();
    let mut writing = Writing {
        mock: station.mock.clone(),
        at: Vec::new(),
        writes: false,
    };
    let order = job::WriteOrder {
        target: station.files.open(Path::new(target)).unwrap(),
        target_name: "target.bin".into(),
        offline: station.paper(),
        lift_protection: false,
    };
    job::write(&mut station.unit(), order, station.bench(), &mut writing).unwrap();
    let cells = station.files.read(Path::new(target)).unwrap();
    assert!(station.cells() == cells);
    Figures::of(station, &writing)
}

/// A link with spidev's limits: each segment is counted as whole transfer buffers.
fn spidev(station: &Station, bufsiz: usize) {
    station.mock.set_limits(Limits {
        batch_out_bytes: bufsiz,
        batch_in_bytes: bufsiz,
        segment_align_bytes: 128,
        ..station.mock.link().limits()
    });
    station.mock.set_overhead(Duration::from_micros(30));
}

#[test]
fn pages_go_in_few_messages_and_the_chip_hardly_waits() {
    for (number, (times_us, flagged)) in KINDS.into_iter().enumerate() {
        for seed in [3, 4, 5] {
            let bufsiz = [4096, 65536][(number + seed as usize) % 2];
            let station = small_unit(times_us, flagged, seed);
            spidev(&station, bufsiz);
            station.mock.set_pace(seed);
            station.mock.set_faults(Faults::seeded(seed));
            let figures = write(&station, "/bench/target.bin");
            println!("{times_us} us, chip {seed}, bufsiz {bufsiz}: {figures:?}");
            let good = figures.messages_per_page <= 1.6 && figures.over_floor <= 1.06;
            assert!(
                good,
                "{times_us} us, chip {seed}, bufsiz {bufsiz}: {figures:?}"
            );
        }
    }
}

/// A unit of 1 MiB, 1360 pages and a part of the chip table.
#[test]
fn a_long_write_comes_nearer_to_the_floor() {
    let station = Station::ready(1);
    spidev(&station, 4096);
    let figures = write(&station, "/bench/gauge-07/target.bin");
    println!("{figures:?}");
    assert!(figures.messages_per_page <= 1.4, "{figures:?}");
    assert!(figures.over_floor <= 1.04, "{figures:?}");
}

/// What was learnt is no bound: the same unit, with a chip that takes other times than it began with.
#[test]
fn a_chip_that_changes_its_pace_is_written_right() {
    for (first, then) in [(Times::Typical, Times::Max), (Times::Max, Times::Typical)] {
        let station = small_unit("700, 3000", false, 6);
        station.mock.set_times(first);
        let mut changes = Changes {
            mock: station.mock.clone(),
            then,
        };
        let order = job::WriteOrder {
            target: station.files.open(Path::new("/bench/target.bin")).unwrap(),
            ..station.order_for("as-found.bin")
        };
        job::write(&mut station.unit(), order, station.bench(), &mut changes).unwrap();
        let target = station.files.read(Path::new("/bench/target.bin")).unwrap();
        assert!(station.cells() == target, "{first:?} {then:?}");
        // And back, with all that is slow from the beginning.
        station.restore(1).unwrap();
        assert!(station.cells() == station.image("as-found.bin"));
    }
}

/// Changes the chip's times behind the second block.
struct Changes {
    mock: Mock,
    then: Times,
}

impl Attendant for Changes {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, done: u64, place: Option<&str>) {
        if done == 2 && place.is_some() {
            self.mock.set_times(self.then);
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}
