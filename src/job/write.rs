//! `write`: a target image onto the unit's chip, with every interlock open.

use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use super::account::{Account, Expected};
use super::approach::{About, Approach, approach};
use super::backup::judge_reads;
use super::bench::Bench;
use super::papers::{self, Offline};
use super::record::{begun_journal, begun_write, note_refusal, region_map};
use super::restore::{RestoreOrder, back_over};
use super::rewrite::{Rewrite, WriteReport};
use super::worklist::smallest_block;
use super::{Attendant, ChipState, Exit, Stop};
use crate::image::RegionMap;
use crate::interlock::{Interlock, Panel};
use crate::unit::journal::{self, Journal, UnfinishedWrite};
use crate::unit::store::{Store, StoreFile, hash};
use crate::unit::{Digest, Image, ImageName, Unit};

/// What to write.
pub struct WriteOrder {
    /// The image.
    pub target: Box<dyn StoreFile>,
    /// What it is called on screens.
    pub target_name: String,
    /// Where the backups' hashes are kept.
    pub offline: Offline,
    /// Whether protection is lifted where it is in the way.
    pub lift_protection: bool,
}

/// Writes the target onto the unit's chip.
///
/// # Errors
/// A [`Stop`]; [`Stop::chip`] says what it leaves of the chip. Its exit code is `Unfinished` whenever the unit has an
/// unfinished journal, whatever stopped this run: the same call then goes on, and [`restore`](super::restore()) back.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::interlock::Interlock;
/// use norlock::job::{Nobody, Offline, WriteOrder, backup, tailor, write};
///
/// let kept = backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// let orders = [gauge.boot.clone()];
/// let map = Some(gauge.map.as_path());
/// tailor(&mut unit, &orders, map, &gauge.catalogue, false)?;
///
/// let target = unit.folder().join("target.bin");
/// let files = unit.store().clone();
/// let order = |offline| -> Result<WriteOrder, Box<dyn Error>> {
///     Ok(WriteOrder {
///         target: files.open(&target)?,
///         target_name: "target.bin".into(),
///         offline,
///         lift_protection: false,
///     })
/// };
/// // Nobody has the backup's hash from elsewhere.
/// let nothing = order(Offline::default())?;
/// let stop = write(&mut unit, nothing, gauge.bench(), &mut Nobody).unwrap_err();
/// assert_eq!(stop.held[0].interlock, Interlock::OfflineHash);
///
/// let from_paper = Offline {
///     hashes: vec![kept.sha256.to_string()],
///     ..Offline::default()
/// };
/// let report = write(&mut unit, order(from_paper)?, gauge.bench(), &mut Nobody)?;
/// assert!(gauge.chip.holds(0, b"a new boot loader"));
/// assert_eq!(report.unit_data, ["calibration"]);
/// # Ok(())
/// # }
/// ```
pub fn write(
    unit: &mut Unit,
    order: WriteOrder,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<WriteReport, Stop> {
    let result = write_checked(unit, order, bench, attendant);
    result.map_err(|stop| {
        let stop = with_journal(unit, stop);
        note_refusal(unit, "write", &stop);
        stop
    })
}

/// The `stop` of a command about the unit in `folder`, with its exit code `Unfinished` where the unit has an
/// unfinished journal, whatever stopped the command, but for a command line that was not understood. The folder is
/// only looked at. [`write()`] and [`restore`](super::restore()) give their stops so by themselves.
#[must_use]
pub fn in_unit(store: Arc<dyn Store>, folder: &Path, stop: Stop) -> Stop {
    match Unit::view(store, folder) {
        Ok(unit) if stop.exit != Exit::Usage => with_journal(&unit, stop),
        _ => stop,
    }
}

/// The journal in a unit's folder that tells of a write which did not end; the chip then holds a mix of
/// two images. `None` also for a folder that is no unit.
#[must_use]
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "the program asks"))]
pub(crate) fn unfinished_of_unit(store: Arc<dyn Store>, folder: &Path) -> Option<String> {
    let unit = Unit::view(store, folder).ok()?;
    begun_journal(&unit).ok()?
}

/// While a journal is unfinished that is the exit code, and the unit's own chip counts as changed in part unless
/// the journal says that nothing was begun. Where the journal cannot be looked for, the stop stands: it
/// tells by itself if this run has changed the chip.
pub(super) fn with_journal(unit: &Unit, mut stop: Stop) -> Stop {
    let Ok(Some(unfinished)) = Journal::find_unfinished(unit) else {
        return stop;
    };
    stop.exit = Exit::Unfinished;
    let unbegun = matches!(&unfinished.contents, Ok(contents) if contents.nothing_begun());
    let is_held = |interlock| stop.held.iter().any(|held| held.interlock == interlock);
    if !unbegun && is_held(Interlock::SameUnit) {
        // The chip that was met is not known to be the one that the journal is about.
        let own =
            "changed in part by a write that did not end; the journal accounts for each block";
        return stop.row("own chip", own);
    }
    if !unbegun && is_held(Interlock::NothingUnexplained) {
        stop.chip = ChipState::ChangedBeyond;
    } else if !unbegun && !matches!(stop.chip, ChipState::Changed | ChipState::ChangedBeyond) {
        stop.chip = ChipState::ChangedInPart;
    }
    stop
}

fn write_checked(
    unit: &mut Unit,
    order: WriteOrder,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<WriteReport, Stop> {
    let WriteOrder {
        target,
        target_name,
        offline,
        lift_protection,
    } = order;
    let mut panel = Panel::new(std::mem::take(&mut bench.accepted));
    let map = region_map(unit)?;
    let regions = map.as_ref().map(|(map, _)| map);
    let (target_digest, target_bytes) = papers::digest(target.as_ref())?;
    let hashed = (target_digest, target_bytes);
    judge_papers(&mut panel, unit, regions, &*target, hashed, &offline)?;
    let unfinished = unfinished_of(unit, target_digest)?;
    let about = About {
        panel,
        map: regions,
        image_bytes: target_bytes,
        unfinished: unfinished.as_ref(),
        rewrite: &[],
        replacement: false,
    };
    let (mut met, present) = approach(about, unit, bench, attendant)?;
    let baseline = unit.baseline().ok_or_else(no_backup)?;
    let account = if met.reads.sha256 == target_digest {
        // The chip holds the target already: what an interrupted close, or a second write, finds.
        Account::default()
    } else {
        let expected = Expected {
            baseline: unit.open_image(&baseline)?,
            target: target.as_ref(),
            done: unfinished.as_ref().map(done).unwrap_or_default(),
            begun: &met.begun,
        };
        Account::of(&present, &expected, smallest_block(met.chip.part()))?
    };
    let (map, map_digest) = match map {
        Some((map, digest)) => (map, Some(digest)),
        None => (RegionMap::unmapped(met.chip.size_bytes()), None),
    };
    judge_present(&mut met, unit, &baseline, &account)?;
    if met.panel.is_held() {
        let staff = account.staff(&map.spans(), &baseline.name.file_name());
        return Err(Stop::held(&met.panel).picture(staff));
    }
    let rewrite = Rewrite {
        unit,
        met,
        intent: journal::Intent::Write,
        target: target.as_ref(),
        target_name,
        target_digest,
        baseline_digest: baseline.sha256,
        present: &present,
        map,
        map_digest,
        unfinished,
        lift_protection,
        replacement: false,
        replaced: None,
    };
    rewrite.carry_out("write", attendant)
}

/// `twin-read` and `nothing-unexplained`: what two reads of the chip say.
fn judge_present(
    met: &mut Approach,
    unit: &Unit,
    baseline: &Image,
    account: &Account,
) -> Result<(), Stop> {
    let weak = met.reads.weak.clone();
    let weak = weak.or_else(|| weak_backup(unit, baseline));
    judge_reads(
        &mut met.panel,
        &met.seen,
        &met.reads,
        weak.as_deref(),
        back_over(&met.suspects, &RestoreOrder::default()).as_deref(),
        false,
    );
    let begun = begun_write(unit)?.is_some();
    let baseline = baseline.name.file_name();
    met.panel
        .nothing_unexplained(&account.unexplained(), &baseline, begun);
    Ok(())
}

/// What files can say, all of it, before anything is sent.
fn judge_papers(
    panel: &mut Panel,
    unit: &Unit,
    map: Option<&RegionMap>,
    target: &dyn StoreFile,
    (target_digest, target_bytes): (Digest, u64),
    offline: &Offline,
) -> Result<(), Stop> {
    papers::backups(panel, unit, None, offline);
    let Some(baseline) = unit.baseline() else {
        panel.unit_data_kept(map.map(RegionMap::has_unit_data), &[]);
        return Ok(());
    };
    panel.image_fits(target_bytes, baseline.size_bytes);
    if let Some(survey) = unit.is_best_guess(&target_digest) {
        panel.target_guessed(survey);
    }
    if let Some(recorded) = unit.image(ImageName::Target) {
        // The unit's own target, if it is the one to be written, must be what tailor made.
        let there = unit
            .open_image(&recorded)
            .and_then(|file| Ok(hash(file.as_ref())?.0));
        if there.is_ok_and(|there| there == target_digest) && target_digest != recorded.sha256 {
            panel.target_spoilt(&recorded.name.file_name());
        }
    }
    let Some(map) = map else {
        panel.unit_data_kept(None, &[]);
        return Ok(());
    };
    let map_bytes = u64::from(map.size_bytes());
    panel.map_fits(map_bytes, baseline.size_bytes);
    if target_bytes != baseline.size_bytes || map_bytes != baseline.size_bytes {
        // Nothing can be compared byte for byte; unit-data-kept waits behind image-fits.
        return Ok(());
    }
    let compared = unit
        .open_image(&baseline)
        .map_err(Stop::from)
        .and_then(|baseline| papers::offending(map, baseline.as_ref(), target));
    match compared {
        Ok(offending) => panel.unit_data_kept(Some(map.has_unit_data()), &offending),
        // A baseline that is gone or cut short is told by backup-intact, with all else.
        Err(_) if panel.is_held() => {}
        Err(stop) => return Err(stop),
    }
    Ok(())
}

/// The unit's unfinished journal, if it is one that this write can go on with.
fn unfinished_of(unit: &Unit, target: Digest) -> Result<Option<UnfinishedWrite>, Stop> {
    let Some(unfinished) = Journal::find_unfinished(unit)? else {
        return Ok(None);
    };
    let restore =
        "Finish it with the command that began it, or go back: norlock restore --unit FOLDER";
    match &unfinished.contents {
        Ok(contents)
            if contents.header.intent == journal::Intent::Write
                && contents.header.target == target =>
        {
            Ok(Some(unfinished))
        }
        Ok(_) => {
            let headline =
                "The unit has an unfinished write of another image, or an unfinished restore.";
            Err(Stop::new(Exit::Unfinished, headline, restore)
                .row("seen", unit.shown(&unfinished.path)))
        }
        Err(error) => {
            let restore = "Go back, which needs no journal, and name torn blocks with --rewrite: norlock restore --unit FOLDER";
            Err(
                Stop::new(Exit::Unfinished, "The unit's journal is damaged.", restore)
                    .row("seen", error.to_string())
                    .row(
                        "means",
                        "which blocks an interrupted write left torn cannot be told",
                    ),
            )
        }
    }
}

/// Blocks that the journal has in hand: their cells may be torn.
pub(super) fn in_hand(unfinished: &UnfinishedWrite) -> Vec<Range<u32>> {
    let contents = unfinished.contents.as_ref();
    contents.map(journal::Contents::in_hand).unwrap_or_default()
}

/// Blocks that the journal has done.
pub(super) fn done(unfinished: &UnfinishedWrite) -> Vec<Range<u32>> {
    let contents = unfinished.contents.as_ref();
    contents.map(journal::Contents::done).unwrap_or_default()
}

/// Both: one that is done was read back as written, perhaps elsewhere, through an address line that was
/// lost, and is as torn as before.
pub(super) fn begun(unfinished: &UnfinishedWrite) -> Vec<Range<u32>> {
    [in_hand(unfinished), done(unfinished)].concat()
}

/// Blocks that an unfinished write of `unit` has begun.
pub(super) fn left_begun(unit: Option<&Unit>) -> Result<Vec<Range<u32>>, Stop> {
    let unfinished = unit.map(Journal::find_unfinished).transpose()?.flatten();
    Ok(unfinished.as_ref().map(begun).unwrap_or_default())
}

/// Why the reads of a backup were not independent, as its record says.
fn weak_backup(unit: &Unit, backup: &Image) -> Option<String> {
    let file = backup.name.file_name();
    let why = unit.file().images.get(&file)?.weak.as_ref()?;
    Some(format!("{file}: {why}"))
}

pub(super) fn no_backup() -> Stop {
    Stop::new(
        Exit::FileFault,
        "The unit has no backup.",
        "Back it up first: norlock backup --unit FOLDER",
    )
}
