//! What can be wrong in a region map.

use crate::image::size::show_size;
use crate::jedec::Address;

/// What can be wrong in a region map.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum RegionProblem {
    /// The map's size is 0.
    #[error("the map's size is 0; give the chip's, such as \"16MiB\"")]
    EmptyMap,
    /// A name that cannot be used.
    #[error("'{0}' is not a name: up to 32 letters, digits, '-', '_' and '.'")]
    Name(String),
    /// Two regions of one name.
    #[error("there is a region '{0}' already, in line {1}; give each its own name")]
    NameTwice(String, usize),
    /// A region with neither size nor end.
    #[error("region '{0}' wants a size or an end")]
    SizeOrEnd(String),
    /// A region with both.
    #[error("region '{0}' wants either a size or an end, and not both")]
    SizeAndEnd(String),
    /// A region of no bytes, or one that ends before it starts.
    #[error("region '{name}' has no bytes: it starts at {} and ends at {}", Address(*start), Address(*end))]
    EmptyRegion {
        /// The region.
        name: String,
        /// Its start.
        start: u32,
        /// Its end.
        end: u32,
    },
    /// A region that reaches past the map's end.
    #[error(
        "region '{name}' ends at 0x{end_bytes:06X}, past the {} of the map{}",
        show_size(u64::from(*size_bytes)),
        unit_forgotten(*size_bytes)
    )]
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

/// No flash is smaller than a block: such a size has most likely lost its unit.
fn unit_forgotten(size_bytes: u32) -> String {
    match size_bytes {
        0..4096 => format!("; is \"{size_bytes}MiB\" meant?"),
        _ => String::new(),
    }
}
