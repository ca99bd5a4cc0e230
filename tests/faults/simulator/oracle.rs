//! What must hold after every command, whatever went wrong, judged by cells and files.

use std::ops::Range;
use std::path::Path;
use std::sync::atomic::Ordering::SeqCst;

use norlock::job::{ChipState, Exit, Stop};
use norlock::unit::journal::{Contents, Intent, Journal};
use norlock::unit::store::Store;
use norlock::unit::{Digest, ImageName, Unit};

use super::command::{Claim, Command, Ended};
use super::kinds::Kind;
use super::process::Process;
use super::swarm::Armed;
use super::truth::{array, differing, part_of, registers};
use super::world::{FOLDER, World};

/// What was so before a command, or since a journal began.
pub struct Oracle {
    cells: Vec<u8>,
    operations: u32,
    /// How many of them no loss of files can take: all that were there before a call on files failed.
    durable: u32,
    violations: u64,
    /// Blocks that the journal had in hand, or that are gone over: nobody knows what they hold.
    in_hand: Vec<Range<u32>>,
    /// Number of the unfinished journal, and what the chip held when it began.
    journal: Option<(u32, Vec<u8>)>,
    /// Since then something may have landed where nobody sent it.
    wild: bool,
    /// The unit's own data, as the board last had it.
    pub unit_data: Vec<u8>,
    /// What the next target must be.
    pub target: Vec<u8>,
}

type Verdict = Result<(), String>;

fn demand(holds: bool, what: impl FnOnce() -> String) -> Verdict {
    if holds { Ok(()) } else { Err(what()) }
}

impl Oracle {
    pub fn new(world: &World) -> Self {
        let mut oracle = Self {
            cells: Vec::new(),
            operations: 0,
            durable: 0,
            violations: 0,
            in_hand: Vec::new(),
            journal: None,
            wild: false,
            unit_data: world.mock.truth(world.board.map.unit_data.clone()),
            target: Vec::new(),
        };
        oracle.before(world, &Command::Contact);
        oracle
    }

    /// Looks at all as it is before a command.
    pub fn before(&mut self, world: &World, command: &Command) {
        self.cells = world.cells();
        self.violations = world.mock.monitor().violations();
        let unit = world.unit();
        self.operations = unit.as_ref().map_or(0, recorded);
        let contents = unit.as_ref().and_then(contents);
        self.in_hand = contents
            .map(|contents| contents.in_hand())
            .unwrap_or_default();
        if let Command::Restore { rewrite, .. } = command {
            self.in_hand.extend_from_slice(rewrite);
        }
    }

    /// Whether no erase of this command may take unit data along: it does not differ from what shall be
    /// there, shares no block with what changes, and was not left torn.
    pub fn unit_data_may_not_change(&self, world: &World, command: &Command) -> bool {
        let range = &world.board.map.unit_data;
        let torn = self
            .in_hand
            .iter()
            .any(|block| block.start < range.end && range.start < block.end);
        let image = match command {
            Command::Restore { to, .. } => ImageName::Backup(*to),
            _ => ImageName::Target,
        };
        let place = range.start as usize..range.end as usize;
        let image = world.image(image).unwrap_or_default();
        range.start % 4096 == 0 && !torn && image.get(place.clone()) == self.cells.get(place)
    }

    /// Judges a command that has ended.
    pub fn after(
        &mut self,
        world: &mut World,
        command: &Command,
        ended: &Ended,
        armed: &Armed,
        process: &Process,
    ) -> Verdict {
        self.wild |= armed.wild;
        let cells = world.cells();
        demand(process.hurt.load(SeqCst) == 0 || self.wild, || {
            "unit data was changed on the chip".into()
        })?;
        demand(
            self.wild || world.mock.monitor().violations() == self.violations,
            || "changed without a durable record".into(),
        )?;
        let locks = command.writes() || matches!(command, Command::Backup | Command::Protect(_));
        demand(!(locks && process.intruded.load(SeqCst)), || {
            "two processes work on one unit".into()
        })?;
        match ended {
            Ended::Done(claim) => self.claim(world, claim, &cells, armed)?,
            Ended::Stopped(stop) => self.stop(world, stop, &cells, armed)?,
            Ended::Died(_) => {}
        }
        self.images(world)?;
        if let Some(unit) = world.unit() {
            self.unit_file(world, &unit, &cells)?;
            // A refusal is noted as well as may be: its file may be there, and its folder not synced.
            if armed.fail_at.is_none() {
                self.durable = recorded(&unit);
            }
            self.journal(world, &unit, &cells)?;
        } else {
            demand(world.images.is_empty(), || "the unit folder is gone".into())?;
        }
        self.unit_data_is_kept(world, &cells)
    }

    fn claim(&self, world: &World, claim: &Claim, cells: &[u8], armed: &Armed) -> Verdict {
        let image = |name: ImageName| world.image(name).unwrap_or_default();
        let unfinished = || {
            world
                .unit()
                .as_ref()
                .and_then(|unit| Journal::find_unfinished(unit).ok()?)
        };
        match claim {
            Claim::Kept(file) => {
                let name = ImageName::of_file(file).ok_or("a backup without a name")?;
                demand(image(name) == cells, || {
                    format!("WRONG: {file} is not what the chip holds")
                })
            }
            Claim::Holds(name, _) => {
                demand(image(*name) == cells, || {
                    format!("WRONG: the chip does not hold {}", name.file_name())
                })?;
                // Cells that a cut left weak hold it too, and read otherwise now and then.
                let reads = array(world).is_none_or(|array| array == cells);
                demand(reads, || "WRONG: weak cells were left".into())?;
                demand(unfinished().is_none(), || {
                    "done, with an unfinished journal".into()
                })
            }
            Claim::Equals(name, true) => demand(image(*name) == cells, || {
                format!("WRONG: the chip does not equal {}", name.file_name())
            }),
            Claim::Equals(name, false) if armed.kinds.is_empty() => {
                demand(image(*name) != cells, || "told apart, and equal".into())
            }
            Claim::Protects(protection, set) if *set || armed.kinds.is_empty() => {
                let part = part_of(world);
                let there = registers(world).map(|registers| part.protection(&registers));
                let same = there.as_ref().is_none_or(|there| there == protection);
                demand(same, || {
                    format!("WRONG: protects {there:?}, told {protection}")
                })
            }
            Claim::Made => demand(image(ImageName::Target) == self.target, || {
                "WRONG: the target is another".into()
            }),
            _ => Ok(()),
        }
    }

    fn stop(&self, world: &World, stop: &Stop, cells: &[u8], armed: &Armed) -> Verdict {
        // 'Untouched' says that nothing which changes the chip was sent. What MOSI makes of a read can be
        // a write enable, and of the next one a program, and nothing on the way back tells.
        let same = cells == self.cells || armed.kinds.contains(&Kind::MosiFlips);
        demand(same || matches!(stop.exit, Exit::Unfinished), || {
            format!("the exit code promises that nothing was changed: {stop:?}")
        })?;
        let held = |name| world.image(name).is_some_and(|image| image == cells);
        let truth = match stop.chip {
            ChipState::ChangedInPart | ChipState::ChangedBeyond => true,
            ChipState::Changed => {
                held(ImageName::Target) || (1..9).any(|n| held(ImageName::Backup(n)))
            }
            _ => same,
        };
        demand(truth, || format!("'{:?}' is not true: {stop:?}", stop.chip))?;
        let norlock = stop.next.contains("fault of norlock");
        // Where MISO says 'ready' of a busy chip, a simulated one refuses what a real one ignores.
        let misled = self.wild || armed.kinds.iter().any(|kind| kind.falsifies_miso());
        demand(!norlock || misled, || format!("its own fault: {stop:?}"))
    }

    /// No image that was ever kept has changed, and new ones are what the chip held.
    fn images(&self, world: &mut World) -> Verdict {
        let files = world.files.another_process();
        for (name, bytes) in &world.images {
            let path = Path::new(FOLDER).join(name);
            let there = files
                .read(&path)
                .map_err(|error| format!("{name}: {error}"))?;
            demand(there == *bytes, || format!("{name} was altered"))?;
            demand(files.mode(&path).ok() == Some(0o400), || {
                format!("{name} can be written to")
            })?;
        }
        let Some(unit) = world.unit() else {
            return Ok(());
        };
        for image in unit.images() {
            let name = image.name.file_name();
            let bytes = files
                .read(&image.path)
                .map_err(|error| format!("{name}: {error}"))?;
            if image.name == ImageName::Target {
                demand(Digest::of(&bytes) == image.sha256, || {
                    "the target on record is another".into()
                })?;
                continue;
            }
            if world.images.contains_key(&name) {
                continue;
            }
            let before = differing(&bytes, &self.cells, &self.in_hand);
            // It may have been changed by what MOSI made of a read, and read right after that.
            let differs = before.filter(|_| !self.wild || bytes != world.cells());
            demand(differs.is_none(), || {
                format!("WRONG: {name} is not what the chip held: {differs:X?}")
            })?;
            world.images.insert(name, bytes);
        }
        Ok(())
    }

    /// The unit file can be read, has no gap, and what it says of the chip is true.
    fn unit_file(&self, world: &World, unit: &Unit, cells: &[u8]) -> Verdict {
        let operations = &unit.file().operations;
        let in_order = (1..)
            .zip(operations)
            .all(|(n, operation)| operation.sequence == n);
        demand(in_order, || "unit.toml has a gap".into())?;
        demand(recorded(unit) >= self.durable, || {
            "unit.toml has lost an operation".into()
        })?;
        for operation in operations.iter().skip(self.operations as usize) {
            if let Some(file) = operation.outcome.strip_prefix("the chip holds ") {
                let image = ImageName::of_file(file).and_then(|name| world.image(name));
                demand(image.as_deref() == Some(cells), || {
                    format!("unit.toml says: holds {file}")
                })?;
            }
        }
        Ok(())
    }

    /// What the chip holds is accounted for: blocks that are not begun are as before, those that are done
    /// hold the image. Not asked where something may have landed elsewhere.
    fn journal(&mut self, world: &World, unit: &Unit, cells: &[u8]) -> Verdict {
        let unfinished = Journal::find_unfinished(unit).map_err(|error| error.to_string())?;
        let Some(unfinished) = unfinished else {
            (self.journal, self.wild) = (None, false);
            return Ok(());
        };
        let contents = unfinished
            .contents
            .map_err(|error| format!("the journal: {error}"))?;
        if self
            .journal
            .as_ref()
            .is_none_or(|(number, _)| *number != unfinished.number)
        {
            self.journal = Some((unfinished.number, self.cells.clone()));
        }
        let Some((_, began)) = self.journal.as_ref().filter(|_| !self.wild) else {
            return Ok(());
        };
        let mut accounted = contents.in_hand();
        accounted.extend(contents.done());
        let stray = differing(cells, began, &accounted);
        demand(stray.is_none(), || {
            format!("changed without account at {stray:X?}")
        })?;
        let images = (1..9).map(ImageName::Backup).chain([ImageName::Target]);
        let target = images
            .filter_map(|name| world.image(name))
            .find(|image| Digest::of(image) == contents.header.target);
        let target = target.ok_or("nobody has the journal's target")?;
        // A run that goes on can take blocks that are done into a larger one.
        let in_hand = contents.in_hand();
        let again = |range: &Range<u32>| {
            in_hand
                .iter()
                .any(|block| block.start < range.end && range.start < block.end)
        };
        let mut done = contents.done().into_iter().filter(|range| !again(range));
        let wrong = done.find(|range| {
            let range = range.start as usize..range.end as usize;
            cells[range.clone()] != target[range]
        });
        let intent = match contents.header.intent {
            Intent::Write => "write",
            Intent::Restore => "restore",
        };
        demand(wrong.is_none(), || {
            format!("the journal of a {intent} calls {wrong:X?} done")
        })
    }

    /// The unit's own data is on the chip or in an image.
    fn unit_data_is_kept(&self, world: &World, cells: &[u8]) -> Verdict {
        let range =
            world.board.map.unit_data.start as usize..world.board.map.unit_data.end as usize;
        let kept = |image: &[u8]| image.get(range.clone()) == Some(&self.unit_data);
        demand(
            kept(cells) || world.images.values().any(|image| kept(image)),
            || "the unit's own data is lost".into(),
        )
    }
}

fn recorded(unit: &Unit) -> u32 {
    unit.file().operations.len() as u32
}

fn contents(unit: &Unit) -> Option<Contents> {
    Journal::find_unfinished(unit).ok()??.contents.ok()
}
