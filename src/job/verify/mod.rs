//! `verify`: the chip against an image, several passes, each under other conditions.

mod found;

use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::bench::Bench;
use super::connect::{Connected, connect};
use super::overlap::run_over;
use super::recognise::recognise;
use super::record::{begun_journal, note_times, operation, region_map};
use super::worklist::smallest_block;
use super::write::left_begun;
use super::{Attendant, Exit, Stop, sentence};
use super::{lanes, lines};
use crate::chip::{Chip, Order, Pass, ReadCommand};
use crate::image::RegionMap;
use crate::interlock::{Panel, Sameness};
use crate::jedec::{Address, Hertz};
use crate::link::Purpose;
use crate::unit::store::{Store, StoreFile};
use crate::unit::{Digest, Operation, Unit};

use found::Found;

/// What the chip is compared with, and where.
pub struct VerifyOrder<'a> {
    /// The image, as large as the chip.
    pub image: &'a dyn StoreFile,
    /// Regions to compare, by name in the unit's map; empty is the whole chip.
    pub regions: Vec<String>,
    /// How often.
    pub passes: u32,
}

/// One byte that differs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Difference {
    /// Where.
    pub address: Address,
    /// What the image has.
    pub wanted: u8,
    /// What each pass read, by pass.
    pub holds: Vec<u8>,
    /// Region, where there is a map.
    pub region: Option<String>,
}

impl<'a> VerifyOrder<'a> {
    /// The whole chip.
    #[must_use]
    pub fn whole(image: &'a dyn StoreFile, passes: u32) -> Self {
        Self {
            image,
            regions: Vec::new(),
            passes,
        }
    }
}

/// Neighbouring erase blocks that differ.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct DifferingBlocks {
    /// The blocks, counted in the part's smallest erase.
    pub range: Range<u32>,
    /// How many they are.
    pub blocks: u32,
    /// Region that they begin in, where there is a map.
    pub region: Option<String>,
    /// Bytes that differ, in the pass in which most did.
    pub bytes: u64,
    /// Bits of them that are 0 where the image has 1.
    pub bits_low: u64,
    /// Bits of them that are 1 where the image has 0.
    pub bits_high: u64,
    /// The fewest passes that any of the blocks differed in.
    pub passes: u32,
}

/// What the passes found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct VerifyReport {
    /// Size of the chip and image.
    pub size_bytes: u32,
    /// Regions that were compared; empty is the whole chip.
    pub regions: Vec<String>,
    /// Bytes that each pass compared.
    pub compared_bytes: u64,
    /// SCK of each pass.
    pub sck: Vec<Hertz>,
    /// How many lanes were chosen for every other pass and why, where there was a choice.
    pub lanes: Option<String>,
    /// Bytes that differ, by pass.
    pub differing: Vec<u64>,
    /// Whether all passes differ from the image in the same way.
    pub passes_agree: bool,
    /// The first differing bytes, by address.
    pub differences: Vec<Difference>,
    /// All erase blocks that differ, by address; neighbours in one region are joined.
    pub blocks: Vec<DifferingBlocks>,
    /// Regions that hold unit data and equal the image.
    pub unit_data: Vec<String>,
    /// Time on the link's clock.
    pub time: Duration,
    /// The least that the passes could take.
    pub floor: Duration,
    /// Journal of the unit's write that did not end: the chip then holds a mix of two images.
    pub unfinished: Option<String>,
    /// Why the unit's record does not have it, where it should.
    pub unrecorded: Option<String>,
    /// What the unit's record shall have of it.
    #[serde(skip)]
    pub operation: Operation,
}

impl VerifyReport {
    /// Whether no byte differs in any pass.
    #[must_use]
    pub fn is_equal(&self) -> bool {
        self.differing.iter().all(|bytes| *bytes == 0)
    }
}

/// Compares the chip with an image, each pass under other conditions. Where the whole chip is equal each
/// address line is proven as well, since what was written through one that is lost can be read through it
/// alike. With a unit, regions are told by name and the chip must not have another unit's ID.
///
/// # Errors
/// A [`Stop`]: a region that the map does not have; held before the first clock, by the contact, by
/// `image-fits` or `same-unit`; an address line that does not arrive, though all is equal; a fault; or the person
/// stopped. The chip is then as it was. Bytes that differ are a report.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, VerifyOrder, backup, verify};
///
/// let kept = backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let image = unit.store().open(&unit.folder().join(&kept.file))?;
/// let order = VerifyOrder::whole(&*image, 3);
/// assert!(verify(&order, None, gauge.bench(), &mut Nobody)?.is_equal());
///
/// gauge.chip.set_truth(0x2000, &[0])?;
/// assert!(!verify(&order, None, gauge.bench(), &mut Nobody)?.is_equal());
/// # Ok(())
/// # }
/// ```
pub fn verify(
    order: &VerifyOrder<'_>,
    unit: Option<&Unit>,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<VerifyReport, Stop> {
    let map = unit.map(region_map).transpose()?.flatten();
    let map = map.as_ref().map(|(map, _)| map);
    let chosen = chosen(map, &order.regions)?;
    let mut connected = connect(
        Panel::for_reading(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        &left_begun(unit)?,
        attendant,
    )?;
    let size_bytes = connected.chip.size_bytes();
    image_fits(
        &mut connected.panel,
        order.image.size_bytes()?,
        size_bytes.into(),
    )?;
    must_be_the_unit(&mut connected, unit)?;
    let whole = 0..size_bytes;
    let within = chosen.as_deref().unwrap_or(std::slice::from_ref(&whole));
    let start = connected.chip.now();
    let lanes = match order.passes {
        0 | 1 => None,
        _ => lanes::choose(&mut connected.chip)?,
    };
    let mut found = Found::new(smallest_block(connected.chip.part()));
    let (mut sck, mut floor) = (Vec::new(), Duration::ZERO);
    for number in 0..order.passes.max(1) {
        let pass = conditions(&connected.chip, number);
        sck.push(pass.sck);
        floor += least(&pass, within);
        found.begin();
        compare(
            &mut connected.chip,
            (&pass, name(number)),
            within,
            order.image,
            &mut found,
            attendant,
        )?;
    }
    if order.regions.is_empty() && found.is_equal() {
        if let Some(stop) = lines::lost_line(&mut connected.chip, order.image)? {
            return Err(stop);
        }
    }
    let time = connected.chip.now().saturating_sub(start);
    let Connected { chip, panel, seen } = connected;
    chip.leave()?;
    let mut report = found.report(size_bytes, (sck, within), map, (time, floor));
    report.regions.clone_from(&order.regions);
    report.lanes = lanes;
    report.unfinished = unit.map(begun_journal).transpose()?.flatten();
    report.operation = operation("verify", "", "untouched", &seen, &panel);
    Ok(report)
}

/// The ranges of the regions asked for, in order of address; `None` is the whole chip.
fn chosen(map: Option<&RegionMap>, regions: &[String]) -> Result<Option<Vec<Range<u32>>>, Stop> {
    if regions.is_empty() {
        return Ok(None);
    }
    let Some(map) = map else {
        let next = "Name the unit (--unit FOLDER) and put its region map into the folder as regions.toml; \
                    docs/files.md shows one. Or leave --region out.";
        return Err(Stop::new(
            Exit::FileFault,
            "Regions are told by name, and there is no region map.",
            next,
        ));
    };
    let of = |name: &String| map.region(name).map(|region| region.range.clone());
    let unknown = |name: &String| {
        let there: Vec<&str> = map.regions().iter().map(|one| one.name.as_str()).collect();
        Stop::new(
            Exit::Usage,
            format!("The region map has no region '{name}'."),
            format!("Name one that it has: {}.", there.join(", ")),
        )
    };
    let mut ranges = Vec::new();
    for name in regions {
        ranges.push(of(name).ok_or_else(|| unknown(name))?);
    }
    ranges.sort_by_key(|range| range.start);
    ranges.dedup();
    Ok(Some(ranges))
}

/// The least time that a pass over `within` takes on the wire.
fn least(pass: &Pass, within: &[Range<u32>]) -> Duration {
    let bytes = within
        .iter()
        .map(|range| u64::from(range.end - range.start));
    let bits = bytes.sum::<u64>() * 8;
    let lanes = f64::from(pass.command.lanes().into.max(1));
    Duration::from_secs_f64(bits as f64 / lanes / f64::from(pass.sck.0.max(1)))
}

/// One pass over `within`, held against the image.
fn compare(
    chip: &mut Chip,
    (pass, name): (&Pass, &'static str),
    within: &[Range<u32>],
    image: &dyn StoreFile,
    found: &mut Found,
    attendant: &mut dyn Attendant,
) -> Result<(), Stop> {
    let mut wanted = Vec::new();
    run_over(
        chip,
        pass,
        within,
        name,
        attendant,
        &mut |address, bytes| {
            wanted.resize(bytes.len(), 0);
            image.read_exact_at(u64::from(address.0), &mut wanted)?;
            if wanted != bytes {
                found.compare(address, &wanted, bytes);
            }
            Ok(())
        },
    )?;
    Ok(())
}

/// Keeps in the unit's record what was found; `image` is what it was compared with. The verdict stands
/// where that fails, and the report says so.
pub fn keep_verify(
    store: Arc<dyn Store>,
    folder: &Path,
    (image, digest): (&str, Option<Digest>),
    report: &mut VerifyReport,
) {
    let mut done = report.operation.clone();
    let what = match report.regions.as_slice() {
        [] => image.to_owned(),
        regions => format!("{image} in {}", regions.join(", ")),
    };
    done.outcome = match report.differing.iter().max() {
        None | Some(0) => format!("the chip holds {what}"),
        Some(1) => format!("the chip differs from {what} in 1 byte"),
        Some(bytes) => format!("the chip differs from {what} in {bytes} bytes"),
    };
    let clocks: Vec<String> = report.sck.iter().map(Hertz::to_string).collect();
    done.conditions.insert("passes".into(), clocks.join(", "));
    if let Some(digest) = digest {
        done.conditions
            .insert("image".into(), format!("SHA-256 {digest}"));
    }
    note_times(&mut done, report.time, report.floor);
    let kept = Unit::open(store, folder).and_then(|mut unit| unit.record(done, SystemTime::now()));
    report.unrecorded = kept.err().map(|error| sentence(&error));
}

/// A chip whose ID is another unit's differs for a reason that no second write mends.
pub(super) fn must_be_the_unit(connected: &mut Connected, unit: Option<&Unit>) -> Result<(), Stop> {
    let Some(unit) = unit else {
        return Ok(());
    };
    let sameness = recognise(&mut connected.chip, unit, None, &[])?;
    if matches!(sameness, Sameness::Id { .. }) {
        connected.panel.same_unit(unit.name(), &sameness);
    }
    if connected.panel.is_held() {
        return Err(Stop::held(&connected.panel));
    }
    Ok(())
}

fn image_fits(panel: &mut Panel, image: u64, chip: u64) -> Result<(), Stop> {
    panel.image_fits(image, chip);
    if panel.is_held() {
        Err(Stop::held(panel))
    } else {
        Ok(())
    }
}

fn name(number: u32) -> &'static str {
    ["first pass", "second pass", "third pass"]
        .get(number as usize)
        .copied()
        .unwrap_or("next pass")
}

/// Conditions of a pass: SCK falls to three fifths and three tenths, order and command alternate,
/// and a first frame of another length shifts all boundaries.
fn conditions(chip: &Chip, number: u32) -> Pass {
    let command = if number % 2 == 0 {
        ReadCommand::Read
    } else {
        chip.second_command()
    };
    let share = [10, 6, 3][(number % 3) as usize];
    let sck = Hertz((chip.sck_for(command).0 / 10 * share).max(1));
    let frame_bytes = chip.pass_frame_bytes(sck);
    // Odd, and far from that of the pass before: no byte keeps its place in a frame.
    let first_bytes = match number {
        0 => frame_bytes,
        number => (number % 32 * 26 + 35) % 64,
    };
    let order = if number % 2 == 0 {
        Order::Up
    } else {
        Order::Down
    };
    let poison = if number % 2 == 0 { 0xA5 } else { 0x5A };
    Pass {
        command,
        sck,
        frame_bytes,
        first_bytes,
        order,
        poison,
    }
}
