//! A change of protection: judged, noted, written, read back, and put back where it was not taken whole.

use std::ops::Range;
use std::time::SystemTime;

use super::{OUTCOME, ProtectOrder, ProtectionChange, ProtectionReport, as_typed, bytes, report};
use crate::chip::{Armed, Chip, ChipError};
use crate::interlock::{Kept, Panel};
use crate::jedec::Address;
use crate::jedec::status::{Protection, RegisterWrite, Registers, VolatileForm};
use crate::job::approach::judge_part;
use crate::job::bench::Bench;
use crate::job::connect::{Connected, Seen, connect};
use crate::job::explain::sentence;
use crate::job::recognise::{own_id, recognise, still_itself};
use crate::job::record::{note_refusal, operation, region_map};
use crate::job::work::kept;
use crate::job::wrap::{self, Wrap};
use crate::job::{Attendant, ChipState, Exit, Stop};
use crate::link::Purpose;
use crate::part::Part;
use crate::unit::Unit;
use crate::unit::journal::Journal;

/// How many of the part's ranges of each kind are named beside one that it does not have.
const NEAREST: usize = 2;

/// Sets what the chip protects to what the order says, which must be a row of its part's table.
///
/// # Errors
/// A [`Stop`]. One whose exit code is `Different` may have left the registers as neither found nor
/// asked for; `unit.toml` then has how they were found.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::interlock::Interlock;
/// use norlock::job::{Nobody, ProtectOrder, Wanted, backup, protect};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let order = ProtectOrder {
///     wanted: Wanted::Everything,
///     until_power_off: false,
/// };
/// // Which bits protect which blocks of this part was read in no document: they are left alone.
/// let stop = protect(&mut unit, &order, gauge.bench(), &mut Nobody).unwrap_err();
/// assert_eq!(stop.held[0].interlock, Interlock::Writable);
/// # Ok(())
/// # }
/// ```
pub fn protect(
    unit: &mut Unit,
    order: &ProtectOrder,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<ProtectionReport, Stop> {
    protect_checked(unit, order, bench, attendant)
        .inspect_err(|stop| note_refusal(unit, "protect", stop))
}

fn protect_checked(
    unit: &mut Unit,
    order: &ProtectOrder,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<ProtectionReport, Stop> {
    if let Some(unfinished) = Journal::find_unfinished(unit)? {
        let next =
            "Finish it with the command that began it, or go back: norlock restore --unit FOLDER";
        let headline = "The unit has an unfinished write, which knows how protection was found.";
        return Err(
            Stop::new(Exit::Unfinished, headline, next).row("seen", unit.shown(&unfinished.path))
        );
    }
    let panel = Panel::for_protection(std::mem::take(&mut bench.accepted));
    let mut connected = connect(panel, bench, Purpose::Write, None, &[], attendant)?;
    let end = wrap::look(&mut connected, &[])?;
    let Connected {
        mut chip,
        mut panel,
        seen,
    } = connected;
    judge_part(&mut panel, &seen);
    if end == Wrap::Repeats {
        let doubt = "the upper half repeats the lower: two copies, or a chip of half the size";
        seen.doubted(&mut panel, doubt);
    }
    let map = region_map(unit).ok().flatten();
    let sameness = recognise(&mut chip, unit, map.as_ref().map(|(map, _)| map), &[])?;
    panel.same_unit(unit.name(), &sameness);
    let own = own_id(&mut chip)?;
    let found = chip.registers()?;
    let writes = judge_change(&mut panel, chip.part(), &found, order);
    if panel.is_held() {
        return Err(Stop::held(&panel));
    }
    if attendant.stop_asked() {
        let next = "The same command starts over.";
        let headline = "Stopped by you before anything was written.";
        return Err(Stop::new(Exit::Stopped, headline, next));
    }
    still_itself(&mut chip, &own)?;
    let session = Session {
        unit,
        order,
        seen: &seen,
        found: &found,
        writes,
    };
    session.carry_out(chip, panel)
}

/// `writable`, for a change of protection: the writes, where the part's table has the range, the part has
/// the form, and nothing but WP# can keep the registers as they are.
fn judge_change(
    panel: &mut Panel,
    part: &Part,
    found: &Registers,
    order: &ProtectOrder,
) -> Vec<RegisterWrite> {
    let (family, size) = (part.status, part.size_bytes);
    let wanted = order.wanted.on(size);
    let offered = part.offered(found);
    let lasting = family.status_lock(found).filter(|lock| !lock.is_by_pin());
    if let Some(lock) = lasting {
        let seen = format!("{}; the registers are {lock}", part.protection(found));
        panel.protection_kept(seen, Kept::Locked(lock), false);
    } else if offered.is_empty() {
        let kept = match family.per_block(found) {
            true => Kept::PerBlock,
            false => Kept::NotKnown,
        };
        let seen = format!("{}; {}", part.name, part.protection(found));
        // A write lifts nothing on the word of memory either.
        let liftable = part.is_documented("status") && family.unprotect(found, size).is_some();
        panel.protection_kept(seen, kept, liftable);
    } else if !offered.contains(&wanted) {
        let why = no_row(part, found, &wanted);
        panel.protection_has_no_row(&asked(&wanted), &why, &nearest(&wanted, &offered));
    } else if order.until_power_off && part.volatile_form().is_none() {
        panel.protection_lasts(&part.name);
    } else {
        panel.protection_settable(format!("{} has a row for: {wanted}", part.name));
    }
    let enabled = part.volatile_form() == Some(VolatileForm::Enabled);
    let writes = family.protect(found, size, &wanted).unwrap_or_default();
    let volatile = order.until_power_off && enabled;
    let form = |write: RegisterWrite| write.with_volatile(volatile);
    writes.into_iter().map(form).collect()
}

fn asked(wanted: &Protection) -> String {
    match wanted {
        Protection::Range { range } => as_typed(range),
        _ => "none".into(),
    }
}

/// Why there is no row, where that can be told: the array ends before, or a one-time bit decides.
fn no_row(part: &Part, found: &Registers, wanted: &Protection) -> String {
    let size = part.size_bytes;
    let ends = wanted.ranges().and_then(<[_]>::last);
    if ends.is_some_and(|range| range.end > size) {
        return format!("; the array ends at {}", Address(size));
    }
    let bits = part.status.one_time(found, size).unwrap_or_default();
    let decides = bits.iter().find(|bit| {
        let mut set = found.clone();
        let byte = found.get(bit.register).unwrap_or_default();
        set.set(bit.register, byte | 1 << bit.bit);
        bit.set == Some(false) && part.offered(&set).contains(wanted)
    });
    decides.map_or_else(String::new, |bit| {
        let name = bit.name;
        format!("; there is one with {name} set, which is one-time and is not written")
    })
}

/// Rows beside what was asked for: those that cover it, those within it, and those that differ least from
/// it, in bytes.
fn nearest(wanted: &Protection, offered: &[Protection]) -> String {
    let asked = match wanted {
        Protection::Range { range } => range.clone(),
        _ => 0..0,
    };
    let distance = |row: &Range<u32>| {
        let (start, end) = (row.start.max(asked.start), row.end.min(asked.end));
        let shared = u64::from(end.saturating_sub(start));
        let both =
            u64::from(row.end - row.start) + u64::from(asked.end.saturating_sub(asked.start));
        both - 2 * shared
    };
    let ranges = offered.iter().filter_map(Protection::ranges).flatten();
    let mut rows: Vec<&Range<u32>> = ranges.collect();
    rows.sort_by_key(|row| (distance(row), row.start));
    let covers = |row: &Range<u32>| row.start <= asked.start && asked.end <= row.end;
    let within = |row: &Range<u32>| asked.start <= row.start && row.end <= asked.end;
    let told = |name: &str, is: &dyn Fn(&Range<u32>) -> bool| {
        let some = rows.iter().filter(|row| is(row)).take(NEAREST);
        let some: Vec<String> = some.map(|row| as_typed(row)).collect();
        (!some.is_empty()).then(|| format!("{name}: {}", some.join(", ")))
    };
    let near = |row: &Range<u32>| !covers(row) && !within(row);
    let kinds = [
        told("covers it", &covers),
        told("within it", &within),
        told("near it", &near),
    ];
    kinds.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// A change with the interlocks open but for the last.
struct Session<'a> {
    unit: &'a mut Unit,
    order: &'a ProtectOrder,
    seen: &'a Seen,
    found: &'a Registers,
    writes: Vec<RegisterWrite>,
}

impl Session<'_> {
    fn carry_out(mut self, mut chip: Chip, mut panel: Panel) -> Result<ProtectionReport, Stop> {
        let part = chip.part().clone();
        let wanted = self.order.wanted.on(part.size_bytes);
        let before = part.protection(self.found);
        // A lasting write goes out even where the range is right: what is in force may not be stored.
        let stored = part.volatile_form() == Some(VolatileForm::Enabled);
        let lasting = !self.order.until_power_off && stored;
        let written = before != wanted || lasting;
        let mut now = self.found.clone();
        if written {
            self.note("begun", "its registers to be changed", &panel)
                .map_err(|stop| not_noted(&mut panel, &stop))?;
            panel.journal_ready(Ok("unit.toml has how the registers were found"));
            let permit = panel
                .permit_protection()
                .map_err(|panel| Stop::held(&panel))?;
            let mut armed = chip.arm(permit)?;
            let outcome = self.write(&mut armed);
            let disarmed = armed.disarmed();
            now = match outcome.and_then(|now| Ok((now, disarmed.map_err(changed)?))) {
                Ok((now, reading)) => {
                    chip = reading;
                    now
                }
                Err(stop) => {
                    let words = stop.chip.words().unwrap_or_default().to_owned();
                    let _ = self.note(&stop.headline.clone(), &words, &Panel::default());
                    return Err(stop);
                }
            };
            let outcome = format!("{OUTCOME}{}", part.protection(&now));
            self.note(
                &outcome,
                "its protection changed as asked",
                &Panel::default(),
            )
            .map_err(changed)?;
        }
        let ended = |error: ChipError| match written {
            true => changed(error),
            false => error.into(),
        };
        let locked = chip.locked_blocks(&now).map_err(ended)?;
        let mut report = report(&part, &now, locked, self.seen);
        chip.leave().map_err(ended)?;
        report.change = Some(ProtectionChange {
            unit: self.unit.name().to_owned(),
            before,
            until_power_off: self.ends_with_supply(),
            written,
        });
        Ok(report)
    }

    /// Writes and reads back. What does not read back as asked is put back as it was found.
    fn write(&self, armed: &mut Armed) -> Result<Registers, Stop> {
        let mut sent = false;
        for write in &self.writes {
            match armed.write_status(write) {
                Err(error @ ChipError::WriteEnableRefused { .. }) if !sent => {
                    // Write enable was sent and no register write.
                    return Err(not_taken(
                        sentence(&error),
                        Kept::Ignored,
                        ChipState::Untouched,
                    ));
                }
                result => result.map_err(in_doubt)?,
            }
            sent = true;
        }
        let now = armed.registers().map_err(in_doubt)?;
        let (family, size) = (armed.part().status, armed.part().size_bytes);
        let as_writes = |registers: &Registers| family.restore(registers, size);
        let plain = self.writes.iter().cloned().map(|w| w.with_volatile(false));
        if as_writes(&now) == Some(plain.collect()) {
            return Ok(now);
        }
        let back = as_writes(self.found);
        let shown = armed.part().protection(&now).to_string();
        if as_writes(&now) == back {
            let lock = family.status_lock(&now);
            let volatile = self.writes.iter().any(|write| write.volatile);
            let seen = match lock {
                Some(lock) => format!("written, it reads back unchanged: {shown}; it is {lock}"),
                None => format!("written, it reads back unchanged: {shown}; no lock bit is set"),
            };
            return Err(not_taken(seen, kept(lock, volatile), ChipState::NotTaken));
        }
        self.put_back(armed, back.unwrap_or_default(), &shown)
    }

    fn put_back(
        &self,
        armed: &mut Armed,
        back: Vec<RegisterWrite>,
        shown: &str,
    ) -> Result<Registers, Stop> {
        let volatile = self.writes.iter().any(|write| write.volatile);
        for write in &back {
            let write = write.clone().with_volatile(volatile);
            armed.write_status(&write).map_err(in_doubt)?;
        }
        let now = armed.registers().map_err(in_doubt)?;
        let (family, size) = (armed.part().status, armed.part().size_bytes);
        let next = "See how the contact is: norlock contact --unit FOLDER. Then how it stands: norlock protect --unit FOLDER";
        let headline = "The change was taken in part only.";
        let mut stop = Stop::new(Exit::ChipFault, headline, next)
            .row("seen", format!("written, it read back: {shown}"))
            .row(
                "means",
                "the contact is failing, or the part is another than its ID says",
            );
        if family.restore(&now, size) == Some(back) {
            stop.chip = ChipState::PutBack;
            Err(stop)
        } else {
            Err(in_doubt(stop))
        }
    }

    /// Whether the change was asked to end with the supply, or every change of this part does.
    fn ends_with_supply(&self) -> bool {
        let part = self.seen.identification.part.as_ref();
        let always = part.is_some_and(|part| part.volatile_form() == Some(VolatileForm::Always));
        self.order.until_power_off || always
    }

    fn note(&mut self, outcome: &str, chip: &str, panel: &Panel) -> Result<(), Stop> {
        let mut operation = operation("protect", outcome, chip, self.seen, panel);
        let (wanted, conditions) = (&self.order.wanted, &mut operation.conditions);
        conditions.insert("registers found".into(), bytes(self.found.iter()));
        conditions.insert("asked for".into(), wanted.to_string());
        if self.ends_with_supply() {
            conditions.insert("until".into(), "power off".into());
        }
        self.unit.record(operation, SystemTime::now())?;
        Ok(())
    }
}

/// Nothing was written where how the chip was found could not be kept.
fn not_noted(panel: &mut Panel, stop: &Stop) -> Stop {
    let seen = stop.evidence.iter().filter(|(label, _)| label == "seen");
    let below: Vec<&str> = seen.map(|(_, text)| text.as_str()).collect();
    panel.journal_ready(Err(
        format!("{} {}", stop.headline, below.join("; ")).trim_end()
    ));
    Stop::held(panel)
}

fn not_taken(seen: String, kept: Kept, chip: ChipState) -> Stop {
    let mut panel = Panel::default();
    panel.protection_kept(seen, kept, false);
    let mut stop = Stop::held(&panel);
    stop.chip = chip;
    stop
}

/// What was asked for was sent and read back, and only what came after it failed.
fn changed(stop: impl Into<Stop>) -> Stop {
    let mut stop = in_doubt(stop);
    stop.chip = ChipState::ProtectionChanged;
    stop
}

/// Something was sent, and what came of it is not known.
fn in_doubt(stop: impl Into<Stop>) -> Stop {
    let mut stop = stop.into();
    stop.exit = Exit::Different;
    stop.chip = ChipState::ProtectionInDoubt;
    stop.next = "The unit's unit.toml has how the registers were found. Seat the clip, then look: norlock protect --unit \
                 FOLDER"
        .into();
    stop
}
