//! `worklist`: what a write would do, and what it would cost. No hardware.

use std::time::Duration;

use serde::Serialize;

use super::cost::Cost;
use super::explain::sentence;
use super::papers::{self, offending};
use super::record::{begun_journal, region_map};
use super::settle::asked_again_bytes;
use super::write::no_backup;
use super::{Exit, Stop};
use crate::chip::as_addressed;
use crate::image::RegionMap;
use crate::interlock::{Acceptable, Acceptances, Panel};
use crate::jedec::sfdp::EraseLayout;
use crate::jedec::{Hertz, opcode};
use crate::part::{Catalogue, Part};
use crate::unit::Unit;
use crate::unit::store::StoreFile;
use crate::worklist::{Estimate, Pace, Request, Worklist, WorklistError, plan};

/// What a write would do.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WorklistReport {
    /// The unit.
    pub unit: String,
    /// File name of the baseline.
    pub baseline: String,
    /// Blocks that would change.
    pub steps: usize,
    /// Modelled times.
    pub estimate: Estimate,
    /// The summary, line by line, as kept in `worklist-N.txt`.
    pub lines: Vec<String>,
    /// File name under which the summary is kept.
    pub file: String,
    /// Journal of a write that did not end: the chip no longer holds the baseline.
    pub unfinished: Option<String>,
}

/// Plans the way from the unit's baseline to `target`, for a proven SCK of `sck`, and keeps the summary in the
/// unit's folder as `worklist-N.txt`. Nothing else is written.
///
/// # Errors
/// A [`Stop`]: no backup, a part that the table does not know, files that cannot be read or written; or held, by
/// `image-fits` or `unit-data-kept`, for a target that [`write`](super::write()) would not take: of another size, a
/// survey's best guess, with changes that the region map does not allow, with a block that is shared with unit data, or
/// where there is no map or none that names unit data.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::interlock::Acceptances;
/// use norlock::job::{Nobody, SCK_DEFAULT, backup, tailor, worklist};
///
/// backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let orders = [gauge.boot.clone()];
/// let map = Some(gauge.map.as_path());
/// tailor(&mut unit, &orders, map, &gauge.catalogue, false)?;
///
/// let target = unit.store().open(&unit.folder().join("target.bin"))?;
/// let none = Acceptances::default();
/// let report = worklist(&unit, &*target, &gauge.catalogue, &none, SCK_DEFAULT)?;
/// println!("{} blocks, {:?}", report.steps, report.estimate);
/// # Ok(())
/// # }
/// ```
pub fn worklist(
    unit: &Unit,
    target: &dyn StoreFile,
    catalogue: &Catalogue,
    accepted: &Acceptances,
    sck: Hertz,
) -> Result<WorklistReport, Stop> {
    let baseline = unit.baseline().ok_or_else(no_backup)?;
    let part = part_of(unit, catalogue).map(as_addressed).ok_or_else(|| {
        let next = "Add the part from its datasheet: --parts FILE";
        Stop::new(
            Exit::FileFault,
            "The table does not know this unit's part.",
            next,
        )
    })?;
    let map = region_map(unit)?.map(|(map, _)| map);
    let current = unit.open_image(&baseline)?;
    let mut panel = Panel::new(accepted.clone());
    judge(&mut panel, map.as_ref(), current.as_ref(), target)?;
    if let Some(survey) = unit.is_best_guess(&papers::digest(target)?.0) {
        panel.target_guessed(survey);
        return Err(Stop::held(&panel));
    }
    let map = map.unwrap_or_else(|| RegionMap::unmapped(part.size_bytes));
    let accept_shared = accepted.reason(Acceptable::SharedBlock).is_some();
    let cost = Cost::recorded(unit, None);
    let lanes = cost.lanes();
    let request = Request {
        current: &current,
        target: &target,
        map: &map,
        part: &part,
        begun: &[],
        pace: cost.with(pace(&part, sck, lanes, [1, 1])),
        accept_shared,
    };
    let worklist = plan(&request).map_err(|error| no_plan(error, None, &mut panel))?;
    let estimate = worklist.estimate();
    let mut lines = worklist.summary(&estimate);
    if lanes > 1 {
        lines.push(format!(
            "  lanes      reads on {lanes}, as in the last backup"
        ));
    }
    let file = keep(unit, &lines)?;
    Ok(WorklistReport {
        unit: unit.name().to_owned(),
        baseline: baseline.name.file_name(),
        steps: worklist.step_count(),
        lines,
        file,
        estimate,
        unfinished: begun_journal(unit)?,
    })
}

/// What a write would hold for, as far as files tell: no worklist for a target that is never written.
fn judge(
    panel: &mut Panel,
    map: Option<&RegionMap>,
    baseline: &dyn StoreFile,
    target: &dyn StoreFile,
) -> Result<(), Stop> {
    panel.image_fits(target.size_bytes()?, baseline.size_bytes()?);
    if let Some(map) = map {
        panel.map_fits(u64::from(map.size_bytes()), baseline.size_bytes()?);
    }
    if !panel.is_held() {
        let changes = map.map_or_else(|| Ok(Vec::new()), |map| offending(map, baseline, target))?;
        panel.unit_data_kept(map.map(RegionMap::has_unit_data), &changes);
    }
    if panel.is_held() {
        return Err(Stop::held(panel));
    }
    Ok(())
}

/// Keeps the summary beside the unit's images, for reading only.
fn keep(unit: &Unit, lines: &[String]) -> Result<String, Stop> {
    let taken = unit.store().list(unit.folder())?;
    let name = (1..)
        .map(|number: u32| format!("worklist-{number}.txt"))
        .find(|name| !taken.iter().any(|entry| entry.name == *name))
        .unwrap_or_default();
    unit.store().replace(
        &unit.folder().join(&name),
        (lines.join("\n") + "\n").as_bytes(),
    )?;
    Ok(name)
}

/// The part that the unit file names by its JEDEC ID and marking.
pub(super) fn part_of(unit: &Unit, catalogue: &Catalogue) -> Option<Part> {
    let identity = unit.file().identity.as_ref()?;
    let marking = identity.marking.as_deref();
    crate::part::identify(catalogue, &identity.id()?.0, None, marking).part
}

/// The clocks of a job whose proven SCK is `sck`, which reads a second time on so many lanes, and programs with
/// address and data on these.
pub(super) fn pace(part: &Part, sck: Hertz, lanes: u8, program_lanes: [u8; 2]) -> Pace {
    let first = sck.min(part.sck_limit(opcode::READ));
    let whole = sck.min(part.sck_limit(opcode::FAST_READ));
    let lower = |sck: Hertz| Hertz(sck.0 / 5 * 3);
    let wide = |sck: Hertz| Hertz(sck.0.saturating_mul(lanes.into()));
    Pace {
        first,
        second: wide(lower(first)),
        read_back: wide(lower(sck).min(whole)),
        whole: wide(whole),
        modify: Hertz(sck.0 / 2),
        address_bytes: if part.size_bytes > 1 << 24 { 4 } else { 3 },
        program_lanes,
        sampled_bytes: asked_again_bytes(part.size_bytes),
        message: Pace::MESSAGE,
        message_bytes: Pace::MESSAGE_BYTES,
        records: Pace::RECORDS,
        begun: Duration::ZERO,
    }
}

/// Why there is no worklist: `panel` holds where a block is shared with unit data. `layout` is what is
/// known of where the chip erases.
pub(crate) fn no_plan(
    error: WorklistError,
    layout: Option<&EraseLayout>,
    panel: &mut Panel,
) -> Stop {
    if let WorklistError::SharedBlock { .. } = &error {
        panel.shared_block(sentence(&error));
        return Stop::held(panel).because(error);
    }
    if let WorklistError::NoErase { .. } = &error {
        let next = "Give an image that leaves that block as it is; norlock sfdp shows where the chip erases.";
        let stop = Stop::new(Exit::FileFault, sentence(&error), next);
        let doubt = layout.and_then(|layout| layout.doubt.as_deref());
        let means = doubt.unwrap_or("no erase that is known for this part works there");
        return stop.row("means", means).because(error);
    }
    let next = match &error {
        WorklistError::Read { .. } => "Mend the disk, then give the same command again.",
        _ => "Look at the image, the region map and the part: their sizes must agree.",
    };
    Stop::new(Exit::FileFault, sentence(&error), next).because(error)
}

/// How many blocks a worklist leaves alone, counted in the part's smallest erase.
pub(super) fn smallest_block(part: &Part) -> u32 {
    part.erase_types
        .iter()
        .map(|kind| kind.size_bytes)
        .filter(|size| *size > 0)
        .min()
        .unwrap_or(4096)
}

/// Ranges that a worklist touches.
pub(super) fn touched(worklist: &Worklist) -> Vec<std::ops::Range<u32>> {
    worklist.steps().map(|step| step.range).collect()
}
