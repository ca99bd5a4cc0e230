//! `restore`: back to one of the unit's backups, from whatever state.
//!
//! It asks for no explanation of what the chip holds, and for no journal: what it replaces is kept
//! first. Journal damage never holds it.

use std::ops::Range;
use std::time::SystemTime;

use super::approach::{About, Approach, approach};
use super::backup::judge_reads;
use super::bench::Bench;
use super::papers::{self, Offline};
use super::recognise::is_about;
use super::record::{note_refusal, region_map};
use super::rewrite::{Rewrite, WriteReport};
use super::write::with_journal;
use super::{Attendant, Exit, Stop};
use crate::image::{ReadAt, RegionMap};
use crate::interlock::Panel;
use crate::jedec::Address;
use crate::unit::journal::{self, Journal, UnfinishedWrite};
use crate::unit::store::StoreFile;
use crate::unit::{Digest, Identity, Image, ImageName, Operation, Unfinished, Unit, UnitError};

/// What to go back to, and how.
#[derive(Debug, Clone, Default)]
pub struct RestoreOrder {
    /// Number of the backup, from 1.
    pub to: u32,
    /// Where the backups' hashes are kept.
    pub offline: Offline,
    /// Blocks that may be torn although no journal says so; rounded out to whole blocks.
    pub rewrite: Vec<Range<u32>>,
    /// Whether the chip is a new one of the same size.
    pub replacement: bool,
    /// Whether protection is lifted where it is in the way.
    pub lift_protection: bool,
}

/// Puts a backup back onto the unit's chip.
///
/// # Errors
/// A [`Stop`]; [`Stop::chip`] says what it leaves of the chip. Its exit code is `Unfinished` whenever the unit has an
/// unfinished journal: the same call then goes on.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, Offline, RestoreOrder, backup, restore};
///
/// let kept = backup(&mut unit, gauge.bench(), &mut Nobody)?;
/// gauge.chip.set_truth(0x2000, b"the unit has run, and changed its settings")?;
/// let order = RestoreOrder {
///     to: 1,
///     offline: Offline {
///         hashes: vec![kept.sha256.to_string()],
///         ..Offline::default()
///     },
///     ..RestoreOrder::default()
/// };
/// let report = restore(&mut unit, &order, gauge.bench(), &mut Nobody)?;
/// assert_eq!(report.replaced.as_deref(), Some("replaced-1.bin"));
/// assert_eq!(report.changed, 1);
/// # Ok(())
/// # }
/// ```
pub fn restore(
    unit: &mut Unit,
    order: &RestoreOrder,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<WriteReport, Stop> {
    let result = restore_checked(unit, order, bench, attendant);
    result.map_err(|stop| {
        let stop = with_journal(unit, stop);
        note_refusal(unit, "restore", &stop);
        stop
    })
}

fn restore_checked(
    unit: &mut Unit,
    order: &RestoreOrder,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<WriteReport, Stop> {
    let backup = wanted(unit, order.to)?;
    let mut panel = Panel::new(std::mem::take(&mut bench.accepted));
    papers::backups(&mut panel, unit, Some(&backup), &order.offline);
    panel.unit_data_restored(&backup.name.file_name());
    // A map only orders a restore and helps to recognise the unit: a broken one holds nothing.
    let map = region_map(unit);
    let usable = map.is_ok();
    let map = map.ok().flatten();
    let unfinished = Journal::find_unfinished(unit)?;
    let about = About {
        panel,
        map: map.as_ref().map(|(map, _)| map),
        image_bytes: backup.size_bytes,
        unfinished: unfinished.as_ref(),
        rewrite: &order.rewrite,
        replacement: order.replacement,
    };
    let (mut met, read) = approach(about, unit, bench, attendant)?;
    // Only now: that it is gone or cut short is for backup-intact to tell.
    let target = unit.open_image(&backup)?;
    judge_reads(
        &mut met.panel,
        &met.seen,
        &met.reads,
        met.reads.weak.as_deref(),
        back_over(&met.suspects, order).as_deref(),
        false,
    );
    if met.panel.is_held() {
        return Err(Stop::held(&met.panel));
    }
    let (present, replaced) = keep_present(unit, &mut met, read, unfinished.as_ref(), &backup)?;
    let regions = map_for_restore(map.as_ref().map(|(map, _)| map), usable, backup.size_bytes);
    let rewrite = Rewrite {
        met,
        intent: journal::Intent::Restore,
        target: target.as_ref(),
        target_name: backup.name.file_name(),
        target_digest: backup.sha256,
        baseline_digest: unit.baseline().map_or(backup.sha256, |image| image.sha256),
        present: present.as_ref(),
        map: regions,
        map_digest: map.as_ref().map(|(_, digest)| *digest),
        unfinished,
        lift_protection: order.lift_protection,
        replacement: order.replacement,
        replaced,
        unit,
    };
    rewrite.carry_out("restore", attendant)
}

/// Keeps what the chip holds, unless it was kept before; gives it, and the file name it now has or had.
fn keep_present(
    unit: &mut Unit,
    met: &mut Approach,
    read: Unfinished,
    unfinished: Option<&UnfinishedWrite>,
    backup: &Image,
) -> Result<(Box<dyn ReadAt>, Option<String>), Stop> {
    let about = unfinished.filter(|write| {
        let contents = write.contents.as_ref();
        contents.is_ok_and(|contents| is_about(&contents.header, &met.chip, &met.own))
    });
    let kept = kept_before(unit, about, backup.sha256, met.reads.sha256);
    let (present, replaced): (Box<dyn ReadAt>, _) = match kept {
        Some(replaced) => (Box::new(read), replaced),
        None => {
            let image = read.publish(unit, met.reads.sha256)?;
            let kept: Box<dyn StoreFile> = unit.open_image(&image)?;
            (Box::new(kept), Some(image.name.file_name()))
        }
    };
    let before = "it was kept before, or is the backup itself";
    met.panel
        .present_kept(replaced.as_deref().unwrap_or(before));
    Ok((present, replaced))
}

/// The restore that writes these blocks anew as well, as it is typed; `None` without any.
pub(super) fn back_over(suspects: &[Range<u32>], order: &RestoreOrder) -> Option<String> {
    if suspects.is_empty() {
        return None;
    }
    let mut line = "norlock restore --unit FOLDER".to_owned();
    if order.to > 1 {
        line += &format!(" --to {}", order.to);
    }
    if order.replacement {
        line += " --replacement";
    }
    if order.lift_protection {
        line += " --lift-protection";
    }
    for range in order.rewrite.iter().chain(suspects) {
        line += &format!(
            " --rewrite {}..{}",
            Address(range.start),
            Address(range.end)
        );
    }
    Some(line)
}

/// The replacement chip is the unit's from now on; the old one's ID stays in the record.
pub(super) fn adopt(unit: &mut Unit, new: Identity) -> Result<(), UnitError> {
    let ids = |chip: &Identity| {
        let own = chip.unique_id.as_deref().unwrap_or("none");
        format!("{}, unique ID {own}", chip.jedec_id)
    };
    let old = unit.file().identity.as_ref();
    let note = Operation {
        command: "restore".into(),
        outcome: format!(
            "the chip was replaced: {} before, {} now",
            old.map_or_else(|| "not known".into(), ids),
            ids(&new)
        ),
        chip: "changed as asked, complete".into(),
        ..Operation::default()
    };
    unit.record(note, SystemTime::now())?;
    unit.set_identity(new)
}

fn wanted(unit: &Unit, number: u32) -> Result<Image, Stop> {
    unit.image(ImageName::Backup(number)).ok_or_else(|| {
        let have: Vec<String> = unit
            .backups()
            .iter()
            .map(|image| image.name.file_name())
            .collect();
        let next = if have.is_empty() {
            "norlock backup --unit FOLDER".into()
        } else {
            format!("Give the number of one that it has: {}.", have.join(", "))
        };
        Stop::new(
            Exit::FileFault,
            format!("The unit has no backup {number}."),
            next,
        )
    })
}

/// The regions order the work. Unit data does not bind a restore, which puts back exactly that, but where
/// it is right already no larger erase takes it along. A map that cannot be used may have named any byte.
fn map_for_restore(map: Option<&RegionMap>, usable: bool, size_bytes: u64) -> RegionMap {
    let size = u32::try_from(size_bytes).unwrap_or(u32::MAX);
    match map {
        Some(map) if map.size_bytes() == size => map.clone(),
        None if usable => RegionMap::unmapped(size),
        _ => RegionMap::all_unit_data(size),
    }
}

/// Whether what is on the chip need not be kept (again), and under which name it is: an interrupted
/// restore to the same backup has done so, perhaps just before its journal began, or it is the backup.
fn kept_before(
    unit: &Unit,
    unfinished: Option<&UnfinishedWrite>,
    target: Digest,
    present: Digest,
) -> Option<Option<String>> {
    if already_kept(unfinished, target) || present == target {
        return Some(None);
    }
    let images = unit.images();
    let same = images.iter().find(|image| {
        matches!(image.name, ImageName::Replaced(_))
            && image.sha256 == present
            && unit.examine(image).is_empty()
    })?;
    Some(Some(same.name.file_name()))
}

/// Whether an interrupted restore to the same backup has kept what it replaces.
fn already_kept(unfinished: Option<&UnfinishedWrite>, target: Digest) -> bool {
    unfinished
        .and_then(|write| write.contents.as_ref().ok())
        .is_some_and(|contents| {
            contents.header.intent == journal::Intent::Restore && contents.header.target == target
        })
}
