//! The planner against every set of erases and programs that `docs/design.md` allows, on chips of
//! eight smallest blocks.
//!
//! Rules and costs are counted here anew. `NORLOCK_BRUTE_FORCE_CASES` asks for more cases.

use proptest::prelude::*;

use super::*;

const BLOCKS: u32 = 8;
const CHIP: u32 = BLOCKS * SMALL;

/// A chip, what it holds and what it shall hold.
#[derive(Debug, Clone)]
struct Case {
    part: Part,
    current: Vec<u8>,
    target: Vec<u8>,
    begun: Vec<Range<u32>>,
    unit: Option<Range<u32>>,
}

/// Time of bytes on the wire.
fn bytes_at(mhz: u32, bytes: u32) -> Duration {
    Duration::from_nanos(u64::from(bytes) * 8000 / u64::from(mhz))
}

/// One way for one block: an erase type, or `None` for programming alone.
type Way = (Range<u32>, Option<u8>);

fn cuts(case: &Case, range: &Range<u32>) -> Vec<Range<u32>> {
    let least = least_size(&case.part);
    let starts = (range.start..range.end).step_by(least as usize);
    starts.map(|start| start..start + least).collect()
}

fn least_size(part: &Part) -> u32 {
    part.erase_types.iter().map(|e| e.size_bytes).min().unwrap()
}

fn sizes(part: &Part) -> Vec<u32> {
    let mut sizes: Vec<u32> = part.erase_types.iter().map(|e| e.size_bytes).collect();
    sizes.sort_unstable();
    sizes.dedup();
    sizes
}

fn meet(one: &Range<u32>, other: &Range<u32>) -> bool {
    one.start < other.end && other.start < one.end
}

impl Case {
    fn has_unit_data(&self, range: &Range<u32>) -> bool {
        self.unit.as_ref().is_some_and(|unit| meet(unit, range))
    }

    fn is_begun(&self, range: &Range<u32>) -> bool {
        self.begun.iter().any(|begun| meet(begun, range))
    }

    fn is_equal(&self, range: &Range<u32>) -> bool {
        self.current[slice(range)] == self.target[slice(range)]
    }

    /// Whether a block may be left: it holds the target, and no interrupted run has begun it.
    fn may_be_left(&self, range: &Range<u32>) -> bool {
        self.is_equal(range) && !self.is_begun(range)
    }

    /// Whether programming alone does, byte by byte: pages take any 1 to 0, bytes and words want what
    /// they are given to be blank.
    fn programs_do(&self, range: &Range<u32>) -> bool {
        let bytes = slice(range).map(|at| (self.current[at], self.target[at]));
        let mut changed = bytes.filter(|(old, new)| old != new);
        !self.is_begun(range)
            && changed.all(|(old, new)| match self.part.program {
                ProgramMethod::Page => old & new == new,
                _ => old == 0xFF,
            })
    }

    /// A step that only programs: each of its smallest blocks changes, and unit data is not joined to
    /// anything.
    fn may_be_programmed(&self, range: &Range<u32>) -> bool {
        let alone = range.end - range.start == least_size(&self.part);
        (alone || !self.has_unit_data(range))
            && self.programs_do(range)
            && cuts(self, range).iter().all(|cut| !self.is_equal(cut))
    }

    fn erases(&self, range: &Range<u32>) -> Vec<u8> {
        let fits = |erase: &EraseType| {
            let place = erase.only_in.clone().unwrap_or(0..CHIP);
            let size = range.end - range.start;
            erase.size_bytes == size && place.start <= range.start && range.end <= place.end
        };
        let types = (0..).zip(&self.part.erase_types);
        types.filter(|(_, e)| fits(e)).map(|(n, _)| n).collect()
    }

    /// An erase covers unit data only where neither smaller erases nor none lead to the target.
    fn may_be_erased(&self, range: &Range<u32>) -> bool {
        let spared = self.has_unit_data(range) && self.is_reached_below(range);
        !spared && !self.erases(range).is_empty()
    }

    fn is_reached_below(&self, range: &Range<u32>) -> bool {
        if self.may_be_left(range) || self.programs_do(range) {
            return true;
        }
        let size = range.end - range.start;
        let Some(below) = sizes(&self.part).into_iter().rfind(|below| *below < size) else {
            return false;
        };
        let mut starts = (range.start..range.end).step_by(below as usize);
        starts.all(|start| {
            let child = start..start + below;
            self.is_reached_below(&child) || !self.erases(&child).is_empty()
        })
    }

    /// Every way for a block as one step.
    fn ways(&self, range: &Range<u32>) -> Vec<Option<u8>> {
        let mut ways = Vec::new();
        if self.may_be_programmed(range) {
            ways.push(None);
        }
        if self.may_be_erased(range) {
            ways.extend(self.erases(range).into_iter().map(Some));
        }
        ways
    }

    /// Time of a step, counted from the two contents: the erase, the programs with their frames at
    /// 10 MHz, the block read back at 12 MHz, and 8 ms for the journal.
    fn time(&self, (range, way): &Way) -> Duration {
        let erase = way.map_or(Duration::ZERO, |way| {
            self.part.erase_types[usize::from(way)].time.typical
        });
        let programs = match self.part.program {
            ProgramMethod::AaiWord => self.words(range, way.is_some()),
            _ => self.pages(range, way.is_some()),
        };
        let changed =
            slice(range).any(|at| self.current[at] != self.target[at] && self.in_unit(at));
        let shared = changed || way.is_some() && self.has_unit_data(range);
        let reads = if shared { 2 } else { 1 };
        let read_back = bytes_at(12, reads * (range.end - range.start));
        erase + programs + read_back + Duration::from_millis(8)
    }

    fn in_unit(&self, at: usize) -> bool {
        self.unit
            .as_ref()
            .is_some_and(|unit| slice(unit).contains(&at))
    }

    /// Programs of pages or bytes. After an erase a page that is not blank goes whole; without one,
    /// from the first to the last byte that differs.
    fn pages(&self, range: &Range<u32>, erased: bool) -> Duration {
        let page = self.part.page_size_bytes;
        let starts = (range.start..range.end).step_by(page as usize);
        let bytes = |start: u32| {
            let page = slice(&(start..start + page));
            let (old, new) = (&self.current[page.clone()], &self.target[page]);
            if erased {
                let blank = new.iter().all(|byte| *byte == 0xFF);
                return if blank { 0 } else { new.len() };
            }
            let mut differing = (0..new.len()).filter(|at| old[*at] != new[*at]);
            let first = differing.next();
            first.map_or(0, |first| {
                differing.next_back().unwrap_or(first) + 1 - first
            })
        };
        let lengths = starts.map(bytes).filter(|bytes| *bytes > 0);
        // Write enable, two status reads of two and three bytes, opcode, address.
        let each = |bytes: usize| self.part.page_program.typical + bytes_at(10, 10 + bytes as u32);
        lengths.map(each).sum()
    }

    /// Programs of a part that takes words. After an erase up to two blank words are programmed along,
    /// so that auto address increment goes on; never beyond the smallest block or 256 bytes. A word is
    /// given its maximum.
    fn words(&self, range: &Range<u32>, erased: bool) -> Duration {
        let time = self.part.page_program;
        let (word, single) = (time.max + bytes_at(10, 6), time.typical + bytes_at(10, 11));
        // Write enable, status, write disable, status, address.
        let around = bytes_at(10, 9);
        let mut sum = Duration::ZERO;
        let length = least_size(&self.part).min(256);
        for cut in (range.start..range.end).step_by(length as usize) {
            // Where the run ends, and whether it has a word.
            let (mut end, mut increments) = (u32::MAX, false);
            for start in (cut..cut + length).step_by(2) {
                let (old, new) = (
                    self.word(&self.current, start),
                    self.word(&self.target, start),
                );
                let differs = |at: usize| old[at] != new[at];
                if erased {
                    if new != [0xFF; 2] {
                        let gap = start.wrapping_sub(end) / 2;
                        let goes_on = increments && gap < 3;
                        sum += if goes_on { word * gap } else { around } + word;
                        (end, increments) = (start + 2, true);
                    }
                    continue;
                }
                if old == new {
                    continue;
                }
                let whole = old == [0xFF; 2];
                let from = start + u32::from(!whole && !differs(0));
                increments &= from == end;
                sum += if whole { word } else { single };
                if whole && !increments {
                    sum += around;
                    increments = true;
                }
                end = start + if whole || differs(1) { 2 } else { 1 };
            }
        }
        sum
    }

    fn word(&self, of: &[u8], start: u32) -> [u8; 2] {
        [of[start as usize], of[start as usize + 1]]
    }

    /// The least time of all sets of steps, each looked at. `None` if no set leads to the target.
    fn least(&self) -> Option<Duration> {
        let steps = |start: u32| {
            let fits = sizes(&self.part).into_iter();
            let fits = fits.filter(|size| start % size == 0 && start + size <= CHIP);
            let each = fits.flat_map(|size| {
                let range = start..start + size;
                let ways = self.ways(&range).into_iter();
                ways.map(move |way| (range.clone(), way))
            });
            each.map(|step| (step.0.end, self.time(&step))).collect()
        };
        let least = least_size(&self.part) as usize;
        let starts: Vec<u32> = (0..CHIP).step_by(least).collect();
        let steps: Vec<Vec<(u32, Duration)>> = starts.iter().map(|start| steps(*start)).collect();
        let left: Vec<bool> = cuts(self, &(0..CHIP))
            .iter()
            .map(|cut| self.may_be_left(cut))
            .collect();
        let mut found = None;
        every_set(&steps, &left, least as u32, 0, Duration::ZERO, &mut found);
        found
    }
}

/// Goes through all sets of steps from block `at` on; nothing is left out.
fn every_set(
    steps: &[Vec<(u32, Duration)>],
    left: &[bool],
    block: u32,
    at: usize,
    time: Duration,
    least: &mut Option<Duration>,
) {
    if at == steps.len() {
        *least = Some(least.map_or(time, |least| least.min(time)));
        return;
    }
    if left[at] {
        every_set(steps, left, block, at + 1, time, least);
    }
    for (end, more) in &steps[at] {
        every_set(
            steps,
            left,
            block,
            (end / block) as usize,
            time + *more,
            least,
        );
    }
}

/// Erase sizes in smallest blocks, with the usual three, one alone, and two types of one size.
fn erase_types() -> impl Strategy<Value = Vec<EraseType>> {
    let layouts = vec![
        vec![1],
        vec![8],
        vec![1, 8],
        vec![1, 2, 8],
        vec![1, 4],
        vec![2, 4],
        vec![1, 1, 4],
        vec![1, 2, 2, 4],
        vec![1, 2, 4, 4],
    ];
    // Near to each other, and to what blocks take to be programmed.
    let times = prop::collection::vec((1_u64..12, 0_u8..10), 4);
    (prop::sample::select(layouts), times).prop_map(|(sizes, times)| {
        let each = sizes.iter().zip(times).enumerate();
        each.map(|(number, (blocks, (time, place)))| {
            let mut erase = erase(SMALL * blocks, 0x20 + number as u8, time * 900);
            erase.only_in = match place {
                0 => Some(0..CHIP / 2),
                1 => Some(CHIP / 2..CHIP),
                _ => None,
            };
            erase
        })
        .collect()
    })
}

fn cases() -> impl Strategy<Value = Case> {
    let methods = vec![
        (ProgramMethod::Page, 16),
        (ProgramMethod::Page, 64),
        (ProgramMethod::Byte, 1),
        (ProgramMethod::AaiWord, 1),
    ];
    let unit = prop::option::weighted(0.5, (0..CHIP - 1, 1_u32..150, any::<bool>()));
    let begun = prop::collection::vec((0..BLOCKS, 1_u32..3), 0..2);
    let method = prop::sample::select(methods);
    (erase_types(), method, contents(), unit, begun).prop_map(
        |(types, (method, page), (current, mut target), unit, begun)| {
            let mut part = part(CHIP, page, types);
            part.program = method;
            // About what a page takes, spread over its bytes.
            part.page_program = timing(if page == 1 { 20 } else { 300 });
            if page == 1 {
                part.page_program.max = Duration::from_micros(35);
            }
            let unit = unit.map(|(start, length, changes)| {
                let unit = start..(start + length).min(CHIP);
                if !changes {
                    target[slice(&unit)].copy_from_slice(&current[slice(&unit)]);
                }
                unit
            });
            let begun = begun.iter().map(|(block, blocks)| {
                let end = (block + blocks).min(BLOCKS);
                block * SMALL..end * SMALL
            });
            Case {
                part,
                current,
                target,
                begun: begun.collect(),
                unit,
            }
        },
    )
}

/// Contents that differ by quarters of a block: equal, blank, cleared bits, filled, or anything.
fn contents() -> impl Strategy<Value = (Vec<u8>, Vec<u8>)> {
    let quarters = prop::collection::vec((0_u8..9, any::<u64>()), 4 * BLOCKS as usize);
    (quarters, 0_u8..3).prop_map(|(quarters, calm)| {
        let (mut current, mut target) = (Vec::new(), Vec::new());
        let mut last = 0;
        for (kind, seed) in quarters {
            // Long runs of one kind, as in real images, or none.
            let kind = if kind > 5 - calm { last } else { kind };
            last = kind;
            let mut random = fastrand::Rng::with_seed(seed);
            for _ in 0..SMALL / 4 {
                let (old, new) = (random.u8(..), random.u8(..));
                let (old, new) = match kind {
                    0 => (old, old),
                    1 => (0xFF, 0xFF),
                    2 => (old, old & new),
                    3 => (0xFF, if new < 60 { new } else { 0xFF }),
                    4 => (old, 0xFF),
                    _ => (old, new),
                };
                current.push(old);
                target.push(new);
            }
        }
        (current, target)
    })
}

fn region_map(unit: Option<&Range<u32>>) -> RegionMap {
    let mut text = format!("size = {CHIP}\n");
    if let Some(unit) = unit {
        let (start, end) = (unit.start, unit.end);
        text.push_str(&format!(
            "[[region]]\nname='identity'\nstart={start}\nend={end}\nholds='unit-data'\n"
        ));
    }
    RegionMap::parse("regions.toml", &text).unwrap()
}

fn config() -> ProptestConfig {
    let cases = std::env::var("NORLOCK_BRUTE_FORCE_CASES").ok();
    ProptestConfig::with_cases(cases.and_then(|cases| cases.parse().ok()).unwrap_or(400))
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn no_allowed_set_of_steps_takes_less_time(case in cases()) {
        let map = region_map(case.unit.as_ref());
        let found = planned_after(
            &case.current, &case.target, &map, &case.part, &case.begun, true,
        );
        let worklist = match (found, case.least()) {
            (Err(WorklistError::NoErase { .. }), None) => return Ok(()),
            (found, None) => return Err(TestCaseError::fail(format!("{found:?} leads nowhere"))),
            (found, Some(least)) => {
                let worklist = found.unwrap();
                let ways = ways(&worklist);
                let time: Duration = ways.iter().map(|way| case.time(way)).sum();
                // Nanoseconds are rounded in other places.
                let same = |one: Duration, other| one.abs_diff(other) < Duration::from_nanos(999);
                prop_assert!(same(time, least), "{:?} not {:?}: {:?}", time, least, ways);
                let estimate = worklist.estimate();
                let reads = estimate.before + estimate.whole_read;
                prop_assert!(same(estimate.total() - reads, time), "{:?}", estimate);
                worklist
            }
        };
        for (range, way) in ways(&worklist) {
            prop_assert!(case.ways(&range).contains(&way), "{:?} {:?}", range, way);
        }
        let changes: Vec<_> = ways(&worklist).into_iter().map(|(range, _)| range).collect();
        for cut in cuts(&case, &(0..CHIP)) {
            let steps = changes.iter().filter(|range| meet(range, &cut)).count();
            prop_assert_eq!(steps.max(usize::from(case.may_be_left(&cut))), 1);
        }
    }
}

fn ways(worklist: &Worklist) -> Vec<Way> {
    worklist
        .steps()
        .map(|step| {
            let way = match step.action {
                Action::Erase { erase_type } => Some(erase_type),
                Action::Program => None,
            };
            (step.range, way)
        })
        .collect()
}
