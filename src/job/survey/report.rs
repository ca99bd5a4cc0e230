//! What a survey found, as a report and as a staff.

use std::time::Duration;

use serde::Serialize;

use super::classify::{Diagnosis, Verdict, of_block};
use super::guess::Confidence;
use super::tally::{Moved, Tally};
use crate::image::{Entry, Hatch, RegionMap, Staff};
use crate::jedec::{Address, Hertz};
use crate::unit::Digest;

/// A bit that not all passes agree on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UnsteadyBit {
    /// Byte it is in.
    pub address: Address,
    /// Bit of it.
    pub bit: u8,
    /// What the minority reads.
    pub reads: u8,
    /// Passes that read so.
    pub times: u32,
}

/// Neighbouring blocks of one verdict.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Run {
    /// First address.
    pub start: Address,
    /// Blocks.
    pub blocks: u32,
    /// What they show.
    pub verdict: Verdict,
    /// Region that they lie in, where they have a verdict and lie in one.
    pub region: Option<String>,
    /// The first bits that are unsteady, where cells are the fault.
    pub bits: Vec<UnsteadyBit>,
}

/// Passes at one SCK.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AtSck {
    /// SCK asked for; that of 03h, where the commands have other limits.
    pub sck: Hertz,
    /// Passes.
    pub passes: u32,
    /// Readings that were not what the lowest SCK says by majority: bits, in long stretches bytes.
    pub wrong: u64,
}

/// What a survey found.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SurveyReport {
    /// The unit.
    pub unit: String,
    /// Folder of the survey in the unit's folder.
    pub survey: String,
    /// Size of the chip.
    pub size_bytes: u32,
    /// Size of a block.
    pub block_bytes: u32,
    /// Passes.
    pub passes: u32,
    /// Passes that an interrupted survey had before.
    pub had: u32,
    /// What it is, the weightiest first; empty where all is steady.
    pub findings: Vec<Diagnosis>,
    /// The chip from its first address to its last.
    pub blocks: Vec<Run>,
    /// The clocks, highest first.
    pub sck: Vec<AtSck>,
    /// Bits on which not all passes agree.
    pub unsteady_bits: u64,
    /// File of the best guess in the survey's folder.
    pub best_guess: String,
    /// Its hash, by which it is known and refused as an image.
    pub sha256: Digest,
    /// Passes that have a vote in it.
    pub voters: u64,
    /// Bits of it that are nearly a toss-up.
    pub toss_ups: u64,
    /// How far blocks of it are to be trusted, where passes disagree.
    pub confidence: Vec<Confidence>,
    /// Blocks that an interrupted write has begun, which are not judged.
    pub torn: Vec<std::ops::Range<u32>>,
    /// Time of all passes on the link's clock.
    pub time: Duration,
    /// The least that they could take.
    pub floor: Duration,
}

impl SurveyReport {
    /// The weightiest verdict.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.findings
            .first()
            .map_or(Verdict::Steady, |first| first.verdict)
    }

    /// How many blocks have a verdict.
    #[must_use]
    pub fn blocks_with(&self, verdict: Verdict) -> u32 {
        let runs = self.blocks.iter().filter(|run| run.verdict == verdict);
        runs.map(|run| run.blocks).sum()
    }

    /// The report as a staff: the verdict on each run of blocks.
    #[must_use]
    pub fn staff(&self) -> Staff {
        let mut staff = Staff::new(blocks).ending_at(self.size_bytes);
        for run in &self.blocks {
            let region = run.region.iter().map(|name| format!("in {name}"));
            let kind = run.verdict.words().to_owned();
            staff.push(Entry {
                address: run.start.0,
                label: kind.clone(),
                amount: u64::from(run.blocks),
                columns: [kind].into_iter().chain(region).collect(),
                hatch: hatch(run.verdict),
            });
            for bit in &run.bits {
                let text = format!(
                    "bit {} reads {} in {} of {} passes",
                    bit.bit, bit.reads, bit.times, self.passes
                );
                staff.note(Some(bit.address.0), &text);
            }
        }
        staff
    }
}

fn blocks(number: u64) -> String {
    match number {
        1 => "1 block".into(),
        more => format!("{more} blocks"),
    }
}

fn hatch(verdict: Verdict) -> Hatch {
    match verdict {
        Verdict::Steady => Hatch::Dotted,
        Verdict::WeakCells => Hatch::Crossed,
        Verdict::NotBlank => Hatch::Squared,
        Verdict::Noise | Verdict::Dead => Hatch::Rising,
        Verdict::Clock | Verdict::Command => Hatch::Falling,
        Verdict::Address | Verdict::Smaller | Verdict::Shifted => Hatch::Level,
        Verdict::StuckBit | Verdict::Edges => Hatch::Upright,
    }
}

/// The chip in runs of blocks; of unsteady bits the first `shown` of each run of weak cells.
pub(super) fn runs(
    tally: &Tally,
    found: &[Diagnosis],
    map: Option<&RegionMap>,
    shown: usize,
) -> Vec<Run> {
    let spans = map.map(RegionMap::spans).unwrap_or_default();
    let region = |at: u32, verdict: Verdict| {
        let mut spans = spans.iter().filter(|_| verdict != Verdict::Steady);
        let span = spans.find(|span| span.range.contains(&at))?;
        span.region.as_ref().map(|_| span.name().to_owned())
    };
    let mut runs: Vec<Run> = Vec::new();
    for (number, block) in (0_u32..).zip(&tally.blocks) {
        let start = number * tally.block_bytes;
        let verdict = of_block(block, found);
        let region = region(start, verdict);
        match runs.last_mut() {
            Some(last) if last.verdict == verdict && last.region == region => last.blocks += 1,
            _ => runs.push(Run {
                start: Address(start),
                blocks: 1,
                verdict,
                region,
                bits: Vec::new(),
            }),
        }
        if let (true, Some(last)) = (verdict.is_of_cells(), runs.last_mut()) {
            let end = start.saturating_add(tally.block_bytes);
            let own = tally
                .moved
                .iter()
                .filter(|bit| (start..end).contains(&bit.address) && bit.wrong >= 2);
            let room = shown.saturating_sub(last.bits.len());
            last.bits.extend(own.take(room).map(unsteady));
        }
    }
    runs
}

fn unsteady(bit: &Moved) -> UnsteadyBit {
    UnsteadyBit {
        address: Address(bit.address),
        bit: bit.bit,
        reads: u8::from(!bit.is),
        times: bit.wrong,
    }
}
