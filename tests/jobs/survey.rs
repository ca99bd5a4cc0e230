//! Surveys: what they call a fault, what they guess, and how they go on.

use norlock::job::{self, Attendant, Exit, Nobody, Stop, SurveyReport, Task, Verdict};
use norlock::mock::{Fault, Faults};
use norlock::unit::Digest;
use norlock::unit::store::Store;
use statrs::distribution::{Binomial, DiscreteCDF};

use crate::station::{Station, code};
use crate::suspects::{is_right, of_strength, surveyed};

/// Seeds of the tests; those that thresholds were set with, and those of the benchmark, are others.
const SEED: u64 = 500_000;

fn small(seed: u64) -> Station {
    let mut station = Station::with_part("IS25LQ512B", seed);
    station.unreadable();
    station
}

fn survey(station: &Station, passes: u32) -> Result<SurveyReport, Stop> {
    job::survey(&mut station.unit(), passes, station.bench(), &mut Nobody)
}

/// The whole set is judged by `cargo bench -p benches --bench survey`; these few are plain, and none may be missed.
#[test]
fn plain_faults_are_called_by_their_name() {
    for class in Verdict::ALL {
        for seed in SEED..SEED + 2 {
            let suspect = of_strength(class, seed, 4.0);
            let report = surveyed(&suspect);
            let said = report.as_ref().map(|report| &report.findings);
            assert!(
                is_right(&suspect, report.as_ref()),
                "{}: {said:?}",
                suspect.what
            );
        }
    }
}

#[test]
fn a_steady_unit_is_steady_and_its_guess_the_truth() {
    let station = small(1);
    let report = survey(&station, 6).unwrap();
    assert_eq!(report.verdict(), Verdict::Steady);
    assert!(report.confidence.is_empty() && report.toss_ups == 0);
    let guess = station.image("survey-1/best-guess.bin");
    assert_eq!(guess, station.cells());
    assert_eq!(report.sha256, Digest::of(&guess));
    let last = station.unit().file().operations.last().unwrap().clone();
    assert_eq!(last.command, "survey");
    assert_eq!(last.conditions["survey"], "survey-1");
    assert_eq!(last.chip, "untouched");
}

/// The share of wrong bits, and of wrong groups of eight, is that of the binomial formula (NIST/SEMATECH
/// e-Handbook of Statistical Methods, 1.3.6.6.18, by the crate statrs); of ties half are wrong.
#[test]
fn the_majority_errs_as_often_as_the_binomial_formula_says() {
    for (passes, chance, seed) in [(7_u32, 0.3, 1), (8, 0.25, 2)] {
        let station = small(seed);
        station
            .mock
            .set_faults(Faults::seeded(seed).with(Fault::WeakCells {
                addresses: 0..1 << 16,
                bits: 1,
                chance,
            }));
        let report = survey(&station, passes).unwrap();
        assert_eq!(report.voters, u64::from(passes));
        let (guess, cells) = (station.image("survey-1/best-guess.bin"), station.cells());
        let wrong: Vec<bool> = guess
            .iter()
            .zip(&cells)
            .map(|(one, two)| one != two)
            .collect();
        let n = u64::from(passes);
        // The simulated chip strikes a byte first, one of its bits then, and others besides.
        let struck = 1.0 - (1.0 - chance).powi(8);
        let binomial = Binomial::new(struck * (1.0 + 7.0 * chance) / 8.0, n).unwrap();
        let more = binomial.sf(n / 2);
        let ties = if n % 2 == 0 {
            binomial.sf(n / 2 - 1) - more
        } else {
            0.0
        };
        let errs = more + ties / 2.0;
        let near = |count: usize, of: usize, p: f64, what: &str| {
            let (mean, spread) = (of as f64 * p, (of as f64 * p * (1.0 - p)).sqrt());
            let off = (count as f64 - mean) / spread;
            assert!(
                off.abs() < 5.0,
                "{what} of {n}, seed {seed}: {count}, expected {mean:.0}, {off:.1} sigma"
            );
        };
        near(
            wrong.iter().filter(|wrong| **wrong).count(),
            wrong.len(),
            errs,
            "bits",
        );
        let groups = wrong.chunks(8);
        let right = groups
            .filter(|group| group.iter().all(|wrong| !wrong))
            .count();
        near(right, wrong.len() / 8, (1.0 - errs).powi(8), "groups");
    }
}

/// With the clock at fault most passes are wrong, and the guess is what the others say.
#[test]
fn where_most_passes_err_with_the_clock_the_others_vote() {
    let suspect = of_strength(Verdict::Clock, SEED + 7, 8.0);
    let report = surveyed(&suspect).unwrap();
    assert_eq!(report.verdict(), Verdict::Clock, "{}", suspect.what);
    assert!(report.voters < 24 && report.toss_ups == 0);
    let passes: u32 = report.sck.iter().map(|one| one.passes).sum();
    assert_eq!((report.sck.len() > 1, passes), (true, report.passes));
    assert!(report.sck.is_sorted_by(|one, next| one.sck > next.sck));
    let guess = suspect.station.image("survey-1/best-guess.bin");
    assert!(guess == suspect.station.cells(), "{}", suspect.what);
}

/// Stops at a byte of the whole survey.
struct StopAt(u64, u64);

impl Attendant for StopAt {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.1 = done;
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.1 >= self.0
    }
}

#[test]
fn an_interrupted_survey_goes_on_and_says_the_same() {
    let station = || {
        let station = small(3);
        station
            .mock
            .set_faults(Faults::seeded(3).with(Fault::WeakCells {
                addresses: 0x3234..0x3236,
                bits: 4,
                chance: 0.3,
            }));
        station
    };
    let whole = survey(&station(), 12).unwrap();
    let station = station();
    for (at, pass) in [(0x2_8000, 3), (0x5_0001, 6)] {
        let mut stop_at = StopAt(at, 0);
        let stop = job::survey(&mut station.unit(), 12, station.bench(), &mut stop_at).unwrap_err();
        assert_eq!(stop.exit, Exit::Stopped);
        assert_eq!(stop.headline, format!("Stopped in pass {pass} of 12."));
    }
    let report = survey(&station, 12).unwrap();
    assert_eq!((report.survey.as_str(), report.had), ("survey-1", 5));
    assert_eq!(report.verdict(), whole.verdict());
    assert_eq!(report.verdict(), Verdict::WeakCells);
    assert_eq!(report.unsteady_bits, 2);
    let names = station
        .files
        .list(&station.folder.join("survey-1"))
        .unwrap();
    let passes = names.iter().filter(|entry| entry.name.starts_with("pass-"));
    assert_eq!(passes.count(), 12);
    assert!(
        names
            .iter()
            .all(|entry| !entry.name.ends_with("unfinished")),
        "{names:?}"
    );
    assert_eq!(survey(&station, 12).unwrap().survey, "survey-2");
}

#[test]
fn a_disk_without_room_is_met_before_the_first_pass() {
    let station = small(4);
    station.unit();
    station.files.set_capacity_bytes(Some(3 << 16));
    let stop = survey(&station, 6).unwrap_err();
    assert_eq!(stop.exit, Exit::FileFault);
    assert!(stop.headline.contains("No room"), "{stop:?}");
}

/// What a survey meets while the contact fails for a moment costs a pass, not the survey.
#[test]
fn a_contact_that_is_lost_for_a_moment_is_told() {
    let station = small(10);
    let miso = Fault::LooseContact {
        shows: norlock::mock::Miso::High,
        from_frame: 300,
        frames: Some(25),
    };
    station.mock.set_faults(Faults::seeded(1).with(miso));
    station.mock.set_truth(0, &code(3, 1 << 16)).unwrap();
    let report = survey(&station, 6).unwrap();
    assert_eq!(report.verdict(), Verdict::Dead, "{:?}", report.findings);
    assert!(
        report.findings[0].reason.contains("contact lost"),
        "{:?}",
        report.findings
    );
}

/// Puts a chip with another ID of its own on the clip once so much was read.
struct Swaps(Station, u64, [u8; 16]);

impl Attendant for Swaps {
    fn begins(&mut self, _task: &Task) {}
    fn at(&mut self, done: u64, _place: Option<&str>) {
        if done >= self.1 {
            self.0.mock.set_unique_id(self.2.to_vec());
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

/// Neither does a survey go on with another chip of the kind, nor is a pass kept that may be another's.
/// The unit has no backup, and with it no ID.
#[test]
fn a_survey_is_of_one_chip() {
    let mine: [u8; 16] = *b"tide gauge, no 7";
    let other: [u8; 16] = *b"tide gauge, no 8";
    let station = small(11);
    station.mock.set_unique_id(mine.to_vec());
    let mut stop_at = StopAt(0x2_8000, 0);
    job::survey(&mut station.unit(), 6, station.bench(), &mut stop_at).unwrap_err();
    station.mock.set_unique_id(other.to_vec());
    let stop = survey(&station, 6).unwrap_err();
    assert_eq!(stop.exit, Exit::Held);
    assert_eq!(stop.held[0].interlock.id(), "same-unit", "{stop:?}");
    assert!(
        stop.held[0]
            .seen
            .ends_with("has 74 69 64 65 20 67 61 75 67 65 2C 20 6E 6F 20 37")
    );
    station.mock.set_unique_id(mine.to_vec());
    let (mut unit, bench) = (station.unit(), station.bench());
    let mut swaps = Swaps(station, 0x3_8000, other);
    let stop = job::survey(&mut unit, 6, bench, &mut swaps).unwrap_err();
    drop(unit);
    assert_eq!(stop.exit, Exit::ChipFault);
    assert!(stop.headline.starts_with("Another chip"), "{stop:?}");
    let station = swaps.0;
    station.mock.set_unique_id(mine.to_vec());
    let report = survey(&station, 6).unwrap();
    assert_eq!((report.survey.as_str(), report.had), ("survey-1", 3));
    assert_eq!(report.verdict(), Verdict::Steady);
}

/// An ID that comes now so, now so is nobody's: a bad contact is what surveys are for.
#[test]
fn an_unsteady_id_is_no_other_chip() {
    let station = small(12);
    let flips = norlock::mock::Flips {
        opcode: Some(0x4B),
        rate: 0.2,
        fresh: true,
        ..norlock::mock::Flips::default()
    };
    station
        .mock
        .set_faults(Faults::seeded(12).with(Fault::Flips(flips.clone())));
    assert_eq!(survey(&station, 6).unwrap().verdict(), Verdict::Steady);
    let later = norlock::mock::Flips {
        from_frame: 260,
        ..flips
    };
    station
        .mock
        .set_faults(Faults::seeded(12).with(Fault::Flips(later)));
    assert_eq!(survey(&station, 6).unwrap().survey, "survey-2");
}

/// Stops once the passes are read.
struct StopsBehind {
    surveying: bool,
    stops: bool,
}

impl Attendant for StopsBehind {
    fn begins(&mut self, task: &Task) {
        self.surveying = task.name == "survey";
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {}
    fn ends(&mut self, _words: &str) {
        self.stops |= self.surveying;
    }
    fn stop_asked(&self) -> bool {
        self.stops
    }
}

/// What is told of each task: its name, what there is to do, and how far it was told to have come.
#[derive(Default)]
struct Listens(Vec<(&'static str, u64, Vec<u64>)>);

impl Attendant for Listens {
    fn begins(&mut self, task: &Task) {
        self.0.push((task.name, task.total, Vec::new()));
    }
    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.0.last_mut().unwrap().2.push(done);
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

/// 24 passes of 64 MiB take minutes to judge on a small computer.
#[test]
fn how_far_the_judging_is_can_be_seen() {
    let station = small(14);
    let mut listens = Listens::default();
    job::survey(&mut station.unit(), 6, station.bench(), &mut listens).unwrap();
    let [(survey, ..), (judging, total, told)] = listens.0.as_slice() else {
        panic!("{:?}", listens.0);
    };
    assert_eq!((*survey, *judging), ("survey", "judging"));
    assert!(told.len() > 20 && told.is_sorted(), "{told:?}");
    assert!(told.iter().any(|done| done * 2 > *total));
    assert!(told.iter().all(|done| done <= total));
}

/// Stops at a share of the judging, in sixteenths; notes when, and how far it was told of after that.
#[derive(Default)]
struct StopsJudging {
    share: u64,
    total: u64,
    stopped_at: Option<u64>,
    last: u64,
}

impl Attendant for StopsJudging {
    fn begins(&mut self, task: &Task) {
        self.total = if task.name == "judging" {
            task.total
        } else {
            0
        };
    }
    fn at(&mut self, done: u64, _place: Option<&str>) {
        if self.total > 0 {
            self.last = done;
            let stops = done * 16 >= self.total * self.share;
            self.stopped_at = self.stopped_at.or(stops.then_some(done));
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        self.stopped_at.is_some()
    }
}

/// The first half of the judging counts, the second votes: each stops where it is.
#[test]
fn counting_and_voting_stop_where_they_are() {
    for share in [4, 12] {
        let station = small(15);
        let mut stops = StopsJudging {
            share,
            ..StopsJudging::default()
        };
        let stop = job::survey(&mut station.unit(), 6, station.bench(), &mut stops).unwrap_err();
        assert_eq!(stop.exit, Exit::Stopped, "{share}");
        assert_eq!(stops.stopped_at, Some(stops.last), "{share} of 16");
    }
}

#[test]
fn a_verdict_that_was_stopped_comes_when_it_is_asked_for_again() {
    let station = small(13);
    let mut attendant = StopsBehind {
        surveying: false,
        stops: false,
    };
    let stop = job::survey(&mut station.unit(), 6, station.bench(), &mut attendant).unwrap_err();
    assert_eq!(stop.exit, Exit::Stopped);
    assert!(stop.headline.contains("before the verdict"), "{stop:?}");
    let report = survey(&station, 6).unwrap();
    assert_eq!((report.survey.as_str(), report.had), ("survey-1", 6));
    let folder = station.folder.join("survey-1");
    let names = station.files.list(&folder).unwrap();
    assert!(names.iter().all(|entry| !entry.name.contains("unfinished")));
}
