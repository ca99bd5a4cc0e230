//! The parts that fit what a person knows: maker, size, level, beginning of the ID, words.

use super::{Catalogue, CodeUse, Part, maker_name};
use crate::jedec::Millivolts;

/// What the parts looked for have in common; what is not given takes any part.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Selection {
    /// Text in the maker's name, or in another name for whoever sends its first ID byte.
    pub maker: Option<String>,
    /// Size of the array.
    pub size_bytes: Option<u32>,
    /// A level that lies in the supply range.
    pub level: Option<Millivolts>,
    /// What the answer to 9Fh begins with.
    pub id_start: Option<Vec<u8>>,
    /// Words that all stand in the part's name, markings, notes or source.
    pub text: Option<String>,
}

impl Selection {
    /// Whether nothing is asked for.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Whether `part` has all that is asked for.
    #[must_use]
    pub fn takes(&self, part: &Part) -> bool {
        let maker = self.maker.as_deref();
        maker.is_none_or(|maker| is_by(part, maker))
            && self.size_bytes.is_none_or(|size| part.size_bytes == size)
            && self.level.is_none_or(|level| part.supply.includes(level))
            && self
                .id_start
                .as_deref()
                .is_none_or(|start| begins(&part.jedec_id.0, start))
            && self.text.as_deref().is_none_or(|text| holds(part, text))
    }

    /// Each thing that is asked for, alone.
    #[must_use]
    pub fn conditions(&self) -> Vec<Self> {
        let each = [
            Self {
                maker: self.maker.clone(),
                ..Self::default()
            },
            Self {
                size_bytes: self.size_bytes,
                ..Self::default()
            },
            Self {
                level: self.level,
                ..Self::default()
            },
            Self {
                id_start: self.id_start.clone(),
                ..Self::default()
            },
            Self {
                text: self.text.clone(),
                ..Self::default()
            },
        ];
        each.into_iter().filter(|one| !one.is_empty()).collect()
    }
}

impl Catalogue {
    /// The parts that have all that is asked for, in the order of the table.
    #[must_use]
    pub fn select(&self, selection: &Selection) -> Vec<&Part> {
        let parts = self.parts().iter();
        parts.filter(|part| selection.takes(part)).collect()
    }

    /// The makers of the table by name, sorted.
    #[must_use]
    pub fn makers(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.parts().iter().map(|p| p.maker.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}

/// Where several makers send a byte, its other names belong to none of them alone.
fn is_by(part: &Part, maker: &str) -> bool {
    let first = part.jedec_id.0.first().copied().unwrap_or_default();
    let sender = maker_name(first);
    let others = sender.name.filter(|_| sender.code_use != CodeUse::Shared);
    contains(&part.maker, maker) || others.is_some_and(|names| contains(names, maker))
}

/// Whether what one ID tells does not contradict the other.
fn begins(id: &[u8], start: &[u8]) -> bool {
    id.iter().zip(start).all(|(a, b)| a == b)
}

fn holds(part: &Part, text: &str) -> bool {
    let own = [part.name.as_str(), part.source.title.as_str()];
    let all: Vec<&str> = own
        .into_iter()
        .chain(part.markings.iter().map(String::as_str))
        .chain(part.notes.iter().map(String::as_str))
        .collect();
    text.split_whitespace()
        .all(|word| all.iter().any(|place| contains(place, word)))
}

fn contains(place: &str, text: &str) -> bool {
    place.to_lowercase().contains(&text.to_lowercase())
}
