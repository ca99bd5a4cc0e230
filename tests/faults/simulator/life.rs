//! One life of a unit, all of it drawn from a seed.

use std::ops::Range;
use std::path::Path;
use std::time::Duration;

use fastrand::Rng;
use norlock::job::{ProtectOrder, Wanted};
use norlock::mock::{Fault, Faults};
use norlock::unit::ImageName;
use norlock::unit::journal::Journal;
use norlock::unit::store::Store;

use super::board::{Board, piece};
use super::command::Command;
use super::oracle::Oracle;
use super::person::Person;
use super::report::Report;
use super::swarm::Swarm;
use super::world::{FOLDER, World};

pub struct Life {
    pub random: Rng,
    pub world: World,
    pub swarm: Swarm,
    pub person: Person,
    pub oracle: Oracle,
    pub report: Report,
    /// What happened, for whoever looks into a failure.
    pub story: Vec<String>,
    pub trace: u64,
    pub time_before: Duration,
    /// What was sent for this goal may have arrived as something else.
    pub strayed: bool,
}

impl Life {
    pub fn new(seed: u64, real: bool) -> Self {
        let mut random = Rng::with_seed(seed);
        let board = Board::draw(&mut random, real);
        let world = World::new(board, random.u64(..));
        if random.u8(..4) == 0 {
            // The board protects its lower half, or all, by a lasting write (BP and TB of the family).
            let status_1 = [0x24, 0x1C, 0x9C][random.usize(..3)];
            let found = Faults::none().with(Fault::Protected { status_1 });
            world.mock.set_faults(found);
            world.mock.set_faults(Faults::none());
        }
        let swarm = Swarm::draw(&mut random);
        let oracle = Oracle::new(&world);
        let map = &world.board.map;
        let story = vec![format!(
            "{} of {} KiB at {}",
            world.board.part,
            map.size >> 10,
            world.sck
        )];
        Self {
            random,
            world,
            swarm,
            person: Person::default(),
            oracle,
            report: Report::default(),
            story,
            trace: 0,
            time_before: Duration::ZERO,
            strayed: false,
        }
    }

    /// Lives it; an error says what did not hold.
    pub fn live(&mut self) -> Result<(), String> {
        self.reach(Command::Backup)?;
        self.draw_the_map();
        for _ in 0..self.random.usize(2..7) {
            match self.random.u8(..10) {
                0..=3 => {
                    if self.person.changed && self.random.u8(..4) > 0 {
                        self.reach(Command::Backup)?;
                    }
                    self.reach_target()?;
                    if self.world.image(ImageName::Target).is_some() {
                        self.reach(Command::Write)?;
                    }
                }
                4 => {
                    let image = [ImageName::Target, ImageName::Backup(1)][self.random.usize(..2)];
                    if self.world.image(image).is_some() {
                        self.reach(Command::Verify(image))?;
                    }
                }
                5 | 6 => self.reach(Command::back())?,
                7 => self.reach(Command::Backup)?,
                8 => {
                    let wanted =
                        [Wanted::Nothing, Wanted::Everything][self.random.usize(..2)].clone();
                    let until_power_off = self.random.bool();
                    self.reach(Command::Protect(ProtectOrder {
                        wanted,
                        until_power_off,
                    }))?;
                }
                _ => self.replace_the_chip()?,
            }
            self.board_runs();
        }
        self.report.lives += 1;
        self.report.simulated += self.time_before + self.world.mock.now();
        Ok(())
    }

    fn draw_the_map(&mut self) {
        let text = self.world.board.map.text();
        let files = self.world.files.another_process();
        files
            .replace(&Path::new(FOLDER).join("regions.toml"), text.as_bytes())
            .unwrap();
    }

    /// New pieces for boot and system, made into a target.
    fn reach_target(&mut self) -> Result<(), String> {
        let map = self.world.board.map.clone();
        let words = self.world.board.part == "HB25A512";
        let mut pieces = Vec::new();
        for (name, range) in [("boot", map.boot), ("system", map.system)] {
            let now = self.world.mock.truth(range.clone());
            if name == "boot" || self.random.bool() {
                let mut piece = piece(&mut self.random, &now, words);
                // No board starts from one byte value, and nobody brings what is there.
                if piece.iter().take(256).all(|byte| *byte == 0xFF) {
                    piece[0] = 0x5A;
                }
                if self
                    .newest()
                    .is_some_and(|newest| holds(&newest, &range, &piece))
                {
                    piece[0] ^= 1;
                }
                // Nor is a few bytes that are letters by chance taken for a piece.
                if piece
                    .iter()
                    .all(|byte| !byte.is_ascii_control() || byte.is_ascii_whitespace())
                {
                    *piece.last_mut().unwrap() = 0;
                }
                pieces.push((name, piece));
            }
        }
        self.world.bring_pieces(pieces);
        self.reach(Command::Tailor)
    }

    /// What tailor has to make: the newest backup with the pieces in it.
    pub fn expected_target(&self) -> Vec<u8> {
        let mut target = self.newest().unwrap_or_default();
        for (region, bytes) in &self.world.pieces {
            let range = self.world.board.map.region(region);
            if let Some(room) = target.get_mut(range.start as usize..range.end as usize) {
                room.fill(0xFF);
                room[..bytes.len()].copy_from_slice(bytes);
            }
        }
        target
    }

    fn newest(&self) -> Option<Vec<u8>> {
        (1..99)
            .rev()
            .map(ImageName::Backup)
            .find_map(|name| self.world.image(name))
    }

    /// Leaves out the pieces that the newest backup has already; false where that is all of them.
    pub fn leave_out(&mut self) -> bool {
        let (newest, map) = (self.newest().unwrap_or_default(), &self.world.board.map);
        let pieces = &mut self.world.pieces;
        pieces.retain(|(region, bytes)| !holds(&newest, map.region(region), bytes));
        !pieces.is_empty()
    }

    fn replace_the_chip(&mut self) -> Result<(), String> {
        if self.is_unfinished() {
            return Ok(());
        }
        self.time_before += self.world.mock.now();
        let seed = self.random.u64(..);
        self.world.solder(seed);
        let backup = self.world.image(ImageName::Backup(1)).unwrap_or_default();
        let unit_data = &self.world.board.map.unit_data;
        self.oracle.unit_data = backup[unit_data.start as usize..unit_data.end as usize].to_vec();
        self.story.push("a new chip is soldered in".into());
        let (to, replacement) = (1, true);
        self.reach(Command::Restore {
            to,
            replacement,
            rewrite: Vec::new(),
        })
    }

    pub fn is_unfinished(&self) -> bool {
        let unit = self.world.unit();
        unit.is_some_and(|unit| Journal::find_unfinished(&unit).is_ok_and(|found| found.is_some()))
    }

    /// The board is powered and changes what it keeps; never while a write is unfinished.
    fn board_runs(&mut self) {
        if self.is_unfinished() || self.random.u8(..5) > 1 {
            return;
        }
        let map = self.world.board.map.clone();
        let own = self.random.u8(..3) == 0;
        for range in [Some(&map.settings), Some(&map.unit_data).filter(|_| own)]
            .into_iter()
            .flatten()
        {
            let at = self.random.u32(range.start..range.end - 16);
            let bytes: Vec<u8> = (0..16).map(|_| self.random.u8(..)).collect();
            self.world.mock.set_truth(at, &bytes).unwrap();
        }
        self.world.mock.power_up();
        self.oracle.unit_data = self.world.mock.truth(map.unit_data);
        self.person.changed = true;
        self.story.push("the board runs".into());
    }
}

/// Whether a region of `image` is this piece, and FF behind it.
fn holds(image: &[u8], region: &Range<u32>, piece: &[u8]) -> bool {
    let region = image.get(region.start as usize..region.end as usize);
    region.is_some_and(|region| {
        region.starts_with(piece) && region[piece.len()..].iter().all(|byte| *byte == 0xFF)
    })
}
