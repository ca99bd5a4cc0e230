//! From a goal, through whatever goes wrong, to what was asked for or the way back.

use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;

use norlock::jedec::status::{Protection, StatusFamily};
use norlock::job::Exit;
use norlock::unit::ImageName;

use super::board::catalogue;
use super::command::{Claim, Command, Ended};
use super::kinds::Kind;
use super::life::Life;
use super::person::Next;
use super::swarm::Armed;
use super::truth::registers;

/// Tries without any fault within which what was asked for, or the way back, has to be reached. Whoever
/// has let a board run may be asked for its name, for protection to be lifted, for a backup and a target.
const QUIET_TRIES: u32 = 8;

impl Life {
    /// Gives `goal` until it, or the way back that the program names, is reached: under faults at first,
    /// then without any.
    pub fn reach(&mut self, goal: Command) -> Result<(), String> {
        let before = self.protection();
        self.strayed = false;
        let (mut noisy, mut quiet) = (self.random.u32(..6), 0);
        self.person.gives_up = self.random.u8(..6) == 0;
        self.person.options.accepted.clear();
        let mut to_do = vec![goal.clone()];
        while let Some(command) = to_do.last().cloned() {
            let armed = match noisy {
                0 => Armed::default(),
                _ => {
                    let named = !self.person.options.accepted.is_empty();
                    self.swarm
                        .arm(&mut self.random, &self.world, &command, named)
                }
            };
            quiet += u32::from(noisy == 0);
            noisy = noisy.saturating_sub(1);
            if quiet > QUIET_TRIES {
                return Err(format!("{} is not reached without any fault", goal.name()));
            }
            let ended = self.give(&command, &armed)?;
            self.follow(&mut to_do, command, ended)?;
        }
        self.report.quiet_tries(quiet);
        match goal.writes() && !self.is_unfinished() && !self.strayed {
            true => self.is_put_back(before),
            false => Ok(()),
        }
    }

    /// What the chip protects, where that outlasts the supply. A part that comes up protected, or is
    /// protected until then, changes by itself.
    fn protection(&self) -> Option<Protection> {
        let part = crate::station::part(catalogue(), self.world.board.part);
        let lasts = part.volatile_form().is_none() && part.status != StatusFamily::Sst25;
        registers(&self.world)
            .filter(|_| lasts)
            .map(|there| part.protection(&there))
    }

    /// A lift of protection for a write ends with it.
    fn is_put_back(&self, before: Option<Protection>) -> Result<(), String> {
        match (before, self.protection()) {
            (Some(before), Some(now)) if before != now => {
                Err(format!("protects {now}, before {before}"))
            }
            _ => Ok(()),
        }
    }

    /// What the person does after a command.
    fn follow(
        &mut self,
        to_do: &mut Vec<Command>,
        command: Command,
        ended: Ended,
    ) -> Result<(), String> {
        match ended {
            Ended::Done(Claim::Contact(false)) => self.world.mock.power_up(),
            Ended::Done(claim) => {
                to_do.pop();
                match claim {
                    Claim::Kept(_) => self.person.changed = false,
                    Claim::Holds(name, _) => {
                        self.person.begun = None;
                        self.person.changed = name == ImageName::Target;
                    }
                    _ => {}
                }
            }
            Ended::Died(_) => {
                if command.writes() {
                    self.person.begun = Some(command);
                }
            }
            Ended::Stopped(stop) => {
                if command.writes() && stop.exit == Exit::Unfinished && self.person.begun.is_none()
                {
                    self.person.begun = Some(command.clone());
                }
                if stop.next.contains("eseat the clip") || stop.next.contains("Seat the clip") {
                    // The chip has its supply through the clip.
                    self.world.mock.power_up();
                }
                if stop.next.contains("leave it out") {
                    if !self.leave_out() {
                        // What is there need not be written.
                        to_do.retain(|begun| !matches!(begun, Command::Tailor | Command::Write));
                    }
                    return Ok(());
                }
                match self.person.reads(&stop, &command) {
                    Next::Again if stop.next.contains("contact") && self.random.u8(..4) == 0 => {
                        to_do.push(Command::Contact);
                    }
                    Next::Again => self.wait(),
                    Next::First(commands) => to_do.extend(commands.into_iter().rev()),
                    Next::Instead(other) => {
                        to_do.pop();
                        to_do.push(other);
                    }
                    Next::CannotBeDone => {
                        to_do.pop();
                    }
                    Next::AtALoss => return Err(format!("nobody knows what to do next: {stop:?}")),
                }
            }
        }
        Ok(())
    }

    /// Whoever mends something takes a while.
    fn wait(&mut self) {
        let while_mending = Duration::from_secs(30);
        self.world.mock.sync_cost(while_mending);
        self.report.waited += while_mending;
    }

    fn give(&mut self, command: &Command, armed: &Armed) -> Result<Ended, String> {
        self.oracle.before(&self.world, command);
        self.oracle.target = self.expected_target();
        let mut fate = armed.fate();
        if !armed.wild && self.oracle.unit_data_may_not_change(&self.world, command) {
            let range = self.world.board.map.unit_data.clone();
            fate.unit_data = Some((range.clone(), self.world.mock.truth(range)));
        }
        let options = self.person.options.clone();
        let (ended, process) = self.world.give(command, &options, armed, fate);
        self.strayed |= armed.wild;
        let fired = armed.fired(&self.world, &process);
        self.world
            .calm(&ended, &process, fired.contains(&Kind::ChipSwapped));
        let trace = process.trace.load(SeqCst);
        self.trace = (self.trace.rotate_left(7) ^ trace).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let words = match &ended {
            Ended::Done(claim) => format!("{claim:?}"),
            Ended::Stopped(stop) => format!("{:?}: {} | {}", stop.exit, stop.headline, stop.next),
            Ended::Died(death) => format!("{death:?}"),
        };
        self.story
            .push(format!("{} {fired:?} {words}", command.name()));
        self.report.count(command, &ended, &fired);
        self.oracle
            .after(&mut self.world, command, &ended, armed, &process)?;
        Ok(ended)
    }
}
