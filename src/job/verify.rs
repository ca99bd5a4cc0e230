//! `verify`: the chip against an image, several passes, each under other conditions.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use serde::Serialize;

use super::bench::{Bench, Connected, connect};
use super::lines;
use super::recognise::recognise;
use super::record::{note_times, operation, region_map};
use super::twin_read::run;
use super::write::left_torn;
use super::{Attendant, Stop, sentence};
use crate::chip::{Chip, Order, Pass, ReadCommand};
use crate::image::{Holds, RegionMap, Span};
use crate::interlock::{Panel, Sameness};
use crate::jedec::{Address, Hertz};
use crate::link::Purpose;
use crate::unit::store::{Store, StoreFile};
use crate::unit::{Operation, Unit};

/// Differing bytes that are kept for the report; all are counted.
const KEPT: usize = 4096;

/// One byte that differs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
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

/// What the passes found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct VerifyReport {
    /// Size of the chip and image.
    pub size_bytes: u32,
    /// SCK of each pass.
    pub sck: Vec<Hertz>,
    /// Bytes that differ, by pass.
    pub differing: Vec<u64>,
    /// Whether all passes differ from the image in the same way.
    pub passes_agree: bool,
    /// The first differing bytes, by address.
    pub differences: Vec<Difference>,
    /// Regions that hold unit data and equal the image.
    pub unit_data: Vec<String>,
    /// Time on the link's clock.
    pub time: Duration,
    /// The least that the passes could take.
    pub floor: Duration,
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

/// Compares the chip with `image`, `passes` times. Where all are equal each address line is proven as well,
/// since what was written through one that is lost can be read through it alike. With a unit, regions are
/// told by name and the chip must not have another unit's ID.
///
/// # Errors
/// A [`Stop`]: held before the first clock, by the contact, by `image-fits` or `same-unit`; or a fault.
pub fn verify(
    image: &dyn StoreFile,
    unit: Option<&Unit>,
    passes: u32,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<VerifyReport, Stop> {
    let mut connected = connect(
        Panel::new(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        &left_torn(unit)?,
        attendant,
    )?;
    let chip_bytes = u64::from(connected.chip.size_bytes());
    image_fits(&mut connected.panel, image.size_bytes()?, chip_bytes)?;
    must_be_the_unit(&mut connected, unit)?;
    let map = unit.map(region_map).transpose()?.flatten();
    let start = connected.chip.now();
    let mut found = Found::default();
    let mut sck = Vec::new();
    for number in 0..passes.max(1) {
        let pass = conditions(&connected.chip, number);
        sck.push(pass.sck);
        found.begin();
        let mut kept = Vec::new();
        run(
            &mut connected.chip,
            &pass,
            name(number),
            attendant,
            &mut |address, bytes| {
                kept.resize(bytes.len(), 0);
                image.read_exact_at(u64::from(address.0), &mut kept)?;
                if kept != bytes {
                    found.compare(address, &kept, bytes);
                }
                Ok(())
            },
        )?;
    }
    if found.differing.iter().all(|bytes| *bytes == 0) {
        if let Some(stop) = lines::lost_line(&mut connected.chip, image)? {
            return Err(stop);
        }
    }
    let time = connected.chip.now().saturating_sub(start);
    let size_bytes = connected.chip.size_bytes();
    let Connected { chip, panel, seen } = connected;
    chip.leave()?;
    let map = map.as_ref().map(|(map, _)| map);
    let mut report = found.report(size_bytes, sck, map, time);
    report.operation = operation("verify", "", "untouched", &seen, &panel);
    Ok(report)
}

/// Keeps in the unit's record what was found; `image` is what it was compared with. The verdict stands
/// where that fails, and the report says so.
pub fn keep_verify(store: Arc<dyn Store>, folder: &Path, image: &str, report: &mut VerifyReport) {
    let mut done = report.operation.clone();
    done.outcome = match report.differing.iter().max() {
        None | Some(0) => format!("the chip holds {image}"),
        Some(1) => format!("the chip differs from {image} in 1 byte"),
        Some(bytes) => format!("the chip differs from {image} in {bytes} bytes"),
    };
    let clocks: Vec<String> = report.sck.iter().map(Hertz::to_string).collect();
    done.conditions.insert("passes".into(), clocks.join(", "));
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

#[derive(Default)]
struct Found {
    bytes: BTreeMap<u32, (u8, BTreeMap<usize, u8>)>,
    differing: Vec<u64>,
    /// Sum over a spread of address and byte, so that passes in any order compare.
    marks: Vec<u64>,
}

impl Found {
    fn begin(&mut self) {
        self.differing.push(0);
        self.marks.push(0);
    }

    fn compare(&mut self, address: Address, wanted: &[u8], holds: &[u8]) {
        let pass = self.differing.len().saturating_sub(1);
        for (at, (wanted, holds)) in (address.0..).zip(wanted.iter().zip(holds)) {
            if wanted == holds {
                continue;
            }
            if let (Some(count), Some(mark)) = (self.differing.last_mut(), self.marks.last_mut()) {
                *count += 1;
                let spread =
                    (u64::from(at) << 8 | u64::from(*holds)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                *mark = mark.wrapping_add(spread ^ spread >> 29);
            }
            if self.bytes.len() < KEPT || self.bytes.contains_key(&at) {
                self.bytes
                    .entry(at)
                    .or_insert((*wanted, BTreeMap::new()))
                    .1
                    .insert(pass, *holds);
            }
        }
    }

    fn report(
        self,
        size_bytes: u32,
        sck: Vec<Hertz>,
        map: Option<&RegionMap>,
        time: Duration,
    ) -> VerifyReport {
        let passes_agree = self.marks.windows(2).all(|two| two[0] == two[1])
            && self.differing.windows(2).all(|two| two[0] == two[1]);
        let spans = map.map(RegionMap::spans).unwrap_or_default();
        let region = |at: u32| {
            spans
                .iter()
                .find(|span| span.range.contains(&at))
                .map(|span| span.name().to_owned())
        };
        let passes = self.differing.len();
        let touched = |span: &Span| self.bytes.range(span.range.clone()).next().is_some();
        let unit_data = spans
            .iter()
            .filter(|span| span.holds == Holds::UnitData && !touched(span));
        let unit_data = unit_data.map(|span| span.name().to_owned()).collect();
        let differences = self.bytes.iter().map(|(at, (wanted, holds))| Difference {
            address: Address(*at),
            wanted: *wanted,
            holds: (0..passes)
                .map(|pass| holds.get(&pass).copied().unwrap_or(*wanted))
                .collect(),
            region: region(*at),
        });
        let differences = differences.collect();
        let bits = u64::from(size_bytes) * 8;
        let floor = |sck: &Hertz| Duration::from_secs_f64(bits as f64 / f64::from(sck.0.max(1)));
        VerifyReport {
            size_bytes,
            floor: sck.iter().map(floor).sum(),
            unrecorded: None,
            operation: Operation::default(),
            sck,
            differing: self.differing,
            passes_agree,
            differences,
            unit_data,
            time,
        }
    }
}
