//! What can be wrong in a region map.

use crate::image::size::show_size;
use crate::jedec::Address;

/// What is wrong in a region map, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}, line {line}, column {column}: {problem}")]
pub struct RegionMapError {
    /// The file, as it was named.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong there.
    pub problem: RegionProblem,
}

impl RegionMapError {
    pub(super) fn new(file: &str, text: &str, offset: usize, problem: RegionProblem) -> Self {
        let before = text.get(..offset).unwrap_or(text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let last_line = before.get(line_start..).unwrap_or("");
        Self {
            file: file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: last_line.chars().count() + 1,
            problem,
        }
    }
}

/// What can be wrong in a region map.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RegionProblem {
    /// Not TOML, or not the keys and values of a region map.
    #[error("{0}")]
    Text(String),
    /// The map's size is 0.
    #[error("the map's size is 0")]
    EmptyMap,
    /// A name that cannot be used.
    #[error("'{0}' is not a name: up to 32 letters, digits, '-', '_' and '.'")]
    Name(String),
    /// Two regions of one name.
    #[error("there is a region '{0}' already")]
    NameTwice(String),
    /// A region with neither size nor end, or with both.
    #[error("region '{0}' wants either a size or an end, and not both")]
    SizeOrEnd(String),
    /// A region of no bytes.
    #[error("region '{0}' has no bytes")]
    EmptyRegion(String),
    /// A region that reaches past the map's end.
    #[error("region '{name}' ends at 0x{end_bytes:06X}, past the {} of the map", show_size(u64::from(*size_bytes)))]
    PastTheEnd {
        /// The region.
        name: String,
        /// Its end.
        end_bytes: u64,
        /// The map's size.
        size_bytes: u32,
    },
    /// Two regions share bytes.
    #[error("regions '{one}' and '{other}' overlap from {first} on")]
    Overlap {
        /// The region listed first.
        one: String,
        /// The region listed second.
        other: String,
        /// First byte that both claim.
        first: Address,
    },
}
