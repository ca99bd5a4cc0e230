//! `backup`: two independent reads that agree, kept so that they can be trusted.

use std::time::SystemTime;

use serde::Serialize;

use super::bench::Bench;
use super::beside::{Others, Told};
use super::connect::{Connected, Seen, connect};
use super::cost::Cost;
use super::differences::{RegionDifference, differences};
use super::record::{begun_write, note_refusal, note_times, operation, region_map};
use super::twin_read::{TwinRead, twin_read};
use super::{Attendant, Exit, Stop, recognise, wrap};
use crate::interlock::Panel;
use crate::jedec::Hertz;
use crate::link::Purpose;
use crate::unit::{Digest, ImageName, Unit};

/// What a backup found and kept.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BackupReport {
    /// The unit.
    pub unit: String,
    /// File name of the image in the unit folder.
    pub file: String,
    /// File name of its hash file.
    pub hash_name: String,
    /// Number of the backup, from 1.
    pub number: u32,
    /// SHA-256 of the image.
    pub sha256: Digest,
    /// Size of the image.
    pub size_bytes: u32,
    /// Why the chip may have another size, where that was accepted.
    pub size_doubt: Option<String>,
    /// The reads.
    pub reads: TwinRead,
    /// SCK that the last contact proved, where that was used since none was asked for.
    pub sck_proven: Option<Hertz>,
    /// What changed since the backup before, region by region; empty for the first.
    pub changed: Vec<RegionDifference>,
    /// File name of the backup before.
    pub before: Option<String>,
}

/// Backs the unit up.
///
/// # Errors
/// A [`Stop`]: held by an interlock, a fault, or the person stopped. The chip is then as it was, and no image is
/// kept, but where only what comes behind that failed: noting the image or the operation, or putting the chip's mode
/// back. What a crash leaves of an unfinished image goes when the unit is opened next, and one that is whole is noted
/// then.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, backup};
///
/// let report = backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// assert_eq!(report.file, "as-found.bin");
/// println!("onto paper: {}", report.sha256);
/// # Ok(())
/// # }
/// ```
pub fn backup(
    unit: &mut Unit,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<BackupReport, Stop> {
    backup_beside(unit, &Others::default(), bench, attendant)
}

/// Backs the unit up, and keeps nothing that one of `others` has as an image of its own: the clip has then
/// not been moved, or two chip selects reach one chip. Two chips that differ in an ID of their own may hold the same.
///
/// # Errors
/// As [`backup`]; also held by `same-unit`.
pub fn backup_beside(
    unit: &mut Unit,
    others: &Others,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<BackupReport, Stop> {
    let result = backup_checked(unit, others, bench, attendant);
    result.inspect_err(|stop| note_refusal(unit, "backup", stop))
}

fn backup_checked(
    unit: &mut Unit,
    others: &Others,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<BackupReport, Stop> {
    refuse_a_mix(unit)?;
    // One that cannot be read is told before the chip is.
    others.units(unit.store())?;
    let mut connected = connect(
        Panel::for_reading(std::mem::take(&mut bench.accepted)),
        bench,
        Purpose::Read,
        None,
        &[],
        attendant,
    )?;
    must_be_the_unit(&mut connected, unit)?;
    wrap::look(&mut connected, &[])?;
    must_have_a_size(&mut connected)?;
    let size_bytes = connected.chip.size_bytes();
    // Before the image: what waits to be written would be synced with it.
    let cost = Cost::measured(unit, &connected.chip, &connected.seen.link)?;
    let mut unfinished = unit.begin_backup(u64::from(size_bytes))?;
    let reads = twin_read(&mut connected.chip, &mut unfinished, &[], attendant)?;
    let Connected { panel, seen, .. } = &mut connected;
    judge_reads(panel, seen, &reads, None, None, true);
    must_not_be_of(&mut connected, unit, others, reads.sha256)?;
    if connected.panel.is_held() {
        return Err(Stop::held(&connected.panel));
    }
    let before = unit.baseline();
    remember(unit, &mut connected)?;
    unfinished.weak_because(reads.weak.clone());
    let image = unfinished.publish(unit, reads.sha256)?;
    let Connected { chip, panel, seen } = connected;
    let outcome = format!("kept as {}", image.name.file_name());
    let mut done = operation("backup", &outcome, "untouched", &seen, &panel);
    done.conditions.insert("reads".into(), reads.words());
    cost.note(&mut done, reads.second.lanes);
    note_times(&mut done, reads.time(), reads.floor());
    let file = image.name.file_name();
    unit.record(done, SystemTime::now())
        .map_err(|error| Stop::from(error).kept(&file, image.sha256))?;
    chip.leave()
        .map_err(|error| Stop::from(error).kept(&file, image.sha256))?;
    // The backup stands; a region map that cannot be read only spoils this comparison.
    let changed = before.as_ref().and_then(|before| {
        let map = region_map(unit).ok()?;
        let map = map.as_ref().map(|(map, _)| map);
        differences(unit, map, before, &image).ok()
    });
    Ok(BackupReport {
        unit: unit.name().to_owned(),
        file,
        hash_name: image.name.hash_file_name(),
        number: match image.name {
            ImageName::Backup(number) => number,
            _ => 0,
        },
        sha256: image.sha256,
        size_bytes,
        size_doubt: reads.half.clone().or(seen.size_doubt),
        reads,
        sck_proven: None,
        changed: changed.unwrap_or_default(),
        before: before.map(|image| image.name.file_name()),
    })
}

/// A size in doubt has to be accepted, or half of a chip could be kept as the whole.
fn must_have_a_size(connected: &mut Connected) -> Result<(), Stop> {
    let Connected { panel, seen, .. } = connected;
    let Some(doubt) = &seen.size_doubt else {
        return Ok(());
    };
    seen.doubted(panel, doubt);
    match panel.is_held() {
        true => Err(Stop::held(panel)),
        false => Ok(()),
    }
}

/// `twin-read`. A backup from weak reads is kept and recorded as such; `weak` holds what builds on
/// one. A blank chip is refused only as a backup. `back` goes back over blocks that may be torn.
pub(super) fn judge_reads(
    panel: &mut Panel,
    seen: &Seen,
    reads: &TwinRead,
    weak: Option<&str>,
    back: Option<&str>,
    backup: bool,
) {
    panel.twin_read(
        (&reads.differing, reads.differing_bytes),
        &reads.pattern,
        weak,
        back,
    );
    if let Some(alarm) = reads.alarms.first() {
        panel.reads_implausible(alarm);
    }
    if let Some(half) = &reads.half {
        seen.doubted(panel, half);
    }
    if backup && reads.is_blank() {
        panel.reads_blank();
    }
}

/// While a write is unfinished the chip holds a mix of two images: no backup to go back to, and no
/// baseline to tailor from.
fn refuse_a_mix(unit: &Unit) -> Result<(), Stop> {
    let Some(unfinished) = begun_write(unit)? else {
        return Ok(());
    };
    let next = "Give the same write command again, or go back: norlock restore --unit FOLDER";
    let headline = "The unit has an unfinished write: the chip holds a mix of two images.";
    let stop = Stop::new(Exit::Unfinished, headline, next);
    Err(stop
        .row("seen", unit.shown(&unfinished.path))
        .row("means", "a backup of it would bring no unit back")
        .after_change())
}

/// A second backup goes only into the folder of the same unit.
fn must_be_the_unit(connected: &mut Connected, unit: &Unit) -> Result<(), Stop> {
    if unit.backups().is_empty() {
        return Ok(());
    }
    let map = region_map(unit)?;
    let sameness = recognise::recognise(
        &mut connected.chip,
        unit,
        map.as_ref().map(|(map, _)| map),
        &[],
    )?;
    connected.panel.same_unit(unit.name(), &sameness);
    if connected.panel.is_held() {
        return Err(Stop::held(&connected.panel));
    }
    Ok(())
}

/// What was read is no backup of another unit, nor of the chip that another is being read from.
fn must_not_be_of(
    connected: &mut Connected,
    unit: &Unit,
    others: &Others,
    read: Digest,
) -> Result<(), Stop> {
    let own = recognise::own_id(&mut connected.chip)?.map(|(_, id)| id);
    let told = Told {
        unit: unit.name().to_owned(),
        sha256: read,
        own: own.clone(),
    };
    if let Some(other) = others.meet(&told) {
        connected.panel.one_chip_for_two(&other);
        return Ok(());
    }
    // Its target and what a restore replaced too: after a write the chip equals no backup.
    let same = |other: &&Unit| other.images().iter().any(|image| image.sha256 == read);
    let others = others.units(unit.store())?;
    let Some(other) = others.iter().find(same) else {
        return Ok(());
    };
    let own = own.map(|id| recognise::shown(&id));
    let kept = other.file().identity.as_ref();
    let kept = kept.and_then(|identity| identity.unique_id.as_ref());
    if own
        .as_ref()
        .zip(kept)
        .is_some_and(|(own, kept)| own != kept)
    {
        return Ok(());
    }
    let why = format!("all of the chip equals an image of {}", other.name());
    connected.panel.another_unit(other.name(), why);
    Ok(())
}

/// Keeps who the chip is in the unit file, with the first backup.
fn remember(unit: &mut Unit, connected: &mut Connected) -> Result<(), Stop> {
    if unit.file().identity.is_some() && !unit.backups().is_empty() {
        return Ok(());
    }
    let own = recognise::own_id(&mut connected.chip)?;
    unit.set_identity(recognise::identity(&connected.chip, &own, &connected.seen))?;
    Ok(())
}
