//! Checked on the bus, and the last one before the first erase.

use std::ops::Range;

use serde::Serialize;

use super::{Acceptable, Held, Interlock, Panel};
use crate::jedec::Address;
use crate::jedec::status::{Protection, StatusLock};
use crate::part::Refused;
use crate::worklist::grouped;

/// Ranges that a row names.
const PLACES_SHOWN: usize = 4;

/// What repeated reading of the ID, of SFDP and of a sample showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Contact {
    /// How often the ID was read.
    pub id_reads: u32,
    /// How often it was the same as the first.
    pub id_same: u32,
    /// Whether two reads of SFDP, or of a sample of the array, agreed.
    pub sample_same: bool,
    /// What the pattern usually means, where it is bad.
    pub sign: Option<String>,
}

/// How the chip on the clip is recognised as the unit's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum Sameness {
    /// By an ID that no other chip has.
    Id {
        /// `unique ID` or `factory ID`.
        kind: &'static str,
        /// As kept in the unit file.
        expected: String,
        /// As read.
        seen: String,
    },
    /// By the unit's own data, compared with the newest backup.
    UnitData {
        /// Regions compared.
        regions: Vec<String>,
        /// The first region that differs.
        differs: Option<String>,
    },
    /// Nothing on the chip tells units apart.
    Nothing,
    /// The unit has no backup yet, so that nothing is known of its chip.
    NoBackup,
    /// A replacement chip was announced; both IDs are kept.
    Replacement,
}

/// A range that is neither as in the baseline nor accounted for by a journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unexplained {
    /// The blocks, joined where they touch.
    pub range: Range<u32>,
}

/// Why the status registers cannot be changed, or kept what they held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kept {
    /// A lock keeps them.
    Locked(StatusLock),
    /// Nothing that was read tells which of their bits protect what, or how they are written.
    NotKnown,
    /// As before, and the protection is in locks of single blocks.
    PerBlock,
    /// A write had no effect, and no lock bit is set.
    Ignored,
    /// The same, of a write that ends with the supply.
    VolatileIgnored,
}

impl Kept {
    /// What it means, and what can be done next; `None` where that depends on what was wanted.
    fn words(self) -> (&'static str, Option<&'static str>) {
        match self {
            Self::Locked(StatusLock::WhileWpLow) => (
                "a WP# pin held low keeps a locked register as it is",
                Some("Pull WP# up to the chip's supply (docs/wiring.md), then try again."),
            ),
            Self::Locked(StatusLock::UntilPowerCycle) => (
                "somebody locked them until the supply is cut, or for ever, which shows only after that",
                Some(
                    "Take signals, then supply off (docs/wiring.md), wait a second, connect again, then try again.",
                ),
            ),
            Self::Locked(StatusLock::ForEver) => (
                "the two lock bits are set for good; no command and no power cycle clears them",
                Some("Leave this chip as it is; only another chip in its place can be set."),
            ),
            Self::NotKnown => (
                "which bits protect which blocks differs between parts that are otherwise alike, and no document \
                 of this part was read for it",
                Some("norlock does not know how this part is unprotected; nothing to try."),
            ),
            Self::PerBlock => (
                "a setting of this chip gives each block a lock of its own, in place of the protect bits",
                Some(
                    "norlock does not know how this part is unprotected; nothing to try. The board's own software opens \
                     such locks.",
                ),
            ),
            Self::Ignored => (
                "the chip did not hear the write, lost its supply for a moment, or is another part than its ID says",
                Some("norlock contact --unit FOLDER"),
            ),
            Self::VolatileIgnored => (
                "the chip did not hear the write, lost its supply for a moment, or shares its ID with a part that \
                 takes writes which end with the supply, and takes none",
                None,
            ),
        }
    }
}

impl Panel {
    /// `contact`: the clip is seated well enough for what comes.
    pub(crate) fn contact(&mut self, contact: &Contact) {
        if contact.id_same == contact.id_reads && contact.sample_same && contact.sign.is_none() {
            let evidence = format!(
                "ID the same in {} of {} reads",
                contact.id_same, contact.id_reads
            );
            return self.open(Interlock::Contact, evidence);
        }
        let seen = format!(
            "ID as at first in {} of {} reads",
            contact.id_same, contact.id_reads
        );
        let sample = if contact.sample_same {
            ""
        } else {
            "; two reads of one place differ"
        };
        self.hold(Held {
            interlock: Interlock::Contact,
            headline: "the contact is not good enough.".into(),
            seen: seen + sample,
            means: contact
                .sign
                .clone()
                .unwrap_or_else(|| "reads that change by themselves spoil backups and writes".into()),
            next: "Reseat the clip (docs/wiring.md has the order), then: norlock contact --unit FOLDER".into(),
        });
    }

    /// `known-part`: the sources agree. `doubt` says why what is known of the part does not suffice,
    /// which can be accepted; a disagreement cannot.
    pub(crate) fn known_part(&mut self, part: &str, doubt: Option<&str>, disagreements: &[String]) {
        let held = |headline: String, seen: String, next: &str| Held {
            interlock: Interlock::KnownPart,
            headline,
            seen,
            means: "sizes and erase opcodes taken from the wrong part erase the wrong bytes".into(),
            next: next.into(),
        };
        if let Some(first) = disagreements.first() {
            let more = if disagreements.len() > 1 {
                format!("; {} more", disagreements.len() - 1)
            } else {
                String::new()
            };
            return self.hold(held(
                "the sources disagree on what this chip is.".into(),
                format!("{first}{more}"),
                "Read the marking again and compare it with norlock id. The chip can still be backed up.",
            ));
        }
        let Some(doubt) = doubt else {
            return self.open(
                Interlock::KnownPart,
                format!("{part}; ID, SFDP, table and marking do not disagree"),
            );
        };
        self.hold_unless(
            Acceptable::KnownPart,
            held(
                doubt.to_owned(),
                part.to_owned(),
                "Add it from its datasheet (--parts FILE), or: --accept known-part --because 'what you checked'",
            ),
        );
    }

    /// `known-part` cannot open: the part is in the table only to be refused. `seen` is its marking or its
    /// ID.
    pub(crate) fn not_driven(&mut self, refused: &Refused, seen: String) {
        self.hold(Held {
            interlock: Interlock::KnownPart,
            headline: format!("norlock does not drive {}.", refused.name),
            seen,
            means: refused.why.clone(),
            next: "Leave it to a program for such parts. If the marking says another part, read it again.".into(),
        });
    }

    /// `same-unit`: the chip is the one the unit folder belongs to. Where nothing tells, it can be
    /// accepted with a reason that names the unit.
    pub(crate) fn same_unit(&mut self, unit: &str, sameness: &Sameness) {
        let means = self.of_another_unit();
        let next =
            "Find the folder that belongs to this chip, or the chip that belongs to this folder.";
        let held = |headline: String, seen: String| Held {
            interlock: Interlock::SameUnit,
            headline,
            seen,
            means: means.into(),
            next: next.into(),
        };
        match sameness {
            Sameness::Id {
                kind,
                expected,
                seen,
            } if expected == seen => {
                self.open(
                    Interlock::SameUnit,
                    format!("{kind} {seen}, as in the unit file"),
                );
            }
            Sameness::Id {
                kind,
                expected,
                seen,
            } => self.hold(held(
                format!("this chip is not that of {unit}."),
                format!("{kind} {seen}, the unit's folder has {expected}"),
            )),
            Sameness::UnitData {
                regions,
                differs: None,
            } => {
                self.open(
                    Interlock::SameUnit,
                    format!("{} as in the backup", regions.join(", ")),
                );
            }
            Sameness::UnitData {
                differs: Some(region),
                ..
            } => self.same_if_named(
                unit,
                held(
                    format!("the unit data on this chip is not that of {unit}."),
                    format!("{region} differs from the newest backup"),
                ),
            ),
            Sameness::Replacement => {
                self.open(Interlock::SameUnit, "a replacement chip, as announced")
            }
            Sameness::Nothing => self.same_if_named(
                unit,
                held(
                    format!("nothing tells that this chip is that of {unit}."),
                    "no unique ID that a document tells of, and no unit data to compare".into(),
                ),
            ),
            Sameness::NoBackup => self.hold(Held {
                next: "Make one: norlock backup --unit FOLDER".into(),
                ..held(
                    format!("nothing tells that this chip is that of {unit}."),
                    "the unit has no backup yet, and with it no ID of its chip".into(),
                )
            }),
        }
    }

    /// What it would mean to go on with another unit's chip.
    fn of_another_unit(&self) -> &'static str {
        match (self.is_for_protection(), self.is_for_reading()) {
            (true, _) => {
                "another unit's protection would be changed, and this folder would keep how that one was found"
            }
            (_, true) => "what is read would be kept or judged as this unit's, and is another's",
            _ => "another unit's data would be replaced by this one's, and its own would be lost",
        }
    }

    /// `same-unit`: the chip is the one that another unit's folder belongs to, and `why` tells it.
    pub(crate) fn another_unit(&mut self, other: &str, why: String) {
        self.hold(Held {
            interlock: Interlock::SameUnit,
            headline: format!("this is {other}; was the clip moved?"),
            seen: why,
            means: "one unit's data would be kept, or put, under the name of another".into(),
            next: format!("Lift the clip from {other} and seat it on the unit that is due."),
        });
    }

    /// `same-unit`: what is read as another unit's at the same time comes from the same chip.
    pub(crate) fn one_chip_for_two(&mut self, other: &str) {
        self.hold(Held {
            interlock: Interlock::SameUnit,
            headline: format!("{other} is read from the same chip at the same time."),
            seen: format!("an ID of its own, or all of the chip, as read for {other}"),
            means: "two chip selects reach one chip; nobody knows whose it is, and neither is kept"
                .into(),
            next: "Follow both CS# wires, then back the units up one by one.".into(),
        });
    }

    /// Without an ID only a person can say that this is the unit, also where it has changed its own
    /// data since: by its whole name, in the reason.
    fn same_if_named(&mut self, unit: &str, mut held: Held) {
        held.next =
            format!("If you are sure: --accept same-unit --because \"{unit}: how you know\"");
        if self.acceptances().names_unit(Acceptable::SameUnit, unit) {
            self.hold_unless(Acceptable::SameUnit, held);
        } else {
            self.hold_acceptable(held);
        }
    }

    /// `writable`: no protected range is touched.
    pub(crate) fn writable(
        &mut self,
        protection: &Protection,
        touched: &[Range<u32>],
        lifting: Option<&str>,
    ) {
        let held = |seen: String, next: &str| Held {
            interlock: Interlock::Writable,
            headline: "the chip protects blocks that would change.".into(),
            seen,
            means:
                "erase and program are ignored there without a word, so the result would be a mix"
                    .into(),
            next: next.into(),
        };
        let lift = "See how the contact is: norlock contact --unit FOLDER. If that is good, ask for it as a step of \
                    the write: --lift-protection. If it does not take, WP# is held low.";
        let touched = touched.iter().filter(|range| protection.touches(range));
        let touched: Vec<Range<u32>> = touched.cloned().collect();
        match (touched.is_empty(), lifting) {
            (true, _) => self.open(Interlock::Writable, "no block to be changed is protected"),
            (false, Some(how)) => self.open(Interlock::Writable, how),
            (false, None) => {
                let blocks = blocks(&touched);
                self.hold(held(format!("{blocks}, would change; {protection}"), lift));
            }
        }
    }

    /// `writable` cannot open: blocks that would change have locks of their own, which no status register
    /// lifts. `in_place` says that a setting puts those in place of the status registers.
    pub(crate) fn blocks_locked(&mut self, locked: &Protection, in_place: bool) {
        let (means, next) = if in_place {
            (
                "a setting of this chip gives each block a lock, all of them closed at power-up; erase and program \
                 are ignored there without a word",
                "The board's own software opens them. Until norlock does, these blocks cannot be written.",
            )
        } else {
            (
                "each sector has a lock register beside the status register; erase and program fail there",
                "Lift the clip and cut the supply: locks that do not last are open after that. To see which \
                 are left: norlock protect --unit FOLDER",
            )
        };
        self.hold(Held {
            interlock: Interlock::Writable,
            headline: "blocks that would change have a lock of their own.".into(),
            seen: format!("{locked}, by their own locks"),
            means: means.into(),
            next: next.into(),
        });
    }

    /// `writable` cannot open: lifting was asked for and is not possible, or did not take.
    pub(crate) fn not_liftable(&mut self, seen: String, kept: Kept) {
        let (means, next) = kept.words();
        let lasting = "See how the contact is: norlock contact --unit FOLDER. If that is good, lift it by a write that \
                       lasts, and set it back when you are done: norlock protect --set none";
        self.hold(Held {
            interlock: Interlock::Writable,
            headline: "the protection cannot be lifted.".into(),
            seen,
            means: means.into(),
            next: next.unwrap_or(lasting).into(),
        });
    }

    /// `writable` cannot open: how this part takes a status write was not read in a document.
    pub(crate) fn lift_not_documented(&mut self, protection: &Protection) {
        self.hold(Held {
            interlock: Interlock::Writable,
            headline: "the protection is not lifted on the word of memory.".into(),
            seen: format!(
                "{protection}; the part's status registers were not read in a document"
            ),
            means: "a write in another part's form can clear bits beside the protection, such as quad enable, \
                    for good"
                .into(),
            next: "Describe the part from its datasheet in a file of your own (docs/adding-a-part.md) and give \
                   it with --parts."
                .into(),
        });
    }

    /// `writable`, where protection is what shall change: the part's table has what was asked for.
    pub(crate) fn protection_settable(&mut self, evidence: String) {
        self.open(Interlock::Writable, evidence);
    }

    /// `writable` cannot open: the registers cannot be set. `liftable` says that a write can have them
    /// lifted for it nonetheless.
    pub(crate) fn protection_kept(&mut self, seen: String, kept: Kept, liftable: bool) {
        let (means, next) = kept.words();
        let next = match (kept, liftable) {
            (Kept::NotKnown, true) => {
                "A write lifts what is in its way with --lift-protection. What was read of a part: norlock parts NAME"
            }
            _ => next.unwrap_or(
                "See how the contact is: norlock contact --unit FOLDER. If that is good, leave out \
                 --until-power-off, and set it back when you are done.",
            ),
        };
        self.protection_fixed(seen, means, next.into());
    }

    /// `writable` cannot open: the table has no row for what was asked. `why` says more of that, `rows`
    /// name others.
    pub(crate) fn protection_has_no_row(&mut self, asked: &str, why: &str, rows: &str) {
        let means = "the part protects what its table has a row for and nothing between";
        let seen = format!("asked for {asked}; the table has no row for it{why}");
        self.protection_fixed(seen, means, format!("Ask for one of: {rows}"));
    }

    /// `writable` cannot open: the part has no write that ends with the supply.
    pub(crate) fn protection_lasts(&mut self, part: &str) {
        let means =
            "a write of its status register outlasts the supply, so it would not end by itself";
        let next = "Leave out --until-power-off, and set it back when you are done.";
        let seen = format!("the document of {part} has no volatile status write");
        self.protection_fixed(seen, means, next.into());
    }

    fn protection_fixed(&mut self, seen: String, means: &str, next: String) {
        self.hold(Held {
            interlock: Interlock::Writable,
            headline: "the protection cannot be set so.".into(),
            seen,
            means: means.into(),
            next,
        });
    }

    /// `twin-read`: two independent reads agree. `weak` says why they prove less; `back`
    /// is the command that goes back over the differing blocks, where a write may have left them torn.
    pub(crate) fn twin_read(
        &mut self,
        (differing, differing_bytes): (&[Range<u32>], u64),
        pattern: &str,
        weak: Option<&str>,
        back: Option<&str>,
    ) {
        let held = |headline: &str, seen: String, next: String| Held {
            interlock: Interlock::TwinRead,
            headline: headline.into(),
            seen,
            means: pattern.to_owned(),
            next,
        };
        let again = match back {
            Some(back) => format!("If the same blocks differ again, they were left torn: {back}"),
            None => "If that is good and the same places differ again, cells may be weak: norlock survey --unit FOLDER"
                .to_owned(),
        };
        match (differing.first(), weak) {
            (Some(first), _) => self.hold(held(
                "two reads of the chip differ.",
                differ_in(differing, differing_bytes, Address(first.start)),
                format!("Reseat the clip, then see up to which SCK it holds: norlock contact --unit FOLDER. {again}"),
            )),
            (None, Some(why)) => {
                let next = "Use a lower SCK where the clock is why, or: --accept weak-reads --because 'why'".into();
                let mut held = held("the two reads prove less than they should.", why.to_owned(), next);
                held.means =
                    "an error that both reads have would not show".into();
                self.hold_unless(Acceptable::WeakReads, held);
            }
            (None, None) => self.open(Interlock::TwinRead, "two independent reads agree"),
        }
    }

    /// `twin-read` cannot open: the two agree on something that no healthy chip shows.
    pub(crate) fn reads_implausible(&mut self, alarm: &str) {
        self.hold(Held {
            interlock: Interlock::TwinRead,
            headline: "two reads agree on what cannot be right.".into(),
            seen: alarm.to_owned(),
            means: "a fault that repeats spoils every read in the same way, so agreement proves nothing".into(),
            next: "Look at MOSI and at the clip's seat, then: norlock contact --unit FOLDER".into(),
        });
    }

    /// `twin-read` cannot open for a backup: there is nothing to keep.
    pub(crate) fn reads_blank(&mut self) {
        self.hold(Held {
            interlock: Interlock::TwinRead,
            headline: "the chip reads blank from end to end.".into(),
            seen: "FF in every byte of both reads".into(),
            means: "a backup of a blank chip brings no unit back; more often the chip answers its ID and no more"
                .into(),
            next: "Reseat the clip, pull HOLD# and WP# up to the supply, then: norlock contact --unit FOLDER".into(),
        });
    }

    /// `known-part` is in doubt: the chip may have another size than it was opened with.
    /// That is `size`, where the chip tells it.
    pub(crate) fn size_in_doubt(&mut self, seen: &str, size: Option<&str>) {
        let size = size.unwrap_or("the size that was given");
        self.hold_unless(
            Acceptable::ChipSize,
            Held {
                interlock: Interlock::KnownPart,
                headline: "the size of this chip is in doubt.".into(),
                seen: seen.to_owned(),
                means: "a read of the wrong length looks like a whole backup; and where a relabelled chip wraps \
                        round, a write to the upper half destroys the lower"
                    .into(),
                next: format!(
                    "Read the marking again, and see how the contact is: norlock contact --unit FOLDER. Only if \
                     you know that the array has {size}: --accept chip-size --because 'how you know'"
                ),
            },
        );
    }

    /// `nothing-unexplained`: the chip holds the baseline, but for blocks a journal accounts for. `begun`
    /// says that there is such a journal, and so no backup until it has ended.
    pub(crate) fn nothing_unexplained(
        &mut self,
        unexplained: &[Unexplained],
        baseline: &str,
        begun: bool,
    ) {
        let Some(first) = unexplained.first() else {
            return self.open(
                Interlock::NothingUnexplained,
                format!("as {baseline}, or accounted for by the journal"),
            );
        };
        let ranges: Vec<Range<u32>> = unexplained.iter().map(|one| one.range.clone()).collect();
        let differ = match ranges.len() {
            1 => "1 range differs".to_owned(),
            more => format!("{more} ranges differ"),
        };
        let again = self.acceptances().again();
        let either = if begun {
            "No backup can be made until the unfinished write has ended. Go back"
        } else {
            "Back the unit up again: norlock backup --unit FOLDER. Or go back"
        };
        let next = format!("{either}: norlock restore --to 1 --unit FOLDER{again}");
        self.hold(Held {
            interlock: Interlock::NothingUnexplained,
            headline: format!("the chip does not hold {baseline}."),
            seen: format!("{differ}: {}", places(&ranges)),
            means: format!(
                "the unit has run and changed itself since, or something else wrote at {}; writing now would \
                 lose what it holds",
                Address(first.range.start)
            ),
            next,
        });
    }

    /// `nothing-unexplained` for a restore: what the chip holds is kept as `replaced` first.
    pub(crate) fn present_kept(&mut self, replaced: &str) {
        self.open(
            Interlock::NothingUnexplained,
            format!("what the chip holds is kept as {replaced}"),
        );
    }

    /// `journal-ready`: the journal is open and durable.
    pub(crate) fn journal_ready(&mut self, opened: Result<&str, &str>) {
        match opened {
            Ok(journal) => self.open(Interlock::JournalReady, journal),
            Err(why) => self.hold(Held {
                interlock: Interlock::JournalReady,
                headline: "no journal could be opened.".into(),
                seen: why.to_owned(),
                means: "an interrupted write could not be told from a finished one".into(),
                next: "Allow writing to the unit folder, or free space, or mend the disk that it lies on.".into(),
            }),
        }
    }
}

/// How many blocks, and where: `8 blocks, 0x000000 to 0x080000`. Those that touch are one range.
fn blocks(blocks: &[Range<u32>]) -> String {
    let count = match blocks.len() {
        1 => "1 block".to_owned(),
        more => format!("{more} blocks"),
    };
    let joined = Protection::of(blocks.to_vec());
    format!("{count}, {}", places(joined.ranges().unwrap_or_default()))
}

/// The first ranges, and how many more there are.
fn places(ranges: &[Range<u32>]) -> String {
    let shown = ranges.iter().take(PLACES_SHOWN);
    let shown = shown.map(|range| format!("{} to {}", Address(range.start), Address(range.end)));
    let shown = shown.collect::<Vec<_>>().join(", ");
    match ranges.len().saturating_sub(PLACES_SHOWN) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

/// How many places differ; the ranges may be the first of more.
fn differ_in(differing: &[Range<u32>], bytes: u64, first: Address) -> String {
    let listed: u64 = differing
        .iter()
        .map(|range| u64::from(range.end - range.start))
        .sum();
    let places = grouped(differing.len() as u64);
    match bytes > listed {
        true => format!(
            "{} bytes in more than {places} places, the first at {first}",
            grouped(bytes)
        ),
        false => format!("{places} places, the first at {first}"),
    }
}
