//! All cases of a job, in as many threads as there are cores.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering::Relaxed};
use std::thread;

use norlock::mock::Torn;

use super::bench::{State, Subject};
use super::geometry::Geometry;
use super::id::{Case, Cut, Job};
use super::replay;
use super::wire::{Moment, TraceHash};

/// Bad cases that are printed.
const PRINTED: u64 = 20;
/// Of so many first cuts that are cut again, one is also recovered from by `restore` with cuts.
const RESTORED_ONE_IN: usize = 31;
/// Chips up to this size are cheap enough for each case to end in both ways.
const CHEAP_BYTES: usize = 1 << 20;

/// How often the supply fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    One,
    Two,
}

/// Which cases are gone through.
pub struct Series {
    depth: Depth,
    /// Of the first cuts only each so manyth is cut again.
    again_one_in: usize,
    /// Of those only each so manyth also in a recovery by `restore`.
    restored_one_in: usize,
}

#[derive(Debug, Default)]
pub struct Count {
    pub cases: u64,
    pub bad: u64,
}

/// Counts cases of one geometry and says which were bad.
struct Tally<'a> {
    subject: &'a Subject,
    cases: AtomicU64,
    bad: AtomicU64,
}

impl Series {
    /// All cuts, or with `NORLOCK_CUTS_ONE_IN=N` of the first cuts only each Nth.
    pub fn at(depth: Depth) -> Self {
        let one_in = std::env::var("NORLOCK_CUTS_ONE_IN").ok();
        Self {
            depth,
            again_one_in: one_in.map_or(1, |text| text.parse().expect("a number")),
            restored_one_in: RESTORED_ONE_IN,
        }
    }

    /// Few enough for every day.
    pub fn quick() -> Self {
        Self {
            depth: Depth::Two,
            again_one_in: 41,
            restored_one_in: 1,
        }
    }

    pub fn run(&self, geometries: Vec<Geometry>) -> Count {
        let mut sum = Count::default();
        for geometry in geometries {
            let start = std::time::Instant::now();
            let subject = Subject::ready(geometry);
            let count = self.of(&subject);
            let name = subject.geometry.name;
            let time_s = start.elapsed().as_secs_f64();
            println!(
                "{name}: {} cases, {} bad, {time_s:.1} s",
                count.cases, count.bad
            );
            sum.cases += count.cases;
            sum.bad += count.bad;
        }
        sum
    }

    fn of(&self, subject: &Subject) -> Count {
        let tally = Tally {
            subject,
            cases: AtomicU64::new(0),
            bad: AtomicU64::new(0),
        };
        let written = subject.start.fork();
        let none = TraceHash::default();
        let moments = subject.moments(Job::Write, &written, none).unwrap();
        let cheap = subject.geometry.found.len() <= CHEAP_BYTES;
        self.each_cut(&moments, |number, moment, cut| {
            let state = subject.cut_at(moment, cut);
            let first = (Job::Write, *cut);
            self.go_on(&tally, number, first, state, cheap);
            if cheap && self.depth == Depth::One || number % RESTORED_ONE_IN == 1 {
                tally.alive(cut);
            }
        });
        if cheap {
            let moments = subject.moments(Job::Restore, &written, none).unwrap();
            self.each_cut(&moments, |_, moment, cut| {
                let id = tally.case(&[(Job::Restore, *cut)], Job::Restore);
                tally.judge(&id, || {
                    let (state, trace) = subject.cut_at(moment, cut)?;
                    tally.end(Job::Restore, &state, trace).map(drop)
                });
            });
        }
        Count {
            cases: tally.cases.into_inner(),
            bad: tally.bad.into_inner(),
        }
    }

    /// Does `work` for each cut of a run.
    fn each_cut(&self, moments: &[Moment], work: impl Fn(usize, &Moment, &Cut) + Sync) {
        let cuts: Vec<(&Moment, Cut)> = cuts(moments).collect();
        let next = AtomicUsize::new(0);
        let threads = thread::available_parallelism().map_or(1, usize::from);
        thread::scope(|scope| {
            for _ in 0..threads {
                scope.spawn(|| {
                    loop {
                        let number = next.fetch_add(1, Relaxed);
                        let Some((moment, cut)) = cuts.get(number) else {
                            break;
                        };
                        work(number, moment, cut);
                    }
                });
            }
        });
    }

    /// From a first cut on: by the same command and back, and where it is asked for with another cut.
    fn go_on(
        &self,
        tally: &Tally<'_>,
        number: usize,
        first: (Job, Cut),
        state: Result<(State, TraceHash), String>,
        both: bool,
    ) {
        let again = self.depth == Depth::Two && number % self.again_one_in == 0;
        let restored = number / self.again_one_in % self.restored_one_in == 0;
        for job in [Job::Write, Job::Restore] {
            let turn = (job == Job::Write) == (number % 2 == 0);
            let wanted = both || turn;
            let also_cut = again && (job == Job::Write || restored);
            if !wanted {
                continue;
            }
            let id = tally.case(&[first], job);
            let mut moments = Vec::new();
            tally.judge(&id, || {
                let (state, trace) = state.clone()?;
                let (state, keeps) = (state.fork(), also_cut);
                moments = tally.end_keeping(job, &state, trace, keeps)?;
                Ok(())
            });
            for (moment, cut) in cuts(&moments) {
                // Where a write was to be finished, now and then it is undone instead.
                let back = job == Job::Restore || (cut.at as usize + place(cut.torn)) % 8 == 0;
                let last = if back { Job::Restore } else { Job::Write };
                let id = tally.case(&[first, (job, cut)], last);
                tally.judge(&id, || {
                    let (state, trace) = tally.subject.cut_at(moment, &cut)?;
                    tally.end(last, &state, trace).map(drop)
                });
            }
        }
    }
}

fn place(torn: Torn) -> usize {
    Torn::ALL.iter().position(|one| *one == torn).unwrap()
}

/// All cuts of a run, with the moment before each.
fn cuts(moments: &[Moment]) -> impl Iterator<Item = (&Moment, Cut)> {
    moments.iter().flat_map(|moment| {
        let each = moment.numbers.clone();
        each.flat_map(move |at| Torn::ALL.map(|torn| (moment, Cut::turn(at, torn))))
    })
}

impl Tally<'_> {
    fn case(&self, cut: &[(Job, Cut)], last: Job) -> Case {
        Case {
            geometry: self.subject.geometry.name.to_owned(),
            cut: cut.to_vec(),
            last,
        }
    }

    /// Counts a case, and prints how it is replayed if it ends badly.
    fn judge(&self, id: &Case, case: impl FnOnce() -> Result<(), String>) {
        self.cases.fetch_add(1, Relaxed);
        let outcome = catch_unwind(AssertUnwindSafe(case));
        let why = match outcome {
            Ok(Ok(())) => return,
            Ok(Err(why)) => why,
            Err(_) => "it panicked, see above".into(),
        };
        if self.bad.fetch_add(1, Relaxed) < PRINTED {
            println!("bad: {id}: {why}\n  {}", replay::command(id));
        }
    }

    /// The last run of a case; gives its trace.
    fn end(&self, job: Job, state: &State, trace: TraceHash) -> Result<TraceHash, String> {
        let wire = self.subject.wire(state, trace, None);
        let run = self.subject.run(job, state, wire);
        self.subject.check_end(job, state, &run)?;
        Ok(run.seen.trace)
    }

    /// The same, with its moments if they are wanted.
    fn end_keeping(
        &self,
        job: Job,
        state: &State,
        trace: TraceHash,
        keeps: bool,
    ) -> Result<Vec<Moment>, String> {
        let mut wire = self.subject.wire(state, trace, None);
        if keeps {
            wire = wire.keeping_moments();
        }
        let run = self.subject.run(job, state, wire);
        self.subject.check_end(job, state, &run)?;
        Ok(run.seen.moments)
    }

    /// Only the chip loses its supply: a run that is really cut, and says so.
    fn alive(&self, cut: &Cut) {
        let cut = Cut { loss: None, ..*cut };
        let last = if cut.at % 2 == 0 {
            Job::Write
        } else {
            Job::Restore
        };
        let id = self.case(&[(Job::Write, cut)], last);
        self.judge(&id, || replay::really(self.subject, &id).map(drop));
    }
}
