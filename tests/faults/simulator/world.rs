//! A bench with a unit on it, on which commands are given as a person types them.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;

use norlock::jedec::Hertz;
use norlock::mock::{Faults, Mock};
use norlock::unit::store::{SimulatedStore, Store};
use norlock::unit::{ImageName, Unit};

use super::board::{Board, catalogue};
use super::command::{Command, Ended, Options};
use super::process::{Death, Fate, Killed, Process};
use super::run::Bystander;
use super::swarm::{Armed, Length};
use crate::station::part;

pub const FOLDER: &str = "/bench/gauge-07";

pub struct World {
    pub board: Board,
    pub mock: Mock,
    pub files: SimulatedStore,
    pub sck: Hertz,
    /// Every image that was seen in the unit folder: none of them may ever change.
    pub images: BTreeMap<String, Vec<u8>>,
    /// What goes into the next target: region and piece.
    pub pieces: Vec<(&'static str, Vec<u8>)>,
    lengths: BTreeMap<&'static str, Length>,
}

impl World {
    pub fn new(board: Board, seed: u64) -> Self {
        let mock = chip(&board, seed);
        mock.set_truth(0, &board.found).unwrap();
        let files = SimulatedStore::new();
        files.create_folder(Path::new("/bench")).unwrap();
        Self {
            board,
            mock,
            files,
            sck: Hertz::mhz([10, 20, 33][(seed % 3) as usize]),
            images: BTreeMap::new(),
            pieces: Vec::new(),
            lengths: BTreeMap::new(),
        }
    }

    pub fn length(&self, command: &Command) -> Length {
        self.lengths
            .get(command.name())
            .copied()
            .unwrap_or_default()
    }

    pub fn cells(&self) -> Vec<u8> {
        self.mock.truth(0..u32::MAX)
    }

    /// The unit as somebody sees it who looks into the folder; `None` before there is one.
    pub fn unit(&self) -> Option<Unit> {
        Unit::view(Arc::new(self.files.another_process()), Path::new(FOLDER)).ok()
    }

    pub fn image(&self, name: ImageName) -> Option<Vec<u8>> {
        self.files
            .read(&Path::new(FOLDER).join(name.file_name()))
            .ok()
    }

    /// Gives a command, and returns how it ended and what became of its process.
    pub fn give(
        &mut self,
        command: &Command,
        options: &Options,
        armed: &Armed,
        fate: Fate,
    ) -> (Ended, Arc<Process>) {
        let process = Process::new(fate);
        let before = (
            self.mock.counters(),
            self.mock.modifying_operations(),
            self.files.calls(),
        );
        self.mock.set_faults(armed.faults());
        if let Some((at, errno, how)) = armed.fail_at {
            self.files.fail_at(at, errno, how);
        }
        if let Some(room) = armed.room_bytes {
            let used = (1 << 40)
                - self
                    .files
                    .another_process()
                    .free_bytes(Path::new("/"))
                    .unwrap_or(0);
            self.files.set_capacity_bytes(Some(used + room));
        }
        let mut attendant = Bystander {
            armed,
            process: Arc::clone(&process),
            files: self.files.clone(),
        };
        let files = self.files.another_process();
        let run = || self.run(command, options, &process, files, &mut attendant);
        let ended = match catch_unwind(AssertUnwindSafe(run)) {
            Ok(Ok(claim)) => Ended::Done(claim),
            Ok(Err(stop)) => Ended::Stopped(stop),
            Err(panic) if panic.is::<Killed>() => {
                let died = *process.died.lock().unwrap();
                Ended::Died(died.unwrap_or(Death::Killed))
            }
            Err(panic) => resume_unwind(panic),
        };
        let now = self.mock.counters();
        // Where it was stopped early the length of a whole one is not known.
        if matches!(ended, Ended::Done(_)) {
            self.lengths.insert(
                command.name(),
                Length {
                    batches: now.batches - before.0.batches,
                    frames: now.frames - before.0.frames,
                    // One that found nothing to change tells nothing of the next.
                    operations: match self.mock.modifying_operations() - before.1 {
                        0 => self.length(command).operations,
                        some => some,
                    },
                    calls: self.files.calls() - before.2,
                    looks: process.looks.load(SeqCst),
                },
            );
        }
        (ended, process)
    }

    /// Computer and supply are as they should be, with the clip on the unit's chip. If it was on another one,
    /// so was the supply: a chip that was left in auto address increment has forgotten it.
    pub fn calm(&mut self, ended: &Ended, process: &Process, swapped: bool) {
        self.files.fail_no_more();
        self.files.set_capacity_bytes(None);
        self.mock.set_faults(Faults::none());
        let mut off = swapped || process.supply_failed.load(SeqCst);
        if let Ended::Died(Death::Computer(loss, chip)) = ended {
            self.files.crash(*loss);
            off |= chip;
        }
        if off {
            self.mock.power_up();
        }
        // What a process announced is gone with it.
        self.mock.monitor().uncover(0..u32::MAX);
    }

    /// New pieces come from whoever made them; the files were copied carefully.
    pub fn bring_pieces(&mut self, pieces: Vec<(&'static str, Vec<u8>)>) {
        for (region, bytes) in &pieces {
            self.files
                .another_process()
                .replace(&piece_path(region), bytes)
                .unwrap();
        }
        self.pieces = pieces;
    }

    /// A chip as bought takes the place of the unit's.
    pub fn solder(&mut self, seed: u64) {
        self.mock = chip(&self.board, seed);
    }
}

pub fn piece_path(region: &str) -> PathBuf {
    PathBuf::from(format!("/bench/{region}.bin"))
}

fn chip(board: &Board, seed: u64) -> Mock {
    let mock = Mock::new(part(catalogue(), board.part));
    if board.has_id {
        mock.set_unique_id(seed.to_be_bytes().map(|byte| byte | 1).to_vec());
    }
    mock
}
