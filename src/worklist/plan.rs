//! The choice of erases: least modelled time, bottom-up over the sizes of the erase types.

use std::ops::Range;
use std::time::Duration;

use super::load::{self, Grain, Load, Rates};
use super::{Action, Fate, Step, Worklist, WorklistError};
use crate::image::{Holds, ReadAt, RegionMap, Span};
use crate::jedec::Address;
use crate::part::{EraseType, Part};

/// Smallest block for a part that cannot erase at all.
const BLOCK_SIZE_BYTES_WITHOUT_ERASE: u32 = 4096;

/// What a worklist is planned from.
pub struct Request<'a> {
    /// What the chip holds.
    pub current: &'a dyn ReadAt,
    /// What it shall hold.
    pub target: &'a dyn ReadAt,
    /// Which bytes are unit data.
    pub map: &'a RegionMap,
    /// The part.
    pub part: &'a Part,
    /// Blocks that an unfinished journal has begun and not completed. They never count as equal,
    /// whatever they read as, and are erased and rewritten whole.
    pub begun: &'a [Range<u32>],
    /// Whether a person accepted that blocks shared with unit data are erased.
    pub accept_shared: bool,
}

/// Plans how the chip comes to hold the target, in the least modelled time of the chip: typical
/// erase times and typical program times.
///
/// Equal blocks are left, nothing is erased where only 1 → 0 changes are needed, and no erase
/// covers a byte of unit data if a smaller erase, or none, reaches the target. Chip erase is not
/// used. Neighbouring blocks that are only programmed are one step, up to the largest erase size.
/// Memory: a byte per smallest block, and the steps.
///
/// # Errors
/// Any [`WorklistError`]; `SharedBlock` only while shared blocks are not accepted.
pub fn plan(request: &Request<'_>) -> Result<Worklist, WorklistError> {
    check_sizes(request)?;
    let mut planner = Planner::new(request)?;
    let top = planner.levels.len() - 1;
    let top_size = planner.size_at(top);
    let mut steps = Vec::new();
    let mut start = 0;
    while start < request.part.size_bytes {
        let choice = planner.choose(top, start)?;
        if let Err(address) = choice.time {
            return Err(WorklistError::NoErase { address });
        }
        for step in &choice.steps {
            planner.settle(step);
        }
        steps.extend(choice.steps);
        start += top_size;
    }
    if !request.accept_shared {
        refuse_shared(&steps, request.map)?;
    }
    let mut worklist = Worklist {
        size_bytes: request.part.size_bytes,
        grain: Grain::of(request.part),
        block_size_bytes: planner.size_at(0),
        rates: planner.rates,
        erase_types: request.part.erase_types.clone(),
        spans: planner.spans,
        fates: planner.fates,
        steps,
    };
    worklist.sort();
    Ok(worklist)
}

fn check_sizes(request: &Request<'_>) -> Result<(), WorklistError> {
    let part_bytes = request.part.size_bytes;
    let size_of = |what, image: &dyn ReadAt| {
        image.size_bytes().map_err(|source| WorklistError::Read {
            what,
            address: Address(0),
            source,
        })
    };
    let sizes = [
        ("the region map", u64::from(request.map.size_bytes())),
        (CURRENT, size_of(CURRENT, request.current)?),
        (TARGET, size_of(TARGET, request.target)?),
    ];
    match sizes
        .iter()
        .find(|(_, size)| *size != u64::from(part_bytes))
    {
        None => Ok(()),
        Some((what, found)) => Err(WorklistError::Size {
            what,
            part_bytes,
            found_bytes: *found,
        }),
    }
}

const CURRENT: &str = "the present content";
const TARGET: &str = "the target";

fn refuse_shared(steps: &[Step], map: &RegionMap) -> Result<(), WorklistError> {
    let shared = || steps.iter().filter(|step| step.shared);
    let Some(first) = shared().next() else {
        return Ok(());
    };
    let region = map.regions().iter().find(|region| {
        region.holds == Holds::UnitData
            && region.range.start < first.range.end
            && first.range.start < region.range.end
    });
    Err(WorklistError::SharedBlock {
        range: first.range.clone(),
        region: region.map_or(String::new(), |region| region.name.clone()),
        blocks: shared().count(),
    })
}

/// The best way found for a block.
struct Choice {
    /// Modelled time, or the first address that cannot be brought to the target.
    time: Result<Duration, Address>,
    steps: Vec<Step>,
    /// What programming the whole block after an erase would take.
    whole: Load,
}

struct Planner<'a> {
    request: &'a Request<'a>,
    /// Erase sizes, smallest first, each with the erase types of that size.
    levels: Vec<(u32, Vec<usize>)>,
    rates: Rates,
    spans: Vec<Span>,
    fates: Vec<Fate>,
    before: Vec<u8>,
    after: Vec<u8>,
}

impl<'a> Planner<'a> {
    fn new(request: &'a Request<'a>) -> Result<Self, WorklistError> {
        let levels = levels(request.part)?;
        let block = levels.first().map_or(0, |(size, _)| *size);
        let length = usize::try_from(block).unwrap_or(0);
        Ok(Self {
            request,
            levels,
            rates: Rates::of(request.part),
            spans: request.map.spans(),
            fates: Vec::new(),
            before: vec![0; length],
            after: vec![0; length],
        })
    }

    fn size_at(&self, level: usize) -> u32 {
        self.levels.get(level).map_or(1, |(size, _)| *size)
    }

    /// The best way for the block of `level` at `start`.
    fn choose(&mut self, level: usize, start: u32) -> Result<Choice, WorklistError> {
        let Some(below) = level.checked_sub(1) else {
            return self.smallest(start);
        };
        let range = start..start + self.size_at(level);
        let mut parts = Choice {
            time: Ok(Duration::ZERO),
            steps: Vec::new(),
            whole: Load::default(),
        };
        let mut child = range.start;
        while child < range.end {
            parts.add(self.choose(below, child)?);
            child += self.size_at(below);
        }
        if parts.steps.is_empty() && parts.time.is_ok() {
            return Ok(parts);
        }
        // A larger erase may save time, but never at the cost of unit data.
        let erase = self.erase(level, range.clone(), parts.whole);
        let erase = erase.filter(|(time, step)| match &parts.time {
            Ok(in_parts) => time < in_parts && !step.shared,
            Err(_) => true,
        });
        match erase {
            Some((time, step)) => {
                parts.time = Ok(time);
                parts.steps = vec![step];
            }
            None => self.join_programs(&mut parts, range),
        }
        Ok(parts)
    }

    /// Makes one step of steps that only program and fill `range` between them: each step costs a
    /// read of the ID and two syncs of the journal.
    ///
    /// Not where there is unit data: a step that is interrupted is erased whole when it is redone.
    fn join_programs(&self, parts: &mut Choice, range: Range<u32>) {
        let covered: u32 = parts.steps.iter().map(Step::size_bytes).sum();
        let mut steps = parts.steps.iter();
        let fills = covered == range.end - range.start;
        if !fills || !steps.all(|step| step.action == Action::Program) || self.has_unit_data(&range)
        {
            return;
        }
        let loads = parts.steps.iter().map(Step::load);
        let load = loads.fold(Load::default(), Load::and);
        parts.steps = vec![self.step(range, Action::Program, load, false)];
    }

    fn has_unit_data(&self, range: &Range<u32>) -> bool {
        let mut found = self.request.map.unit_data_in(range.clone());
        found.next().is_some()
    }

    /// Erasing `range` at once, where the part can.
    fn erase(&self, level: usize, range: Range<u32>, whole: Load) -> Option<(Duration, Step)> {
        let types = &self.request.part.erase_types;
        let (_, places) = self.levels.get(level)?;
        let (erase_type, found) = places
            .iter()
            .filter_map(|place| Some((*place, types.get(*place)?)))
            .filter(|(_, erase)| works_in(erase, &range))
            .min_by_key(|(_, erase)| erase.time.typical)?;
        let time = found.time.typical + self.rates.time(whole);
        let shared = self.has_unit_data(&range);
        let action = Action::Erase { erase_type };
        Some((time, self.step(range, action, whole, shared)))
    }

    fn step(&self, range: Range<u32>, action: Action, load: Load, shared: bool) -> Step {
        Step {
            span: self
                .spans
                .partition_point(|span| span.range.end <= range.start),
            range,
            action,
            programs: load.programs,
            program_bytes: load.bytes,
            increments: load.increments,
            shared,
        }
    }

    /// The best way for a block of the smallest size: left, programmed only, or erased.
    fn smallest(&mut self, start: u32) -> Result<Choice, WorklistError> {
        self.read(start)?;
        let grain = Grain::of(self.request.part);
        let range = start..start + self.size_at(0);
        let runs = load::after_erase(start, &self.after, grain);
        let whole = Load::of(&runs, grain.method);
        let blank = whole.programs == 0;
        self.fates.push(Fate::Left { blank });
        let begun = self.is_begun(&range);
        let mut choice = Choice {
            time: Ok(Duration::ZERO),
            steps: Vec::new(),
            whole,
        };
        if !begun && self.before == self.after {
            return Ok(choice);
        }
        let chosen = match self.program_only(&range) {
            Some(program) if !begun => Some(program),
            _ => self.erase(0, range, whole),
        };
        match chosen {
            Some((time, step)) => {
                choice.time = Ok(time);
                choice.steps.push(step);
            }
            None => choice.time = Err(Address(start)),
        }
        Ok(choice)
    }

    /// Programming the block that was read last, where that is enough. It never takes longer than
    /// an erase, after which at least the same pages are to be programmed.
    fn program_only(&self, range: &Range<u32>) -> Option<(Duration, Step)> {
        let grain = Grain::of(self.request.part);
        let runs = load::without_erase(range.start, &self.before, &self.after, grain);
        let slice = |part: &Range<u32>| {
            let offset = |address: u32| usize::try_from(address - range.start).ok();
            Some(offset(part.start)?..offset(part.end)?)
        };
        let runs_blank = runs.iter().all(|run| {
            slice(run)
                .and_then(|run| self.before.get(run))
                .is_some_and(|bytes| bytes.iter().all(|byte| *byte == 0xFF))
        });
        if !load::reaches(self.rates.method, &self.before, &self.after, runs_blank) {
            return None;
        }
        let shared = self.request.map.unit_data_in(range.clone()).any(|part| {
            slice(&part).is_none_or(|part| self.before.get(part.clone()) != self.after.get(part))
        });
        let load = Load::of(&runs, grain.method);
        let step = self.step(range.clone(), Action::Program, load, shared);
        Some((self.rates.time(load), step))
    }

    fn is_begun(&self, range: &Range<u32>) -> bool {
        let mut begun = self.request.begun.iter();
        begun.any(|begun| begun.start < range.end && range.start < begun.end)
    }

    fn read(&mut self, start: u32) -> Result<(), WorklistError> {
        let request = self.request;
        let contents = [
            (CURRENT, request.current, &mut self.before),
            (TARGET, request.target, &mut self.after),
        ];
        for (what, image, into) in contents {
            image
                .read_at(u64::from(start), into)
                .map_err(|source| WorklistError::Read {
                    what,
                    address: Address(start),
                    source,
                })?;
        }
        Ok(())
    }

    /// Notes what a chosen step does to the smallest blocks within it.
    fn settle(&mut self, step: &Step) {
        let block = self.size_at(0);
        let place = |address: u32| usize::try_from(address / block).unwrap_or(usize::MAX);
        let fates = self
            .fates
            .get_mut(place(step.range.start)..place(step.range.end));
        for fate in fates.into_iter().flatten() {
            *fate = match (step.action, *fate) {
                (Action::Program, _) => Fate::Programmed,
                (_, Fate::Left { blank }) => Fate::Erased { blank },
                (_, settled) => settled,
            };
        }
    }
}

impl Choice {
    fn add(&mut self, part: Self) {
        self.time = match (self.time, part.time) {
            (Ok(one), Ok(other)) => Ok(one + other),
            (Err(address), _) | (_, Err(address)) => Err(address),
        };
        self.steps.extend(part.steps);
        self.whole = self.whole.and(part.whole);
    }
}

fn works_in(erase: &EraseType, range: &Range<u32>) -> bool {
    erase
        .only_in
        .as_ref()
        .is_none_or(|place| place.start <= range.start && range.end <= place.end)
}

/// The part's erase sizes, smallest first, with the places of the types that have them.
fn levels(part: &Part) -> Result<Vec<(u32, Vec<usize>)>, WorklistError> {
    let geometry = |what, bytes: u32| {
        let divides = bytes.is_power_of_two() && part.size_bytes % bytes == 0;
        let refused = WorklistError::Geometry {
            what,
            bytes,
            part_bytes: part.size_bytes,
        };
        if divides { Ok(()) } else { Err(refused) }
    };
    geometry("size", part.size_bytes)?;
    geometry("page", part.page_size_bytes)?;
    let mut sizes: Vec<u32> = part.erase_types.iter().map(|e| e.size_bytes).collect();
    sizes.sort_unstable();
    sizes.dedup();
    if sizes.is_empty() {
        sizes.push(BLOCK_SIZE_BYTES_WITHOUT_ERASE.min(part.size_bytes));
    }
    for size in &sizes {
        geometry("erase block", *size)?;
    }
    let of_size = |size: u32| {
        let types = part.erase_types.iter().enumerate();
        let types = types.filter(|(_, erase)| erase.size_bytes == size);
        types.map(|(place, _)| place).collect()
    };
    Ok(sizes.iter().map(|size| (*size, of_size(*size))).collect())
}
