//! `contact`: a guided check of the wires that ends in one verdict with its evidence.
//!
//! The chip is met at the lowest SCK, where the wires matter least. What is seen there is looked through
//! for known patterns ([`Kind`]); if none of them is bad, the ladder says up to which SCK the answers stay
//! the same, and what that is worth ([`Rung`]).

mod climb;
mod kind;
mod ladder;
pub(super) mod look;
mod meet;
mod report;
mod reset;
mod sck;
pub(super) mod signs;

use std::time::Duration;

use super::bench::{Bench, Reached, SCK_FREE, reach};
use super::connect::Met;
use super::recognise::{another_id, told_apart};
use super::record::operation;
use super::seat::wait_on;
use super::write::{done, in_hand};
use super::{Attendant, Exit, Seat, Stop};
use crate::chip::{Bare, FirstLook, ReadCommand, short_id};
use crate::interlock::{Contact, Interlock, Panel};
use crate::jedec::{Hertz, Millivolts};
use crate::link::Purpose;
use crate::part::Part;
use crate::unit::journal::{Journal, UnfinishedWrite};
use crate::unit::{Operation, Unit};
use crate::worklist::grouped;

pub use kind::Kind;
pub use ladder::Rung;
pub use report::{ContactReport, Evidence, keep_contact, message_overhead, proven_sck};
#[cfg(feature = "cli")]
pub(crate) use reset::unit_before_reset;
pub use sck::Measured;
pub use signs::Sign;

use ladder::LOWEST;
use look::{Idle, Left, Observed, Sample};

/// How long a person may take to seat the clip.
const WATCH_TIME: Duration = Duration::from_secs(600);
/// What a person may ask of the check besides.
#[derive(Default)]
pub struct ContactWishes<'a> {
    /// Wait until a chip answers steadily, for ten minutes at most, and tell each change, with `false`. Once it does,
    /// a last call comes with `true`; after ten minutes without, the check goes on all the same.
    pub watch: Option<&'a mut dyn FnMut(Seat, bool)>,
    /// Reset the chip by 66h and 99h first.
    pub reset: bool,
}

/// Judges the contact. A bad contact is a report, not a [`Stop`]. With a unit, blocks that an unfinished
/// write left torn do not count: they differ from read to read on the best of contacts; and another chip than
/// the unit's is noted.
///
/// `bench.sck` is the highest SCK to try; with [`SCK_FREE`] the ladder goes as far as the wires do.
///
/// # Errors
/// A [`Stop`]: held before the first clock, a part that is in the table only to be refused, a link fault, or the
/// person stopped. The chip is then as it was, and nothing is kept.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, _) = Gauge::new()?;
/// use norlock::job::{Nobody, contact};
///
/// let report = contact(None, gauge.bench(), &mut Nobody)?;
/// assert!(report.good);
/// # Ok(())
/// # }
/// ```
pub fn contact(
    unit: Option<&Unit>,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<ContactReport, Stop> {
    contact_as_wished(unit, bench, ContactWishes::default(), attendant)
}

/// As [`contact`], with what a person asked for besides.
///
/// # Errors
/// As [`contact`]; also where a reset was asked for that is refused, as the chip may be busy or unknown.
pub fn contact_as_wished(
    unit: Option<&Unit>,
    mut bench: Bench,
    wishes: ContactWishes<'_>,
    attendant: &mut dyn Attendant,
) -> Result<ContactReport, Stop> {
    if let (Some(unit), true) = (unit, wishes.reset) {
        reset::nothing_in_hand(unit)?;
    }
    // The first tool at the bench does not hang on a disk.
    let unfinished = unit.and_then(|unit| Journal::find_unfinished(unit).ok().flatten());
    let left = Left {
        torn: unfinished.as_ref().map(in_hand).unwrap_or_default(),
        done: unfinished.as_ref().map(done).unwrap_or_default(),
    };
    let asked = bench.sck;
    bench.sck = asked.min(LOWEST);
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    let mut reached = reach(panel, bench, Purpose::Read)?;
    if let Some(tell) = wishes.watch {
        let bare = &mut reached.bare;
        let mut changed = |seat| tell(seat, false);
        if wait_on(bare, Seat::Seated, WATCH_TIME, attendant, &mut changed)? {
            tell(Seat::Seated, true);
        }
        go_on(attendant)?;
    }
    let mut check = Check::new(&reached, asked, left);
    check.of = unit.map(|unit| (unit, unfinished));
    if wishes.reset {
        let seen = reset::reset(&mut reached, attendant)?;
        check.note(Kind::Reset, seen);
    }
    check.run(reached, attendant)
}

/// Passes on that the person asked to stop. To be asked between reads, none of which takes long.
fn go_on(attendant: &dyn Attendant) -> Result<(), Stop> {
    if !attendant.stop_asked() {
        return Ok(());
    }
    let next = "The same command starts over.";
    Err(Stop::new(
        Exit::Stopped,
        "Stopped before the contact was judged.",
        next,
    ))
}

/// A check under way.
struct Check<'a> {
    /// The unit that was named, with what was left of a write of it.
    of: Option<(&'a Unit, Option<UnfinishedWrite>)>,
    asked: Hertz,
    left: Left,
    observed: Observed,
    notes: Vec<Sign>,
    ladder: Vec<Rung>,
    sample: Option<Sample>,
    look: Option<FirstLook>,
    ends_at: Option<&'static str>,
    lanes: Option<String>,
    link: (String, Option<Millivolts>),
}

impl Check<'_> {
    fn new(reached: &Reached, asked: Hertz, left: Left) -> Self {
        Self {
            of: None,
            asked,
            left,
            observed: Observed::nothing(reached.said.power, reached.said.marking.as_deref()),
            notes: Vec::new(),
            ladder: Vec::new(),
            sample: None,
            look: None,
            ends_at: None,
            lanes: None,
            link: (reached.bare.link_name().to_owned(), reached.level),
        }
    }

    fn run(
        mut self,
        mut reached: Reached,
        attendant: &dyn Attendant,
    ) -> Result<ContactReport, Stop> {
        let first = match self.meet(&mut reached, attendant)? {
            Ok(first) => first,
            Err(sign) => return Ok(self.bad(sign)),
        };
        reached.refuse(&first)?;
        self.look = Some(first.clone());
        self.observed.look(&mut reached.bare, attendant)?;
        if !self.observed.is_steady(&first.id) {
            // What came before it was no more of an answer.
            self.notes.retain(|note| note.kind != Kind::ContinuousRead);
        }
        let first = self.rouse(&mut reached, first, attendant)?;
        self.note_first(&first, &mut reached.bare);
        let catalogue = reached.catalogue.clone();
        if let Some(sign) = signs::bad(&self.observed, &catalogue) {
            return Ok(self.bad(sign));
        }
        self.observed.strain(&mut reached.bare, attendant)?;
        if let Some(sign) = signs::bad(&self.observed, &catalogue) {
            return Ok(self.bad(sign));
        }
        let met = match reached.know(first, 1, attendant) {
            Ok(met) => met,
            Err(stop) => return self.held(stop),
        };
        let mut report = self.known(met, &catalogue, attendant)?;
        report.judge();
        Ok(report)
    }

    fn note(&mut self, kind: Kind, seen: impl AsRef<str>) {
        // It goes on behind it.
        let seen = seen.as_ref().trim_end_matches('.');
        self.notes.push(Sign::new(kind, seen, self.observed.power));
    }

    /// What the start sequence put right by itself, and what the bench computer says of its supply.
    fn note_first(&mut self, first: &FirstLook, bare: &mut Bare) {
        // What is not the same twice tells nothing of a sleep, or of a controller.
        let steady = self.observed.is_steady(&first.id);
        if first.woken && steady {
            self.note(Kind::Asleep, "no answer before ABh, and the ID after it");
        }
        if first.single_transfers && steady {
            self.note(
                Kind::BrokenFrames,
                "the ID reads otherwise in a message of two parts",
            );
        }
        if let Some(dip) = bare.under_voltage() {
            self.note(Kind::HostUnderVoltage, dip);
        }
        if let Idle::Driven { changes } = self.observed.idle {
            self.note(
                Kind::MisoFloats,
                format!(
                    "MISO changes {} times while CS is high",
                    grouped(changes.into())
                ),
            );
        }
    }

    /// A stop by the `contact` interlock is a verdict like any other.
    fn held(self, stop: Stop) -> Result<ContactReport, Stop> {
        let of_contact = |held: &&crate::interlock::Held| held.interlock == Interlock::Contact;
        let Some(held) = stop.held.iter().find(of_contact) else {
            return Err(stop);
        };
        let mut sign = Sign::new(Kind::Unsteady, held.seen.clone(), self.observed.power);
        sign.means.clone_from(&held.means);
        Ok(self.bad(sign))
    }

    /// The ladder, and what only a chip of known size can be asked.
    fn known(
        mut self,
        met: Met,
        catalogue: &crate::part::Catalogue,
        attendant: &dyn Attendant,
    ) -> Result<ContactReport, Stop> {
        let part = met.part();
        let Met {
            mut bare,
            mut panel,
            seen,
            ..
        } = met;
        let describes = part.as_ref().and_then(|part| part.has_sfdp) == Some(true);
        if describes && seen.sfdp_raw.is_none() {
            self.note(Kind::NoSfdp, "no signature where SFDP begins");
        }
        let mut disagreements = seen.identification.disagreements.iter();
        if let Some(one) = disagreements.find(|one| one.field == "jedec_id") {
            self.note(Kind::Marking, &one.sentence);
        }
        let (top, ends_at) = top(part.as_ref(), bare.sck_max());
        self.ladder = ladder::rungs(self.asked, top);
        self.ends_at = (self.asked != SCK_FREE && self.asked > top).then_some(ends_at);
        self.climb_questions(&mut bare, &seen.look.id, attendant)?;
        let sign = match part {
            Some(part) => {
                let mut chip = bare.into_chip(part, seen.look.id)?;
                let sign = self.ask_array(&mut chip, catalogue, attendant);
                // As it was found, whatever came of it.
                let left = chip.leave();
                let sign = sign?;
                left?;
                sign
            }
            None => {
                let other =
                    |(unit, _): &(&Unit, _)| told_apart(unit, &another_id(unit, &seen.look.id)?);
                if let Some(seen) = self.of.as_ref().and_then(other) {
                    self.note(Kind::AnotherChip, seen);
                }
                None
            }
        };
        let name = |part: &Part| format!("{} {}", part.maker, part.name);
        let part = seen.identification.part.as_ref().map(name);
        let mut report = self.report(sign);
        (report.part, report.sfdp) = (part, seen.sfdp_raw.is_some());
        let (reads, same) = report.evidence.ids;
        let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        panel.contact(&Contact {
            id_reads: count(reads),
            id_same: count(same),
            sample_same: report.sign.is_none(),
            sign: report.sign.as_ref().map(|sign| sign.means.clone()),
        });
        report.operation = operation("contact", "", "untouched", &seen, &panel);
        Ok(report)
    }

    fn bad(self, sign: Sign) -> ContactReport {
        let report = self.report(Some(sign));
        ContactReport {
            good: false,
            ..report
        }
    }

    fn report(self, sign: Option<Sign>) -> ContactReport {
        let steady = |look: &&FirstLook| self.observed.is_steady(&look.id);
        let jedec_id = self.look.as_ref().filter(steady);
        let jedec_id = jedec_id.map(|look| short_id(&look.id).to_string());
        let begun = |(unit, unfinished): (&Unit, Option<UnfinishedWrite>)| {
            let write = unfinished?;
            let contents = write.contents.as_ref();
            let begun = !contents.is_ok_and(|contents| contents.nothing_begun());
            begun.then(|| unit.shown(&write.path))
        };
        let asked = Some(self.asked).filter(|asked| *asked != SCK_FREE);
        let (link, level) = self.link;
        ContactReport {
            good: sign.is_none(),
            sign,
            evidence: Evidence::of(&self.observed, self.sample.as_ref()),
            notes: self.notes,
            jedec_id,
            part: None,
            ladder: self.ladder,
            proven: None,
            chosen: None,
            ends_at: self.ends_at,
            lanes: self.lanes,
            sfdp: false,
            look: self.look,
            unfinished: self.of.and_then(begun),
            link: (link, level, asked),
            operation: Operation::default(),
        }
    }
}

/// The highest SCK that tells something of the part, and whose limit it is: above the part's no read is
/// compared.
fn top(part: Option<&Part>, link: Hertz) -> (Hertz, &'static str) {
    let codes = [ReadCommand::Read, ReadCommand::FastRead].map(ReadCommand::opcode);
    let limits = part.map(|part| codes.iter().filter_map(|code| part.sck_max.get(code)).max());
    match limits.flatten() {
        Some(limit) if *limit < link => (*limit, "the part's limit"),
        _ => (link, "the link's limit"),
    }
}
