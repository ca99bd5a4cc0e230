//! Changing a chip: the part of `write` and `restore` that is the same.
//!
//! Plans, opens the last interlocks, opens the journal, arms the chip and hands it to [`Work`].

use std::ops::Range;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::approach::Approach;
use super::contact::message_overhead;
use super::cost::Cost;
use super::explain::sentence;
use super::recognise::{identity, is_about, still_itself};
use super::record::{note_times, operation};
use super::restore::adopt;
use super::work::{Lift, Work};
use super::worklist::{no_plan, pace, touched};
use super::{Attendant, ChipState, Exit, Stop};
use crate::chip::MESSAGE;
use crate::image::{Holds, ReadAt, RegionMap};
use crate::interlock::{Acceptable, Kept, Panel};
use crate::jedec::Hertz;
use crate::jedec::status::{Protection, Registers, VolatileForm};
use crate::part::JedecId;
use crate::unit::journal::{Header, Intent, Journal, JournalError, UnfinishedWrite};
use crate::unit::store::{StoreFile, hash};
use crate::unit::{Digest, Identity, Operation, Unit};
use crate::worklist::{Request, Worklist, plan};

/// Outcome of a write or restore that found the chip as it should be.
pub(super) const NOTHING_TO_CHANGE: &str = "nothing to change";

/// What a write or restore did.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
    /// The least time the erases, programs and one whole read could take on this wire.
    pub floor: Duration,
    /// The least time of what makes it safe: the reads before, the journal, reading back.
    pub proof_floor: Duration,
    /// SCK of the whole read at the end.
    pub last_read: Hertz,
    /// How many lanes were chosen for reads and programs and why, where there was a choice.
    pub lanes: Option<String>,
    /// Path of the journal.
    pub journal: Option<String>,
    /// Whether an interrupted run was gone on with.
    pub resumed: bool,
    /// Regions with unit data.
    pub unit_data: Vec<String>,
    /// File name under which what was replaced is kept.
    pub replaced: Option<String>,
    /// Whether protection was lifted for this, and put back.
    pub lifted: bool,
}

/// All that changing the chip needs, with the interlocks open but for the last ones.
pub(super) struct Rewrite<'a> {
    pub unit: &'a mut Unit,
    /// The chip as it was met.
    pub met: Approach,
    pub intent: Intent,
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
    pub unfinished: Option<UnfinishedWrite>,
    pub lift_protection: bool,
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
        let worklist = self.plan()?;
        // What was judged, hashed and planned from must be one and the same image.
        unchanged(self.target, self.target_digest, &self.target_name)?;
        if let Some(first) = self.header_before().map(|header| header.addressing) {
            // An interrupted run could not put it back.
            self.met.chip.leave_as(first);
        }
        let found = self.met.chip.registers()?;
        let first = self.first_found(&found);
        let locked = self.met.chip.locked_blocks(&found)?;
        let lift = self.judge_protection(&touched(&worklist), &found, &first, &locked);
        if self.met.panel.is_held() {
            let mut stop = Stop::held(&self.met.panel);
            if found.iter().any(|(_, value)| value == u8::MAX) {
                let open = "FFh is what an open wire reads as, so look first: norlock contact --unit FOLDER.";
                stop.next = format!("{open} {}", stop.next);
            }
            return Err(stop);
        }
        still_itself(&mut self.met.chip, &self.met.own)?;
        if worklist.is_empty() && self.unfinished.is_none() {
            return self.nothing_to_do(command, &worklist);
        }
        let journal = self.journal_ready(&worklist, &first)?;
        let record = self.operation(command, "begun", "to be changed");
        if let Err(error) = self.unit.record(record, SystemTime::now()) {
            // Best effort: it counts as unfinished where it cannot be ended.
            let _ = abandon_unbegun(journal);
            return Err(error.into());
        }
        self.change(command, &worklist, lift, journal, attendant)
    }

    /// The worklist, with shared blocks on the panel.
    fn plan(&mut self) -> Result<Worklist, Stop> {
        let accept_shared = self.intent == Intent::Restore
            || self.met.panel.acceptance(Acceptable::SharedBlock).is_some();
        let cost = Cost::recorded(self.unit, Some(&self.met.seen.link));
        let lanes = self.met.chip.second_command().lanes().into;
        let programs = self.met.chip.program_lanes();
        let worklist = plan(&Request {
            current: self.present,
            target: &self.target,
            map: &self.map,
            part: self.met.chip.part(),
            begun: &self.met.begun,
            pace: cost.with(pace(
                self.met.chip.part(),
                self.met.seen.sck,
                lanes,
                programs,
            )),
            accept_shared,
        });
        let worklist = worklist
            .map_err(|error| no_plan(error, self.met.seen.layout.as_ref(), &mut self.met.panel))?;
        self.note_shared(&worklist);
        Ok(worklist)
    }

    /// `journal-ready`: the last interlock.
    fn journal_ready(&mut self, worklist: &Worklist, first: &Registers) -> Result<Journal, Stop> {
        match self.open_journal(worklist, first) {
            Ok(journal) => {
                let path = self.unit.shown(journal.path());
                self.met.panel.journal_ready(Ok(&path));
                Ok(journal)
            }
            Err(error) => {
                let below = std::error::Error::source(&error);
                let below = below.map_or_else(String::new, |source| format!(" {source}"));
                self.met
                    .panel
                    .journal_ready(Err(&(sentence(&error) + &below)));
                Err(Stop::held(&self.met.panel).because(error))
            }
        }
    }

    /// Arms the chip, does the work, and notes how it ended.
    fn change(
        mut self,
        command: &str,
        worklist: &Worklist,
        lift: Lift,
        journal: Journal,
        attendant: &mut dyn Attendant,
    ) -> Result<WriteReport, Stop> {
        let report = WriteReport {
            resumed: self.unfinished.is_some(),
            lifted: !lift.lift.is_empty(),
            journal: Some(self.unit.shown(journal.path())),
            ..self.unchanged_report(worklist)
        };
        let becomes = self.becomes();
        let half_accepted = self.half_accepted();
        let permit = match std::mem::take(&mut self.met.panel).permit() {
            Ok(permit) => permit,
            Err(panel) => {
                let _ = abandon_unbegun(journal);
                return Err(Stop::held(&panel));
            }
        };
        let (unit, seen) = (self.unit, self.met.seen);
        let message = message_overhead(unit, &seen.link).unwrap_or(MESSAGE);
        let mut work = Work {
            armed: self.met.chip.arm(permit)?.with_message(message),
            journal,
            worklist,
            target: self.target,
            present: self.present,
            own: self.met.own,
            half_accepted,
            lift,
            in_hand: None,
            finished: 0,
        };
        let outcome = match work.run(attendant) {
            // Nothing says that the chip holds an image that was exchanged meanwhile.
            Ok(()) => work.finish(attendant).and_then(|proven| {
                unchanged(self.target, self.target_digest, &self.target_name)
                    .map_err(Stop::after_change)?;
                Ok(proven)
            }),
            Err(stop) => Err(work.give_up(stop)),
        };
        let note = |outcome: &str, chip: &str| {
            let done = operation(command, outcome, chip, &seen, &Panel::default());
            with_target(done, self.target_digest)
        };
        let (journal, chip_now, last_read) = match outcome {
            Ok(proven) => proven,
            Err(stop) => {
                let record = note(&stop.headline, stop.chip.words().unwrap_or_default());
                // The stop itself matters more than a note of it that fails.
                let _ = unit.record(record, SystemTime::now());
                return Err(stop);
            }
        };
        let time = chip_now.saturating_sub(self.met.started);
        let holds = format!("the chip holds {}", self.target_name);
        let mut done = note(&holds, "changed as asked, complete");
        note_times(&mut done, time, worklist.estimate().total());
        // The journal ends last: until all else is noted, the same command has something to go on with.
        unit.record(done, SystemTime::now())
            .and_then(|_| becomes.map_or(Ok(()), |new| adopt(unit, new)))
            .map_err(|error| complete(error.into()))?;
        journal.close().map_err(|error| complete(error.into()))?;
        Ok(report.with_work(worklist, time, last_read))
    }

    /// The options that accept a chip whose halves hold the same, where that was accepted.
    fn half_accepted(&self) -> Option<String> {
        let panel = &self.met.panel;
        let halves_alike = self.met.reads.half.is_some();
        let accepted = halves_alike && panel.acceptance(Acceptable::ChipSize).is_some();
        accepted.then(|| panel.acceptances().again())
    }

    /// The report where nothing was changed.
    fn unchanged_report(&self, worklist: &Worklist) -> WriteReport {
        let chip = &self.met.chip;
        let before = worklist.estimate().before;
        WriteReport {
            unit: self.unit.name().to_owned(),
            image: self.target_name.clone(),
            size_bytes: chip.size_bytes(),
            changed: 0,
            left: worklist.blocks().1,
            time: chip.now().saturating_sub(self.met.started),
            modelled: before,
            proof_floor: before,
            floor: Duration::ZERO,
            last_read: chip.sck_for(chip.second_command()),
            lanes: self.met.reads.lanes.clone(),
            journal: None,
            resumed: false,
            unit_data: unit_data(&self.map),
            replaced: self.replaced.clone(),
            lifted: false,
        }
    }

    /// Puts on the panel that blocks shared with unit data were accepted, where there are any. A restore
    /// puts back just that data and needs no acceptance.
    fn note_shared(&mut self, worklist: &Worklist) {
        let shared = worklist.steps().filter(|step| step.shared).count();
        if shared > 0 && self.intent == Intent::Write {
            self.met
                .panel
                .shared_block(format!("{shared} block(s) shared with unit data"));
        }
    }

    /// The header of the unfinished journal, where it is about this chip.
    fn header_before(&self) -> Option<&Header> {
        let contents = self.unfinished.as_ref()?.contents.as_ref().ok()?;
        // A replacement chip may be of another family; the old one's registers mean nothing there.
        let same = is_about(&contents.header, &self.met.chip, &self.met.own);
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
            .then(|| identity(&self.met.chip, &self.met.own, &self.met.seen))
    }

    /// An operation with what this job did besides.
    fn operation(&self, command: &str, outcome: &str, chip: &str) -> Operation {
        let done = operation(command, outcome, chip, &self.met.seen, &self.met.panel);
        let mut done = with_target(done, self.target_digest);
        if let Some(name) = &self.replaced {
            done.conditions.insert("replaced".into(), name.clone());
        }
        done
    }

    /// `writable`: no protected block is touched, or lifting was asked for and is known how.
    fn judge_protection(
        &mut self,
        touched: &[Range<u32>],
        found: &Registers,
        first: &Registers,
        locked: &[Range<u32>],
    ) -> Lift {
        let family = self.met.chip.part().status;
        let size = self.met.chip.part().size_bytes;
        let protection = &self.met.chip.part().protection_with(found, locked);
        let back = family.restore(first, size);
        let mut lift = Lift {
            volatile: self.lifts_volatile(),
            ..Lift::default()
        };
        if back != family.restore(found, size) {
            // An interrupted run lifted it and could not put it back.
            lift.changed = true;
            lift.restore = back.clone().unwrap_or_default();
        }
        let known = !lift.volatile || self.takes_volatile();
        if lift.changed && (back.is_none() || !known) {
            self.met.panel.not_liftable(
                "it is not as it was first found, and how this part is put back is not known"
                    .into(),
                Kept::NotKnown,
            );
            return lift;
        }
        let own = Protection::of(locked.to_vec());
        if touched.iter().any(|range| own.touches(range)) {
            self.met.panel.blocks_locked(&own, family.per_block(found));
            return lift;
        }
        let in_the_way = touched.iter().any(|range| protection.touches(range));
        if in_the_way && !self.met.chip.part().is_documented("status") {
            self.met.panel.lift_not_documented(protection);
            return lift;
        }
        if !in_the_way || !self.lift_protection {
            self.met.panel.writable(protection, touched, None);
            return lift;
        }
        match family.unprotect(found, size).zip(back) {
            Some((writes, back)) if known => {
                lift.restore = back;
                lift.lift = writes;
                let how = format!("{protection} is lifted for this write and put back after it");
                self.met.panel.writable(protection, touched, Some(&how));
            }
            _ => {
                let lock = family.status_lock(found).filter(|lock| !lock.is_by_pin());
                let (why, kept) = match lock {
                    Some(lock) => (
                        format!("; the status registers are {lock}"),
                        Kept::Locked(lock),
                    ),
                    None if family.per_block(found) => (String::new(), Kept::PerBlock),
                    None => (String::new(), Kept::NotKnown),
                };
                self.met
                    .panel
                    .not_liftable(format!("{protection}{why}"), kept);
            }
        }
        lift
    }

    /// Whether the part is known to take status writes that end with the supply.
    fn takes_volatile(&self) -> bool {
        self.met.chip.part().volatile_form() == Some(VolatileForm::Enabled)
    }

    /// Whether protection is lifted by such writes. What an interrupted run began is ended in its way:
    /// a lasting lift that only a volatile write puts back would be there again after a power-up.
    fn lifts_volatile(&self) -> bool {
        let before = self.header_before().map(|header| header.volatile_lift);
        before.unwrap_or_else(|| self.takes_volatile())
    }

    fn open_journal(
        &mut self,
        worklist: &Worklist,
        first: &Registers,
    ) -> Result<Journal, JournalError> {
        if let Some(unfinished) = &self.unfinished {
            let same = self.header_before().is_some_and(|header| {
                header.target == self.target_digest && header.intent == self.intent
            });
            if same {
                return Journal::resume(self.unit, unfinished.number);
            }
        }
        let part = self.met.chip.part();
        let unique = self.met.own.iter().flat_map(|(_, id)| id).take(32);
        let header = Header {
            number: 0,
            supersedes: None,
            intent: self.intent,
            target: self.target_digest,
            baseline: self.baseline_digest,
            worklist: Digest(worklist.digest()),
            region_map: self.map_digest,
            part: format!("{} {}", part.maker, part.name),
            jedec_id: JedecId(part.jedec_id.0.iter().take(16).copied().collect()),
            unique_id: unique.copied().collect(),
            size_bytes: part.size_bytes,
            status: first.iter().take(16).collect(),
            addressing: self.met.chip.addressing_found(),
            volatile_lift: self.lifts_volatile(),
        };
        let blocks = u32::try_from(worklist.step_count()).unwrap_or(u32::MAX);
        match &self.unfinished {
            Some(_) => Journal::supersede(self.unit, header, blocks, &self.met.begun),
            None => Journal::begin(self.unit, header, blocks),
        }
    }

    /// The chip holds the target already: two independent reads have just said so.
    fn nothing_to_do(self, command: &str, worklist: &Worklist) -> Result<WriteReport, Stop> {
        let report = self.unchanged_report(worklist);
        let mut record = self.operation(command, NOTHING_TO_CHANGE, "untouched");
        note_times(&mut record, report.time, report.modelled);
        let becomes = self.becomes();
        self.met.chip.leave()?;
        self.unit.record(record, SystemTime::now())?;
        if let Some(identity) = becomes {
            adopt(self.unit, identity)?;
        }
        Ok(report)
    }
}

impl WriteReport {
    /// The same after the work: how long it took on the link's clock, and the SCK of the last read.
    fn with_work(self, worklist: &Worklist, time: Duration, last_read: Hertz) -> Self {
        let (changed, all) = worklist.blocks();
        let estimate = worklist.estimate();
        Self {
            changed,
            left: all - changed,
            time,
            modelled: estimate.total(),
            proof_floor: estimate.proof_floor,
            floor: estimate.floor,
            last_read,
            ..self
        }
    }
}

/// An operation that says which image was meant.
fn with_target(mut done: Operation, digest: Digest) -> Operation {
    let target = format!("SHA-256 {digest}");
    done.conditions.insert("target".into(), target);
    done
}

/// Hashes the image once more: a file that was exchanged meanwhile was not judged.
fn unchanged(image: &dyn StoreFile, digest: Digest, name: &str) -> Result<(), Stop> {
    if hash(image)?.0 == digest {
        return Ok(());
    }
    let next = "Leave the image alone while it is written. Tailor it anew, or: norlock restore --unit FOLDER";
    let headline = format!("{name} was changed while it was in use.");
    Err(Stop::new(Exit::FileFault, headline, next)
        .row("means", "what was judged is not what would be written"))
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

/// Names of the regions that hold unit data.
fn unit_data(map: &RegionMap) -> Vec<String> {
    let regions = map
        .regions()
        .iter()
        .filter(|region| region.holds == Holds::UnitData);
    regions.map(|region| region.name.clone()).collect()
}
