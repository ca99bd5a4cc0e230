//! `protect`: which ranges the chip protects, and a change to what its part's table gives.

mod change;

use std::fmt;
use std::ops::Range;

use serde::Serialize;

use super::bench::Bench;
use super::connect::{Connected, Seen, connect};
use super::write::left_begun;
use super::{Attendant, Stop};
use crate::interlock::Panel;
use crate::jedec::Address;
use crate::jedec::status::{OneTimeBit, Protection, Registers, StatusLock, VolatileForm};
use crate::link::Purpose;
use crate::part::Part;
use crate::unit::Unit;
use crate::unit::journal::Journal;

pub use change::protect;

/// How the outcome of a change begins in the unit file.
const OUTCOME: &str = "protection: ";

/// What shall be protected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// No range.
    Nothing,
    /// The whole array.
    Everything,
    /// This range, half-open.
    Range(Range<u32>),
}

impl Wanted {
    fn on(&self, size_bytes: u32) -> Protection {
        match self {
            Self::Nothing => Protection::None,
            Self::Everything => Protection::Range {
                range: 0..size_bytes,
            },
            Self::Range(range) => Protection::Range {
                range: range.clone(),
            },
        }
    }
}

impl fmt::Display for Wanted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nothing => f.write_str("none"),
            Self::Everything => f.write_str("all"),
            Self::Range(range) => f.write_str(&as_typed(range)),
        }
    }
}

/// A range as it is typed: half-open.
fn as_typed(range: &Range<u32>) -> String {
    format!("{}..{}", Address(range.start), Address(range.end))
}

/// A change of protection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProtectOrder {
    /// What shall be protected.
    pub wanted: Wanted,
    /// Whether that ends with the supply.
    pub until_power_off: bool,
}

/// A register as it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RegisterByte {
    /// What its family calls it.
    pub name: &'static str,
    /// Opcode that reads it.
    pub opcode: u8,
    /// What it holds.
    pub value: u8,
}

/// What a change did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ProtectionChange {
    /// The unit.
    pub unit: String,
    /// What was protected before.
    pub before: Protection,
    /// Whether the change ends with the supply.
    pub until_power_off: bool,
    /// Whether anything had to be written.
    pub written: bool,
}

/// What the chip protects, and what can be done about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ProtectionReport {
    /// Maker and name of the part.
    pub part: String,
    /// Size of the array.
    pub size_bytes: u32,
    /// What is protected.
    pub protection: Protection,
    /// The registers that this was read from.
    pub registers: Vec<RegisterByte>,
    /// What keeps them from being written.
    pub lock: Option<StatusLock>,
    /// Whether `lock` tells all: false where no document was read, or the lock is in a register that is not
    /// read.
    pub lock_known: bool,
    /// Bits among them that are for ever; `None` where no document was read for the part.
    pub one_time: Option<Vec<OneTimeBit>>,
    /// How a change can be made to end with the supply.
    pub volatile_form: Option<VolatileForm>,
    /// Everything that the part's table can be set to from here; empty where none was read, or where
    /// the registers are locked whatever WP# does.
    pub offered: Vec<Protection>,
    /// How many locks of single blocks were read, where the part is known to have them in force.
    pub locks_read: usize,
    /// What those lock, beside or in place of the status registers.
    pub locked: Vec<Range<u32>>,
    /// Locks beside the status registers that the family has, in words.
    pub beside: Option<&'static str>,
    /// Whether `protection` tells all: false where such locks were not looked at.
    pub all_looked_at: bool,
    /// Registers as found, as `unit.toml` has them, where the last change ends with the supply and is still
    /// in force.
    pub until_power_off: Option<String>,
    /// Registers as an unfinished write or restore of the unit found them: what is shown may be lifted.
    /// Empty where its journal is damaged.
    pub unfinished: Option<String>,
    /// The change that was asked for.
    pub change: Option<ProtectionChange>,
    /// What the link is called.
    pub link: String,
}

/// Reads what the chip protects. With a unit, the chip must not have another unit's ID.
///
/// # Errors
/// A [`Stop`]: held before the first clock, by the contact or by `same-unit`; a fault; or the person stopped. The
/// chip is then as it was.
///
/// # Examples
/// `gauge` is a simulated bench: `examples/gauge/mod.rs` makes it.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, _) = Gauge::new()?;
/// use norlock::jedec::status::Protection;
/// use norlock::job::{Nobody, protection};
///
/// let report = protection(None, gauge.bench(), &mut Nobody)?;
/// assert_eq!(report.protection, Protection::None);
/// # Ok(())
/// # }
/// ```
pub fn protection(
    unit: Option<&Unit>,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<ProtectionReport, Stop> {
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    let torn = left_begun(unit)?;
    let mut connected = connect(panel, bench, Purpose::Read, None, &torn, attendant)?;
    super::verify::must_be_the_unit(&mut connected, unit)?;
    let Connected { mut chip, seen, .. } = connected;
    let registers = chip.registers()?;
    let locked = chip.locked_blocks(&registers)?;
    let set = chip.part().protection(&registers);
    let mut report = report(chip.part(), &registers, locked, &seen);
    chip.leave()?;
    if let Some(unit) = unit {
        report.until_power_off = until_power_off(unit, &set.to_string());
        report.unfinished = Journal::find_unfinished(unit)?.map(|journal| {
            let header = journal.contents.map(|contents| contents.header);
            header.map_or_else(|_| String::new(), |header| bytes(header.status.into_iter()))
        });
    }
    Ok(report)
}

/// The registers that the last change found, where it ends with the supply and its outcome is what is there
/// `now`.
fn until_power_off(unit: &Unit, now: &str) -> Option<String> {
    let mut operations = unit.file().operations.iter().rev();
    let changed = |outcome: &str| outcome.starts_with(OUTCOME);
    let last = operations.find(|one| one.command == "protect" && changed(&one.outcome))?;
    let there = last.outcome == format!("{OUTCOME}{now}") && last.conditions.contains_key("until");
    there.then(|| last.conditions.get("registers found").cloned())?
}

/// Registers as the unit file keeps them: read opcode and byte.
fn bytes(registers: impl Iterator<Item = (u8, u8)>) -> String {
    let shown = registers.map(|(opcode, value)| format!("{opcode:02X}h {value:02X}"));
    shown.collect::<Vec<_>>().join(", ")
}

fn report(
    part: &Part,
    registers: &Registers,
    locked: Vec<Range<u32>>,
    seen: &Seen,
) -> ProtectionReport {
    let (family, size) = (part.status, part.size_bytes);
    let documented = part.is_documented("status");
    let names = family.registers().iter();
    let read = names.filter_map(|register| {
        let value = registers.get(register.opcode)?;
        Some(RegisterByte {
            name: register.name,
            opcode: register.opcode,
            value,
        })
    });
    ProtectionReport {
        part: format!("{} {}", part.maker, part.name),
        size_bytes: size,
        protection: part.protection_with(registers, &locked),
        registers: read.collect(),
        lock: family.status_lock(registers),
        lock_known: documented && family.shows_lock(),
        one_time: documented
            .then(|| family.one_time(registers, size))
            .flatten(),
        volatile_form: part.volatile_form(),
        offered: part.offered(registers),
        locks_read: part.block_locks(registers).len(),
        locked,
        beside: family.locks_beside(),
        all_looked_at: family.locks_beside().is_none() || !part.block_locks(registers).is_empty(),
        until_power_off: None,
        unfinished: None,
        change: None,
        link: seen.link.clone(),
    }
}
