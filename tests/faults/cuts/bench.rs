//! A unit ready to be written, and one run of a job on it.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use norlock::interlock::{Acceptances, Attestation, Power};
use norlock::jedec::Hertz;
use norlock::job::{
    self, Bench, Nobody, Offline, RestoreOrder, Stop, Way, WriteOrder, WriteReport,
};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Fault, Faults, Mock};
use norlock::part::Catalogue;
use norlock::unit::journal::Contents;
use norlock::unit::store::{Loss, SimulatedStore, Store};
use norlock::unit::witness::WitnessedStore;
use norlock::unit::{Digest, Recorded, Unit};

use super::geometry::Geometry;
use super::id::{Cut, Job};
use super::wire::{Moment, Seen, TraceHash, Wire};
use crate::station::part;

const FOLDER: &str = "/bench/gauge-07";
const TARGET: &str = "/bench/target.bin";
/// Seed of times and torn results; each operation draws its own from it.
const SEED: u64 = 7;

/// Chip and files at one moment.
#[derive(Clone)]
pub struct State {
    pub mock: Mock,
    pub files: SimulatedStore,
    /// What the chip is like while nothing fails.
    faults: Faults,
}

impl State {
    /// The same, apart from this one.
    pub fn fork(&self) -> Self {
        Self {
            mock: self.mock.fork().unwrap(),
            files: self.files.fork(),
            faults: self.faults.clone(),
        }
    }

    /// The supply will fail in the `ahead`th modifying frame from here.
    pub fn set_cut(&self, ahead: u64, cut: &Cut) {
        let fault = Fault::PowerCut {
            at_operation: self.mock.modifying_operations() + ahead,
            torn: cut.torn,
        };
        self.mock.set_faults(self.faults.clone().with(fault));
    }

    /// Supply and computer are back: no process of before, nothing announced.
    pub fn power_up(&self) {
        self.mock.set_faults(self.faults.clone());
        self.mock.power_up();
        self.mock.monitor().uncover(0..u32::MAX);
        self.files.fail_no_more();
    }

    /// Outcome and chip of the last operation in unit.toml, read as text: a case is to be short.
    fn last_noted(&self) -> [String; 2] {
        let bytes = self.files.read(&Path::new(FOLDER).join("unit.toml"));
        let text = String::from_utf8(bytes.unwrap()).unwrap();
        let last = text.rfind("\noutcome = ").map_or("", |at| &text[at..]);
        ["\noutcome = \"", "\nchip = \""].map(|key| {
            let value = last.split_once(key).map_or("", |(_, rest)| rest);
            value.split('"').next().unwrap_or_default().to_owned()
        })
    }

    /// Whether the newest journal did not end.
    fn is_unfinished(&self) -> bool {
        let folder = Path::new(FOLDER).join("journal");
        let Ok(names) = self.files.list(&folder) else {
            return false;
        };
        let number = |name: &str| name.strip_prefix("write-")?.parse::<u32>().ok();
        let newest = names.iter().filter_map(|entry| number(&entry.name)).max();
        newest.is_some_and(|number| {
            let path = folder.join(format!("write-{number}"));
            let contents = Contents::decode(&path, &self.files.read(&path).unwrap());
            !contents.is_ok_and(|contents| contents.end.is_some())
        })
    }

    /// The status register, and whether a read with three address bytes, as the chip is found, gives the
    /// lowest cells: no mode or address register was left set.
    fn stands(&self) -> (u8, bool) {
        let (mut status, mut low) = ([0], [0; 16]);
        let mut link = self.mock.fork().unwrap().link();
        for (ask, answer) in [
            (&[0x05][..], &mut status[..]),
            (&[0x03, 0, 0, 0][..], &mut low[..]),
        ] {
            let frame = Frame::new(vec![Segment::Out(ask), Segment::In(answer)]);
            link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
        }
        (status[0], self.mock.holds(0, &low))
    }

    fn store(&self) -> Arc<dyn Store> {
        let inner: Arc<dyn Store> = Arc::new(self.files.clone());
        let sync_time = Duration::from_millis(5);
        Arc::new(WitnessedStore::beside(inner, &self.mock, sync_time))
    }
}

/// What one run left to look at.
pub struct Run {
    pub result: Result<WriteReport, Stop>,
    pub seen: Seen,
}

/// A unit with a backup, a map and a target, its chip as found.
pub struct Subject {
    pub geometry: Geometry,
    catalogue: Catalogue,
    unit_data: Arc<Vec<u8>>,
    paper: Offline,
    pub start: State,
}

impl Subject {
    pub fn ready(geometry: Geometry) -> Self {
        let catalogue = geometry.catalogue();
        let described = part(&catalogue, &geometry.part);
        assert_eq!(described.size_bytes as usize, geometry.found.len());
        let start = State {
            mock: Mock::new(described),
            files: SimulatedStore::new(),
            faults: geometry.faults(Faults::seeded(SEED)),
        };
        start.mock.set_limits(geometry.limits());
        start.mock.set_faults(start.faults.clone());
        start.mock.set_truth(0, &geometry.found).unwrap();
        start.files.create_folder(Path::new("/bench")).unwrap();
        start
            .files
            .replace(Path::new(TARGET), &geometry.target)
            .unwrap();
        let hashes = vec![Digest::of(&geometry.found).to_string()];
        let subject = Self {
            unit_data: Arc::new(geometry.found[geometry.unit_data()].to_vec()),
            catalogue,
            paper: Offline {
                folder: None,
                hashes,
            },
            start,
            geometry,
        };
        let mut unit = Unit::open_or_create(subject.start.store(), Path::new(FOLDER)).unwrap();
        let wire = subject.wire(&subject.start, TraceHash::default(), None);
        job::backup(&mut unit, subject.bench(wire), &mut Nobody).unwrap();
        drop(unit);
        let map = Path::new(FOLDER).join("regions.toml");
        let regions = subject.geometry.regions();
        subject
            .start
            .files
            .replace(&map, regions.as_bytes())
            .unwrap();
        subject
    }

    pub fn wire(&self, state: &State, trace: TraceHash, dies: Option<Loss>) -> Wire {
        let at = self.geometry.unit_data().start as u32;
        Wire::new(state, (at, &self.unit_data), trace, dies)
    }

    fn bench(&self, wire: Wire) -> Bench {
        Bench {
            way: Way::Link(Box::new(wire.link())),
            level: None,
            sck: Hertz::mhz(20),
            said: Attestation {
                power: Some(Power::Clip),
                denied: Vec::new(),
                marking: Some(self.geometry.marking.clone()),
                supply: None,
            },
            accepted: Acceptances::new(Vec::new()),
            catalogue: self.catalogue.clone(),
            size_bytes: None,
            trace: None,
        }
    }

    /// Runs a job to its end, as a command would.
    pub fn run(&self, job: Job, state: &State, wire: Wire) -> Run {
        let seen: Arc<Mutex<Seen>> = wire.seen();
        let before = state.mock.modifying_operations();
        let result = self.carry_out(job, state, wire);
        let mut seen = Arc::into_inner(seen).unwrap().into_inner().unwrap();
        let taken = state.mock.modifying_operations() - before;
        seen.wrong += u64::from(taken != seen.modifying);
        Run { result, seen }
    }

    fn carry_out(&self, job: Job, state: &State, wire: Wire) -> Result<WriteReport, Stop> {
        let mut unit = Unit::open(state.store(), Path::new(FOLDER))?;
        let (offline, bench) = (self.paper.clone(), self.bench(wire));
        let lift_protection = self.geometry.lifts;
        match job {
            Job::Write => {
                let order = WriteOrder {
                    target: state.files.open(Path::new(TARGET))?,
                    target_name: "target.bin".into(),
                    offline,
                    lift_protection,
                };
                job::write(&mut unit, order, bench, &mut Nobody)
            }
            Job::Restore => {
                let order = RestoreOrder {
                    to: 1,
                    offline,
                    lift_protection,
                    ..RestoreOrder::default()
                };
                job::restore(&mut unit, &order, bench, &mut Nobody)
            }
        }
    }

    /// The moments of a run that is not cut, for as many cuts of it.
    pub fn moments(
        &self,
        job: Job,
        state: &State,
        trace: TraceHash,
    ) -> Result<Vec<Moment>, String> {
        let wire = self.wire(state, trace, None).keeping_moments();
        let run = self.run(job, state, wire);
        run.result.map_err(|stop| format!("it stopped: {stop:?}"))?;
        Ok(run.seen.moments)
    }

    /// The state in which `moment` leaves chip and files when the supply fails in its batch; both have
    /// their supply again.
    pub fn cut_at(&self, moment: &Moment, cut: &Cut) -> Result<(State, TraceHash), String> {
        let (state, trace) = moment.again();
        state.set_cut(cut.at + 1 - moment.numbers.start(), cut);
        let wire = self.wire(&state, trace, cut.loss);
        let sent = moment.send(&wire);
        if !matches!(sent, Err(norlock::link::LinkError::PowerCut { .. })) {
            return Err(format!("the supply did not fail: {sent:?}"));
        }
        let seen = wire.seen();
        let seen = seen.lock().unwrap();
        if seen.wrong > 0 {
            return Err("unit data was changed by the cut".into());
        }
        state.power_up();
        Ok((state, seen.trace))
    }

    /// What unit.toml has noted.
    pub fn operations(&self, state: &State) -> Vec<Recorded> {
        let unit = Unit::view(state.store(), Path::new(FOLDER)).unwrap();
        unit.file().operations.clone()
    }

    /// What has to hold after a run that was not cut.
    pub fn check_end(&self, job: Job, state: &State, run: &Run) -> Result<(), String> {
        let holds = match job {
            Job::Write => &self.geometry.target,
            Job::Restore => &self.geometry.found,
        };
        let report = run.result.as_ref();
        report.map_err(|stop| format!("it stopped: {stop:?}"))?;
        let image = state.files.open(&Path::new(FOLDER).join("as-found.bin"));
        let mut kept = vec![0; self.geometry.found.len()];
        let kept = image.and_then(|image| image.read_exact_at(0, &mut kept).map(|()| kept));
        let told = match job {
            Job::Write => "the chip holds target.bin",
            Job::Restore => "the chip holds as-found.bin",
        };
        let last = state.last_noted();
        // Never 'nothing to change': a journal tells of every cut, and is to be ended.
        let truthful = last == [told, "changed as asked, complete"];
        let all = [
            (
                state.stands() == (self.start.stands().0, true),
                "protection, mode or address register are not as found",
            ),
            (state.mock.holds(0, holds), "the chip holds something else"),
            (
                run.seen.wrong == 0,
                "unit data was changed, or a frame ignored",
            ),
            (
                state.mock.monitor().violations() == 0,
                "an erase or program went out without a record",
            ),
            (
                kept.is_ok_and(|bytes| bytes == self.geometry.found),
                "the backup was altered",
            ),
            (!state.is_unfinished(), "the journal is unfinished"),
            (truthful, "unit.toml does not say how it ended"),
        ];
        match all.iter().find(|(holds, _)| !holds) {
            Some((_, what)) => Err((*what).to_owned()),
            None => Ok(()),
        }
    }
}
