//! What must hold however a job ended: what the files say against what the cells hold, and what the
//! exit code promises. Written from the documents, without the program.

use std::path::PathBuf;
use std::sync::atomic::Ordering::SeqCst;

use norlock::job::{ChipState, Exit, Stop};
use norlock::unit::journal::{Contents, End, UnfinishedWrite};
use norlock::unit::store::Store;
use norlock::unit::{Digest, Unit};

use super::jobs::Job;
use super::ready::Ready;
use crate::small::{Small, UNIT_DATA};

/// What was made to fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failed {
    Files { lasting: bool },
    Link,
}

impl Ready {
    /// That the exit code is one which the documents promise for what failed, and that its promise holds.
    pub fn check_outcome(&self, small: &Small, result: &Result<(), Stop>, failed: Failed) {
        let Err(stop) = result else {
            return self.check_done(small);
        };
        let unfinished = newest(small).and_then(|(unfinished, _)| unfinished);
        let fault = match failed {
            Failed::Files { .. } => Exit::FileFault,
            Failed::Link => Exit::ChipFault,
        };
        let as_before = self.is_as_before(small);
        match stop.exit {
            Exit::Held => assert!(!stop.held.is_empty(), "{stop:?}"),
            // The last record of a complete write may be there without having been called durable.
            Exit::Unfinished if unfinished.is_none() => {
                assert!(small.cells() == self.after, "{stop:?}");
                assert_eq!(stop.chip, ChipState::Changed, "{stop:?}");
            }
            Exit::Unfinished => {}
            exit => assert_eq!(exit, fault, "{stop:?}"),
        }
        if stop.exit != Exit::Unfinished {
            assert!(as_before, "not untouched: {stop:?}");
            // Files that no longer answer cannot tell of an earlier run.
            let unseen = failed == Failed::Files { lasting: true };
            assert!(unfinished.is_none() || unseen, "{stop:?}");
        }
        if matches!(stop.chip, ChipState::Untouched | ChipState::NotMet) {
            assert!(as_before, "not untouched: {stop:?}");
        }
        assert!(!stop.headline.is_empty() && !stop.next.is_empty());
    }

    /// Whether the cells and the protection are as before the job. What never lifts has sent nothing.
    fn is_as_before(&self, small: &Small) -> bool {
        let lifted = self.job == Job::WriteLifting;
        let sent = small.mock().modifying_operations() > 0;
        small.cells() == self.before && small.status() & 0xFC == self.status() && (lifted || !sent)
    }

    /// The protection that the chip was found with.
    fn status(&self) -> u8 {
        if self.job == Job::WriteLifting {
            0x24
        } else {
            0
        }
    }

    /// That all files say what the cells and the images bear out, as far as the job has come.
    pub fn check_kept(&self, small: &Small) {
        assert_eq!(small.watch.hurt.load(SeqCst), 0, "unit data was changed");
        let unit_data = UNIT_DATA.start as usize..UNIT_DATA.end as usize;
        assert!(small.cells()[unit_data.clone()] == small.found[unit_data]);
        assert_eq!(small.mock().monitor().violations(), 0, "write-ahead");
        if !self.job.writes() {
            assert_eq!(small.mock().modifying_operations(), 0);
            assert!(small.cells() == self.before);
        }
        self.check_images(small);
        self.check_records(small);
        self.check_journal(small);
    }

    fn check_images(&self, small: &Small) {
        let (files, folder) = (small.files(), &small.station.folder);
        for (name, bytes) in &self.images {
            let replaced = self.job == Job::TailorAnew && name == "target.bin";
            assert!(replaced || small.station.image(name) == *bytes, "{name}");
        }
        if !files.exists(folder).unwrap() {
            return;
        }
        for entry in files.list(folder).unwrap() {
            if entry.name.ends_with(".bin") {
                let bytes = small.station.image(&entry.name);
                assert!(
                    self.may_hold(&entry.name).contains(&bytes),
                    "{}",
                    entry.name
                );
            }
        }
    }

    /// What `unit.toml` says is so.
    fn check_records(&self, small: &Small) {
        let Some(unit) = view(small, self) else {
            return;
        };
        for image in unit.images() {
            let name = image.name.file_name();
            let there = Digest::of(&small.station.image(&name)) == image.sha256;
            // Between its name and its record a target is not the recorded one; a write then holds.
            let anew = self.job == Job::TailorAnew && name == "target.bin";
            assert!(there || anew, "{name} is not as recorded");
        }
        for record in &unit.file().operations[self.records..] {
            let said = record.outcome.as_str();
            if said.starts_with("the chip holds") || said == "nothing to change" {
                assert!(small.cells() == self.after, "{said}");
            } else if let Some(name) = said.strip_prefix("kept as ") {
                assert!(small.station.image(name) == self.before, "{said}");
            } else if said.starts_with("made target.bin") {
                assert!(
                    small.station.image("target.bin") == self.tailored(),
                    "{said}"
                );
            }
        }
    }

    /// The journal can be read, and the cells are as it says.
    fn check_journal(&self, small: &Small) {
        let (cells, origin) = (small.cells(), &self.origin);
        let Some((unfinished, ended)) = newest(small) else {
            assert!(cells == *origin);
            return;
        };
        let Some(unfinished) = unfinished else {
            // The journal of a write that went before a restore is closed as well.
            let this = !self.job.writes() || ended.header.target == Digest::of(&self.after);
            match ended.end {
                Some(End::Closed) if this => assert!(cells == self.after, "closed by mistake"),
                _ => assert!(cells == *origin, "ended by mistake"),
            }
            return;
        };
        let contents = unfinished.contents.unwrap();
        let (done, in_hand) = (contents.done(), contents.in_hand());
        for at in (0..cells.len()).step_by(4096) {
            let within = |ranges: &[std::ops::Range<u32>]| {
                let mut ranges = ranges.iter();
                ranges.any(|range| range.contains(&(at as u32)))
            };
            let block = at..at + 4096;
            if within(&in_hand) {
                continue;
            }
            let should = if within(&done) { &self.after } else { origin };
            assert!(cells[block.clone()] == should[block], "block at 0x{at:04X}");
        }
    }

    /// That the job is done: what it made is there, and nothing is left over.
    pub fn check_done(&self, small: &Small) {
        self.check_kept(small);
        assert!(small.cells() == self.after, "the chip holds something else");
        let unit = view(small, self).expect("the unit");
        assert!(small.unfinished().is_none());
        for image in unit.images() {
            assert!(unit.examine(&image).is_empty(), "{:?}", image.name);
        }
        match self.job {
            Job::FirstBackup | Job::Backup => {
                let newest = unit.baseline().expect("a backup");
                let before = unit.backups().len() > usize::from(self.job == Job::Backup);
                assert!(before && newest.sha256 == Digest::of(&self.before));
            }
            Job::Tailor | Job::TailorAnew => {
                assert!(small.station.image("target.bin") == self.tailored());
            }
            _ => {}
        }
        if self.job.writes() {
            let last = &unit.file().operations.last().unwrap().outcome;
            let done = last.starts_with("the chip holds") || last == "nothing to change";
            assert!(done, "{last}");
            assert_eq!(small.status() & 0xFC, self.status(), "protection");
        }
    }

    /// The same, but where files, cells and status are as before, as most calls only read, this is tried
    /// for some of the errors.
    pub fn finish_what_was_begun(&self, small: &Small, also_if_as_before: bool) {
        let as_before = small.cells() == self.before && small.status() == self.status();
        if also_if_as_before || !as_before || files_of(small) != files_of(&self.small) {
            self.finish(small);
        }
    }

    /// Gives the same command again, with nothing wrong: it ends what was begun.
    pub fn finish(&self, small: &Small) {
        match self.job.run(small) {
            Ok(()) => {}
            // Made, and taken up when the unit was opened.
            Err(stop) if stop.headline.contains("has a target already") => {
                assert_eq!((self.job, stop.exit), (Job::Tailor, Exit::FileFault));
            }
            Err(stop) => panic!("again: {stop:?}"),
        }
        self.check_done(small);
        for folder in ["", "journal"] {
            let folder = small.station.folder.join(folder);
            for entry in small.files().list(&folder).unwrap_or_default() {
                assert!(!entry.name.ends_with(".unfinished"), "{} stays", entry.name);
            }
        }
    }
}

/// Every file of the unit, with its bytes.
fn files_of(small: &Small) -> Vec<(PathBuf, Vec<u8>)> {
    let (files, folder) = (small.files(), &small.station.folder);
    let mut paths = Vec::new();
    for folder in [folder, &folder.join("journal")] {
        let entries = files.list(folder).unwrap_or_default();
        paths.extend(entries.into_iter().map(|entry| folder.join(entry.name)));
    }
    let read = |path: PathBuf| files.read(&path).ok().map(|bytes| (path, bytes));
    paths.into_iter().filter_map(read).collect()
}

/// The unit as it lies there; none where its first backup had not made it yet.
fn view(small: &Small, ready: &Ready) -> Option<Unit> {
    let store = std::sync::Arc::new(small.files().clone());
    let unit = Unit::view(store, &small.station.folder);
    match unit {
        Ok(unit) => Some(unit),
        Err(_) if ready.job == Job::FirstBackup => None,
        Err(error) => panic!("the unit cannot be read: {error}"),
    }
}

/// The newest journal: as the unfinished one, if it is, and what it says.
fn newest(small: &Small) -> Option<(Option<UnfinishedWrite>, Contents)> {
    let folder = small.station.folder.join("journal");
    let names = small.files().list(&folder).unwrap_or_default();
    let numbers = names.iter().filter_map(|entry| {
        let number = entry.name.strip_prefix("write-")?;
        number.parse::<u32>().ok()
    });
    let path = folder.join(format!("write-{}", numbers.max()?));
    let bytes = small.files().read(&path).unwrap();
    let contents = Contents::decode(&path, &bytes).expect("a journal that can be read");
    let unfinished = contents.end.is_none().then(|| UnfinishedWrite {
        number: contents.header.number,
        path,
        contents: Ok(contents.clone()),
    });
    Some((unfinished, contents))
}
