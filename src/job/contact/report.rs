//! What a check of the contact brings: the verdict with its evidence, and what of it is kept with the unit.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::SCK_FREE;
use super::kind::Kind;
use super::ladder::{self, LOWEST, Rung};
use super::look::{Idle, Observed, Sample};
use super::signs::Sign;
use crate::chip::FirstLook;
use crate::jedec::{Hertz, Millivolts};
use crate::job::named;
use crate::unit::store::Store;
use crate::unit::{Operation, Unit, UnitError};
use crate::worklist::grouped;

/// What was proven in a record of the unit file, beside `sck`.
const PROVEN: &str = "proven";
/// What a message was measured to cost, beside that: whole microseconds, and their unit.
const OVERHEAD: (&str, &str) = ("overhead", " us");

/// What was counted beside the ladder, at the lowest SCK.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Evidence {
    /// Reads of the ID, and how many were as the first.
    #[serde(serialize_with = "named::reads")]
    #[cfg_attr(test, schemars(with = "named::Reads<usize>"))]
    pub ids: (usize, usize),
    /// Reads of status register 1, and how many were as the first.
    #[serde(serialize_with = "named::reads")]
    #[cfg_attr(test, schemars(with = "named::Reads<usize>"))]
    pub statuses: (usize, usize),
    /// Status register 1.
    pub status: Option<u8>,
    /// Reads of the SFDP header, and how many were as the first.
    #[serde(serialize_with = "named::reads")]
    #[cfg_attr(test, schemars(with = "named::Reads<usize>"))]
    pub sfdp: (usize, usize),
    /// Reads of the ID right after a long one, and how many were right.
    #[serde(serialize_with = "named::reads")]
    #[cfg_attr(test, schemars(with = "named::Reads<u32>"))]
    pub after_long: (u32, u32),
    /// Address lines that the chip has, and how many were seen to arrive; `None` where its size is not known.
    #[serde(serialize_with = "named::lines")]
    #[cfg_attr(test, schemars(with = "Option<named::Lines>"))]
    pub lines: Option<(u32, u32)>,
    /// How often MISO changed while CS was high; `None` where the link cannot look.
    pub idle_changes: Option<u32>,
    /// Bytes that were sampled.
    pub sample_bytes: usize,
}

/// The verdict on the contact, with its evidence.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ContactReport {
    /// Whether the contact is good: at one SCK at least every read was right, and no sign is bad.
    pub good: bool,
    /// What speaks against it, and what to look at.
    pub sign: Option<Sign>,
    /// What was found besides, and does not spoil a read.
    pub notes: Vec<Sign>,
    /// JEDEC ID, where every read brought the same one.
    pub jedec_id: Option<String>,
    /// Part, where it is known.
    pub part: Option<String>,
    /// The ladder, highest SCK first.
    pub ladder: Vec<Rung>,
    /// The highest SCK at which, and below which, every read was right.
    pub proven: Option<Hertz>,
    /// SCK to work at: the one asked for if that is proven, else one step below what is.
    pub chosen: Option<Hertz>,
    /// What ends the ladder below the SCK that was asked for, where that is not an error.
    pub ends_at: Option<&'static str>,
    /// How many lanes read the same at the SCK to work at, and why; `None` where the link has one.
    pub lanes: Option<String>,
    /// Whether SFDP answered.
    pub sfdp: bool,
    /// The start sequence.
    pub look: Option<FirstLook>,
    /// What was counted.
    pub evidence: Evidence,
    /// The journal of a write of the unit that did not end; `None` where no unit was named.
    pub unfinished: Option<String>,
    /// Link, level and SCK asked for.
    #[serde(serialize_with = "named::asked")]
    #[cfg_attr(test, schemars(with = "named::Asked<'static, Option<Hertz>>"))]
    pub link: (String, Option<Millivolts>, Option<Hertz>),
    /// The record for the unit file, without its outcome.
    #[serde(skip)]
    pub operation: Operation,
}

impl Evidence {
    pub(super) fn of(observed: &Observed, sample: Option<&Sample>) -> Self {
        fn same<T: PartialEq>(all: &[T]) -> (usize, usize) {
            let first = all.first();
            (
                all.len(),
                all.iter().filter(|one| Some(*one) == first).count(),
            )
        }
        let (long, failed) = observed.after_long;
        Self {
            ids: same(&observed.ids),
            statuses: same(&observed.statuses),
            status: observed.statuses.first().copied(),
            sfdp: same(&observed.sfdp),
            after_long: (long, long - failed),
            lines: observed
                .lines
                .as_ref()
                .map(|lines| (lines.all, lines.arriving)),
            idle_changes: match observed.idle {
                Idle::NotAsked => None,
                Idle::Still => Some(0),
                Idle::Driven { changes } => Some(changes),
            },
            sample_bytes: sample.map_or(0, |sample| {
                sample.pieces.iter().map(|(_, bytes)| bytes.len()).sum()
            }),
        }
    }
}

impl ContactReport {
    /// What the ladder, lowest SCK first, says.
    pub(super) fn judge(&mut self) {
        let (_, _, asked) = self.link;
        if self.good {
            let choice = ladder::choose(&self.ladder, asked.unwrap_or(SCK_FREE));
            (self.proven, self.chosen) = (choice.proven, choice.chosen);
            match self.proven {
                None => self.unsteady(),
                Some(proven) => self.note_ladder(proven),
            }
        }
        self.ladder.reverse();
    }

    fn unsteady(&mut self) {
        let lowest = self.ladder.first();
        let sck = lowest.map_or(LOWEST, |rung| rung.sck);
        let [wrong, bits] = lowest
            .map_or([0, 0], |rung| [rung.wrong_bits, rung.bits])
            .map(grouped);
        let seen = format!("{wrong} of {bits} bits are wrong even at {sck}");
        self.good = false;
        self.sign = Some(Sign::unsteady_array(seen, None));
    }

    fn note_ladder(&mut self, proven: Hertz) {
        if let Some(wrong) = self.ladder.iter().find(|rung| !rung.is_right()) {
            let seen = format!(
                "{} of {} bits are wrong at {}, none at {proven}",
                grouped(wrong.wrong_bits),
                grouped(wrong.bits),
                wrong.sck
            );
            self.notes.push(Sign::new(Kind::LowSckOnly, seen, None));
        }
        let doubt = |rung: &Rung| rung.measured?.doubt(rung.sck);
        if let Some(doubt) = self.ladder.iter().rev().find_map(doubt) {
            self.notes.push(Sign::new(Kind::OddClock, doubt, None));
        }
    }

    /// Whether the chip is another one than that of the unit that was named.
    #[must_use]
    pub fn is_of_another(&self) -> bool {
        self.notes.iter().any(|note| note.kind == Kind::AnotherChip)
    }

    /// The step that the chosen SCK rests on: the proven one where no lower step stands for it.
    #[must_use]
    pub fn rests_on(&self) -> Option<&Rung> {
        let at = |sck: Option<Hertz>| self.ladder.iter().find(|rung| Some(rung.sck) == sck);
        at(self.chosen).or_else(|| at(self.proven))
    }

    /// What each message costs besides its bits, as measured at that step.
    #[must_use]
    pub fn overhead(&self) -> Option<Duration> {
        Some(self.rests_on()?.measured?.overhead)
    }
}

/// Keeps a good contact in the unit's record, with the SCK to work at as `sck`: [`proven_sck`] finds it.
/// Where there is no unit yet its folder is made, as a backup makes it. A bad contact leaves nothing, nor does one
/// with another chip.
///
/// # Errors
/// The unit cannot be opened to work on or made, or its file cannot be written. The verdict stands all the same.
pub fn keep_contact(
    store: Arc<dyn Store>,
    folder: &Path,
    report: &ContactReport,
) -> Result<(), UnitError> {
    let of_unit = report.good && !report.is_of_another();
    let (Some(chosen), Some(rung), true) = (report.chosen, report.rests_on(), of_unit) else {
        return Ok(());
    };
    let mut done = report.operation.clone();
    done.outcome = format!(
        "the clip is seated, and right up to {}",
        shown(report.proven)
    );
    done.conditions.insert("sck".into(), chosen.to_string());
    let measured = rung.measured.map_or_else(String::new, |measured| {
        format!(", measured {}", measured.shown())
    });
    let proven = format!("no error in {} bits at {}{measured}", rung.bits, rung.sck);
    done.conditions.insert(PROVEN.into(), proven);
    if let Some(overhead) = report.overhead() {
        let (key, unit) = OVERHEAD;
        let micros = (overhead.as_nanos() + 500) / 1000;
        done.conditions
            .insert(key.into(), format!("{micros}{unit}"));
    }
    Unit::open_or_create(store, folder)?.record(done, SystemTime::now())?;
    Ok(())
}

fn shown(sck: Option<Hertz>) -> String {
    sck.map(|sck| sck.to_string()).unwrap_or_default()
}

/// The SCK to work at that the unit's last good contact through `link` has proven.
#[must_use]
pub fn proven_sck(unit: &Unit, link: &str) -> Option<Hertz> {
    last_good(unit, link)?.get("sck")?.parse().ok()
}

/// What each message costs besides its bits, as measured by the same contact; `None` as well where that was
/// kept before this was.
#[must_use]
pub fn message_overhead(unit: &Unit, link: &str) -> Option<Duration> {
    let (key, unit_of_time) = OVERHEAD;
    let text = last_good(unit, link)?.get(key)?;
    let micros = text.strip_suffix(unit_of_time)?.parse().ok()?;
    Some(Duration::from_micros(micros))
}

/// Conditions of the last good contact through `link`.
fn last_good<'a>(unit: &'a Unit, link: &str) -> Option<&'a BTreeMap<String, String>> {
    let last = unit.file().operations.iter().rev();
    let contacts = last.filter(|one| one.command == "contact");
    let mut conditions = contacts.map(|one| &one.conditions);
    conditions
        .find(|one| one.get("link").is_some_and(|name| name == link) && one.contains_key(PROVEN))
}
