//! From counts to verdicts, each with its reason in numbers.

use serde::Serialize;

use super::chance::{at_least, shown};
use super::plan::Condition;
use super::stretches::{EITHER_BYTES, Nature};
use super::tally::{EDGE_BYTES, OfBlock, OfPass, Tally};
use crate::image::show_size;
use crate::jedec::Hertz;
use crate::worklist::grouped;

/// What a chip or a block of it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// All passes agree, and nothing speaks against what they agree on.
    Steady,
    /// The same bits read differently from time to time, at any SCK.
    WeakCells,
    /// Cells that read 0 in a block that is blank otherwise.
    NotBlank,
    /// Wrong above an SCK, right below it.
    Clock,
    /// Wrong in bursts or anywhere, and never again in the same place.
    Noise,
    /// One bit of each byte does not follow.
    StuckBit,
    /// Frames show the bytes of another address.
    Address,
    /// The upper half shows the lower once more.
    Smaller,
    /// Wrong where frames begin or end.
    Edges,
    /// Wrong with one read command.
    Command,
    /// Stretches in which nothing drove the line.
    Dead,
    /// Bytes are lost or doubled within frames.
    Shifted,
}

impl Verdict {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::Steady,
        Self::WeakCells,
        Self::NotBlank,
        Self::Clock,
        Self::Noise,
        Self::StuckBit,
        Self::Address,
        Self::Smaller,
        Self::Edges,
        Self::Command,
        Self::Dead,
        Self::Shifted,
    ];

    /// The words on screens, in pictures and in the record.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::WeakCells => "weak cells",
            Self::NotBlank => "not blank",
            Self::Clock => "clock errors",
            Self::Noise => "contact noise",
            Self::StuckBit => "stuck data bit",
            Self::Address => "address fault",
            Self::Smaller => "repeats",
            Self::Edges => "frame edges",
            Self::Command => "read command",
            Self::Dead => "dead periods",
            Self::Shifted => "shifted bytes",
        }
    }

    /// Whether the fault lies in the cells of single blocks.
    #[must_use]
    pub const fn is_of_cells(self) -> bool {
        matches!(self, Self::WeakCells | Self::NotBlank)
    }
}

/// A verdict with its reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Diagnosis {
    /// What it is.
    pub verdict: Verdict,
    /// The numbers that say so.
    pub reason: String,
}

/// Chance by which a dependence on SCK or command may be no more than luck.
const LUCK: f64 = 0.01;
/// The same where the same bits come again, so that few of them make many readings.
const LUCK_REPEATED: f64 = 0.002;
/// Wrong readings that a group may have which counts as right.
const RIGHT_SHARE: f64 = 0.02;
/// Bytes of one bit and one direction, none twice, that make a stuck bit.
const STUCK_MIN: u64 = 6;
/// Lone zeros in blank windows of a block that make it not blank.
pub(super) const LONE_MIN: u64 = 4;

/// What has to be asked of the chip itself: whether this address line arrives, by short frames. `None`
/// where nothing near differs.
pub(super) type Probe<'a, E> = dyn FnMut(u8) -> Result<Option<bool>, E> + 'a;

/// The evidence of one survey.
pub(super) struct Evidence<'a> {
    pub conditions: &'a [Condition],
    pub tally: &'a Tally,
    pub nature: &'a Nature,
    /// What the ID read when the contact was lost, each time.
    pub lost: &'a [String],
    /// Bytes by which both halves could have differed and do not; 0 where they differ.
    pub repeats: u64,
    pub size_bytes: u32,
}

/// What is found, the weightiest first; empty for a steady chip.
pub(super) fn classify<E>(
    evidence: &Evidence<'_>,
    probe: &mut Probe<'_, E>,
) -> Result<Vec<Diagnosis>, E> {
    let mut found = Vec::new();
    if let Some(finding) = evidence.moved(probe)? {
        found.push(finding);
    } else {
        found.extend(evidence.dead());
        found.extend(evidence.scattered());
        // Passes that differ are not steady, whatever their stretches are.
        if found.is_empty() && evidence.wrong(|_| true) > 0 {
            found.push(evidence.noise(&evidence.clusters(true)));
        }
    }
    found.extend(evidence.stuck());
    found.extend(evidence.not_blank());
    let address = found.iter().any(|one| one.verdict == Verdict::Address);
    if !address {
        found.extend(evidence.halves());
    }
    Ok(found)
}

/// The verdict on one block, given those on the whole.
pub(super) fn of_block(block: &OfBlock, found: &[Diagnosis]) -> Verdict {
    let first = |of: &dyn Fn(Verdict) -> bool| {
        let mut verdicts = found.iter().map(|one| one.verdict);
        verdicts.find(|verdict| of(*verdict))
    };
    let whole = |verdict: Verdict| matches!(verdict, Verdict::Address | Verdict::Shifted);
    let of_stretch = |verdict: Verdict| whole(verdict) || verdict == Verdict::Dead;
    let scattered = |verdict: Verdict| {
        !of_stretch(verdict) && !matches!(verdict, Verdict::Smaller | Verdict::StuckBit)
    };
    if block.stretch_bytes > 0 {
        return first(&of_stretch)
            .or_else(|| first(&scattered))
            .unwrap_or(Verdict::Noise);
    }
    if block.bits > 0 {
        if let Some(verdict) = first(&whole) {
            return verdict;
        }
        let cells = first(&Verdict::is_of_cells).is_some();
        return match (cells, block.repeated, block.repeated_blank) {
            (true, 1.., blank) if blank * 2 > block.repeated => Verdict::NotBlank,
            (true, 1.., _) => Verdict::WeakCells,
            (true, 0, _) => Verdict::Noise,
            _ => first(&scattered)
                .or_else(|| first(&|_| true))
                .unwrap_or(Verdict::Noise),
        };
    }
    if is_not_blank(block) {
        return Verdict::NotBlank;
    }
    if block.stuck > 0 {
        return Verdict::StuckBit;
    }
    Verdict::Steady
}

/// Enough lone zeros, and not all at the same place of a word, as flags are.
fn is_not_blank(block: &OfBlock) -> bool {
    let all: u64 = block.lone.iter().sum();
    let most = block.lone.iter().max().copied().unwrap_or(0);
    all >= LONE_MIN && most * 8 <= all * 7
}

impl Evidence<'_> {
    fn passes(&self) -> usize {
        self.conditions.len()
    }

    /// Frames of other addresses, or bytes that moved within frames.
    fn moved<E>(&self, probe: &mut Probe<'_, E>) -> Result<Option<Diagnosis>, E> {
        let (nature, moved) = (self.nature, self.nature.moved());
        if moved < 2 || moved * 10 < nature.pieces() {
            return Ok(None);
        }
        let by_line = nature.moved.iter().filter(|(by, _)| by.count_ones() == 1);
        let by_line: u64 = by_line.map(|(_, times)| times).sum();
        let far = nature.moved.range(EITHER_BYTES..);
        let far: u64 = far.map(|(_, times)| times).sum();
        let most = nature.moved.iter().max_by_key(|(_, times)| **times);
        let most = most.map_or(0, |(by, _)| *by);
        let pieces = format!(
            "{} of {} pieces of 32 bytes",
            grouped(moved),
            grouped(nature.pieces())
        );
        let shifted = Diagnosis {
            verdict: Verdict::Shifted,
            reason: format!(
                "{pieces} stand {most} or other bytes away from where other passes have them: bytes are lost \
                 or doubled within frames"
            ),
        };
        if by_line * 100 < moved * 85 {
            return Ok(Some(shifted));
        }
        let line = most.trailing_zeros() as u8;
        if far * 2 < moved && probe(line)? == Some(true) {
            return Ok(Some(shifted));
        }
        Ok(Some(Diagnosis {
            verdict: Verdict::Address,
            reason: format!(
                "{pieces} are those of an address {} away (A{line}), where other passes have them",
                show_size(most.unsigned_abs())
            ),
        }))
    }

    /// Stretches without any signal, or a contact that was lost altogether.
    fn dead(&self) -> Option<Diagnosis> {
        let nature = self.nature;
        let silent = |id: &&String| {
            let mut bytes = id.split(' ');
            bytes.all(|byte| byte == "FF") || id.split(' ').all(|byte| byte == "00")
        };
        let lost = self.lost.iter().filter(silent).count();
        if nature.dead * 2 <= nature.pieces() && (lost == 0 || nature.wild > 0) {
            return None;
        }
        let passes = self
            .tally
            .passes
            .iter()
            .filter(|pass| pass.stretch_bytes > 0);
        let bytes: u64 = passes.clone().map(|pass| pass.stretch_bytes).sum();
        Some(Diagnosis {
            verdict: Verdict::Dead,
            reason: format!(
                "{} bytes in {} of {} passes read all alike where others have content; contact lost \
                 {lost} times",
                grouped(bytes),
                passes.count(),
                self.passes()
            ),
        })
    }

    /// Groups of wrong frames in each pass, those of stretches with them or not.
    fn clusters(&self, stretches: bool) -> Vec<u64> {
        let of_stretches = u64::from(stretches);
        let passes = self.tally.passes.iter();
        passes
            .map(|pass| pass.clusters + of_stretches * pass.stretch_clusters)
            .collect()
    }

    /// Wrong bits that are in no stretch, and stretches of noise with them.
    fn scattered(&self) -> Option<Diagnosis> {
        let tally = self.tally;
        let clusters = self.clusters(self.nature.wild > self.nature.dead);
        let total: u64 = clusters.iter().sum();
        if total == 0 {
            let noisy = !self.lost.is_empty() && self.dead().is_none();
            return noisy.then(|| self.noise(&clusters));
        }
        if let Some(finding) = self.edges() {
            return Some(finding);
        }
        let repeats = tally.repeated >= 2 && tally.repeated >= tally.single;
        let luck = if repeats { LUCK_REPEATED } else { LUCK };
        let causes = [self.command(&clusters), self.clock(&clusters)];
        let likely = causes.into_iter().flatten().filter(|(p, _)| *p < luck);
        if let Some((_, finding)) = likely.min_by(|one, two| one.0.total_cmp(&two.0)) {
            return Some(finding);
        }
        if !repeats {
            if let Some(finding) = self.stuck_at_times() {
                return Some(finding);
            }
            return Some(self.noise(&clusters));
        }
        Some(self.cells())
    }

    fn edges(&self) -> Option<Diagnosis> {
        let sum = |of: fn(&OfPass) -> u64| self.tally.passes.iter().map(of).sum::<u64>();
        let (frames, edge) = (sum(|pass| pass.frames), sum(|pass| pass.edge_frames));
        if edge < 3 || edge * 5 < frames * 4 {
            return None;
        }
        let share = 2.0 * f64::from(EDGE_BYTES) / 4096.0;
        Some(Diagnosis {
            verdict: Verdict::Edges,
            reason: format!(
                "in {} of {} frames with wrong bytes these are within {EDGE_BYTES} bytes of an end; by \
                 chance: {}",
                grouped(edge),
                grouped(frames),
                shown(at_least(frames, edge, share))
            ),
        })
    }

    /// Whether all errors come with one of the two commands.
    fn command(&self, clusters: &[u64]) -> Option<(f64, Diagnosis)> {
        let mut opcodes: Vec<u8> = self.conditions.iter().map(|one| one.opcode).collect();
        opcodes.sort_unstable();
        opcodes.dedup();
        let guilty = opcodes.iter().filter_map(|opcode| {
            let p = self.luck(clusters, |condition| condition.opcode == *opcode)?;
            Some((p * opcodes.len() as f64, *opcode))
        });
        let (p, opcode) = guilty.min_by(|one, two| one.0.total_cmp(&two.0))?;
        let wrong = self.wrong(|condition| condition.opcode == opcode);
        let others = self.wrong(|condition| condition.opcode != opcode);
        let reason = format!(
            "{} wrong readings with {opcode:02X}h and {} with the other command; by chance: {}",
            grouped(wrong),
            grouped(others),
            shown(p)
        );
        Some((
            p,
            Diagnosis {
                verdict: Verdict::Command,
                reason,
            },
        ))
    }

    /// Whether the errors vanish at lower SCK.
    fn clock(&self, clusters: &[u64]) -> Option<(f64, Diagnosis)> {
        let top = self.conditions.iter().map(|one| one.level).max()?;
        let splits = (1..=top).filter_map(|level| {
            let p = self.luck(clusters, |condition| condition.level >= level)?;
            // The best of several splits is luckier than one.
            Some((p * top as f64, level))
        });
        let (p, level) = splits.min_by(|one, two| one.0.total_cmp(&two.0))?;
        let wrong = self.wrong(|condition| condition.level >= level);
        let below = self.wrong(|condition| condition.level < level);
        let right = self.sck_below(level)?;
        Some((
            p,
            Diagnosis {
                verdict: Verdict::Clock,
                reason: format!(
                    "{} wrong readings above {right}, {} up to it; by chance: {}",
                    grouped(wrong),
                    grouped(below),
                    shown(p)
                ),
            },
        ))
    }

    /// The highest SCK of the levels below one.
    fn sck_below(&self, level: usize) -> Option<Hertz> {
        let below = self.conditions.iter().filter(|one| one.level < level);
        below.map(|one| one.sck).max()
    }

    /// The level up to which no reading is wrong, where the fault is one of the clock.
    pub fn right_level(&self, found: &[Diagnosis]) -> Option<usize> {
        found.iter().find(|one| one.verdict == Verdict::Clock)?;
        let top = self.conditions.iter().map(|one| one.level).max()?;
        (0..top).rev().find(|level| {
            let above = self.wrong(|condition| condition.level > *level);
            let up_to = self.wrong(|condition| condition.level <= *level);
            above > 0 && up_to as f64 <= RIGHT_SHARE * (above + up_to) as f64
        })
    }

    fn wrong(&self, of: impl Fn(&Condition) -> bool) -> u64 {
        let both = self.conditions.iter().zip(&self.tally.passes);
        let own = both.filter(|(condition, _)| of(condition));
        own.map(|(_, pass)| pass.bits + pass.stretch_bytes).sum()
    }

    /// Chance that clusters which strike all passes alike strike the `guilty` ones only. `None` where the
    /// others have some too. Clusters that come in bursts count for less, by how much more they vary from
    /// pass to pass than single ones would.
    fn luck(&self, clusters: &[u64], guilty: impl Fn(&Condition) -> bool) -> Option<f64> {
        let both = self.conditions.iter().zip(clusters);
        let (own, others): (Vec<_>, Vec<_>) = both.partition(|(condition, _)| guilty(condition));
        let own: Vec<f64> = own.iter().map(|(_, clusters)| **clusters as f64).collect();
        let sum: f64 = own.iter().sum();
        let others: f64 = others.iter().map(|(_, clusters)| **clusters as f64).sum();
        if own.len() == self.passes() || sum == 0.0 || others > RIGHT_SHARE * (sum + others) {
            return None;
        }
        let mean = sum / own.len() as f64;
        let spread = own.iter().map(|one| (one - mean).powi(2)).sum::<f64>();
        let bursts = (spread / own.len() as f64 / mean).max(1.0);
        let share = own.len() as f64 / self.passes() as f64;
        Some(share.powf(sum / bursts))
    }

    /// One bit in one direction, in ever other bytes.
    fn stuck_at_times(&self) -> Option<Diagnosis> {
        let all = self.tally.directions.iter().flatten().sum::<u64>();
        let each = (0..8).flat_map(|bit| [(bit, 0), (bit, 1)]);
        let most = each.max_by_key(|(bit, to)| self.tally.directions[*bit][*to]);
        let (bit, to) = most?;
        let own = self.tally.directions[bit][to];
        if own < STUCK_MIN || own * 20 < all * 19 {
            return None;
        }
        Some(Diagnosis {
            verdict: Verdict::StuckBit,
            reason: format!(
                "in {} of {} wrong bytes it is bit {bit} that reads {to}; by chance: {}",
                grouped(own),
                grouped(all),
                shown(16.0 * at_least(all, own, 1.0 / 16.0))
            ),
        })
    }

    /// The same bits again and again.
    fn cells(&self) -> Diagnosis {
        let tally = self.tally;
        let blank: u64 = tally.blocks.iter().map(|block| block.repeated_blank).sum();
        let verdict = match blank * 2 > tally.repeated_bits {
            true => Verdict::NotBlank,
            false => Verdict::WeakCells,
        };
        // Pairs of wrong readings that would meet in one bit.
        let wrong = (tally.repeated + tally.single) as f64;
        let bits = f64::from(self.size_bytes) * 8.0;
        let pairs = wrong * wrong / 2.0 / bits;
        let chance = match pairs < tally.repeated_bits as f64 {
            true => at_least(
                wrong as u64,
                tally.repeated_bits,
                (wrong / 2.0 / bits).min(0.5),
            ),
            false => 1.0,
        };
        Diagnosis {
            verdict,
            reason: format!(
                "noise would not strike the same {} of {} million bits {} times in {} passes; by chance: {}",
                grouped(tally.repeated_bits),
                (bits / 1e6).round().max(1.0),
                grouped(tally.repeated),
                self.passes(),
                shown(chance)
            ),
        }
    }

    fn noise(&self, clusters: &[u64]) -> Diagnosis {
        let tally = self.tally;
        let passes = clusters.iter().filter(|clusters| **clusters > 0).count();
        let bits: u64 = tally.passes.iter().map(|pass| pass.bits).sum();
        let lost = match self.lost.len() {
            0 => String::new(),
            times => format!("; contact lost {times} times"),
        };
        Diagnosis {
            verdict: Verdict::Noise,
            reason: format!(
                "{} wrong bits and {} wrong stretches in {passes} of {} passes, {} of these bits in more than \
                 one{lost}",
                grouped(bits),
                grouped(tally.stretch_count),
                self.passes(),
                grouped(tally.repeated_bits)
            ),
        }
    }

    /// A bit that never moves in content that has everything else.
    fn stuck(&self) -> Option<Diagnosis> {
        let each = (0..8).flat_map(|bit| [(bit, 0), (bit, 1)]);
        let (bit, to) = each.max_by_key(|(bit, to)| self.tally.stuck[*bit][*to])?;
        let windows = self.tally.stuck[bit][to];
        (windows > 0).then(|| Diagnosis {
            verdict: Verdict::StuckBit,
            reason: format!(
                "bit {bit} is {to} in every byte of {} of {} varied 4 KiB, in all passes",
                grouped(windows),
                grouped(self.tally.varied_windows)
            ),
        })
    }

    /// Lone zeros in blank blocks.
    fn not_blank(&self) -> Option<Diagnosis> {
        let blocks = self.tally.blocks.iter().filter(|block| is_not_blank(block));
        let zeros: u64 = blocks.clone().flat_map(|block| block.lone).sum();
        (zeros > 0).then(|| Diagnosis {
            verdict: Verdict::NotBlank,
            reason: format!(
                "{} single bits are 0, far from each other, in otherwise blank parts of {} blocks: data \
                 has more zeros in a byte, or regular places",
                grouped(zeros),
                blocks.count()
            ),
        })
    }

    fn halves(&self) -> Option<Diagnosis> {
        (self.repeats > 0).then(|| Diagnosis {
            verdict: Verdict::Smaller,
            reason: format!(
                "the upper half equals the lower in all of {} bytes that are not blank: two copies, or a chip \
                 of half the size",
                grouped(self.repeats)
            ),
        })
    }
}
