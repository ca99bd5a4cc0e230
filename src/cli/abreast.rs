//! Several units at once, each on a chip select of its own, in a thread of its own.

use std::path::Path;
use std::sync::Arc;
use std::thread;

use indicatif::{MultiProgress, ProgressDrawTarget};
use serde::Serialize;

use super::args::Command;
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
pub struct AbreastReport {
    /// In the order of the command line.
    pub units: Vec<UnitEnd>,
}

/// How one unit ended.
#[derive(Debug, Serialize)]
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
        let units = thread::scope(|scope| {
            let threads: Vec<_> = ready
                .into_iter()
                .map(|(command, ready)| scope.spawn(move || one(command, ready, look)))
                .collect();
            let ends = threads.into_iter().map(|thread| thread.join());
            ends.map(|end| end.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
                .collect()
        });
        let report = AbreastReport { units };
        Answer::new(report.exit(), show::abreast(&report), &report)
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
    let others = Others::of(folders.map(Path::to_owned).collect());
    for command in commands {
        let unit = Typed::of(command)
            .unit_name()
            .unwrap_or_default()
            .to_owned();
        if let Command::Backup(args) = command {
            args.beside = others.without(&args.unit);
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

/// One unit, from its first clock to its answer.
fn one(command: Command, ready: Result<(), Stop>, look: Look) -> UnitEnd {
    let lane = command.bus().and_then(|bus| bus.abreast.clone());
    let unit = lane.as_ref().map(|lane| lane.unit.clone());
    let ended = worked(command, ready, look);
    let exit = match &lane {
        // Between the waterlines of the others.
        Some(lane) => lane.bars.suspend(|| conclude(ended, look).0),
        None => conclude(ended, look).0,
    };
    let unit = unit.unwrap_or_default();
    UnitEnd { unit, exit }
}

impl AbreastReport {
    /// A journal that did not end counts most, then a person who stopped, then the first that did not end
    /// well.
    fn exit(&self) -> Exit {
        let exits = || self.units.iter().map(|unit| unit.exit);
        let any = |wanted: Exit| exits().find(|exit| *exit == wanted);
        any(Exit::Unfinished)
            .or_else(|| any(Exit::Stopped))
            .or_else(|| exits().find(|exit| *exit != Exit::True))
            .unwrap_or(Exit::True)
    }
}
