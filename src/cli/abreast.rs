//! Several units at once, each on a chip select of its own, in a thread of its own.

use std::path::Path;
use std::sync::Arc;
use std::thread;

use indicatif::{MultiProgress, ProgressDrawTarget};
use serde::Serialize;

use super::args::Command;
use super::line::Report;
use super::look::Look;
use super::progress::Teller;
use super::run::{Answer, Ended, conclude, worked};
use super::setup::setup;
use super::show;
use super::stop::Stopping;
use super::typed::Typed;
use crate::job::{Exit, Others, Stop};

/// What a unit has of its own, and what it shares with the others, while all are worked on.
#[derive(Debug, Clone)]
pub struct Lane {
    /// The unit's name, which its progress goes by.
    pub unit: String,
    /// The waterlines of all.
    pub bars: MultiProgress,
    /// The one wish to stop.
    pub stop: Arc<Stopping>,
}

/// How each unit ended.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AbreastReport {
    /// In the order of the command line.
    pub units: Vec<UnitEnd>,
}

/// How one unit ended.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UnitEnd {
    /// Its name.
    pub unit: String,
    /// Its exit code.
    pub exit: Exit,
}

/// Works on each unit as its own command would. One that fails leaves the others as they are.
pub fn abreast(mut commands: Vec<Command>, look: Look) -> Exit {
    let name = commands.first().map_or("", Command::name);
    let result = lanes(&mut commands, look).map(|()| {
        // All questions come before any work: nobody can answer for one chip while another is read.
        let ready: Vec<_> = commands.into_iter().map(attested).collect();
        let ends: Vec<_> = thread::scope(|scope| {
            let threads: Vec<_> = ready
                .into_iter()
                .map(|(command, ready)| scope.spawn(move || one(command, ready, look)))
                .collect();
            let ends = threads.into_iter().map(|thread| thread.join());
            ends.map(|end| end.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
                .collect()
        });
        let shown = ends.into_iter().map(|end| end.shown(look));
        let report = AbreastReport {
            units: shown.collect(),
        };
        let told = match name {
            "verify" => Report::VerifyOfSeveral(&report),
            _ => Report::BackupOfSeveral(&report),
        };
        Answer::new(report.exit(), show::abreast(&report), told)
    });
    conclude(Ended::untouched(name, result), look).0
}

/// Gives each command its lane, and to a backup the others that its chip must not be.
fn lanes(commands: &mut [Command], look: Look) -> Result<(), Stop> {
    let bars = MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(10));
    let teller = Teller::beside(look.progress, &bars);
    let stop = Stopping::watch(move || teller.stopping()).map_err(|error| {
        Stop::new(Exit::ChipFault, "Signals cannot be caught.", "Try again.").because(error)
    })?;
    let stop = Arc::new(stop);
    let folders = commands.iter().filter_map(Command::unit);
    let folders: Vec<_> = folders.map(Path::to_owned).collect();
    for (command, others) in commands.iter_mut().zip(Others::at_once(&folders)) {
        let unit = Typed::of(command)
            .unit_name()
            .unwrap_or_default()
            .to_owned();
        if let Command::Backup(args) = command {
            args.beside = others;
        }
        if let Some(bus) = command.bus_mut() {
            bus.abreast = Some(Lane {
                unit,
                bars: bars.clone(),
                stop: Arc::clone(&stop),
            });
        }
    }
    Ok(())
}

/// What is said of the unit's bench, on a terminal by the person who is asked.
fn attested(mut command: Command) -> (Command, Result<(), Stop>) {
    let said = command
        .bus()
        .map(|bus| setup(bus, command.unit()).map(|setup| setup.bench.said));
    let ready = match said {
        Some(Ok(said)) => {
            if let Some(bus) = command.bus_mut() {
                bus.attested = Some(said);
            }
            Ok(())
        }
        Some(Err(stop)) => Err(stop),
        None => Ok(()),
    };
    (command, ready)
}

/// How one unit ended, and its answer where that is still to be shown.
struct End {
    unit: String,
    exit: Exit,
    answer: Option<Ended>,
}

impl End {
    /// On a screen one answer comes behind the other, and behind all waterlines.
    fn shown(self, look: Look) -> UnitEnd {
        let exit = match self.answer {
            Some(answer) => conclude(answer.headed(), look).0,
            None => self.exit,
        };
        let unit = self.unit;
        UnitEnd { unit, exit }
    }
}

/// One unit, from its first clock to its end. A program is told at once.
fn one(command: Command, ready: Result<(), Stop>, look: Look) -> End {
    let lane = command.bus().and_then(|bus| bus.abreast.as_ref());
    let unit = lane.map(|lane| lane.unit.clone()).unwrap_or_default();
    let ended = worked(command, ready, look);
    let (exit, answer) = match look.json {
        true => (conclude(ended, look).0, None),
        false => (ended.exit(), Some(ended)),
    };
    End { unit, exit, answer }
}

impl AbreastReport {
    /// The worst of all, whatever the order of the units.
    fn exit(&self) -> Exit {
        const WORST_FIRST: [Exit; 7] = [
            Exit::Unfinished,
            Exit::Stopped,
            Exit::FileFault,
            Exit::ChipFault,
            Exit::Held,
            Exit::Usage,
            Exit::Different,
        ];
        let any = |wanted: &Exit| self.units.iter().any(|unit| unit.exit == *wanted);
        WORST_FIRST.into_iter().find(any).unwrap_or(Exit::True)
    }
}
