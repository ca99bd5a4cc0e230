//! What to erase and what to program, in which order and at what cost.
//!
//! Begin with [`plan()`]; for the files of a unit [`job::worklist`](crate::job::worklist()) does it, with an example.
//! A worklist is planned from what the chip holds, what it shall hold, the region map and the part.
//! It stores no image bytes: what a step programs is worked out again while writing, with
//! [`Worklist::programs`], from the same two contents.

mod estimate;
mod load;
mod plan;
mod summary;

pub use estimate::{Estimate, Pace};
pub use plan::{Request, plan};
pub(crate) use summary::grouped;

use std::io;
use std::ops::Range;
use std::time::Duration;

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::image::{Span, show_size, starts_in};
use crate::jedec::Address;
use crate::part::EraseType;
use load::{Grain, Load, Rates};

/// How a block comes to hold the target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Erased, then programmed wherever the target is not blank.
    Erase {
        /// Place among the erase types of the worklist.
        erase_type: u8,
    },
    /// Programmed only: no bit has to go from 0 to 1.
    Program,
}

/// One block's work; what a journal accounts for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Step {
    /// The block.
    pub range: Range<u32>,
    /// How it comes to hold the target.
    pub action: Action,
    /// Whether the step erases or changes unit data. Such a step comes after all others, and is read
    /// back twice before the next.
    pub shared: bool,
}

impl Step {
    /// Length of the block.
    #[must_use]
    pub fn size_bytes(&self) -> u32 {
        self.range.end - self.range.start
    }
}

/// What the worklist knows of one smallest block. A large chip has many, so it is small.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Block {
    place: Place,
    /// Whether the target is blank there.
    blank: bool,
}

/// The place of a smallest block in a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    /// In none: it is left.
    Left,
    /// The first of a step.
    Begins {
        action: Action,
        /// Place of its size in [`Worklist::step_sizes`].
        level: u8,
        shared: bool,
    },
    /// One of the others.
    Within,
}

/// What to erase and program, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct Worklist {
    size_bytes: u32,
    grain: Grain,
    rates: Rates,
    erase_types: Vec<EraseType>,
    /// Sizes that a step may have, smallest first.
    step_sizes: Vec<u32>,
    spans: Vec<Span>,
    /// In address order.
    blocks: Vec<Block>,
    step_count: usize,
    /// What all steps program.
    load: Load,
}

impl Worklist {
    /// The steps, in the order in which they are to be done: other regions first, upwards; then the
    /// region at address 0, which holds the old boot loader, downwards, so that the block at address 0
    /// falls last; then blocks shared with unit data.
    pub fn steps(&self) -> impl Iterator<Item = Step> + '_ {
        let end = self.boot_end();
        [false, true].into_iter().flat_map(move |shared| {
            let others = self.upwards().filter(move |step| step.range.start >= end);
            let boot = self.upwards().rev();
            let boot = boot.filter(move |step| step.range.start < end);
            let all = others.chain(boot);
            all.filter(move |step| step.shared == shared)
        })
    }

    /// How many steps there are.
    #[must_use]
    pub fn step_count(&self) -> usize {
        self.step_count
    }

    /// Whether the chip holds the target already.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.step_count == 0
    }

    /// The steps by address.
    fn upwards(&self) -> impl DoubleEndedIterator<Item = Step> + '_ {
        let blocks = self.blocks.iter().enumerate();
        blocks.filter_map(|(index, block)| {
            let Place::Begins {
                action,
                level,
                shared,
            } = block.place
            else {
                return None;
            };
            let size = self.step_sizes.get(usize::from(level))?;
            let start = u32::try_from(index).ok()? * self.block_size_bytes();
            Some(Step {
                range: start..start + size,
                action,
                shared,
            })
        })
    }

    fn block_size_bytes(&self) -> u32 {
        self.step_sizes.first().map_or(1, |size| *size)
    }

    /// The erase type of a step; `None` where it only programs.
    #[must_use]
    pub fn erase_type(&self, step: &Step) -> Option<&EraseType> {
        match step.action {
            Action::Erase { erase_type } => self.erase_types.get(usize::from(erase_type)),
            Action::Program => None,
        }
    }

    /// What the block of a step begins in, as it is called on screens.
    #[must_use]
    pub fn region_of(&self, step: &Step) -> &str {
        let ends = |span: &Span| span.range.end <= step.range.start;
        let span = self.spans.get(self.spans.partition_point(ends));
        span.map_or("no region", Span::name)
    }

    /// What a step programs, by address and in address order, each within one page where the part
    /// takes pages.
    ///
    /// `before` and `after` are the step's block as the chip held it when the worklist was planned
    /// and as it shall be. After an erase `before` is not looked at and may be empty. Blank pages
    /// or words, and without an erase equal ones, are left out.
    #[must_use]
    pub fn programs(&self, step: &Step, before: &[u8], after: &[u8]) -> Vec<Range<u32>> {
        let start = step.range.start;
        match step.action {
            Action::Erase { .. } => load::after_erase(start, after, self.grain),
            Action::Program => load::without_erase(start, before, after, self.grain),
        }
    }

    /// Digest over everything that the steps say, for a journal's header.
    #[must_use]
    pub fn digest(&self) -> [u8; 32] {
        let mut hash = Sha256::new();
        hash.update(b"norlock worklist 2\n");
        let Load {
            programs,
            bytes,
            increments,
        } = self.load;
        let page = self.grain.page_size_bytes;
        for number in [self.size_bytes, page, programs, bytes, increments] {
            hash.update(number.to_le_bytes());
        }
        for step in self.steps() {
            let erase = self.erase_type(&step).map_or(0, |erase| erase.size_bytes);
            let opcode = self.erase_type(&step).map_or(0, |erase| erase.opcode);
            for number in [step.range.start, step.range.end, erase] {
                hash.update(number.to_le_bytes());
            }
            hash.update([opcode, u8::from(step.shared)]);
        }
        hash.finalize().into()
    }

    /// End of what the board starts from.
    fn boot_end(&self) -> u32 {
        starts_in(&self.spans).map_or(0, |span| span.range.end)
    }

    /// The order of the steps, in words.
    #[must_use]
    pub fn order(&self) -> String {
        let boot_end = self.boot_end();
        let plain: Vec<Step> = self.steps().filter(|step| !step.shared).collect();
        let (boot, others): (Vec<_>, Vec<_>) =
            plain.iter().partition(|step| step.range.start < boot_end);
        let mut others: Vec<&str> = others
            .into_iter()
            .map(|step| self.region_of(step))
            .collect();
        others.dedup();
        let mut parts = match others.as_slice() {
            [] => Vec::new(),
            [one] => vec![(*one).to_owned()],
            [one, two] => vec![(*one).to_owned(), (*two).to_owned()],
            _ => vec!["other regions upwards".to_owned()],
        };
        if let Some(step) = boot.first() {
            let then = if parts.is_empty() { "" } else { "then " };
            parts.push(format!("{then}{} downwards", self.region_of(step)));
        }
        if self.steps().any(|step| step.shared) {
            parts.push("blocks shared with unit data last, each alone".to_owned());
        }
        let mut text = parts.join(", ");
        if !boot.is_empty() {
            text.push_str(": the old boot loader stays whole for as long as possible");
        }
        text
    }
}

/// Why there is no worklist.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WorklistError {
    /// The sizes of part, map and images are not the same.
    #[error(
        "the part has {}, {what} has {}",
        show_size(u64::from(*part_bytes)),
        show_size(*found_bytes)
    )]
    Size {
        /// What has another size.
        what: &'static str,
        /// The part's size.
        part_bytes: u32,
        /// The size found.
        found_bytes: u64,
    },
    /// The part's description does not fit together.
    #[error(
        "the part's {what} of {bytes} bytes does not divide its {part_bytes} bytes into blocks"
    )]
    Geometry {
        /// Which field.
        what: &'static str,
        /// Its value.
        bytes: u32,
        /// The part's size.
        part_bytes: u32,
    },
    /// No erase type reaches a block that has to be erased.
    #[error("the part has no erase for the block at {address}")]
    NoErase {
        /// The block.
        address: Address,
    },
    /// The smallest block that has to change holds unit data too.
    #[error(
        "the block at {} ({}) is shared with unit data in '{region}'{}",
        Address(range.start),
        show_size(u64::from(range.end - range.start)),
        if *blocks > 1 { format!("; there are {blocks} such blocks") } else { String::new() }
    )]
    SharedBlock {
        /// The first such block by address.
        range: Range<u32>,
        /// The region with the unit data.
        region: String,
        /// How many such blocks there are.
        blocks: usize,
    },
    /// One of the contents could not be read.
    #[error("cannot read {what} at {address}")]
    Read {
        /// Which content.
        what: &'static str,
        /// Where.
        address: Address,
        /// What the file system said.
        #[source]
        source: io::Error,
    },
}

/// Bits over the wire at a clock.
fn wire_time(bytes: u64, sck: crate::jedec::Hertz) -> Duration {
    let picoseconds_per_byte = 8_000_000_000_000 / u64::from(sck.0.max(1));
    let nanoseconds = u128::from(bytes) * u128::from(picoseconds_per_byte) / 1000;
    Duration::from_nanos(u64::try_from(nanoseconds).unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests;
