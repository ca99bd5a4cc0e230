//! One command line: carried out, and shown how it ended.

use std::sync::Arc;

use super::abreast::abreast;
use super::args::{self, Command};
use super::attend::Watcher;
use super::commands::answer;
use super::line::{End, FORM, Line, Outcome, Report};
use super::look::{Look, complain, say, width_of};
use super::screen::Screen;
use super::show;
use super::typed::Typed;
use crate::job::{self, ChipState, Exit, Stop};
use crate::unit::store::RealStore;

/// What a command ends with: its screen, its exit code, and the same as data.
pub struct Answer {
    pub screen: Screen,
    pub exit: Exit,
    /// The command's name and its report; null where nobody asked for it.
    pub data: serde_json::Value,
}

impl Answer {
    pub fn new(exit: Exit, screen: Screen, report: Report<'_>) -> Self {
        Self {
            screen,
            exit,
            data: serde_json::to_value(&report).unwrap_or_default(),
        }
    }

    /// One whose data nobody asked for, where making it would take longer than the work itself.
    pub fn shown(exit: Exit, screen: Screen) -> Self {
        Self {
            screen,
            exit,
            data: serde_json::Value::Null,
        }
    }
}

/// How a command ended, to be shown.
pub struct Ended {
    name: &'static str,
    /// The unit's name, where one was named.
    of: Option<String>,
    /// Whether it may have changed the chip.
    changes: bool,
    /// Whether the unit's name stands above it, as others' answers do beside it.
    headed: bool,
    result: Result<Answer, Stop>,
}

impl Ended {
    /// The end of `name`, which changed no chip.
    pub fn untouched(name: &'static str, result: Result<Answer, Stop>) -> Self {
        Self {
            name,
            of: None,
            changes: false,
            headed: false,
            result,
        }
    }

    /// The same among the answers of other units.
    pub fn headed(self) -> Self {
        Self {
            headed: true,
            ..self
        }
    }

    /// The exit code.
    pub fn exit(&self) -> Exit {
        match &self.result {
            Ok(answer) => answer.exit,
            Err(stop) => stop.exit,
        }
    }
}

/// Runs a command, for each unit that it names, and shows how it ended.
pub fn run(command: Command, look: Look) -> Exit {
    let each = command.each();
    if each.len() > 1 {
        return abreast(each, look);
    }
    once(command, look).0
}

/// Shows why a command could not begin.
pub fn not_begun(command: &Command, stop: Stop, look: Look) -> Exit {
    conclude(Ended::untouched(command.name(), Err(stop)), look).0
}

/// The same for one unit, and gives what the command reports, or its stop, as data.
pub fn once(command: Command, look: Look) -> (Exit, serde_json::Value) {
    conclude(worked(command, Ok(()), look), look)
}

/// Does what the command asks for, unless its bench was not `ready`.
pub fn worked(command: Command, ready: Result<(), Stop>, look: Look) -> Ended {
    let (name, typed) = (command.name(), Typed::of(&command));
    let (touches_bus, changes) = (command.bus().is_some(), command.changes_chip());
    let folder = command.unit().map(std::path::Path::to_owned);
    let result = ready.and_then(|()| answer(command, look, &typed));
    let result = result.map_err(|stop| {
        let stop = match &folder {
            Some(folder) => job::in_unit(Arc::new(RealStore::new()), folder, stop),
            None => stop,
        };
        worded(stop, &typed, touches_bus)
    });
    Ended {
        name,
        of: typed.unit_name().map(str::to_owned),
        changes,
        headed: false,
        result,
    }
}

/// Shows how a command ended.
pub fn conclude(ended: Ended, look: Look) -> (Exit, serde_json::Value) {
    let (screen, exit, outcome) = match &ended.result {
        Ok(answer) => (
            answer.screen.clone(),
            answer.exit,
            Outcome::Told(&answer.data),
        ),
        Err(stop) => {
            let command = Some(ended.name);
            let outcome = Outcome::Stopped { command, stop };
            (show::stop(stop), stop.exit, outcome)
        }
    };
    let line = Line::Ended(End {
        form: FORM,
        of: ended.of.as_deref(),
        exit,
        outcome,
    });
    if let (true, false, Some(unit)) = (ended.headed, look.json, &ended.of) {
        let tell = if ended.result.is_ok() { say } else { complain };
        tell(&format!("\n{unit}:"));
    }
    if !look.json && ended.result.is_err() {
        complain(
            screen
                .render(false, width_of(&std::io::stderr()))
                .trim_end(),
        );
    } else if let Err(error) = look.answer(&screen, &line) {
        complain(&format!("The answer could not be printed: {error}"));
        // What was done to a chip, or what stopped the work, counts more than that nobody could read it.
        let own = ended.changes || ended.result.is_err();
        let exit = if own { exit } else { Exit::FileFault };
        return (exit, serde_json::Value::Null);
    }
    let data = match ended.result {
        Ok(mut answer) => answer.data["report"].take(),
        Err(stop) => serde_json::to_value(stop).unwrap_or_default(),
    };
    (exit, data)
}

/// A stop as it suits the command line: its next step names the unit, and a command that needs no chip
/// says nothing of one.
fn worded(mut stop: Stop, typed: &Typed, touches_bus: bool) -> Stop {
    stop.next = typed.fill(&stop.next);
    if !touches_bus && stop.chip == ChipState::Untouched {
        stop.chip = ChipState::NotMet;
    }
    stop
}

/// Somebody who watches the job on this bench, among others or by itself.
pub fn watcher_of(bus: &args::BusArgs, look: Look) -> Result<Watcher, Stop> {
    match &bus.abreast {
        Some(lane) => Ok(Watcher::in_lane(look.progress, lane)),
        None => watcher(look),
    }
}

/// Somebody who watches the job. From here on Ctrl-C asks it to stop; until the last question is
/// answered it ends the program at once, and nothing has been touched.
pub fn watcher(look: Look) -> Result<Watcher, Stop> {
    Watcher::new(look.progress).map_err(|error| {
        Stop::new(Exit::ChipFault, "Signals cannot be caught.", "Try again.").because(error)
    })
}
