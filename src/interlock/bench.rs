//! Checked before the first clock of every command that touches the bus.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use super::{Acceptable, Held, Interlock, Panel};
use crate::jedec::Millivolts;
use crate::link::HostFlash;
use crate::part::SupplyRange;

/// Where the chip's supply comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Power {
    /// The clip alone supplies the chip; the board's own supply is off.
    Clip,
    /// The board supplies itself and its processor is held in reset.
    BoardHeldInReset,
    /// A bench supply feeds the chip; board and header do not.
    External,
    /// The chip sits in a socket, off its board.
    Socket,
}

impl Power {
    /// All arrangements.
    pub const ALL: [Self; 4] = [
        Self::Clip,
        Self::BoardHeldInReset,
        Self::External,
        Self::Socket,
    ];

    /// The name as typed after `--power`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Clip => "clip",
            Self::BoardHeldInReset => "board-held-in-reset",
            Self::External => "external",
            Self::Socket => "socket",
        }
    }
}

impl fmt::Display for Power {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Power {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let names = Self::ALL.map(Self::name).join(", ");
        let found = Self::ALL.into_iter().find(|known| known.name() == text);
        found.ok_or_else(|| format!("'{text}' is not one of {names}"))
    }
}

/// Below this, a supply does not come from a pin header, whose pins give 3.3 V (common practice, no
/// source).
const HEADER_MIN: Millivolts = Millivolts(2500);

/// What a person has said about the bench in this run.
///
/// It is asked anew in every run and dies with a lost contact.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Attestation {
    /// Where the supply comes from.
    pub power: Option<Power>,
    /// Questions of that arrangement's checklist that were answered with no.
    pub denied: Vec<String>,
    /// Text printed on the chip.
    pub marking: Option<String>,
    /// Supply range that the person read in the part's own datasheet.
    pub supply: Option<SupplyRange>,
}

/// What the table makes of a marking.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MarkingSays {
    /// Parts it may mean.
    pub candidates: Vec<String>,
    /// The range that all of them share; `None` where they share none.
    pub supply: Option<SupplyRange>,
}

impl Panel {
    /// `sole-user`: the link could be opened and locked.
    pub(crate) fn sole_user(&mut self, in_use: Option<&str>) {
        match in_use {
            None => self.open(Interlock::SoleUser, "locked for this run"),
            Some(node) => self.hold(Held {
                interlock: Interlock::SoleUser,
                headline: "another process holds the device.".into(),
                seen: format!("{node} is locked by another process"),
                means: "two programs on one chip select mix their frames, and a frame of one can end as \
                        a write of the other"
                    .into(),
                next: "End the other program, or wait until it is done.".into(),
            }),
        }
    }

    /// `not-the-host`: the node is not the flash that the bench computer boots from. `chosen` is true
    /// where a person named the node; `writes` where the command can change the chip.
    pub(crate) fn not_the_host(&mut self, host: &HostFlash, chosen: bool, writes: bool) {
        let held = |seen: &str| {
            Held {
            interlock: Interlock::NotTheHost,
            headline: "this may be the bench computer's own flash.".into(),
            seen: seen.to_owned(),
            means: "some boards show the flash they boot from as a node like any other; writing there leaves a \
                    bench computer that does not start"
                .into(),
            next: "Name the node of the pin header: --spidev /dev/spidevB.C".into(),
        }
        };
        match host {
            HostFlash::Yes(why) => self.hold(held(why)),
            HostFlash::No(_) if writes && !chosen => {
                self.hold(held(
                    "no node was named, and this command can change a chip",
                ));
            }
            HostFlash::No(why) => self.open(Interlock::NotTheHost, why),
            HostFlash::Unknown(why) => {
                let mut held = held(why);
                held.next = "Make sure of it from the bench computer's documentation, then add: --accept not-the-host \
                             --because 'how you know'"
                    .into();
                self.hold_unless(Acceptable::NotTheHost, held);
            }
        }
    }

    /// `bench-attested`: power arrangement named with its checklist, marking read.
    pub(crate) fn bench_attested(&mut self, said: &Attestation, level: Option<Millivolts>) {
        let held = |seen: String, next: &str| {
            Held {
            interlock: Interlock::BenchAttested,
            headline: "nobody has vouched for the bench.".into(),
            seen,
            means: "with a second supply, a clip turned round or a part of another level the first clock already \
                    does the damage"
                .into(),
            next: next.into(),
        }
        };
        let arrangements = "Say where the supply comes from: --power clip, board-held-in-reset, external or \
                            socket (docs/wiring.md).";
        let marking = "Read the text printed on the chip and give it: --marking TEXT. If it cannot be read: \
                       --accept unreadable-marking --because 'what you know instead'";
        match (said.power, said.denied.first(), &said.marking) {
            (None, ..) => self.hold(held("no power arrangement was named".into(), arrangements)),
            (_, Some(question), _) => {
                self.hold(held(
                    format!("answered no: {question}"),
                    "Mend that on the bench first.",
                ));
            }
            (Some(Power::Clip), None, _) if level.is_some_and(|level| level < HEADER_MIN) => {
                let level = level.map_or_else(String::new, |level| level.to_string());
                self.hold(held(
                    format!("supply by the clip, declared {level}"),
                    "The pin header gives 3.3 V alone. A part of another level takes a supply and a \
                     level translator of its own: --power external (docs/wiring.md).",
                ));
            }
            (_, None, None) => {
                let unread = held("the marking was not given".into(), marking);
                self.hold_unless(Acceptable::UnreadableMarking, unread);
            }
            (Some(power), None, Some(text)) => {
                self.open(
                    Interlock::BenchAttested,
                    format!("supply: {power}; marking: {text}"),
                );
            }
        }
    }

    /// `supply-level`: the supply range includes the level that the link is declared to drive.
    ///
    /// The range is what all parts share that the marking may mean, narrowed by what the person read
    /// in the datasheet. A range that was not read in a document does not open the interlock alone.
    pub(crate) fn supply_level(
        &mut self,
        level: Option<Millivolts>,
        marking: Option<&str>,
        says: Option<&MarkingSays>,
        read: Option<SupplyRange>,
    ) {
        let Some(level) = level else {
            let seen = "no level was declared for this link".to_owned();
            let next =
                "Measure the supply wire at the chip, and declare what you measured: --level LEVEL";
            return self.hold(level_held(
                "the link's level is not known.".into(),
                seen,
                next,
            ));
        };
        let Some(says) = says else {
            return self.supply_level_by_datasheet(level, marking, read);
        };
        let shown = marking.unwrap_or("unread");
        let parts = says.candidates.join(" or ");
        match says.supply {
            None => self.hold(level_held(
                format!("'{shown}' may mean parts of different levels."),
                parts,
                "Give the whole marking, with the letters behind the density.",
            )),
            Some(range) if !range.includes(level) => self.hold(level_held(
                format!("a part marked '{shown}' wants {range}."),
                format!("{parts}: {range}; link declared {level}"),
                TRANSLATE,
            )),
            Some(range) => match read {
                Some(read) if !read.includes(level) => self.hold(level_held(
                    format!("the datasheet says {read}."),
                    format!("datasheet {read}, table {range}, link declared {level}"),
                    TRANSLATE,
                )),
                None if range.from_memory => self.hold(level_held(
                    "nobody read this part's supply range in a document for the table.".into(),
                    format!("{parts}: {range}, not read in a document"),
                    DATASHEET,
                )),
                _ => self.open(
                    Interlock::SupplyLevel,
                    format!("{range} by the marking, link {level}"),
                ),
            },
        }
    }

    /// `supply-level` of a chip whose marking says nothing: by what the person read in a datasheet.
    fn supply_level_by_datasheet(
        &mut self,
        level: Millivolts,
        marking: Option<&str>,
        read: Option<SupplyRange>,
    ) {
        let unknown = match marking {
            Some(text) => format!("marking {text}, which the table does not know"),
            None => "no marking was read".into(),
        };
        match read {
            Some(range) if range.includes(level) => {
                let opened = format!("{range} by the datasheet, link {level}");
                self.open(Interlock::SupplyLevel, opened);
            }
            Some(range) => self.hold(level_held(
                format!("the part wants {range}."),
                format!("datasheet {range}, link declared {level}"),
                TRANSLATE,
            )),
            None => self.hold(level_held(
                "no source says which supply voltage this part bears.".into(),
                unknown,
                DATASHEET,
            )),
        }
    }

    /// `supply-level` again: the bench computer reports an under-voltage of its own. Can only close it.
    pub(crate) fn host_under_voltage(&mut self, seen: String) {
        self.hold(Held {
            interlock: Interlock::SupplyLevel,
            headline: "the bench computer reports an under-voltage.".into(),
            seen,
            means: "the clip's supply and the level of its signals come from it; an erase or program on a sagging \
                    supply can spoil more than its block"
                .into(),
            next: "Lift the clip, feed the bench computer from a stronger supply by a shorter cable, seat the clip \
                   and give the same command again. If that sensor is not about this computer's supply, unload its \
                   driver."
                .into(),
        });
    }

    /// `supply-level` again, with the part that the chip turned out to be. Can only close it.
    pub(crate) fn supply_level_of_part(
        &mut self,
        level: Option<Millivolts>,
        part: &str,
        range: SupplyRange,
    ) {
        if level.is_none_or(|level| range.includes(level)) {
            return;
        }
        let level = level.map_or_else(|| "not known".into(), |level| level.to_string());
        self.hold(Held {
            interlock: Interlock::SupplyLevel,
            headline: format!("the chip is a {part}, which wants {range}."),
            seen: format!("{part} by its ID, link declared {level}"),
            means: "the chip is driven outside its range now; what it answers proves nothing"
                .into(),
            next: "Lift the clip now (docs/wiring.md has the order), and read the marking again."
                .into(),
        });
    }
}

/// What to do where no document says what the part bears.
const DATASHEET: &str =
    "Read the supply range in the part's own datasheet and give it: --supply 2.7V-3.6V";

/// What to do where the part bears another level.
const TRANSLATE: &str = "Give the chip its own level: a supply and a level translator made for it \
                         (docs/wiring.md). Do not connect it as it is.";

fn level_held(headline: String, seen: String, next: &str) -> Held {
    Held {
        interlock: Interlock::SupplyLevel,
        headline,
        seen,
        means:
            "a part driven above its range is damaged by being read, one below it answers wrongly"
                .into(),
        next: next.into(),
    }
}
