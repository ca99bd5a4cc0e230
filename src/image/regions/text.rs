//! The text of a region map.

use std::fmt;

use serde::{Deserialize, Deserializer, de};
use toml::Spanned;

use super::{Holds, Region, RegionProblem};
use crate::image::size::parse_size;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sheet {
    pub size: Spanned<Bytes>,
    #[serde(default)]
    pub region: Vec<Spanned<Listed>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Listed {
    name: String,
    start: Bytes,
    size: Option<Bytes>,
    end: Option<Bytes>,
    holds: Holds,
    note: Option<String>,
}

impl Listed {
    pub fn region(self, size_bytes: u32) -> Result<Region, RegionProblem> {
        let end = match (&self.size, &self.end) {
            (Some(size), None) => u64::from(self.start.0) + u64::from(size.0),
            (None, Some(end)) => u64::from(end.0),
            _ => return Err(RegionProblem::SizeOrEnd(self.name)),
        };
        let Some(end) = u32::try_from(end).ok().filter(|end| *end <= size_bytes) else {
            return Err(RegionProblem::PastTheEnd {
                name: self.name,
                end_bytes: end,
                size_bytes,
            });
        };
        Ok(Region {
            name: self.name,
            range: self.start.0..end,
            holds: self.holds,
            note: self.note,
        })
    }
}

/// A number of bytes, written as an integer or as a text with a unit.
pub(super) struct Bytes(pub u32);

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl de::Visitor<'_> for Visitor {
            type Value = Bytes;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a size such as \"256KiB\" or 0x40000")
            }

            fn visit_i64<E: de::Error>(self, value: i64) -> Result<Bytes, E> {
                u32::try_from(value)
                    .map(Bytes)
                    .map_err(|_| E::custom(format!("{value} is not between 0 and 4 GiB")))
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Bytes, E> {
                parse_size(text).map(Bytes).map_err(E::custom)
            }
        }
        deserializer.deserialize_any(Visitor)
    }
}
