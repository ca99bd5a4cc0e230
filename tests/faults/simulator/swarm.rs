//! Which faults a life meets, and when: kinds and rates are drawn anew for each life, so that some lives
//! are dense in one kind and others mix many (swarm).

use std::collections::BTreeMap;
use std::sync::atomic::Ordering::SeqCst;

use fastrand::Rng;
use norlock::mock::{Fault, Faults};
use norlock::unit::store;

use super::command::Command;
use super::kinds::ALL;
use super::kinds::Kind::{self, *};
use super::process::{Fate, Process};
use super::world::World;

/// How far a command of its kind went last, to place faults within the next.
#[derive(Debug, Clone, Copy)]
pub struct Length {
    pub batches: u64,
    pub frames: u64,
    pub operations: u64,
    pub calls: usize,
    pub looks: u64,
}

impl Default for Length {
    fn default() -> Self {
        Self {
            batches: 150,
            frames: 500,
            operations: 20,
            calls: 120,
            looks: 40,
        }
    }
}

/// What is to go wrong in one command.
#[derive(Debug, Clone, Default)]
pub struct Armed {
    pub kinds: Vec<Kind>,
    seed: u64,
    list: Vec<Fault>,
    /// Comes to the others at this message.
    pub later: Option<(u64, Fault)>,
    pub fate: Fate,
    pub fail_at: Option<(usize, i32, store::Fails)>,
    pub room_bytes: Option<u64>,
    /// The person asks to stop at this look of the attendant.
    pub stop_at: Option<u64>,
    /// Another process wants the unit at this look.
    pub intruder_at: Option<u64>,
    /// What is sent may land at another address, or on another chip.
    pub wild: bool,
    /// Frame, message or operation from which on each kind is in force.
    pub from: BTreeMap<Kind, u64>,
}

pub struct Swarm {
    rates: Vec<(Kind, f64)>,
}

impl Swarm {
    pub fn draw(random: &mut Rng) -> Self {
        let mut kinds = ALL.to_vec();
        random.shuffle(&mut kinds);
        kinds.truncate(random.usize(1..9));
        // What can only come to pass while the chip changes has less time for it.
        let changing = [SupplyCut, ComputerCut, SilentErase, SilentProgram];
        kinds.retain(|kind| !changing.contains(kind));
        kinds.extend(changing.into_iter().filter(|_| random.u8(..3) == 0));
        let rate = |_| 0.04 * 20_f64.powf(random.f64());
        let rates: Vec<f64> = kinds.iter().map(rate).collect();
        Self {
            rates: kinds.into_iter().zip(rates).collect(),
        }
    }

    /// What goes wrong in the next command; `named` where the person says by name which unit it is.
    pub fn arm(&self, random: &mut Rng, world: &World, command: &Command, named: bool) -> Armed {
        let mut armed = Armed {
            seed: random.u64(..),
            ..Armed::default()
        };
        let length = world.length(command);
        // Whose chip it is that is met first, and what it answers to Read ID, nobody can doubt; nor what
        // the person vouches for who holds the unit in hand.
        let first = match command {
            Command::Restore { replacement, .. } => *replacement || named,
            _ => world.images.is_empty() || named,
        };
        for (kind, rate) in &self.rates {
            if random.f64() < *rate && !(first && matches!(kind, LyingId | ChipSwapped)) {
                armed.add(*kind, random, world, &length);
            }
        }
        armed
    }
}

impl Armed {
    /// The faults to begin with.
    pub fn faults(&self) -> Faults {
        self.list
            .iter()
            .cloned()
            .fold(Faults::seeded(self.seed), Faults::with)
    }

    /// What shall befall the process.
    pub fn fate(&self) -> Fate {
        let found = |fault: &Fault| {
            matches!(
                fault,
                Fault::Asleep { .. } | Fault::Busy { .. } | Fault::WriteEnabled {}
            )
        };
        let later = self.later.clone().map(|(at, fault)| {
            // What is found so at the beginning is not found so once more.
            let others = self.list.iter().filter(|other| !found(other)).cloned();
            (
                at,
                others
                    .fold(Faults::seeded(self.seed), Faults::with)
                    .with(fault),
            )
        });
        Fate {
            later,
            ..self.fate.clone()
        }
    }

    /// The kinds that were in force at some time of a command that ended like this.
    pub fn fired(&self, world: &World, process: &Process) -> Vec<Kind> {
        let counters = world.mock.counters();
        let from = |kind: &Kind| self.from.get(kind).copied().unwrap_or_default();
        let died = *process.died.lock().unwrap();
        let fired = |kind: &&Kind| match *kind {
            SupplyCut | ComputerCut => process.supply_failed.load(SeqCst),
            ContactLost | MisoLost | StaleBuffer | FrameLost | FrameDoubled | WrenLost
            | MosiFlips => counters.frames >= from(kind),
            LinkFails | SupplyDips | HostUnderVoltage => counters.batches >= from(kind),
            AddressLineLater | WpAsserted => process.batches.load(SeqCst) >= from(kind),
            SilentErase | SilentProgram | ChipSwapped => {
                world.mock.modifying_operations() >= from(kind)
            }
            KilledAtMessage | KilledAtCall | ComputerDies => died.is_some(),
            CallFails => self
                .fail_at
                .is_some_and(|(at, ..)| world.files.calls() > at),
            CtrlC => self
                .stop_at
                .is_some_and(|at| process.looks.load(SeqCst) >= at),
            SecondProcess => self
                .intruder_at
                .is_some_and(|at| process.looks.load(SeqCst) >= at),
            _ => true,
        };
        self.kinds.iter().filter(fired).copied().collect()
    }

    pub fn put(&mut self, kind: Kind, fault: Fault) {
        self.list.push(fault);
        self.kinds.push(kind);
    }

    pub fn put_from(&mut self, kind: Kind, from: u64, fault: Fault) {
        self.from.insert(kind, from);
        self.put(kind, fault);
    }
}
