//! How fast: steps of SCK from the lowest up, each judged by as many bits as were fixed beforehand.
//!
//! A step counts as right only if none of its `n` bits is wrong. Where bits fail at a rate of `3/n` or
//! more, that happens in at most `(1 - 3/n)^n < e^-3 < 5 %` of all tries: the rule of three (Hanley and
//! Lippman-Hand, JAMA 249 (1983) 1743, from memory). The climb ends at the first step that is not right.
//! So whatever is chosen below it is too fast only if the *first* step that is too fast was right by
//! chance: one try, not one a step, and the 5 % hold however many steps there are. Bits are never read
//! until they suffice, nor fewer because they looked well.

use serde::Serialize;

use super::sck::Measured;
use crate::jedec::Hertz;

/// The SCK to meet the chip at: what every part and every clip that works at all can do.
pub(super) const LOWEST: Hertz = Hertz::mhz(1);
/// The steps above it; only those below the SCK asked for are taken.
const LADDER: [Hertz; 6] = [
    Hertz::mhz(2),
    Hertz::mhz(5),
    Hertz::mhz(10),
    Hertz::mhz(20),
    Hertz::mhz(33),
    Hertz::mhz(50),
];
/// `-ln 0.05`, rounded up: no error in `n` bits leaves a rate of `3/n`, with a confidence of 95 %.
const RULE_OF_THREE: u64 = 3;

/// One SCK that was tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Rung {
    /// SCK asked for. Where the part's limit for a read command is lower, that command does not count here.
    pub sck: Hertz,
    /// SCK as it was measured on the wire; `None` where the link's clock told nothing.
    pub measured: Option<Measured>,
    /// Reads of ID and SFDP header, and of pieces of the array where the size is known.
    pub reads: u32,
    /// How many were as at the lowest SCK.
    pub same: u32,
    /// Bits that were compared.
    pub bits: u64,
    /// How many of them were wrong.
    pub wrong_bits: u64,
}

impl Rung {
    /// One that was not tried yet.
    pub(super) fn new(sck: Hertz) -> Self {
        Self {
            sck,
            measured: None,
            reads: 0,
            same: 0,
            bits: 0,
            wrong_bits: 0,
        }
    }

    /// Counts a read of `seen` where `wanted` is right.
    pub(super) fn compare(&mut self, wanted: &[u8], seen: &[u8]) {
        let pairs = wanted.iter().zip(seen);
        let wrong: u64 = pairs.map(|(a, b)| u64::from((a ^ b).count_ones())).sum();
        self.count(wanted.len() as u64 * 8, wrong);
    }

    /// Counts a read of so many bits.
    pub(super) fn count(&mut self, bits: u64, wrong: u64) {
        self.reads += 1;
        self.same += u32::from(wrong == 0);
        self.bits += bits;
        self.wrong_bits += wrong;
    }

    /// Whether every read was right.
    #[must_use]
    pub fn is_right(&self) -> bool {
        self.wrong_bits == 0
    }

    /// Fewer than one bit in so many is wrong, with a confidence of 95 %; `None` where one was.
    #[must_use]
    pub fn fewer_than_one_in(&self) -> Option<u64> {
        (self.is_right() && self.bits >= RULE_OF_THREE).then_some(self.bits / RULE_OF_THREE)
    }

    /// SCK on the wire, as far as it is known.
    fn real(&self) -> Hertz {
        self.measured.map_or(self.sck, |measured| measured.sck)
    }
}

/// The steps from the lowest SCK to the one asked for, both included, and not above `limit`.
pub(super) fn rungs(asked: Hertz, limit: Hertz) -> Vec<Rung> {
    let top = match LADDER.last() {
        // Nobody named one: as far as the ladder goes.
        Some(last) if asked == super::SCK_FREE => *last,
        _ => asked,
    };
    let top = top.min(limit);
    let lowest = LOWEST.min(top);
    let between = LADDER.into_iter().filter(|sck| lowest < *sck && *sck < top);
    let mut steps: Vec<Hertz> = [lowest].into_iter().chain(between).chain([top]).collect();
    steps.dedup();
    steps.into_iter().map(Rung::new).collect()
}

/// Tries one step after the other, from the lowest, up to the first that is not right; those above it
/// are taken away. May be called again for more reads of another kind.
pub(super) fn climb<E>(
    ladder: &mut Vec<Rung>,
    mut attempt: impl FnMut(&mut Rung) -> Result<(), E>,
) -> Result<(), E> {
    let mut tried = 0;
    for rung in ladder.iter_mut() {
        tried += 1;
        if rung.is_right() {
            attempt(rung)?;
        }
        if !rung.is_right() {
            break;
        }
    }
    ladder.truncate(tried);
    Ok(())
}

/// What a ladder, lowest SCK first, says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Choice {
    /// The highest step that is right, with all below it.
    pub(super) proven: Option<Hertz>,
    /// The SCK to work at: the one asked for if that is right; else one step lower than the highest that
    /// is, by a fifth at least on the wire; half of the lowest if no other is right.
    pub(super) chosen: Option<Hertz>,
}

/// Chooses the SCK to work at.
pub(super) fn choose(ladder: &[Rung], asked: Hertz) -> Choice {
    let right: Vec<&Rung> = ladder.iter().take_while(|rung| rung.is_right()).collect();
    let Some(highest) = right.last() else {
        return Choice {
            proven: None,
            chosen: None,
        };
    };
    let lower = |rung: &&&Rung| {
        // Two steps that a controller makes the same clock of leave no margin.
        rung.sck < highest.sck && u64::from(rung.real().0) * 5 <= u64::from(highest.real().0) * 4
    };
    let chosen = match right.iter().rev().find(lower) {
        _ if highest.sck == asked => asked,
        Some(rung) => rung.sck,
        None => Hertz((highest.sck.0 / 2).max(1)),
    };
    Choice {
        proven: Some(highest.sck),
        chosen: Some(chosen),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(asked: u32) -> Vec<u32> {
        let ladder = rungs(Hertz(asked * 1000), Hertz::mhz(100));
        ladder.iter().map(|rung| rung.sck.0 / 1000).collect()
    }

    #[test]
    fn the_ladder_goes_from_the_lowest_to_the_one_asked_for() {
        assert_eq!(of(20_000), [1000, 2000, 5000, 10_000, 20_000]);
        assert_eq!(of(12_000), [1000, 2000, 5000, 10_000, 12_000]);
        assert_eq!(of(1000), [1000]);
        assert_eq!(of(400), [400]);
        assert_eq!(of(100_000).len(), 8);
        let free = rungs(crate::job::SCK_FREE, Hertz::mhz(40));
        assert_eq!(free.last().map(|rung| rung.sck), Some(Hertz::mhz(40)));
        let free = rungs(crate::job::SCK_FREE, Hertz(u32::MAX));
        assert_eq!(free.last().map(|rung| rung.sck), Some(Hertz::mhz(50)));
    }

    /// A ladder up to 20 MHz, wrong from `wrong_from` on, with what each step measures.
    fn climbed(asked: u32, wrong_from: u32, real: impl Fn(u32) -> u32) -> Choice {
        let mut ladder = rungs(Hertz::mhz(asked), Hertz::mhz(20));
        let tried = climb(&mut ladder, |rung| {
            let sck = rung.sck.0 / 1_000_000;
            rung.measured = Some(Measured {
                sck: Hertz(real(sck) * 1_000_000),
                moving: false,
                overhead: std::time::Duration::ZERO,
            });
            rung.count(1000, u64::from(sck >= wrong_from));
            Ok::<(), ()>(())
        });
        tried.unwrap();
        choose(&ladder, Hertz::mhz(asked))
    }

    #[test]
    fn one_step_below_the_highest_that_is_right_is_chosen() {
        let mhz = |choice: Choice| {
            let of = |sck: Option<Hertz>| sck.map(|sck| sck.0 / 1_000_000);
            (of(choice.proven), of(choice.chosen))
        };
        let same = |sck| sck;
        assert_eq!(mhz(climbed(20, 99, same)), (Some(20), Some(20)));
        assert_eq!(mhz(climbed(20, 20, same)), (Some(10), Some(5)));
        assert_eq!(mhz(climbed(50, 99, same)), (Some(20), Some(10)));
        assert_eq!(climbed(20, 2, same).chosen, Some(Hertz(500_000)));
        assert_eq!(mhz(climbed(20, 1, same)), (None, None));
        // A controller that makes 5 MHz of both has no margin between them.
        let coarse = |sck: u32| if sck >= 5 { 5 } else { sck };
        assert_eq!(mhz(climbed(20, 20, coarse)), (Some(10), Some(2)));
        // 12 MHz is less than a fifth above 10.
        let mut ladder = rungs(Hertz::mhz(12), Hertz::mhz(12));
        ladder.iter_mut().for_each(|rung| rung.count(9, 0));
        assert_eq!(mhz(choose(&ladder, Hertz::mhz(13))), (Some(12), Some(5)));
    }

    #[test]
    fn a_step_that_was_wrong_ends_the_climb_for_good() {
        let mut ladder = rungs(Hertz::mhz(20), Hertz::mhz(20));
        let mut tries = 0;
        let mut wrong_at = |mhz: u32, ladder: &mut Vec<Rung>| {
            let tried = climb(ladder, |rung| {
                tries += 1;
                rung.count(8, u64::from(rung.sck == Hertz::mhz(mhz)));
                Ok::<(), ()>(())
            });
            tried.unwrap();
            (ladder.len(), tries)
        };
        assert_eq!(wrong_at(10, &mut ladder), (4, 4));
        assert_eq!(wrong_at(99, &mut ladder), (4, 7));
        assert_eq!(wrong_at(2, &mut ladder), (2, 9));
        assert!(!ladder[1].is_right() && ladder[0].fewer_than_one_in() == Some(8));
        assert_eq!(ladder[1].fewer_than_one_in(), None);
    }

    /// Bits of a step of the simulated ladders.
    const BITS: u64 = 1 << 22;

    /// Whether the chosen SCK keeps what is promised of it, where step `n` fails at `rates[n]` a bit.
    fn keeps_its_promise(rates: &[f64], asked: Hertz, random: &mut fastrand::Rng) -> bool {
        let mut ladder = rungs(asked, Hertz::mhz(50));
        let steps: Vec<Hertz> = ladder.iter().map(|rung| rung.sck).collect();
        let rate_at = |sck: Hertz| {
            let place = steps.iter().position(|step| *step == sck);
            place.and_then(|place| rates.get(place).copied())
        };
        let tried = climb(&mut ladder, |rung| {
            let rate = rate_at(rung.sck).unwrap_or(1.0);
            // ln(1 - p) n is the logarithm of the chance that none of n bits fails.
            let none = ((-rate).ln_1p() * BITS as f64).exp();
            rung.count(BITS, u64::from(random.f64() >= none));
            Ok::<(), ()>(())
        });
        tried.unwrap();
        let Some(chosen) = choose(&ladder, asked).chosen else {
            return true;
        };
        // Half of the lowest step is promised what that step is.
        let rate = rate_at(chosen.max(LOWEST)).unwrap_or(1.0);
        rate < RULE_OF_THREE as f64 / BITS as f64
    }

    /// Of `ladders`, how many keep their promise, where `rates` draws the rate of each step.
    fn kept(
        ladders: u32,
        asked: Hertz,
        mut rates: impl FnMut(&mut fastrand::Rng) -> Vec<f64>,
        random: &mut fastrand::Rng,
    ) -> f64 {
        let kept = (0..ladders).filter(|_| {
            let rates = rates(random);
            keeps_its_promise(&rates, asked, random)
        });
        kept.count() as f64 / f64::from(ladders)
    }

    /// The promise: 95 of 100 chosen SCK or more fail at less than one bit in `fewer_than_one_in`.
    #[test]
    fn the_stated_confidence_is_true_over_10_000_ladders() {
        const LADDERS: u32 = 10_000;
        let seed = 20_261_126;
        let mut random = fastrand::Rng::with_seed(seed);
        let (asked, bound) = (Hertz::mhz(50), RULE_OF_THREE as f64 / BITS as f64);
        let free = crate::job::SCK_FREE;
        // As wires do: nothing, then from some step on a rate that grows tenfold or so a step.
        let wires = |random: &mut fastrand::Rng| {
            let (from, first) = (random.usize(0..8), random.f64() * 4.0 - 3.0);
            let rate = |step: usize| match step.checked_sub(from) {
                Some(above) => (bound * 10_f64.powf(first + above as f64)).min(0.5),
                None => 0.0,
            };
            (0..7).map(rate).collect()
        };
        let any = |random: &mut fastrand::Rng| {
            let rate = |_| bound * 10_f64.powf(random.f64() * 8.0 - 6.0);
            (0..7).map(rate).collect()
        };
        for (what, asked) in [("asked for", asked), ("as far as it goes", free)] {
            let usual = kept(LADDERS, asked, wires, &mut random);
            let drawn = kept(LADDERS, asked, any, &mut random);
            println!(
                "{what}: {usual:.4} of ladders as wires are, {drawn:.4} of any rates, seed {seed}"
            );
            assert!(
                usual >= 0.95 && drawn >= 0.95,
                "{usual} {drawn} seed {seed}"
            );
        }
        // The worst there is: the top step fails at just the bound, and is asked for. Four standard
        // deviations of the count are 0.9 %.
        let worst = |_: &mut fastrand::Rng| vec![0.0, 0.0, 0.0, 0.0, 0.0, 0.0, bound];
        let at_the_bound = kept(LADDERS, asked, worst, &mut random);
        let every = |_: &mut fastrand::Rng| vec![bound; 7];
        let all_bad = kept(LADDERS, asked, every, &mut random);
        let margin = kept(LADDERS, free, worst, &mut random);
        println!(
            "at the bound: {at_the_bound:.4}, each step so: {all_bad:.4}, with margin: {margin:.4}"
        );
        assert!(at_the_bound > 0.941 && at_the_bound < 0.96, "seed {seed}");
        assert!(all_bad > 0.941 && margin > 0.999, "seed {seed}");
    }
}
