//! The text of a region map.

use std::fmt;

use serde::{Deserialize, Deserializer, de};
use toml::Spanned;

use super::problem::RegionProblem;
use super::{Holds, Region};
use crate::image::size::parse_size;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sheet {
    pub size: Spanned<Bytes>,
    #[serde(default)]
    pub region: Vec<Listed>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Listed {
    pub name: Spanned<String>,
    pub start: Spanned<Bytes>,
    size: Option<Spanned<Bytes>>,
    end: Option<Spanned<Bytes>>,
    holds: Holds,
    note: Option<String>,
}

/// A byte of the file, and what is wrong there.
type Located = (usize, RegionProblem);

impl Listed {
    /// The region, in a map of `size_bytes`.
    pub fn region(self, size_bytes: u32) -> Result<Region, Located> {
        let (at, end_bytes) = self.end()?;
        let (name, start) = (self.name.into_inner(), self.start.get_ref().0);
        let Some(end) = u32::try_from(end_bytes)
            .ok()
            .filter(|end| *end <= size_bytes)
        else {
            let problem = RegionProblem::PastTheEnd {
                name,
                end_bytes,
                size_bytes,
            };
            return Err((at, problem));
        };
        if end <= start {
            return Err((at, RegionProblem::EmptyRegion { name, start, end }));
        }
        Ok(Region {
            name,
            range: start..end,
            holds: self.holds,
            note: self.note,
        })
    }

    /// The end, and where the file says it.
    fn end(&self) -> Result<(usize, u64), Located> {
        let name = || self.name.get_ref().clone();
        match (&self.size, &self.end) {
            (Some(size), None) => {
                let end = u64::from(self.start.get_ref().0) + u64::from(size.get_ref().0);
                Ok((size.span().start, end))
            }
            (None, Some(end)) => Ok((end.span().start, u64::from(end.get_ref().0))),
            (None, None) => Err((self.name.span().start, RegionProblem::SizeOrEnd(name()))),
            (Some(size), Some(end)) => {
                let second = size.span().start.max(end.span().start);
                Err((second, RegionProblem::SizeAndEnd(name())))
            }
        }
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
