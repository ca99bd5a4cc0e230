//! What a person may take upon themselves, by name and with a reason.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

/// The only conditions that can be accepted. All other interlocks open by evidence or not at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptable {
    /// A part that the table does not know, or knows without a document.
    KnownPart,
    /// A chip that may have another size than it was opened with.
    ChipSize,
    /// A unit whose chip cannot be recognised.
    SameUnit,
    /// A marking that cannot be read. The supply range then comes from the person.
    UnreadableMarking,
    /// A node of which nothing tells that it is not the host's own flash.
    NotTheHost,
    /// A block that a change shares with unit data.
    SharedBlock,
    /// A region map without unit data.
    NoUnitData,
    /// Two reads that could not be made independent, or prove less for what they read.
    WeakReads,
}

impl Acceptable {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::KnownPart,
        Self::ChipSize,
        Self::SameUnit,
        Self::UnreadableMarking,
        Self::NotTheHost,
        Self::SharedBlock,
        Self::NoUnitData,
        Self::WeakReads,
    ];

    /// The name as typed after `--accept`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::KnownPart => "known-part",
            Self::ChipSize => "chip-size",
            Self::SameUnit => "same-unit",
            Self::UnreadableMarking => "unreadable-marking",
            Self::NotTheHost => "not-the-host",
            Self::SharedBlock => "shared-block",
            Self::NoUnitData => "no-unit-data",
            Self::WeakReads => "weak-reads",
        }
    }
}

impl fmt::Display for Acceptable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A name that cannot be accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' cannot be accepted; these can: {names}", names = Acceptable::ALL.map(Acceptable::name).join(", "))]
pub struct ParseAcceptableError(String);

impl FromStr for Acceptable {
    type Err = ParseAcceptableError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let found = Self::ALL.into_iter().find(|known| known.name() == text);
        found.ok_or_else(|| ParseAcceptableError(text.to_owned()))
    }
}

/// What was accepted in this run, each with its reason.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Acceptances(Vec<(Acceptable, String)>);

impl Acceptances {
    /// Acceptances with their reasons; a reason that is only white space does not count.
    #[must_use]
    pub fn new(given: Vec<(Acceptable, String)>) -> Self {
        Self(
            given
                .into_iter()
                .filter(|(_, reason)| !reason.trim().is_empty())
                .collect(),
        )
    }

    /// The reason given for `what`.
    #[must_use]
    pub fn reason(&self, what: Acceptable) -> Option<&str> {
        self.0
            .iter()
            .find(|(name, _)| *name == what)
            .map(|(_, reason)| reason.as_str())
    }

    /// The options that accept once more what was accepted of the part and its size, as a shell takes them,
    /// each with a space before it.
    #[must_use]
    pub(crate) fn again(&self) -> String {
        let of_the_chip = self.iter().filter(|(name, _)| {
            let names = [Acceptable::KnownPart, Acceptable::ChipSize];
            names.contains(name)
        });
        let option = |(name, reason): (Acceptable, &str)| {
            let reason = reason.replace('\'', "'\\''");
            format!(" --accept {name} --because '{reason}'")
        };
        of_the_chip.map(option).collect()
    }

    /// Whether `what` was accepted with a reason that names `unit`: the typed name shows that the
    /// person had this very unit in mind.
    #[must_use]
    pub(super) fn names_unit(&self, what: Acceptable, unit: &str) -> bool {
        self.reason(what).is_some_and(|reason| names(reason, unit))
    }

    /// All of them.
    pub fn iter(&self) -> impl Iterator<Item = (Acceptable, &str)> {
        self.0.iter().map(|(name, reason)| (*name, reason.as_str()))
    }
}

/// Whether `text` holds `name` as a whole: gauge-1 is not in gauge-12.
fn names(text: &str, name: &str) -> bool {
    let goes_on = |neighbour: Option<char>| {
        neighbour.is_some_and(|c| c.is_alphanumeric() || c == '-' || c == '_')
    };
    let whole = |at: usize| {
        let (before, after) = (text.get(..at), text.get(at + name.len()..));
        let before = before.and_then(|text| text.chars().next_back());
        let after = after.and_then(|text| text.chars().next());
        !goes_on(before) && !goes_on(after)
    };
    !name.is_empty() && text.match_indices(name).any(|(at, _)| whole(at))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_name_is_read_back_and_nothing_else() {
        for known in Acceptable::ALL {
            assert_eq!(known.name().parse(), Ok(known));
        }
        for other in ["", "supply-level", "Known-Part", "all"] {
            assert!(other.parse::<Acceptable>().is_err(), "{other}");
        }
    }

    #[test]
    fn a_unit_is_named_only_by_its_whole_name() {
        for text in [
            "gauge-1",
            "gauge-1: sticker",
            "this is gauge-1.",
            "(gauge-1)",
            "gauge-12, no, gauge-1",
        ] {
            assert!(names(text, "gauge-1"), "{text}");
        }
        for text in [
            "",
            "gauge",
            "gauge-12",
            "old-gauge-1",
            "gauge-1-spare",
            "gauge-1_b",
            "Gauge-1",
        ] {
            assert!(!names(text, "gauge-1"), "{text}");
        }
        assert!(!names("whatever", ""));
    }
}
