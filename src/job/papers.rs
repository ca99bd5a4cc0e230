//! The evidence that files give before a write: sizes, hashes, and what the target would change.

use std::ops::Range;
use std::path::PathBuf;

use super::Stop;
use crate::image::{Holds, RegionMap};
use crate::interlock::{OffendingChange, OfflineEvidence, OfflineProblem, Panel};
use crate::unit::offline::{
    FolderEvidence, HashEvidence, OfflineError, ParseHashError, Place, Seen, check_folder,
    hash_given,
};
use crate::unit::store::{StoreFile, hash};
use crate::unit::{Digest, Image, Unit};

/// Where the hash of the backups is kept away from the bench.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Offline {
    /// Folder on another disk with a copy of each backup and its hash.
    pub folder: Option<PathBuf>,
    /// Hashes, or files that hold one.
    pub hashes: Vec<String>,
}

/// `backup-intact` and `offline-hash`: the latter for the first backup, the baseline and the one that is
/// to be put back.
pub(super) fn backups(panel: &mut Panel, unit: &Unit, back: Option<&Image>, offline: &Offline) {
    let backups = unit.backups();
    let problems: Vec<String> = backups
        .iter()
        .flat_map(|image| unit.examine(image))
        .map(|f| f.to_string())
        .collect();
    panel.backup_intact(backups.len(), &problems);
    let mut wanted: Vec<Image> = unit
        .first_backup()
        .into_iter()
        .chain(unit.baseline())
        .chain(back.cloned())
        .collect();
    wanted.sort_by_key(|image| image.name);
    wanted.dedup();
    let evidence: Vec<OfflineEvidence> = wanted
        .iter()
        .map(|image| OfflineEvidence {
            backup: image.name.file_name(),
            result: kept_away(unit, image, offline),
        })
        .collect();
    panel.offline_hash(&evidence);
}

/// How the hash of one backup is confirmed from elsewhere.
fn kept_away(unit: &Unit, image: &Image, offline: &Offline) -> Result<String, OfflineProblem> {
    let mut problem = OfflineProblem::Missing;
    if let Some(folder) = &offline.folder {
        match check_folder(unit.store().as_ref(), folder, unit, image) {
            Ok(found) => match second_copy(&found, image) {
                Ok(how) => return Ok(how),
                Err(found) => problem = found,
            },
            Err(error) => problem = OfflineProblem::Unreadable(error.to_string()),
        }
    }
    for given in &offline.hashes {
        match hash_given(unit.store().as_ref(), given, unit, image) {
            // A hash of another backup of this unit is right, but says nothing of this one.
            Ok(found) if of_another(unit, image, &found) => {}
            Ok(found) => match agrees(&found, image) {
                Ok(how) => return Ok(how),
                // A hash may be meant for the other backup, so that it differs says least.
                Err(found) if says_little(&problem) => problem = found,
                Err(_) => {}
            },
            Err(error) => problem = OfflineProblem::Unreadable(unreadable(&error)),
        }
    }
    Err(match problem {
        // Which of them was meant for this backup is not known.
        OfflineProblem::Differs { .. } if offline.hashes.len() > 1 => OfflineProblem::Differs {
            given: format!("none of the {} hashes given agrees", offline.hashes.len()),
            backup: image.sha256.groups().join(" "),
        },
        problem => problem,
    })
}

/// What begins with 32 digits or more was meant as a hash: it is told where that goes wrong.
fn unreadable(error: &OfflineError) -> String {
    use ParseHashError::{Count, Odd};
    match error {
        OfflineError::Neither {
            source: source @ (Odd { digits, .. } | Count { digits }),
            ..
        } if *digits >= 32 => source.to_string(),
        error => error.to_string(),
    }
}

fn says_little(problem: &OfflineProblem) -> bool {
    matches!(
        problem,
        OfflineProblem::Missing | OfflineProblem::Differs { .. }
    )
}

fn of_another(unit: &Unit, image: &Image, found: &HashEvidence) -> bool {
    let others = unit.backups();
    let mut others = others.iter().filter(|other| other.name != image.name);
    found.digest != image.sha256 && others.any(|other| other.sha256 == found.digest)
}

fn second_copy(found: &FolderEvidence, image: &Image) -> Result<String, OfflineProblem> {
    let folder = found.folder.display().to_string();
    elsewhere(&found.place, &folder)?;
    for (seen, what) in [
        (found.image, image.name.file_name()),
        (found.hash_file, image.name.hash_file_name()),
    ] {
        match seen {
            Seen::Digest(digest) => same(digest, image)?,
            Seen::Missing => {
                return Err(OfflineProblem::Unreadable(format!("no {what} in {folder}")));
            }
            Seen::NoHash => {
                return Err(OfflineProblem::Unreadable(format!(
                    "{what} in {folder} holds no hash"
                )));
            }
        }
    }
    Ok(format!("a second copy in {folder}, hashed there"))
}

fn agrees(found: &HashEvidence, image: &Image) -> Result<String, OfflineProblem> {
    if let Some((path, place)) = &found.file {
        elsewhere(place, &path.display().to_string())?;
    }
    same(found.digest, image)?;
    Ok(match &found.file {
        Some((path, _)) => format!("{} agrees; no second copy was seen", path.display()),
        None => "the digits typed agree; no second copy was seen".into(),
    })
}

fn elsewhere(place: &Place, path: &str) -> Result<(), OfflineProblem> {
    match place {
        Place::OtherDisk => Ok(()),
        Place::InUnitFolder => Err(OfflineProblem::InUnitFolder(path.to_owned())),
        Place::SameDisk { .. } => Err(OfflineProblem::SameDisk(format!(
            "{path}, on the same disk as the unit folder"
        ))),
        Place::Unknown { why } => Err(OfflineProblem::SameDisk(format!(
            "{path}: it cannot be told that this is another disk ({why})"
        ))),
    }
}

fn same(given: Digest, image: &Image) -> Result<(), OfflineProblem> {
    if given == image.sha256 {
        return Ok(());
    }
    let (given, kept) = (given.groups(), image.sha256.groups());
    let differs = given
        .iter()
        .zip(&kept)
        .position(|(given, kept)| given != kept);
    let place = differs.unwrap_or_default();
    let group = |groups: &[String; 8]| groups.get(place).cloned().unwrap_or_default();
    Err(OfflineProblem::Differs {
        given: format!("group {} of 8 is {}", place + 1, group(&given)),
        backup: group(&kept),
    })
}

/// Digest and size of an image.
pub(super) fn digest(image: &dyn StoreFile) -> Result<(Digest, u64), Stop> {
    Ok(hash(image)?)
}

/// Where the target differs from the baseline in bytes that are not replaceable, joined by region.
pub(super) fn offending(
    map: &RegionMap,
    baseline: &dyn StoreFile,
    target: &dyn StoreFile,
) -> Result<Vec<OffendingChange>, Stop> {
    let mut found = Vec::new();
    for span in map
        .spans()
        .iter()
        .filter(|span| span.holds != Holds::Replaceable)
    {
        if let Some(range) = differing_extent(baseline, target, span.range.clone())? {
            found.push(OffendingChange {
                range,
                region: span.name().to_owned(),
            });
        }
    }
    Ok(found)
}

/// From the first to behind the last differing byte of a range.
fn differing_extent(
    one: &dyn StoreFile,
    two: &dyn StoreFile,
    range: Range<u32>,
) -> Result<Option<Range<u32>>, Stop> {
    const CHUNK: u32 = 64 << 10;
    let (mut a, mut b) = (vec![0; CHUNK as usize], vec![0; CHUNK as usize]);
    let mut extent: Option<Range<u32>> = None;
    let mut at = range.start;
    while at < range.end {
        let length = (range.end - at).min(CHUNK);
        let (a, b) = (&mut a[..length as usize], &mut b[..length as usize]);
        one.read_exact_at(u64::from(at), a)?;
        two.read_exact_at(u64::from(at), b)?;
        if a != b {
            for (place, _) in (at..)
                .zip(a.iter().zip(b.iter()))
                .filter(|(_, (a, b))| a != b)
            {
                extent = Some(extent.map_or(place, |range| range.start)..place + 1);
            }
        }
        at += length;
    }
    Ok(extent)
}
