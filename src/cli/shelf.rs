//! `shelf`: waits for each unit's clip, types the stages that are due, and says at the end who got how far.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use super::args::{BusArgs, Cli, Command, ShelfArgs};
use super::line::{Line, Report, Step};
use super::look::{Look, complain, say_in_lines, width_of};
use super::node::node;
use super::run::{Answer, once, watcher};
use super::setup::{bytes_of, image as open_image, setup};
use super::show;
use super::stop::Stopping;
use super::typed::Typed;
use crate::interlock::{Acceptable, Held, Interlock};
use crate::job::{self, Exit, Others, Seat, ShelfFile, ShelfUnit, Stage, Stop, Way};
use crate::text::{TextError, TextFault};
use crate::unit::Unit;
use crate::unit::store::{RealStore, Store, hash};

/// How long a hand may take from one unit to the next.
const PATIENCE: Duration = Duration::from_secs(15 * 60);

/// How often the clip is asked for anew where it is on another unit's chip.
const TRIES: u32 = 3;

/// How far one unit came.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shelved {
    pub unit: String,
    /// Stages that were behind it before.
    pub before: Vec<String>,
    /// Stages that were done now.
    pub done: Vec<String>,
    /// The stage that did not end well.
    pub stopped: Option<StoppedStage>,
    /// The interlocks that held it there.
    pub held: Vec<String>,
    /// Stages that are still to come.
    pub due: Vec<String>,
    /// Journal of a write that did not end.
    pub unfinished: Option<String>,
}

/// A stage that did not end well.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct StoppedStage {
    pub stage: String,
    pub exit: Exit,
}

/// How far all came.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ShelfReport {
    pub units: Vec<Shelved>,
    /// Whether the person ended the row.
    pub left: bool,
}

/// A unit and its stages.
struct Place<'a> {
    unit: &'a ShelfUnit,
    bus: BusArgs,
    stages: Vec<(&'a Stage, Command)>,
}

impl Place<'_> {
    /// Names of the stages that `which` picks.
    fn names(&self, which: impl Fn(usize) -> bool) -> Vec<String> {
        let stages = self.stages.iter().enumerate();
        let picked = stages.filter(|(index, _)| which(*index));
        picked
            .map(|(_, (stage, _))| stage.command().to_owned())
            .collect()
    }
}

/// Why a unit's turn ended early.
enum Early {
    /// A stage did; its own screen has said why.
    Stage(String, Exit),
    /// Before any stage could begin.
    Before(Box<Stop>),
}

/// Takes each unit through the stages that are due.
///
/// # Errors
/// A [`Stop`] for a shelf file that cannot be used, before anything is done.
pub fn shelf(args: &ShelfArgs, look: Look) -> Result<Answer, Stop> {
    let name = args.file.display().to_string();
    let file = ShelfFile::parse(&name, bytes_of(&args.file)?)?;
    let mut places = Vec::new();
    let mut faults = Vec::new();
    for unit in &file.units {
        places.push(place(&mut faults, &file, unit, &args.bus));
    }
    if !faults.is_empty() {
        // A stage that is wrong is so for each unit.
        faults.sort_by_key(|fault: &TextFault| (fault.line, fault.column));
        faults.dedup();
        return Err(TextError { file: name, faults }.into());
    }
    let store: Arc<dyn Store> = Arc::new(RealStore::new());
    // What was begun is ended first. The sort is stable.
    let begun = |place: &Place<'_>| {
        job::unfinished_of_unit(Arc::clone(&store), &place.unit.folder).is_some()
    };
    places.sort_by_key(|place| !begun(place));
    // The commands themselves say that they heard.
    let stop = Stopping::watch(|| ()).map_err(|error| {
        Stop::new(Exit::ChipFault, "Signals cannot be caught.", "Try again.").because(error)
    })?;
    let row = Row {
        store,
        look,
        stop,
        places,
    };
    let report = row.walk();
    let exit = report.exit();
    Ok(Answer::new(
        exit,
        show::shelf_row(&report, &name),
        Report::Shelf(&report),
    ))
}

/// The commands of one unit, as they would be typed; what cannot be typed goes to the faults.
fn place<'a>(
    faults: &mut Vec<TextFault>,
    file: &'a ShelfFile,
    unit: &'a ShelfUnit,
    all: &BusArgs,
) -> Place<'a> {
    let mut fault = |(line, column), text| {
        faults.push(TextFault {
            line,
            column,
            part: None,
            text,
        })
    };
    if let Some(mock) = unit.mock.as_ref().filter(|mock| !mock.exists()) {
        fault(
            unit.place,
            format!("there is no bench file '{}'", mock.display()),
        );
    }
    let mut bus = all.clone();
    if unit.mock.is_some() || unit.spidev.is_some() {
        bus = bus.on(unit.spidev.clone(), unit.mock.clone());
    }
    bus.marking = unit.marking.clone().or(bus.marking);
    let others = file
        .units
        .iter()
        .filter(|other| other.folder != unit.folder);
    let others: Vec<PathBuf> = others.map(|other| other.folder.clone()).collect();
    let mut stages = Vec::new();
    for stage in &file.stages {
        let mut words = vec!["norlock".to_owned()];
        words.extend(stage.words_for(&unit.name()));
        words.push(format!("--unit={}", unit.folder.display()));
        if stage.command() != "tailor" {
            let of = |option: &str, path: &Path| format!("--{option}={}", path.display());
            words.extend(bus.mock().map(|path| of("mock", path)));
            words.extend(bus.spidev().map(|path| of("spidev", path)));
        }
        let mut command = match Cli::from_arguments(words) {
            Ok(cli) => cli.command,
            Err(error) => {
                let text = error.to_string();
                let line = text.lines().next().unwrap_or_default();
                let what = line.trim_start_matches("error: ").trim_end_matches('.');
                fault(stage.place, what.to_owned());
                continue;
            }
        };
        if let Some(own) = command.bus_mut() {
            own.or(&bus);
            if own.accept.accept.contains(&Acceptable::SameUnit) {
                let what = "same-unit is accepted of one unit, with its chip in view: give that unit a command \
                            of its own";
                fault(stage.place, what.to_owned());
            }
        }
        if let Command::Backup(args) = &mut command {
            args.beside = Others::of(others.clone());
        }
        stages.push((stage, command));
    }
    Place { unit, bus, stages }
}

/// What the clip is on: units on the same have to be lifted for one another.
fn link(bus: &BusArgs) -> Result<String, Stop> {
    if let Some(mock) = bus.mock() {
        return Ok(mock.display().to_string());
    }
    Ok(match node(bus.spidev(), bus.lanes(), Path::new("/dev"))? {
        Way::Node { path, .. } => path.display().to_string(),
        Way::Link(link) => link.name().to_owned(),
    })
}

/// All units, and whoever watches.
struct Row<'a> {
    store: Arc<dyn Store>,
    look: Look,
    stop: Stopping,
    places: Vec<Place<'a>>,
}

impl Row<'_> {
    fn walk(&self) -> ShelfReport {
        let (mut over, mut seated) = (false, BTreeMap::new());
        let units = self.places.iter().map(|place| {
            let mut shelved = Shelved {
                unit: place.unit.name(),
                before: Vec::new(),
                done: Vec::new(),
                stopped: None,
                held: Vec::new(),
                due: place.names(|_| true),
                unfinished: None,
            };
            let turn = self.due(place).map_err(Early::from).and_then(|due| {
                shelved.before = place.names(|index| !due.contains(&index));
                shelved.due = place.names(|index| due.contains(&index));
                match over {
                    true => Ok(()),
                    false => self.turn(place, &due, &mut seated, &mut shelved),
                }
            });
            if let Err(early) = turn {
                self.ended(early, place, &mut shelved);
            }
            let store = Arc::clone(&self.store);
            shelved.unfinished = job::unfinished_of_unit(store, &place.unit.folder);
            // A write that did not end may have left its chip erasing: nobody lifts that clip now.
            let unended = |stopped: &StoppedStage| stopped.exit == Exit::Unfinished;
            over |= self.stop.asked() || shelved.stopped.as_ref().is_some_and(unended);
            shelved
        });
        ShelfReport {
            units: units.collect(),
            left: self.stop.asked(),
        }
    }

    /// Stages that the unit's folder does not show as behind it. One that leaves nothing to tell by is due
    /// before any that is, and where it stands last.
    fn due(&self, place: &Place<'_>) -> Result<Vec<usize>, Stop> {
        let unit = job::unit_in(&self.store, &place.unit.folder)?;
        let mut due = Vec::new();
        let mut later = None;
        for (index, (stage, command)) in place.stages.iter().enumerate().rev() {
            let behind = match &unit {
                Some(unit) => self.is_behind(unit, stage.command(), command),
                None => Some(false),
            };
            if behind.map_or_else(|| later.unwrap_or(true), |behind| !behind) {
                due.insert(0, index);
            }
            later = Some(later.unwrap_or(false) || behind != Some(true));
        }
        Ok(due)
    }

    fn is_behind(&self, unit: &Unit, stage: &str, command: &Command) -> Option<bool> {
        let path = match command {
            Command::Write(args) => Some(&args.target),
            Command::Verify(args) => Some(&args.image),
            _ => None,
        };
        let opened = path.and_then(|path| {
            let opened = open_image(self.store.as_ref(), Some(unit.folder()), path);
            let (file, name) = opened.ok()?;
            Some((name, hash(file.as_ref()).ok()?.0))
        });
        let (name, digest) = opened.unzip();
        job::is_behind(unit, stage, &name.unwrap_or_default(), digest)
    }

    /// One unit, from the seated clip to its last stage. `seated` has, by link, the bench and the name of the
    /// unit that the clip on it was last seated on.
    fn turn(
        &self,
        place: &Place<'_>,
        due: &[usize],
        seated: &mut BTreeMap<String, (BusArgs, String)>,
        shelved: &mut Shelved,
    ) -> Result<(), Early> {
        let mut bus = place.bus.clone();
        let stages = || due.iter().filter_map(|index| place.stages.get(*index));
        if stages().any(|(_, command)| command.bus().is_some()) {
            let link = link(&bus)?;
            if let Some((before, name)) = seated.get(&link) {
                self.lifted(before, place, name)?;
                seated.remove(&link);
            }
            // Where it is another's chip it may be that of the next, which then need not be lifted.
            self.seat_on(place, &mut bus)?;
            seated.insert(link, (bus.clone(), place.unit.name()));
        }
        for (stage, command) in stages() {
            if self.stop.asked() {
                return Err(Early::Stage(stage.command().to_owned(), Exit::Stopped));
            }
            self.tell(Step::Stage, place, stage.command());
            let mut words = command.clone();
            if let Some(own) = words.bus_mut() {
                own.attested.clone_from(&bus.attested);
            }
            let (exit, told) = once(words, self.look);
            if exit != Exit::True {
                shelved.held = interlocks(&told);
                return Err(Early::Stage(stage.command().to_owned(), exit));
            }
            shelved.due.remove(0);
            shelved.done.push(stage.command().to_owned());
        }
        Ok(())
    }

    /// Waits until the clip is off the unit that it was on.
    fn lifted(&self, bus: &BusArgs, place: &Place<'_>, name: &str) -> Result<(), Stop> {
        self.tell(
            Step::Lift,
            place,
            &format!("take the clip off {name}: signals, supply, then the clip"),
        );
        match self.wait(Seat::Lifted, setup(bus, None)?.bench)? {
            true => Ok(()),
            false => Err(not_moved(
                "The clip was not lifted.",
                &format!("what is read now would still be {name}"),
            )),
        }
    }

    /// Seats the clip on the unit; where it is on another's chip, says so and asks for it again.
    fn seat_on(&self, place: &Place<'_>, bus: &mut BusArgs) -> Result<(), Stop> {
        for _ in 1..TRIES {
            let Err(stop) = self.seat(place, bus) else {
                return Ok(());
            };
            if self.stop.asked() {
                return Err(stop);
            }
            let another = |held: &Held| held.interlock == Interlock::SameUnit;
            if !stop.held.iter().any(another) {
                return Err(stop);
            }
            self.complain(place, &stop);
            // Why it is not this unit's turn counts, not that the clip stays.
            self.lifted(bus, place, "that chip").map_err(|_| stop)?;
        }
        self.seat(place, bus)
    }

    /// Has the bench attested, waits for the clip, and looks whose chip it is on.
    fn seat(&self, place: &Place<'_>, bus: &mut BusArgs) -> Result<(), Stop> {
        self.tell(Step::Seat, place, "seat the clip");
        // Said of another seating, it says nothing of this one.
        bus.attested = None;
        let bench = setup(bus, Some(&place.unit.folder))?.bench;
        bus.attested = Some(bench.said.clone());
        if !self.wait(Seat::Seated, bench)? {
            return Err(not_moved(
                "The clip was not seated.",
                "nothing answered steadily",
            ));
        }
        let unit = job::unit_in(&self.store, &place.unit.folder)?;
        let mut others = Vec::new();
        for other in &self.places {
            if other.unit.folder != place.unit.folder {
                others.extend(job::unit_in(&self.store, &other.unit.folder)?);
            }
        }
        let bench = setup(bus, Some(&place.unit.folder))?.bench;
        job::not_of_others(unit.as_ref(), &others, bench, &mut watcher(self.look)?)
    }

    fn wait(&self, wanted: Seat, bench: job::Bench) -> Result<bool, Stop> {
        // Between two commands nobody else has heard it.
        if self.stop.asked() {
            let next = "The same command goes on from here.";
            return Err(Stop::new(Exit::Stopped, "Stopped between two units.", next));
        }
        let watcher = watcher(self.look)?;
        job::wait_for(wanted, bench, PATIENCE, &watcher, &mut |seat| {
            if self.look.json || seat == wanted {
                return;
            }
            complain(match seat {
                Seat::Lifted => "  nothing answers yet",
                Seat::Unsteady => "  something answers, not steadily",
                Seat::Seated => "  a chip still answers",
            });
        })
    }

    /// Says why a unit's turn ended early.
    fn ended(&self, early: Early, place: &Place<'_>, shelved: &mut Shelved) {
        let (stage, exit, why) = match early {
            Early::Stage(stage, exit) => (stage, exit, exit.meaning().to_owned()),
            Early::Before(stop) => {
                let store = Arc::clone(&self.store);
                let mut stop = job::in_unit(store, &place.unit.folder, *stop);
                let typed = place.stages.first().map(|(_, command)| Typed::of(command));
                stop.next = typed.unwrap_or_default().fill(&stop.next);
                self.complain(place, &stop);
                shelved.held = interlocks(&serde_json::json!(stop));
                let next = shelved.due.first().cloned().unwrap_or_default();
                (next, stop.exit, stop.headline)
            }
        };
        if self.look.json {
            self.tell(Step::Stopped, place, &why);
        }
        shelved.stopped = Some(StoppedStage { stage, exit });
    }

    fn complain(&self, place: &Place<'_>, stop: &Stop) {
        if self.look.json {
            let of = &place.unit.name();
            Line::HeldUp { of, stop }.say();
        } else {
            complain(
                show::stop(stop)
                    .render(false, width_of(&std::io::stderr()))
                    .trim_end(),
            );
        }
    }

    /// A line about one unit; as JSON, an event.
    fn tell(&self, step: Step, place: &Place<'_>, words: &str) {
        let unit = place.unit.name();
        if self.look.json {
            let of = &unit;
            Line::Turn { of, step, words }.say();
        } else {
            let number = self.places.iter().position(|one| one.unit == place.unit);
            let number = number.map_or(1, |index| index + 1);
            let text = format!("{unit}, {number} of {}: {words}.", self.places.len());
            say_in_lines(&text);
        }
    }
}

impl From<Stop> for Early {
    fn from(stop: Stop) -> Self {
        Self::Before(Box::new(stop))
    }
}

/// The interlocks that a stop names, as data.
fn interlocks(stop: &serde_json::Value) -> Vec<String> {
    let held = stop.get("held").and_then(serde_json::Value::as_array);
    let names = held
        .into_iter()
        .flatten()
        .filter_map(|held| held.get("interlock")?.as_str());
    names.map(str::to_owned).collect()
}

fn not_moved(headline: &str, means: &str) -> Stop {
    let minutes = PATIENCE.as_secs() / 60;
    let next = "Give the same command again when there is time; it goes on with this unit.";
    Stop::new(Exit::ChipFault, headline, next)
        .row("seen", format!("not within {minutes} minutes"))
        .row("means", means)
}

impl ShelfReport {
    /// What the command ends with: a journal that did not end counts most, then a person who stopped, then
    /// the first stage that did not end well.
    fn exit(&self) -> Exit {
        if self.units.iter().any(|unit| unit.unfinished.is_some()) {
            return Exit::Unfinished;
        }
        if self.left {
            return Exit::Stopped;
        }
        let mut stopped = self.units.iter().filter_map(|unit| unit.stopped.as_ref());
        stopped.next().map_or(Exit::True, |stopped| stopped.exit)
    }
}
