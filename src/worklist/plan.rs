//! The choice of erases: least modelled time, bottom-up over the sizes of the erase types.

use std::ops::Range;
use std::time::Duration;

use super::load::{self, Grain, Load, Rates};
use super::{Action, Block, Pace, Place, Worklist, WorklistError};
use crate::image::{Holds, ReadAt, RegionMap};
use crate::jedec::Address;
use crate::part::{EraseType, Part, ProgramMethod};

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
    /// The clocks of the job.
    pub pace: Pace,
    /// Whether a person accepted that blocks shared with unit data are erased.
    pub accept_shared: bool,
}

/// Plans how the chip comes to hold the target, in the least modelled time: typical erase times,
/// programs with their way over the wire, reading back, and the journal's part of each step.
///
/// Equal blocks are left, nothing is erased where only 1 → 0 changes are needed, and no erase
/// covers a byte of unit data if a smaller erase, or none, reaches the target. Chip erase is not
/// used. Neighbouring blocks that are only programmed are one step, up to the largest erase size.
/// Memory: five bytes for each smallest block.
///
/// # Errors
/// Any [`WorklistError`]; `SharedBlock` only while shared blocks are not accepted.
///
/// # Examples
/// ```
/// use std::time::Duration;
///
/// use norlock::image::RegionMap;
/// use norlock::jedec::Hertz;
/// use norlock::part::Catalogue;
/// use norlock::worklist::{Pace, Request, plan};
///
/// let catalogue = Catalogue::builtin()?;
/// let parts = catalogue.by_jedec_id(&[0xEF, 0x40, 0x14]);
/// let part = parts.first().copied().ok_or("not in the table")?;
/// let current = vec![0x00; part.size_bytes as usize];
/// let mut target = current.clone();
/// target[0x2345] = 0x5A;
/// let sck = Hertz::mhz(10);
/// let worklist = plan(&Request {
///     current: &current,
///     target: &target,
///     map: &RegionMap::unmapped(part.size_bytes),
///     part,
///     begun: &[],
///     pace: Pace {
///         first: sck,
///         second: sck,
///         read_back: sck,
///         whole: sck,
///         modify: sck,
///         address_bytes: 3,
///         program_lanes: [1, 1],
///         message: Pace::MESSAGE,
///         message_bytes: Pace::MESSAGE_BYTES,
///         sampled_bytes: 0,
///         records: Pace::RECORDS,
///         begun: Duration::ZERO,
///     },
///     accept_shared: false,
/// })?;
/// let steps: Vec<_> = worklist.steps().map(|step| step.range).collect();
/// assert_eq!(steps, [0x2000..0x3000]);
/// println!("about {:?}", worklist.estimate().total());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn plan(request: &Request<'_>) -> Result<Worklist, WorklistError> {
    check_sizes(request)?;
    let mut planner = Planner::new(request)?;
    let top = planner.levels.len() - 1;
    let (mut load, mut steps, mut start) = (Load::default(), 0, 0);
    while start < request.part.size_bytes {
        let choice = planner.choose(top, start)?;
        if let Err(address) = choice.time {
            return Err(WorklistError::NoErase { address });
        }
        load = load.and(choice.load);
        steps += choice.steps;
        start += planner.size_at(top);
    }
    let worklist = Worklist {
        size_bytes: request.part.size_bytes,
        grain: Grain::of(request.part),
        rates: planner.rates,
        erase_types: request.part.erase_types.clone(),
        step_sizes: planner.levels.iter().map(|(size, _)| *size).collect(),
        spans: request.map.spans(),
        blocks: planner.blocks,
        step_count: steps,
        load,
    };
    if !request.accept_shared {
        refuse_shared(&worklist, request.map)?;
    }
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

fn refuse_shared(worklist: &Worklist, map: &RegionMap) -> Result<(), WorklistError> {
    let shared = || worklist.upwards().filter(|step| step.shared);
    let Some(first) = shared().next() else {
        return Ok(());
    };
    let region = map.regions().iter().find(|region| {
        region.holds == Holds::UnitData
            && region.range.start < first.range.end
            && first.range.start < region.range.end
    });
    Err(WorklistError::SharedBlock {
        range: first.range,
        region: region.map_or(String::new(), |region| region.name.clone()),
        blocks: shared().count(),
    })
}

/// The best way found for a block, which the planner's blocks tell in detail.
struct Choice {
    /// Modelled time, or the first address that cannot be brought to the target.
    time: Result<Duration, Address>,
    steps: usize,
    /// What its steps program.
    load: Load,
    /// What one step that only programs would program, where it may fill the block.
    filled: Option<Load>,
    /// What programming the whole block after an erase would take.
    whole: Load,
}

/// A block done at once.
struct Way {
    time: Duration,
    action: Action,
    load: Load,
    shared: bool,
}

struct Planner<'a> {
    request: &'a Request<'a>,
    /// Erase sizes, smallest first, each with the erase types of that size.
    levels: Vec<(u32, Vec<u8>)>,
    rates: Rates,
    /// Blocks planned so far, from address 0.
    blocks: Vec<Block>,
    before: Vec<u8>,
    after: Vec<u8>,
}

impl<'a> Planner<'a> {
    fn new(request: &'a Request<'a>) -> Result<Self, WorklistError> {
        let levels = levels(request.part)?;
        let block = levels.first().map_or(1, |(size, _)| *size);
        let count = request.part.size_bytes.checked_div(block).unwrap_or(0);
        let length = usize::try_from(block).unwrap_or(0);
        Ok(Self {
            request,
            levels,
            rates: Rates::of(request.part, request.pace),
            blocks: Vec::with_capacity(usize::try_from(count).unwrap_or(0)),
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
        let first = self.blocks.len();
        let mut choice = self.choose(below, start)?;
        let mut child = start + self.size_at(below);
        while child < range.end {
            choice.add(self.choose(below, child)?);
            child += self.size_at(below);
        }
        if choice.steps == 0 && choice.time.is_ok() {
            return Ok(choice);
        }
        if self.has_unit_data(&range) {
            choice.filled = None;
        }
        // Joined, programs are one step, with one part in the journal.
        if let Some(load) = choice.filled.filter(|_| choice.steps > 1) {
            let way = self.program(&range, load, false);
            if choice.time.is_ok_and(|in_parts| way.time <= in_parts) {
                self.take(&mut choice, level, first, way);
            }
        }
        // A larger erase may save time, but never at the cost of unit data.
        let erase = self.erase(level, &range, choice.whole);
        let erase = erase.filter(|way| match choice.time {
            Ok(in_parts) => way.time < in_parts && !way.shared,
            Err(_) => true,
        });
        if let Some(way) = erase {
            self.take(&mut choice, level, first, way);
        }
        Ok(choice)
    }

    /// Does what was planned from block `first` on in one step.
    fn take(&mut self, choice: &mut Choice, level: usize, first: usize, way: Way) {
        choice.time = Ok(way.time);
        choice.load = way.load;
        choice.steps = 1;
        let blocks = self.blocks.get_mut(first..).unwrap_or_default();
        for block in blocks.iter_mut() {
            block.place = Place::Within;
        }
        if let Some(block) = blocks.first_mut() {
            block.place = Place::Begins {
                action: way.action,
                level: u8::try_from(level).unwrap_or(u8::MAX),
                shared: way.shared,
            };
        }
    }

    fn has_unit_data(&self, range: &Range<u32>) -> bool {
        let mut found = self.request.map.unit_data_in(range.clone());
        found.next().is_some()
    }

    /// Erasing `range` at once, where the part can.
    fn erase(&self, level: usize, range: &Range<u32>, whole: Load) -> Option<Way> {
        let types = &self.request.part.erase_types;
        let (_, places) = self.levels.get(level)?;
        let (erase_type, found) = places
            .iter()
            .filter_map(|place| Some((*place, types.get(usize::from(*place))?)))
            .filter(|(_, erase)| works_in(erase, range))
            .min_by_key(|(_, erase)| erase.time.typical)?;
        let (shared, typical) = (self.has_unit_data(range), found.time.typical);
        let size = range.end - range.start;
        Some(Way {
            time: self.rates.step(size, typical, whole, shared),
            action: Action::Erase { erase_type },
            load: whole,
            shared,
        })
    }

    fn program(&self, range: &Range<u32>, load: Load, shared: bool) -> Way {
        let size = range.end - range.start;
        Way {
            time: self.rates.step(size, Duration::ZERO, load, shared),
            action: Action::Program,
            load,
            shared,
        }
    }

    /// The best way for a block of the smallest size: left, programmed only, or erased.
    fn smallest(&mut self, start: u32) -> Result<Choice, WorklistError> {
        self.read(start)?;
        let grain = Grain::of(self.request.part);
        let range = start..start + self.size_at(0);
        let whole = Load::of(&load::after_erase(start, &self.after, grain), grain.method);
        self.blocks.push(Block {
            place: Place::Left,
            blank: whole.programs == 0,
        });
        let begun = self.is_begun(&range);
        let mut choice = Choice {
            time: Ok(Duration::ZERO),
            steps: 0,
            load: Load::default(),
            filled: None,
            whole,
        };
        if !begun && self.before == self.after {
            return Ok(choice);
        }
        let program = self.program_only(&range).filter(|_| !begun);
        choice.filled = program.as_ref().map(|way| way.load);
        let erase = self.erase(0, &range, whole);
        let way = match (program, erase) {
            // Single bytes beside others can take longer than an erase and whole words.
            (Some(program), Some(erase)) if erase.time < program.time && !erase.shared => {
                Some(erase)
            }
            (program, erase) => program.or(erase),
        };
        match way {
            Some(way) => self.take(&mut choice, 0, self.blocks.len() - 1, way),
            None => choice.time = Err(Address(start)),
        }
        Ok(choice)
    }

    /// Programming the block that was read last, where that is enough.
    ///
    /// Page program clears bits wherever it is sent. Byte and AAI programming are held to erased bytes,
    /// which is the careful reading (common practice, no source).
    fn program_only(&self, range: &Range<u32>) -> Option<Way> {
        if !load::only_clears(&self.before, &self.after) {
            return None;
        }
        let grain = Grain::of(self.request.part);
        let runs = load::without_erase(range.start, &self.before, &self.after, grain);
        let slice = |part: &Range<u32>| {
            let offset = |address: u32| usize::try_from(address - range.start).ok();
            Some(offset(part.start)?..offset(part.end)?)
        };
        let blank = |run: &Range<u32>| {
            let bytes = slice(run).and_then(|run| self.before.get(run));
            bytes.is_some_and(load::is_blank)
        };
        if grain.method != ProgramMethod::Page && !runs.iter().all(blank) {
            return None;
        }
        let shared = self.request.map.unit_data_in(range.clone()).any(|part| {
            slice(&part).is_none_or(|part| self.before.get(part.clone()) != self.after.get(part))
        });
        Some(self.program(range, Load::of(&runs, grain.method), shared))
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
}

impl Choice {
    fn add(&mut self, part: Self) {
        self.time = match (self.time, part.time) {
            (Ok(one), Ok(other)) => Ok(one + other),
            (Err(address), _) | (_, Err(address)) => Err(address),
        };
        self.steps += part.steps;
        self.load = self.load.and(part.load);
        let both = self.filled.zip(part.filled);
        self.filled = both.map(|(one, other)| one.and(other));
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
fn levels(part: &Part) -> Result<Vec<(u32, Vec<u8>)>, WorklistError> {
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
        let types = (0..=u8::MAX).zip(&part.erase_types);
        let types = types.filter(|(_, erase)| erase.size_bytes == size);
        types.map(|(place, _)| place).collect()
    };
    Ok(sizes.iter().map(|size| (*size, of_size(*size))).collect())
}
