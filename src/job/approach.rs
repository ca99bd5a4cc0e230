//! The way to a chip that shall be changed: met, judged, recognised and read twice.

use std::ops::Range;
use std::time::Duration;

use super::bench::Bench;
use super::connect::{Connected, Seen, connect};
use super::recognise::{OwnId, own_id, recognise};
use super::record::journal_patience;
use super::twin_read::{TwinRead, joined, twin_read};
use super::worklist::smallest_block;
use super::write::{begun, in_hand};
use super::{Attendant, Stop, wrap};
use crate::chip::Chip;
use crate::image::RegionMap;
use crate::interlock::{Panel, Sameness};
use crate::link::Purpose;
use crate::part::{ProgramMethod, Standing};
use crate::unit::journal::UnfinishedWrite;
use crate::unit::{Unfinished, Unit};

/// More places than one run leaves torn; a contact that is bad shows as many.
const SUSPECTS_MAX: usize = 8;

/// What a write or restore is about, before the chip is met.
pub(super) struct About<'a> {
    pub panel: Panel,
    pub map: Option<&'a RegionMap>,
    pub image_bytes: u64,
    /// The unit's write that has not ended.
    pub unfinished: Option<&'a UnfinishedWrite>,
    /// Blocks that the person says are torn.
    pub rewrite: &'a [Range<u32>],
    /// Whether the chip is a new one.
    pub replacement: bool,
}

/// The chip as it stands before it is changed. Whether the two reads suffice is for the job to judge.
pub(super) struct Approach {
    pub chip: Chip,
    pub panel: Panel,
    pub seen: Seen,
    /// Link time when the chip was met.
    pub started: Duration,
    /// The chip's own ID, as it answered before it was read.
    pub own: OwnId,
    /// Torn blocks as whole blocks of this chip.
    pub begun: Vec<Range<u32>>,
    pub reads: TwinRead,
    /// Blocks in which the two reads differ, perhaps because an unfinished write left them torn. Empty
    /// where so many do that it is the contact.
    pub suspects: Vec<Range<u32>>,
}

/// Meets the chip, opens or holds the interlocks on the bus up to `same-unit`, and reads it twice. The first read
/// is given too.
pub(super) fn approach(
    about: About<'_>,
    unit: &Unit,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<(Approach, Unfinished), Stop> {
    let patience = journal_patience(unit, &bench.catalogue)?;
    let unfinished = about.unfinished;
    // One that is done may be torn as well, if what was sent for it landed elsewhere.
    let mut doubtful = unfinished.map(begun).unwrap_or_default();
    doubtful.extend_from_slice(about.rewrite);
    let mut torn = unfinished.map(in_hand).unwrap_or_default();
    torn.extend_from_slice(about.rewrite);
    let mut connected = connect(
        about.panel,
        bench,
        Purpose::Write,
        patience,
        &doubtful,
        attendant,
    )?;
    let started = connected.chip.now();
    wrap::look(&mut connected, &doubtful)?;
    let Connected {
        mut chip,
        mut panel,
        seen,
    } = connected;
    judge_part(&mut panel, &seen);
    panel.image_fits(about.image_bytes, u64::from(chip.size_bytes()));
    let block = smallest_block(chip.part());
    let begun = whole_blocks(&torn, block, chip.size_bytes());
    let sameness = if about.replacement {
        Sameness::Replacement
    } else {
        recognise(&mut chip, unit, about.map, &begun)?
    };
    panel.same_unit(unit.name(), &sameness);
    if panel.is_held() {
        return Err(Stop::held(&panel));
    }
    let own = own_id(&mut chip)?;
    let mut present = unit.begin_replaced(u64::from(chip.size_bytes()))?;
    let reads = twin_read(&mut chip, &mut present, &begun, attendant)?;
    let suspects = match unfinished {
        Some(_) => suspects(&reads.differing, &doubtful, block, chip.size_bytes()),
        None => Vec::new(),
    };
    let approach = Approach {
        chip,
        panel,
        seen,
        started,
        own,
        begun,
        reads,
        suspects,
    };
    Ok((approach, present))
}

/// The blocks that differ, each as the unfinished write had it: a torn one does not differ in the same
/// bytes again.
fn suspects(
    differing: &[Range<u32>],
    doubtful: &[Range<u32>],
    block: u32,
    size: u32,
) -> Vec<Range<u32>> {
    let meets = |range: &&Range<u32>| {
        let mut differing = differing.iter();
        differing.any(|bytes| bytes.start < range.end && range.start < bytes.end)
    };
    let mut blocks = whole_blocks(differing, block, size);
    blocks.extend(doubtful.iter().filter(meets).cloned());
    let blocks = joined(blocks);
    match blocks.len() {
        0..=SUSPECTS_MAX => blocks,
        _ => Vec::new(),
    }
}

/// `known-part`, from what the chip was identified as.
///
/// Sizes that were not read in a document count only where the chip's own SFDP agrees with them.
pub(super) fn judge_part(panel: &mut Panel, seen: &Seen) {
    let found = &seen.identification;
    let part = found.part.as_ref();
    let name = part.map_or("an unknown part", |part| part.name.as_str());
    let documented = part.is_some_and(|part| {
        // A part that takes bytes or words has no page, so nothing can be read about one; what
        // counts is that its program command was.
        let program = match part.program {
            ProgramMethod::Page => "page_size_bytes",
            ProgramMethod::Byte | ProgramMethod::AaiWord => "program",
        };
        let fields = ["size_bytes", program, "erase"];
        fields.iter().all(|field| part.is_documented(field))
    });
    let doubt = if found.standing != Standing::Known {
        Some("the table does not know this part.")
    } else if !documented && seen.sfdp.is_none() {
        Some("no document was read for what the table says of this part.")
    } else {
        None
    };
    let sentences = found.disagreements.iter().map(|one| one.sentence.clone());
    panel.known_part(name, doubt, &sentences.collect::<Vec<_>>());
    if let Some(doubt) = &seen.size_doubt {
        seen.doubted(panel, doubt);
    }
}

/// What the journal has in hand and what the person named, in whole blocks of the chip.
fn whole_blocks(torn: &[Range<u32>], block: u32, size: u32) -> Vec<Range<u32>> {
    let block = block.max(1);
    let whole = |range: &Range<u32>| {
        let end = range.end.checked_next_multiple_of(block).unwrap_or(size);
        range.start / block * block..end.min(size)
    };
    let mut blocks: Vec<Range<u32>> = torn.iter().map(whole).collect();
    blocks.retain(|range| range.start < range.end);
    blocks.sort_by_key(|range| (range.start, range.end));
    blocks.dedup();
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(differing: &[Range<u32>], doubtful: &[Range<u32>]) -> Vec<Range<u32>> {
        suspects(differing, doubtful, 0x1000, 0x10_0000)
    }

    #[test]
    fn suspects_are_the_blocks_of_the_write_that_was_interrupted() {
        let byte = |at: u32| at..at + 1;
        let doubtful = [0x8000..0x1_0000, 0x2000..0x3000];
        for (differing, torn) in [
            (vec![byte(0x9000)], 0x8000..0x1_0000),
            (vec![byte(0x1FFF)], 0x1000..0x2000),
            (vec![byte(0x1FFF), byte(0x2000)], 0x1000..0x3000),
        ] {
            assert_eq!(of(&differing, &doubtful), std::slice::from_ref(&torn));
        }
        assert_eq!(of(&[], &doubtful), []);
    }

    #[test]
    fn reads_that_differ_all_over_are_the_contact() {
        let places = |count: u32| -> Vec<Range<u32>> {
            (0..count).map(|n| n * 0x2000..n * 0x2000 + 9).collect()
        };
        assert_eq!(of(&places(8), &[]).len(), 8);
        assert_eq!(of(&places(9), &[]), []);
    }
}
