//! Changing a chip: the part of `write` and `restore` that is the same.
//!
//! Every block is noted in the journal, durably, before it is erased, and again once it was read
//! back. Whatever stops the work, the journal and the chip then agree.

use std::ops::Range;
use std::path::Path;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::bench::Seen;
use super::explain::sentence;
use super::recognise::{OwnId, identity, still_itself};
use super::record::operation;
use super::restore::adopt;
use super::worklist::{no_plan, pace, touched};
use super::{Attendant, ChipState, Exit, Stop, Task};
use crate::chip::{Armed, Chip, ChipError, Order, Pass};
use crate::image::{Holds, ReadAt, RegionMap};
use crate::interlock::{Acceptable, Panel};
use crate::jedec::status::{RegisterWrite, Registers};
use crate::jedec::{Address, Hertz};
use crate::unit::journal::{
    AddressingFound, Header, Journal, JournalError, Purpose, UnfinishedWrite,
};
use crate::unit::store::StoreFile;
use crate::unit::{Digest, Identity, Operation, Unit};
use crate::worklist::{Request, Step, Worklist, plan};

/// What a write or restore did.
#[derive(Debug, Clone, Serialize)]
pub struct WriteReport {
    /// The unit.
    pub unit: String,
    /// File name of the image that the chip now holds.
    pub image: String,
    /// Size of the chip.
    pub size_bytes: u32,
    /// Blocks that were erased or programmed in this run, counted as the worklist counts them.
    pub changed: u32,
    /// Blocks that were left as they were.
    pub left: u32,
    /// Time on the link's clock, the reads before included.
    pub time: Duration,
    /// The modelled time of the same.
    pub modelled: Duration,
    /// The least time the erases, programs and one whole read could take.
    pub floor: Duration,
    /// The least time of the two reads before.
    pub reads_floor: Duration,
    /// SCK of the whole read at the end.
    pub last_read: Hertz,
    /// Path of the journal.
    pub journal: Option<String>,
    /// Whether an interrupted run was gone on with.
    pub resumed: bool,
    /// Regions with unit data.
    pub unit_data: Vec<String>,
    /// File name under which what was replaced is kept.
    pub replaced: Option<String>,
}

/// All that changing the chip needs, with the interlocks open but for the last ones.
pub(super) struct Rewrite<'a> {
    pub unit: &'a mut Unit,
    pub chip: Chip,
    pub panel: Panel,
    pub seen: Seen,
    pub purpose: Purpose,
    /// What the chip shall hold.
    pub target: &'a dyn StoreFile,
    pub target_name: String,
    pub target_digest: Digest,
    pub baseline_digest: Digest,
    /// What the chip holds.
    pub present: &'a dyn ReadAt,
    /// Regions as they bind this job.
    pub map: RegionMap,
    pub map_digest: Option<Digest>,
    /// The unit's regions, for the report.
    pub unit_data: Vec<String>,
    /// Blocks that must be rewritten whole.
    pub begun: Vec<Range<u32>>,
    pub unfinished: Option<UnfinishedWrite>,
    pub lift_protection: bool,
    /// Link time when the command began.
    pub started: Duration,
    /// The chip's own ID, as it answered before it was read.
    pub own: OwnId,
    /// Whether the chip becomes the unit's.
    pub replacement: bool,
    pub replaced: Option<String>,
}

impl Rewrite<'_> {
    /// Plans, opens the last interlocks, and changes the chip.
    pub fn carry_out(
        mut self,
        command: &str,
        attendant: &mut dyn Attendant,
    ) -> Result<WriteReport, Stop> {
        let part = self.chip.part().clone();
        let accept_shared = self.purpose == Purpose::Restore
            || self.panel.acceptance(Acceptable::SharedBlock).is_some();
        let target = self.target;
        let worklist = plan(&Request {
            current: self.present,
            target: &target,
            map: &self.map,
            part: &part,
            begun: &self.begun,
            accept_shared,
        })
        .map_err(|error| no_plan(error, &mut self.panel))?;
        self.note_shared(&worklist);
        let found = self.chip.registers()?;
        let first = self.first_found(&found);
        let lift = self.judge_protection(&touched(&worklist), &found, &first);
        if self.panel.is_held() {
            return Err(Stop::held(&self.panel));
        }
        still_itself(&mut self.chip, &self.own)?;
        let resumed = self.unfinished.is_some();
        if worklist.is_empty() && !resumed {
            return self.nothing_to_do(command, &worklist);
        }
        let becomes = self.becomes();
        let journal = match self.open_journal(&worklist, &first) {
            Ok(journal) => journal,
            Err(error) => {
                let below = std::error::Error::source(&error);
                let below = below.map_or_else(String::new, |source| format!(" {source}"));
                self.panel.journal_ready(Err(&(sentence(&error) + &below)));
                return Err(Stop::held(&self.panel).because(error));
            }
        };
        self.panel
            .journal_ready(Ok(&journal.path().display().to_string()));
        let record = self.operation(command, "begun", "to be changed");
        if let Err(error) = self.unit.record(record, SystemTime::now()) {
            // Best effort: it counts as unfinished where it cannot be ended.
            let _ = abandon_unbegun(journal);
            return Err(error.into());
        }
        let panel = std::mem::take(&mut self.panel);
        let permit = panel.permit().map_err(|panel| Stop::held(&panel))?;
        let Self {
            unit,
            chip,
            seen,
            target,
            target_name,
            present,
            unit_data,
            started,
            own,
            replaced,
            ..
        } = self;
        let armed = chip.arm(permit)?;
        let mut work = Work {
            armed,
            journal,
            worklist: &worklist,
            target,
            present,
            own,
            lift,
            in_hand: None,
            finished: 0,
        };
        let outcome = work.run(attendant);
        let journal_path = format!("{}/{}", unit.name(), within(unit, work.journal.path()));
        let (changed, all) = worklist.blocks();
        let outcome = match outcome {
            Ok(()) => work.finish(attendant),
            Err(stop) => Err(work.give_up(stop)),
        };
        let (journal, chip_now, sck) = match outcome {
            Ok(proven) => proven,
            Err(stop) => {
                let record = operation(
                    command,
                    &stop.headline,
                    stop.chip.words().unwrap_or(""),
                    &seen,
                    &Panel::default(),
                );
                // The stop itself matters more than a note of it that fails.
                let _ = unit.record(record, SystemTime::now());
                return Err(stop);
            }
        };
        let estimate = worklist.estimate(&pace(&part, seen.sck));
        let done = operation(
            command,
            &format!("the chip holds {target_name}"),
            "changed as asked, complete",
            &seen,
            &Panel::default(),
        );
        // The journal ends last: until all else is noted, the same command has something to go on with.
        unit.record(done, SystemTime::now())
            .and_then(|_| becomes.map_or(Ok(()), |new| adopt(unit, new)))
            .map_err(|error| complete(error.into()))?;
        journal.close().map_err(|error| complete(error.into()))?;
        Ok(WriteReport {
            unit: unit.name().to_owned(),
            image: target_name,
            size_bytes: part.size_bytes,
            changed,
            left: all - changed,
            time: chip_now.saturating_sub(started),
            modelled: estimate.total(),
            reads_floor: estimate.before,
            floor: estimate.floor,
            last_read: sck,
            journal: Some(journal_path),
            resumed,
            unit_data,
            replaced,
        })
    }

    /// Puts on the panel that blocks shared with unit data were accepted, where there are any. A restore
    /// puts back just that data and needs no acceptance.
    fn note_shared(&mut self, worklist: &Worklist) {
        let shared = worklist.steps().iter().filter(|step| step.shared).count();
        if shared > 0 && self.purpose == Purpose::Write {
            self.panel
                .shared_block(format!("{shared} block(s) shared with unit data"));
        }
    }

    /// The header of the unfinished journal, where it is about this chip.
    fn header_before(&self) -> Option<&Header> {
        let contents = self.unfinished.as_ref()?.contents.as_ref().ok()?;
        // A replacement chip may be of another family; the old one's registers mean nothing there.
        let same = contents.header.jedec_id == self.chip.short_id()
            && self
                .own
                .iter()
                .flat_map(|(_, id)| id)
                .take(32)
                .eq(&contents.header.unique_id);
        same.then_some(&contents.header)
    }

    /// The registers as they were before an interrupted run touched them, else as they are `now`.
    fn first_found(&self, now: &Registers) -> Registers {
        let before = self
            .header_before()
            .filter(|header| !header.status.is_empty());
        before.map_or_else(
            || now.clone(),
            |header| header.status.iter().copied().collect(),
        )
    }

    /// Who the chip is from now on to the unit, if it is another one than before.
    fn becomes(&self) -> Option<Identity> {
        self.replacement
            .then(|| identity(&self.chip, &self.own, &self.seen))
    }

    /// An operation with what this job did besides.
    fn operation(&self, command: &str, outcome: &str, chip: &str) -> Operation {
        let mut operation = operation(command, outcome, chip, &self.seen, &self.panel);
        if let Some(name) = &self.replaced {
            let conditions = &mut operation.conditions;
            conditions.insert("replaced".into(), name.clone());
        }
        operation
    }

    /// `writable`: no protected block is touched, or lifting was asked for and is known how.
    fn judge_protection(
        &mut self,
        touched: &[Range<u32>],
        found: &Registers,
        first: &Registers,
    ) -> Lift {
        let family = self.chip.part().status;
        let size = self.chip.part().size_bytes;
        let protection = &family.protection(found, size);
        let back = family.restore(first, size);
        let mut lift = Lift::default();
        if back != family.restore(found, size) {
            // An interrupted run lifted it and could not put it back.
            lift.changed = true;
            lift.restore = back.clone().unwrap_or_default();
        }
        let in_the_way = touched.iter().any(|range| protection.touches(range));
        if !in_the_way || !self.lift_protection {
            self.panel.writable(protection, touched, None);
            return lift;
        }
        match family.unprotect(found, size).zip(back) {
            Some((writes, back)) => {
                lift.restore = back;
                lift.lift = writes;
                let how = format!("{protection} is lifted for this write and put back after it");
                self.panel.writable(protection, touched, Some(&how));
            }
            None => self.panel.not_liftable(format!(
                "{protection}; how this part lets go of it is not known"
            )),
        }
        lift
    }

    fn open_journal(
        &mut self,
        worklist: &Worklist,
        first: &Registers,
    ) -> Result<Journal, JournalError> {
        if let Some(unfinished) = &self.unfinished {
            let same = unfinished.contents.as_ref().is_ok_and(|contents| {
                contents.header.target == self.target_digest
                    && contents.header.purpose == self.purpose
            });
            if same {
                return Journal::resume(self.unit, unfinished.number);
            }
        }
        let part = self.chip.part();
        let unique = self.own.iter().flat_map(|(_, id)| id).take(32);
        let addressing = if self.chip.was_in_4byte_mode() {
            AddressingFound::FourByte
        } else {
            AddressingFound::ThreeByte
        };
        let before = self.header_before().map(|header| header.addressing);
        let header = Header {
            number: 0,
            supersedes: None,
            purpose: self.purpose,
            target: self.target_digest,
            baseline: self.baseline_digest,
            worklist: Digest(worklist.digest()),
            region_map: self.map_digest,
            part: format!("{} {}", part.maker, part.name),
            jedec_id: self.chip.short_id(),
            unique_id: unique.copied().collect(),
            size_bytes: part.size_bytes,
            status: first.iter().take(16).collect(),
            addressing: before.unwrap_or(addressing),
        };
        let blocks = u32::try_from(worklist.steps().len()).unwrap_or(u32::MAX);
        match &self.unfinished {
            Some(_) => Journal::supersede(self.unit, header, blocks, &self.begun),
            None => Journal::begin(self.unit, header, blocks),
        }
    }

    /// The chip holds the target already: two independent reads have just said so.
    fn nothing_to_do(self, command: &str, worklist: &Worklist) -> Result<WriteReport, Stop> {
        let part = self.chip.part().clone();
        let time = self.chip.now().saturating_sub(self.started);
        let estimate = worklist.estimate(&pace(&part, self.seen.sck));
        let last_read = self.chip.sck_for(self.chip.second_command());
        let record = self.operation(command, "nothing to change", "untouched");
        let becomes = self.becomes();
        self.chip.leave()?;
        self.unit.record(record, SystemTime::now())?;
        if let Some(identity) = becomes {
            adopt(self.unit, identity)?;
        }
        Ok(WriteReport {
            unit: self.unit.name().to_owned(),
            image: self.target_name,
            size_bytes: part.size_bytes,
            changed: 0,
            left: worklist.blocks().1,
            time,
            modelled: estimate.before,
            reads_floor: estimate.before,
            floor: estimate.floor,
            last_read,
            journal: None,
            resumed: false,
            unit_data: self.unit_data,
            replaced: self.replaced,
        })
    }
}

/// Register writes that lift protection and that put it back.
#[derive(Default)]
struct Lift {
    lift: Vec<RegisterWrite>,
    restore: Vec<RegisterWrite>,
    /// Whether protection may be another than as first found.
    changed: bool,
}

/// The chip under change.
struct Work<'a> {
    armed: Armed,
    journal: Journal,
    worklist: &'a Worklist,
    target: &'a dyn StoreFile,
    present: &'a dyn ReadAt,
    own: OwnId,
    lift: Lift,
    /// The block in hand and how far it came.
    in_hand: Option<(Range<u32>, &'static str)>,
    finished: usize,
}

impl Work<'_> {
    fn run(&mut self, attendant: &mut dyn Attendant) -> Result<(), Stop> {
        if attendant.stop_asked() {
            return Err(self.stopped());
        }
        self.lift()?;
        let total = self.worklist.steps().len() as u64;
        attendant.begins(&Task {
            name: "writing",
            total,
            bytes: false,
        });
        let steps = self.worklist.steps().to_vec();
        for (number, step) in steps.iter().enumerate() {
            if attendant.stop_asked() {
                return Err(self.stopped());
            }
            let place = format!(
                "{} in {}",
                Address(step.range.start),
                self.worklist.region_of(step)
            );
            attendant.at(number as u64, Some(&place));
            self.step(step).map_err(|stop| self.explain(stop))?;
            self.finished += 1;
        }
        attendant.at(total, None);
        attendant.ends(&format!("{total} blocks"));
        self.settle_in_hand().map_err(|stop| self.explain(stop))
    }

    /// Lifts protection and reads back that it is gone: a WP# pin held low ignores the write.
    fn lift(&mut self) -> Result<(), Stop> {
        if self.lift.lift.is_empty() {
            return Ok(());
        }
        self.lift.changed = true;
        for write in &self.lift.lift {
            self.armed
                .write_status(write)
                .map_err(|error| match error {
                    ChipError::WriteEnableRefused { .. } => lift_failed(&sentence(&error)),
                    error => error.into(),
                })?;
        }
        let (family, size) = (self.armed.part().status, self.armed.part().size_bytes);
        let now = family.protection(&self.armed.registers()?, size);
        if self
            .worklist
            .steps()
            .iter()
            .any(|step| now.touches(&step.range))
        {
            return Err(lift_failed(&format!(
                "written to lift it, the status register still says: {now}"
            )));
        }
        Ok(())
    }

    /// Puts protection back as it was first found, and reads back that it is.
    fn put_back(&mut self) -> Result<(), Stop> {
        if !self.lift.changed || self.lift.restore.is_empty() {
            return Ok(());
        }
        // A register write through a contact that is lost could set anything.
        self.armed.check_id()?;
        for write in &self.lift.restore {
            self.armed.write_status(write)?;
        }
        let (family, size) = (self.armed.part().status, self.armed.part().size_bytes);
        let now = self.armed.registers()?;
        if family.restore(&now, size).as_ref() != Some(&self.lift.restore) {
            let next = "Give the same command again; it knows how the registers were found.";
            let headline = "The protection is not back as it was found.";
            let seen = format!("written back, now: {}", family.protection(&now, size));
            return Err(Stop::new(Exit::ChipFault, headline, next).row("seen", seen));
        }
        self.lift.changed = false;
        Ok(())
    }

    /// Ends the session early. The chip is left as it was found, as far as it answers, and a journal in
    /// which nothing was begun is ended, so that the unit does not count as changed.
    fn give_up(mut self, stop: Stop) -> Stop {
        // A failed sync ends all flash operations, and is not tried again: the journal's header keeps
        // how the chip was found, and the next run puts it back.
        let files_fail = stop.exit == Exit::FileFault;
        if !files_fail {
            let _ = self.put_back();
        }
        let lifted = self.lift.changed;
        let _ = self.armed.disarmed();
        let stop = if lifted {
            stop.row("also", "the protection is not put back yet")
        } else {
            stop
        };
        if lifted || !self.journal.contents().nothing_begun() {
            return stop.after_change();
        }
        if !files_fail {
            // Where it cannot be ended it counts as unfinished, and is reported so.
            let _ = self.journal.abandon();
        }
        stop
    }

    /// One block: noted, erased, programmed, read back, noted.
    fn step(&mut self, step: &Step) -> Result<(), Stop> {
        let range = step.range.clone();
        let mut after = vec![0; step.size_bytes() as usize];
        self.target
            .read_exact_at(u64::from(range.start), &mut after)?;
        let mut before = Vec::new();
        let kind = self.worklist.erase_type(step).cloned();
        if kind.is_none() {
            before.resize(after.len(), 0);
            self.present
                .read_at(u64::from(range.start), &mut before)
                .map_err(present_lost)?;
        }
        // Contact first: no erase goes out to a chip that no longer answers as itself.
        self.armed.check_id()?;
        self.journal.begun(range.clone())?;
        self.in_hand = Some((range.clone(), "not erased, perhaps programmed in part"));
        if let Some(kind) = kind {
            self.in_hand = Some((range.clone(), "perhaps erased in part"));
            self.armed.erase(&kind, Address(range.start))?;
            self.in_hand = Some((range.clone(), "erased, not programmed whole"));
        }
        for page in self.worklist.programs(step, &before, &after) {
            let data =
                &after[(page.start - range.start) as usize..(page.end - range.start) as usize];
            self.armed.program(Address(page.start), data)?;
        }
        self.in_hand = Some((range.clone(), "programmed, not read back"));
        for _ in 0..if step.shared { 2 } else { 1 } {
            self.read_back(&range, &after)?;
        }
        self.journal.done(range)?;
        self.in_hand = None;
        Ok(())
    }

    fn read_back(&mut self, range: &Range<u32>, wanted: &[u8]) -> Result<(), Stop> {
        let mut seen = vec![!wanted.first().copied().unwrap_or(0); wanted.len()];
        self.armed.read(Address(range.start), &mut seen)?;
        let Some(at) = seen
            .iter()
            .zip(wanted)
            .position(|(seen, wanted)| seen != wanted)
        else {
            return Ok(());
        };
        let place = Address(range.start.saturating_add(at as u32));
        let next = "Seat the clip, run norlock contact, then give the same command again.";
        Err(Stop::new(
            Exit::ChipFault,
            format!("The block does not read back as written at {place}."),
            next,
        )
        .row(
            "seen",
            format!("{:02X} where {:02X} was written", seen[at], wanted[at]),
        )
        .row(
            "means",
            "the contact or the supply failed meanwhile, or the block is worn",
        ))
    }

    /// Blocks that an earlier run had in hand, under other borders than this run's steps: the steps
    /// rewrote them whole, and one more read closes their account.
    fn settle_in_hand(&mut self) -> Result<(), Stop> {
        for range in self.journal.contents().in_hand() {
            let mut wanted = vec![0; range.end.saturating_sub(range.start) as usize];
            self.target
                .read_exact_at(u64::from(range.start), &mut wanted)?;
            self.read_back(&range, &wanted)?;
            self.journal.done(range)?;
        }
        Ok(())
    }

    /// Puts protection back and reads the whole chip. Gives the journal back, to be closed.
    fn finish(mut self, attendant: &mut dyn Attendant) -> Result<(Journal, Duration, Hertz), Stop> {
        if let Err(stop) = self.put_back() {
            let also = "all blocks are written; only the protection is not put back";
            return Err(stop.row("also", also).after_change());
        }
        let total = u64::from(self.armed.part().size_bytes);
        let pass = self.last_pass();
        let sck = pass.sck;
        attendant.begins(&Task {
            name: "whole read",
            total,
            bytes: true,
        });
        let before = self.armed.now();
        let (target, mut failed, mut done) = (self.target, None, 0);
        let mut wanted = Vec::new();
        let finished = self.armed.finish(&pass, &mut |address, bytes| {
            wanted.resize(bytes.len(), 0);
            done += bytes.len() as u64;
            attendant.at(done, None);
            match target.read_exact_at(u64::from(address.0), &mut wanted) {
                Ok(()) => wanted == bytes,
                Err(error) => {
                    failed.get_or_insert(error);
                    false
                }
            }
        });
        let mut finished = finished.map_err(|error| Stop::from(error).after_change())?;
        if let Some(error) = failed {
            return Err(Stop::from(error).after_change());
        }
        let time = finished.chip.now().saturating_sub(before);
        attendant.ends(&format!("{:.1} s", time.as_secs_f64()));
        if let Some(first) = finished.differing.first() {
            return Err(differs(first, finished.differing.len()));
        }
        still_itself(&mut finished.chip, &self.own).map_err(Stop::after_change)?;
        let now = finished.chip.now();
        finished
            .chip
            .leave()
            .map_err(|error| Stop::from(error).after_change())?;
        Ok((self.journal, now, sck))
    }

    /// Other SCK, order and frame boundaries than reading back used.
    fn last_pass(&self) -> Pass {
        let (command, sck, frame) = self.armed.last_read();
        let frame_bytes = (frame - frame / 5).max(8);
        Pass {
            command,
            sck,
            frame_bytes,
            first_bytes: (frame_bytes / 3) | 1,
            order: Order::Down,
            poison: 0x3C,
        }
    }

    fn stopped(&self) -> Stop {
        let (headline, next) = if self.journal.contents().nothing_begun() {
            (
                "Stopped by you before the first block.",
                "The same command starts over.",
            )
        } else {
            (
                "Stopped by you between two blocks.",
                "The same command goes on from here.",
            )
        };
        Stop::new(Exit::Stopped, headline, next).row("blocks", self.blocks())
    }

    fn blocks(&self) -> String {
        let total = self.worklist.steps().len();
        let hand = usize::from(self.in_hand.is_some());
        let rest = total.saturating_sub(self.finished + hand);
        format!(
            "{} read back, {hand} in hand, {rest} not begun",
            self.finished
        )
    }

    /// Adds which block is in hand, how far it came, and how to go on.
    fn explain(&self, stop: Stop) -> Stop {
        let mut stop = stop;
        if let Some((range, how)) = &self.in_hand {
            stop.headline = format!(
                "Stopped at {}: {}",
                Address(range.start),
                lower(&stop.headline)
            );
            stop = stop.row(
                "in hand",
                format!("{} to {}: {how}", Address(range.start), Address(range.end)),
            );
        }
        // What a file fault asks for does not lie at the clip; and what was not begun need not go back.
        if stop.exit != Exit::FileFault && !self.journal.contents().nothing_begun() {
            stop.next =
                "Seat the clip, run norlock contact, then give the same command again. To go back \
                         instead: norlock restore"
                    .into();
        }
        stop.row("blocks", self.blocks())
    }
}

fn lower(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + letters.as_str()
    })
}

fn lift_failed(why: &str) -> Stop {
    let mut panel = Panel::default();
    panel.not_liftable(why.to_owned());
    let mut stop = Stop::held(&panel);
    stop.chip = ChipState::Untouched;
    stop
}

fn present_lost(error: std::io::Error) -> Stop {
    let next = "Give the same command again.";
    Stop::new(
        Exit::FileFault,
        "What was read of the chip cannot be read back from the unit folder.",
        next,
    )
    .because(error)
}

fn differs(first: &Range<u32>, frames: usize) -> Stop {
    Stop::new(
        Exit::Unfinished,
        format!(
            "The chip differs from the image near {}, after all blocks had read back right.",
            Address(first.start)
        ),
        "Reseat the clip and give the same command again. If it comes back: norlock restore",
    )
    .row(
        "seen",
        format!("{frames} stretches differ in the read of the whole chip"),
    )
    .row(
        "means",
        "a wrong address bit wrote outside the worklist, or the contact failed in this read",
    )
    .after_change()
}

/// The chip is complete, only the note of it failed: the journal stays unfinished.
fn complete(mut stop: Stop) -> Stop {
    stop.chip = ChipState::Changed;
    stop.exit = Exit::Unfinished;
    stop
}

/// Ends a journal in which nothing was begun.
fn abandon_unbegun(journal: Journal) -> Result<(), JournalError> {
    if journal.contents().nothing_begun() {
        journal.abandon()
    } else {
        Ok(())
    }
}

/// A path in the unit folder, from there on.
fn within(unit: &Unit, path: &Path) -> String {
    path.strip_prefix(unit.folder())
        .unwrap_or(path)
        .display()
        .to_string()
}

/// Names of the regions that hold unit data.
pub(super) fn unit_data(map: &RegionMap) -> Vec<String> {
    let regions = map
        .regions()
        .iter()
        .filter(|region| region.holds == Holds::UnitData);
    regions.map(|region| region.name.clone()).collect()
}
