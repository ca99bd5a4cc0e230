//! The chip under change: one block after the other, each accounted for.
//!
//! A block is noted in the journal, durably, before it is erased, and again once it was read back.
//! Whatever stops the work, the journal and the chip then agree.

use std::ops::Range;
use std::time::Duration;

use super::explain::sentence;
use super::lanes;
use super::lines;
use super::overlap::read_over;
use super::recognise::{OwnId, still_itself};
use super::{Attendant, ChipState, Exit, Stop, Task};
use crate::chip::{Armed, Chip, ChipError, Order, Pass, ReadCommand};
use crate::image::{ReadAt, show_size};
use crate::interlock::{Kept, Panel};
use crate::jedec::status::{RegisterWrite, StatusLock};
use crate::jedec::{Address, Hertz};
use crate::unit::journal::Journal;
use crate::unit::store::StoreFile;
use crate::worklist::{Step, Worklist};

/// What is left where the chip holds something else than its blocks explain.
const AGAIN_OR_BACK: &str = "Reseat the clip and give the same command again. If it comes back: norlock restore --unit FOLDER";

/// Register writes that lift protection and that put it back.
#[derive(Default)]
pub(super) struct Lift {
    pub lift: Vec<RegisterWrite>,
    pub restore: Vec<RegisterWrite>,
    /// Whether all of them end with the supply: it then brings back by itself what is stored.
    pub volatile: bool,
    /// Whether protection may be another than as first found.
    pub changed: bool,
}

/// The chip under change.
pub(super) struct Work<'a> {
    pub armed: Armed,
    pub journal: Journal,
    pub worklist: &'a Worklist,
    pub target: &'a dyn StoreFile,
    pub present: &'a dyn ReadAt,
    pub own: OwnId,
    /// The options that accept once more that the upper half repeats the lower, where it does.
    pub half_accepted: Option<String>,
    pub lift: Lift,
    /// The block in hand and how far it came.
    pub in_hand: Option<(Range<u32>, &'static str)>,
    pub finished: usize,
}

impl Work<'_> {
    /// Does every step, unless the person stops or something fails.
    pub fn run(&mut self, attendant: &mut dyn Attendant) -> Result<(), Stop> {
        if attendant.stop_asked() {
            return Err(self.stopped());
        }
        self.check_supply()?;
        self.lift().map_err(|stop| self.lift_explained(stop))?;
        let worklist = self.worklist;
        let total = worklist.step_count() as u64;
        attendant.begins(&Task {
            name: "writing",
            total,
            bytes: false,
        });
        for (number, step) in worklist.steps().enumerate() {
            if attendant.stop_asked() {
                return Err(self.stopped());
            }
            let place = format!(
                "{} in {}",
                Address(step.range.start),
                worklist.region_of(&step)
            );
            attendant.at(number as u64, Some(&place));
            self.step(&step).map_err(|stop| self.explain(stop))?;
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
        // Journal and record have been synced since the chip answered last.
        self.armed.check_id()?;
        self.lift.changed = true;
        for write in &self.lift.lift {
            let write = write.clone().with_volatile(self.lift.volatile);
            self.armed
                .write_status(&write)
                .map_err(|error| match error {
                    ChipError::WriteEnableRefused { .. } => {
                        lift_failed(&sentence(&error), Kept::Ignored)
                    }
                    error => error.into(),
                })?;
        }
        let registers = self.armed.registers()?;
        let locked = self.armed.locked_blocks(&registers)?;
        let now = self.armed.part().protection_with(&registers, &locked);
        if self.worklist.steps().any(|step| now.touches(&step.range)) {
            if registers.iter().any(|(_, value)| value == u8::MAX) {
                // Written to be clear, it reads as an open wire does.
                self.armed.latch();
                let (what, address, seen) = ("status write", Address(0), u8::MAX);
                return Err(ChipError::StrangeStatus {
                    what,
                    address,
                    seen,
                }
                .into());
            }
            let lock = self.armed.part().status.status_lock(&registers);
            let kept = kept(lock, self.lift.volatile);
            let lock = lock.map_or_else(String::new, |lock| format!("; it is {lock}"));
            let seen = format!("written to lift it, the status register still says: {now}{lock}");
            return Err(lift_failed(&seen, kept));
        }
        Ok(())
    }

    /// Puts protection back as it was first found, and reads back that it is.
    fn put_back(&mut self) -> Result<(), Stop> {
        if !self.lift.changed || self.lift.restore.is_empty() {
            return Ok(());
        }
        self.check_supply()?;
        // A register write through a contact that is lost could set anything.
        self.armed.check_id()?;
        for write in &self.lift.restore {
            let write = write.clone().with_volatile(self.lift.volatile);
            self.armed.write_status(&write)?;
        }
        let now = self.armed.registers()?;
        let part = self.armed.part();
        if part.status.restore(&now, part.size_bytes).as_ref() != Some(&self.lift.restore) {
            let next = "See how the contact is: norlock contact --unit FOLDER. Then give the same command again; \
                        it knows how the registers were found.";
            let headline = "The protection is not back as it was found.";
            let seen = format!("written back, now: {}", part.protection(&now));
            let means = "the clip or the supply failed for a moment, or WP# is held low";
            return Err(Stop::new(Exit::ChipFault, headline, next)
                .row("seen", seen)
                .row("means", means));
        }
        self.lift.changed = false;
        Ok(())
    }

    /// Ends the session early. The chip is left as it was found, as far as it answers, and a journal in
    /// which nothing was begun is ended, so that the unit does not count as changed.
    pub fn give_up(mut self, stop: Stop) -> Stop {
        // A failed sync ends all flash operations, and is not tried again: the journal's header keeps
        // how the chip was found, and the next run puts it back.
        let files_fail = stop.exit == Exit::FileFault;
        let was_lifted = self.lift.changed;
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
        if was_lifted && stop.chip == ChipState::Untouched {
            return Stop {
                chip: ChipState::PutBack,
                ..stop
            };
        }
        stop
    }

    /// Nothing that changes the chip goes out while the supply dips that the clip's comes from.
    fn check_supply(&mut self) -> Result<(), Stop> {
        let Some(dip) = self.armed.under_voltage() else {
            return Ok(());
        };
        let mut panel = Panel::default();
        panel.host_under_voltage(dip);
        Err(Stop::held(&panel))
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
        self.check_supply()?;
        self.armed.check_id()?;
        self.journal.begun(range.clone())?;
        self.in_hand = Some((range.clone(), "noted, not changed"));
        // The sync took a while, and loads the supply itself.
        self.check_supply()?;
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
        self.in_hand = Some((range.clone(), "read back, not noted"));
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
        // Not even protection is put back through such a contact; the next run does.
        self.armed.latch();
        let place = Address(range.start.saturating_add(at as u32));
        let next = "Seat the clip, then: norlock contact --unit FOLDER";
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
            format!(
                "the contact or the supply failed meanwhile, or the block is worn{}",
                lanes::hint(self.armed.last_read().0.lanes())
            ),
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
    pub fn finish(
        mut self,
        attendant: &mut dyn Attendant,
    ) -> Result<(Journal, Duration, Hertz), Stop> {
        if let Err(stop) = self.put_back() {
            let also = "all blocks are written; only the protection is not put back";
            return Err(stop.row("also", also).after_change());
        }
        let pass = self.last_pass();
        let before = self.armed.now();
        let mut chip = self
            .armed
            .disarmed()
            .map_err(|error| Stop::from(error).after_change())?;
        let differing = read_whole(&mut chip, &pass, self.target, before, attendant)
            .map_err(Stop::after_change)?;
        if let Some(first) = differing.first() {
            let half = u64::from(chip.size_bytes()) / 2;
            let half = self.half_accepted.map(|again| (half, again));
            return Err(differs(first, differing.len(), half, pass.command));
        }
        if let Some(stop) = lines::lost_line(&mut chip, self.target).map_err(Stop::after_change)? {
            let next = AGAIN_OR_BACK.into();
            return Err(beyond(Stop { next, ..stop }));
        }
        still_itself(&mut chip, &self.own).map_err(Stop::after_change)?;
        let now = chip.now();
        chip.leave()
            .map_err(|error| Stop::from(error).after_change())?;
        Ok((self.journal, now, pass.sck))
    }

    /// Other SCK, order and frame boundaries than reading back used.
    fn last_pass(&self) -> Pass {
        let (command, sck, frame_bytes) = self.armed.last_read();
        Pass {
            command,
            sck,
            frame_bytes,
            // Blocks were read back in frames that start at even addresses.
            first_bytes: 61,
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
                "Do not power the board. The same command goes on from here; to go back instead: norlock \
                 restore --unit FOLDER",
            )
        };
        Stop::new(Exit::Stopped, headline, next).row("blocks", self.blocks())
    }

    fn blocks(&self) -> String {
        let total = self.worklist.step_count();
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
            let first = stop.next.trim_end_matches('.');
            stop.next = format!(
                "Do not power the board. {first}. After that the command that was stopped goes on from here. To go back instead: norlock \
                 restore --unit FOLDER",
            );
        }
        stop.row("blocks", self.blocks())
    }

    /// Before the first block a stop says all by itself, but for blocks that an earlier run has begun.
    fn lift_explained(&self, stop: Stop) -> Stop {
        if self.journal.contents().nothing_begun() {
            return stop;
        }
        self.explain(stop)
    }
}

/// Reads the *whole* chip, because a wrong address bit damages blocks outside the worklist: the frames that
/// are not as in `target`, in order of reading.
fn read_whole(
    chip: &mut Chip,
    pass: &Pass,
    target: &dyn StoreFile,
    since: Duration,
    attendant: &mut dyn Attendant,
) -> Result<Vec<Range<u32>>, Stop> {
    let whole = 0..chip.size_bytes();
    attendant.begins(&Task {
        name: "whole read",
        total: whole.end.into(),
        bytes: true,
    });
    let (mut wanted, mut differing) = (Vec::new(), Vec::new());
    let mut take = |address: Address, bytes: &[u8]| {
        wanted.resize(bytes.len(), 0);
        target.read_exact_at(u64::from(address.0), &mut wanted)?;
        if wanted != bytes {
            differing.push(address.0..address.0.saturating_add(bytes.len() as u32));
        }
        Ok(())
    };
    let within = std::slice::from_ref(&whole);
    if read_over(chip, pass, within, 0, attendant, &mut take)?.is_none() {
        let headline = "The read of the whole chip was stopped.";
        let means = "nothing says yet that the chip holds what was written";
        let stop = Stop::new(Exit::Stopped, headline, "The same command reads it.");
        return Err(stop.row("means", means));
    }
    let time = chip.now().saturating_sub(since);
    attendant.ends(&format!("{:.1} s", time.as_secs_f64()));
    Ok(differing)
}

fn lower(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + letters.as_str()
    })
}

/// Why a register write that was sent had no effect.
pub(super) fn kept(lock: Option<StatusLock>, volatile: bool) -> Kept {
    match lock {
        Some(lock) => Kept::Locked(lock),
        None if volatile => Kept::VolatileIgnored,
        None => Kept::Ignored,
    }
}

fn lift_failed(why: &str, kept: Kept) -> Stop {
    let mut panel = Panel::default();
    panel.not_liftable(why.to_owned(), kept);
    let mut stop = Stop::held(&panel);
    stop.chip = ChipState::NotTaken;
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

/// `half` is where the array ends if it is as was accepted, and the options that accept it again.
fn differs(
    first: &Range<u32>,
    frames: usize,
    half: Option<(u64, String)>,
    command: ReadCommand,
) -> Stop {
    let differ = match frames {
        1 => "1 stretch differs".to_owned(),
        more => format!("{more} stretches differ"),
    };
    let seen = format!("{differ} in the read of the whole chip");
    let (means, next) = match half {
        Some((end, again)) => (
            format!(
                "the array may end at {}, a doubt that was accepted (chip-size); writes to the upper half \
                 then land in the lower",
                show_size(end)
            ),
            format!("Do not power the board. Go back: norlock restore --to 1 --unit FOLDER{again}"),
        ),
        None => (
            format!(
                "a wrong address bit wrote outside the worklist, or the contact failed in this read{}",
                lanes::hint(command.lanes())
            ),
            AGAIN_OR_BACK.into(),
        ),
    };
    let near = Address(first.start);
    let headline = format!(
        "The chip differs from the image near {near}, after all blocks had read back right."
    );
    let stop = Stop::new(Exit::Unfinished, headline, next);
    beyond(stop.row("seen", seen).row("means", means))
}

/// Nobody knows where the chip was changed.
fn beyond(stop: Stop) -> Stop {
    let mut stop = stop.after_change();
    stop.chip = ChipState::ChangedBeyond;
    stop
}
