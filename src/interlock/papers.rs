//! Checked before anything is sent for a write: files and hashes. All that fail are told at once.

use std::ops::Range;

use serde::Serialize;

use super::{Acceptable, Held, Interlock, Panel};
use crate::image::show_size;
use crate::jedec::Address;

/// What became of a hash that was kept away from the bench, for one backup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OfflineEvidence {
    /// File name of the backup.
    pub backup: String,
    /// How it was confirmed, or what is wrong with it.
    pub result: Result<String, OfflineProblem>,
}

/// Why an offline hash does not count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum OfflineProblem {
    /// None was given.
    Missing,
    /// It lies in the unit folder.
    InUnitFolder(String),
    /// It lies on the same disk as the unit folder, or on one that cannot be told apart.
    SameDisk(String),
    /// It is another hash.
    Differs {
        /// Hash given or re-hashed there.
        given: String,
        /// Hash of the backup.
        backup: String,
    },
    /// The copy or hash cannot be read.
    Unreadable(String),
}

impl OfflineProblem {
    fn headline(&self, backup: &str) -> String {
        match self {
            Self::Missing => format!("no hash of {backup} was given from elsewhere."),
            Self::InUnitFolder(_) => "the hash lies beside the backup.".into(),
            Self::SameDisk(_) => "nothing shows that the hash lies on another disk.".into(),
            Self::Differs { .. } => format!("the hash kept away is not that of {backup}."),
            Self::Unreadable(_) => "what was given is no hash and no copy that can be read.".into(),
        }
    }

    fn seen(&self, backup: &str) -> String {
        match self {
            Self::Missing => format!("no hash for {backup}"),
            Self::InUnitFolder(place) => format!("{place}, in the unit folder"),
            Self::SameDisk(place) => place.clone(),
            Self::Differs { given, backup } => format!("{given}; the backup has {backup}"),
            Self::Unreadable(why) => why.clone(),
        }
    }

    fn means(&self) -> &'static str {
        match self {
            Self::Missing => "this backup has not been compared with anything outside the bench",
            Self::InUnitFolder(_) | Self::SameDisk(_) => {
                "whatever spoils the backup can spoil this hash too, so their agreement would prove nothing"
            }
            Self::Differs { .. } => "one of the two was changed or belongs to another unit",
            Self::Unreadable(_) => "it proves nothing of the backup",
        }
    }

    fn next(&self) -> &'static str {
        match self {
            Self::Differs { .. } => {
                "Find out which of the two is right before anything is written: give the hash once more, and look \
                 at both files. Whether the backup is still as it was: norlock check --unit FOLDER"
            }
            _ => {
                "Type the 64 digits from paper (--offline-hash), or name the copy on a stick or card (--offline)."
            }
        }
    }
}

/// Bytes of a target that differ from the baseline where they must not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OffendingChange {
    /// First to last differing byte, end exclusive.
    pub range: Range<u32>,
    /// Region they lie in.
    pub region: String,
}

impl Panel {
    /// `image-fits`: the image has the size of the unit's chip.
    pub(crate) fn image_fits(&mut self, image_bytes: u64, chip_bytes: u64) {
        if image_bytes == chip_bytes {
            return self.open(
                Interlock::ImageFits,
                format!("{image_bytes} bytes, as the chip"),
            );
        }
        self.hold(Held {
            interlock: Interlock::ImageFits,
            headline: "the image is not as long as the chip.".into(),
            seen: format!(
                "image {}, chip {}",
                show_size(image_bytes),
                show_size(chip_bytes)
            ),
            means: "an image of another length is for another part, or was cut short".into(),
            next: "Make the image with norlock tailor from this unit's own backup.".into(),
        });
    }

    /// `image-fits` again, with the region map. Can only close it.
    pub(crate) fn map_fits(&mut self, map_bytes: u64, chip_bytes: u64) {
        if map_bytes == chip_bytes {
            return;
        }
        self.hold(Held {
            interlock: Interlock::ImageFits,
            headline: "the region map is for a chip of another size.".into(),
            seen: format!(
                "region map {}, chip {}",
                show_size(map_bytes),
                show_size(chip_bytes)
            ),
            means: "a map of another chip says nothing of where this unit's data lies".into(),
            next: "Correct regions.toml in the unit folder (docs/files.md).".into(),
        });
    }

    /// `image-fits` for the unit's own target, which is no longer what was made.
    pub(crate) fn target_spoilt(&mut self, file: &str) {
        self.hold(Held {
            interlock: Interlock::ImageFits,
            headline: format!("{file} is not as it was made."),
            seen: format!("{file} hashes to something else than unit.toml has on record"),
            means: "it was changed or damaged since, and would be written so".into(),
            next: "Make it anew: norlock tailor --replace".into(),
        });
    }

    /// `image-fits` for a survey's best guess, whatever it is called now.
    pub(crate) fn target_guessed(&mut self, survey: &str) {
        self.hold(Held {
            interlock: Interlock::ImageFits,
            headline: "the image is a best guess.".into(),
            seen: format!("its hash is that of the best guess of {survey}"),
            means: "passes over a suspect chip voted for it; it was never read twice alike".into(),
            next: "Make the image with norlock tailor from a backup of this unit, or restore one."
                .into(),
        });
    }

    /// `backup-intact`: every backup was hashed anew; `problems` says what was found wrong.
    pub(crate) fn backup_intact(&mut self, backups: usize, problems: &[String]) {
        let next = match (backups, problems.first()) {
            (0, _) => "Back the unit up first: norlock backup --unit FOLDER",
            (_, Some(_)) => {
                "Compare with the copy kept elsewhere; do not write until it is cleared up."
            }
            (_, None) => {
                return self.open(Interlock::BackupIntact, format!("{backups} hashed anew"));
            }
        };
        let seen = if backups == 0 {
            "no backup".into()
        } else {
            problems.join("; ")
        };
        self.hold(Held {
            interlock: Interlock::BackupIntact,
            headline: "there is no intact backup to go back to.".into(),
            seen,
            means: "if this write goes wrong there is no way back".into(),
            next: next.into(),
        });
    }

    /// `offline-hash`: first backup and baseline agree with a hash kept away from the bench.
    pub(crate) fn offline_hash(&mut self, evidence: &[OfflineEvidence]) {
        let failed = evidence
            .iter()
            .find_map(|one| one.result.as_ref().err().map(|problem| (one, problem)));
        let Some((one, problem)) = failed else {
            if evidence.is_empty() {
                return self.hold(offline_held("the backup", &OfflineProblem::Missing));
            }
            let how = evidence.iter().filter_map(|one| {
                one.result
                    .as_ref()
                    .ok()
                    .map(|how| format!("{}: {how}", one.backup))
            });
            let how: Vec<String> = how.collect();
            return self.open(Interlock::OfflineHash, how.join("; "));
        };
        self.hold(offline_held(&one.backup, problem));
    }

    /// `unit-data-kept`: what differs from the baseline lies in regions marked replaceable.
    ///
    /// `map_has_unit_data` is `None` where there is no region map.
    pub(crate) fn unit_data_kept(
        &mut self,
        map_has_unit_data: Option<bool>,
        offending: &[OffendingChange],
    ) {
        let held = |headline: &str, seen: String, next: &str| {
            Held {
            interlock: Interlock::UnitDataKept,
            headline: headline.into(),
            seen,
            means: "addresses and calibration of a unit exist nowhere else; a board without them may never \
                    work again"
                .into(),
            next: next.into(),
        }
        };
        let Some(has_unit_data) = map_has_unit_data else {
            let next = "Write regions.toml into the unit folder: which regions may be replaced and which are \
                        the unit's own (docs/files.md).";
            return self.hold(held(
                "no region map says what is the unit's own.",
                "no regions.toml".into(),
                next,
            ));
        };
        if let Some(first) = offending.first() {
            let more = offending.len() - 1;
            let also = if more == 0 {
                String::new()
            } else {
                format!("; {more} more")
            };
            let (start, end) = (Address(first.range.start), Address(first.range.end));
            let seen = format!(
                "{start} to {end} in {} differs from the baseline{also}",
                first.region
            );
            let next = "Make the target with norlock tailor, which keeps everything not marked replaceable.";
            return self.hold(held(
                "the target changes bytes that are not replaceable.",
                seen,
                next,
            ));
        }
        if has_unit_data {
            return self.open(
                Interlock::UnitDataKept,
                "no byte outside replaceable regions differs",
            );
        }
        let next = "Mark what is the unit's own as unit-data in regions.toml (docs/files.md). If this unit really has \
                    no data of its own: --accept no-unit-data --because 'how you \
                    know'";
        let seen = "no region holds unit-data".to_owned();
        self.hold_unless(
            Acceptable::NoUnitData,
            held("the region map names no unit data.", seen, next),
        );
    }

    /// `unit-data-kept` once the worklist is known: `seen` says which block a change shares with unit
    /// data, so that this must be erased with it.
    pub(crate) fn shared_block(&mut self, seen: impl Into<String>) {
        let held = Held {
            interlock: Interlock::UnitDataKept,
            headline: "a block that must be erased also holds unit data.".into(),
            seen: seen.into(),
            means: "while that block is in hand its unit data is in the backup alone".into(),
            next: "Move the region's border to an erase block, or: --accept shared-block --because 'why'"
                .into(),
        };
        self.hold_unless(Acceptable::SharedBlock, held);
    }

    /// `unit-data-kept` for a restore: the image is a backup of this very unit, so its unit data is
    /// the unit's own, and what it replaces is kept first.
    pub(crate) fn unit_data_restored(&mut self, backup: &str) {
        self.open(
            Interlock::UnitDataKept,
            format!("{backup} is this unit's own"),
        );
    }
}

fn offline_held(backup: &str, problem: &OfflineProblem) -> Held {
    Held {
        interlock: Interlock::OfflineHash,
        headline: problem.headline(backup),
        seen: problem.seen(backup),
        means: problem.means().into(),
        next: problem.next().into(),
    }
}
