//! The region map: which bytes of a flash may be replaced and which belong to the unit.

mod problem;
mod text;

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::size::show_size;
use crate::jedec::Address;
use crate::text::{Reading, TextError};
use problem::RegionProblem;
use text::Sheet;

/// Names longer than this are refused; they would not fit a screen.
const NAME_LENGTH_MAX: usize = 32;

/// What a region holds, and so what a write may do with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// The same on every unit of the type: a write may change it.
    Replaceable,
    /// This unit's own (serial number, calibration): never changed by a write.
    UnitData,
    /// Left as found.
    Keep,
}

/// A named run of bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Region {
    /// Its name, unique in the map.
    pub name: String,
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// What it holds.
    pub holds: Holds,
    /// What a person wrote beside it.
    pub note: Option<String>,
}

/// A region, or a run of bytes that no region covers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Span {
    /// The region's name; `None` where there is no region.
    pub region: Option<String>,
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// What it holds; *keep* where there is no region.
    pub holds: Holds,
}

impl Span {
    /// What the span is called on screens.
    #[must_use]
    pub fn name(&self) -> &str {
        self.region.as_deref().unwrap_or("no region")
    }
}

/// The span that a board starts from, among those of a whole flash: the one at address 0, since that is
/// where a board starts that tells nothing else.
#[must_use]
pub fn starts_in(spans: &[Span]) -> Option<&Span> {
    spans.first().filter(|span| span.range.start == 0)
}

/// A region that does not begin and end where erase blocks do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unaligned {
    /// The region.
    pub region: String,
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// The erase block size it was measured against.
    pub erase_size_bytes: u32,
}

impl fmt::Display for Unaligned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} ({} to {}) does not begin and end on a {} erase block",
            self.region,
            Address(self.range.start),
            Address(self.range.end),
            show_size(u64::from(self.erase_size_bytes))
        )
    }
}

/// Which bytes of a flash hold what. Regions do not overlap; what none covers is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionMap {
    size_bytes: u32,
    regions: Vec<Region>,
}

impl RegionMap {
    /// Reads a `regions.toml`; `file` is only for messages.
    ///
    /// # Errors
    /// All that is wrong in it, each with its place: what is not TOML, unknown or missing keys, values that
    /// are none, names twice, regions that overlap or do not lie in the map.
    ///
    /// # Examples
    /// ```
    /// use norlock::image::{Holds, RegionMap};
    ///
    /// let text = r#"
    ///     size = "1MiB"
    ///
    ///     [[region]]
    ///     name = "calibration"
    ///     start = 0x0E0000
    ///     size = "64KiB"
    ///     holds = "unit-data"
    /// "#;
    /// let map = RegionMap::parse("regions.toml", text)?;
    /// assert_eq!(map.kind_at(0x0E_0000), Holds::UnitData);
    /// assert_eq!(map.kind_at(0), Holds::Keep);
    ///
    /// let error = RegionMap::parse("regions.toml", "size = '1MB'").unwrap_err();
    /// assert_eq!((error.faults[0].line, error.faults[0].column), (1, 8));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn parse(file: &str, text: impl AsRef<[u8]>) -> Result<Self, TextError> {
        let (mut reading, sheet) = Reading::of::<Sheet>(file, text.as_ref());
        let map = sheet.map(|sheet| Self::checked(sheet, &mut reading));
        reading.end(map)
    }

    fn checked(sheet: Sheet, reading: &mut Reading<'_>) -> Self {
        let size = sheet.size;
        // Where its fault is told already, all that can be said of the regions is how they lie together.
        let is_known = !size.span().is_empty();
        let mut map = Self::unmapped(if is_known { size.get_ref().0 } else { u32::MAX });
        if map.size_bytes == 0 {
            reading.fault(size.span().start, RegionProblem::EmptyMap);
            map.size_bytes = u32::MAX;
        }
        let mut named = BTreeMap::new();
        for entry in sheet.region {
            let (at, start) = (entry.name.span().start, entry.start.span().start);
            let name = entry.name.get_ref().clone();
            let (line, _) = reading.place(at);
            if let Err(problem) = check_name(&name) {
                reading.fault(at, problem);
            } else if let Some(line) = named.get(&name) {
                reading.fault(at, RegionProblem::NameTwice(name, *line));
            } else {
                named.insert(name, line);
            }
            let region = entry.region(map.size_bytes);
            let added =
                region.and_then(|region| map.add(region).map_err(|problem| (start, problem)));
            if let Err((at, problem)) = added {
                reading.fault(at, problem);
            }
        }
        map
    }

    /// A map without regions: everything is kept, nothing is known to be unit data.
    #[must_use]
    pub fn unmapped(size_bytes: u32) -> Self {
        Self {
            size_bytes,
            regions: Vec::new(),
        }
    }

    /// A map in which every byte is unit data, for when nothing tells which are.
    #[must_use]
    pub fn all_unit_data(size_bytes: u32) -> Self {
        Self {
            size_bytes,
            regions: vec![Region {
                name: "all bytes".to_owned(),
                range: 0..size_bytes,
                holds: Holds::UnitData,
                note: None,
            }],
        }
    }

    /// Adds a region in its place by address.
    fn add(&mut self, region: Region) -> Result<(), RegionProblem> {
        let mut others = self.regions.iter();
        if let Some(other) = others.find(|other| overlap(&other.range, &region.range)) {
            return Err(RegionProblem::Overlap {
                first: Address(other.range.start.max(region.range.start)),
                one: other.name.clone(),
                other: region.name,
            });
        }
        let place = self
            .regions
            .partition_point(|other| other.range.start < region.range.start);
        self.regions.insert(place, region);
        Ok(())
    }

    /// How long the mapped flash is.
    #[must_use]
    pub fn size_bytes(&self) -> u32 {
        self.size_bytes
    }

    /// The regions, by address.
    #[must_use]
    pub fn regions(&self) -> &[Region] {
        &self.regions
    }

    /// The region of this name.
    #[must_use]
    pub fn region(&self, name: &str) -> Option<&Region> {
        self.regions.iter().find(|region| region.name == name)
    }

    /// What the byte at `address` belongs to; *keep* where there is no region.
    #[must_use]
    pub fn kind_at(&self, address: u32) -> Holds {
        self.regions
            .iter()
            .find(|region| region.range.contains(&address))
            .map_or(Holds::Keep, |region| region.holds)
    }

    /// Whether any region holds unit data.
    #[must_use]
    pub fn has_unit_data(&self) -> bool {
        self.unit_data_in(0..self.size_bytes).next().is_some()
    }

    /// The parts of `range` that hold unit data.
    pub fn unit_data_in(&self, range: Range<u32>) -> impl Iterator<Item = Range<u32>> + '_ {
        self.regions
            .iter()
            .filter(|region| region.holds == Holds::UnitData)
            .map(move |region| region.range.start.max(range.start)..region.range.end.min(range.end))
            .filter(|common| !common.is_empty())
    }

    /// The whole flash in address order, the bytes without a region included.
    #[must_use]
    pub fn spans(&self) -> Vec<Span> {
        let mut spans = Vec::new();
        let mut end = 0;
        for region in &self.regions {
            push_gap(&mut spans, end..region.range.start);
            spans.push(Span {
                region: Some(region.name.clone()),
                range: region.range.clone(),
                holds: region.holds,
            });
            end = region.range.end;
        }
        push_gap(&mut spans, end..self.size_bytes);
        spans
    }

    /// The regions that do not begin and end on a block of `erase_size_bytes`.
    #[must_use]
    pub fn unaligned(&self, erase_size_bytes: u32) -> Vec<Unaligned> {
        let off = |address: u32| address.checked_rem(erase_size_bytes).unwrap_or(0) != 0;
        self.regions
            .iter()
            .filter(|region| off(region.range.start) || off(region.range.end))
            .map(|region| Unaligned {
                region: region.name.clone(),
                range: region.range.clone(),
                erase_size_bytes,
            })
            .collect()
    }
}

fn push_gap(spans: &mut Vec<Span>, range: Range<u32>) {
    if !range.is_empty() {
        spans.push(Span {
            region: None,
            range,
            holds: Holds::Keep,
        });
    }
}

fn overlap(one: &Range<u32>, other: &Range<u32>) -> bool {
    one.start < other.end && other.start < one.end
}

/// Names go on screens, into messages and into `REGION=FILE` on a command line.
fn check_name(name: &str) -> Result<(), RegionProblem> {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if name.is_empty() || name.len() > NAME_LENGTH_MAX || !name.chars().all(plain) {
        return Err(RegionProblem::Name(name.to_owned()));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
