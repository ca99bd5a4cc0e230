//! A unit made ready for a job, once; each case goes on from a copy.

use std::path::Path;
use std::sync::OnceLock;

use norlock::image::Rest;
use norlock::job::{self, Offline, PieceOrder, TailorOrder};
use norlock::mock::{Fault, Faults, Torn};
use norlock::unit::store::Store;
use norlock::unit::{Digest, Unit};

use super::jobs::Job;
use crate::small::{SIZE, Small};
use crate::station::code;

pub const PIECE: &str = "/bench/system.bin";
pub const IMAGE: &str = "/bench/target.bin";

/// What goes into region `system`; the one of before went into a target that is replaced.
fn piece(seed: u64) -> Vec<u8> {
    code(seed, 9000)
}

pub struct Ready {
    pub job: Job,
    pub small: Small,
    pub paper: Offline,
    /// What the cells hold.
    pub before: Vec<u8>,
    /// What they held before an interrupted write or restore.
    pub origin: Vec<u8>,
    /// What they hold once the job is done.
    pub after: Vec<u8>,
    /// Images in the unit folder.
    pub images: Vec<(String, Vec<u8>)>,
    /// Records in `unit.toml`.
    pub records: usize,
}

/// The unit of a job, made once.
pub fn ready(job: Job) -> &'static Ready {
    static READY: [OnceLock<Ready>; Job::ALL.len()] = [const { OnceLock::new() }; Job::ALL.len()];
    READY[job as usize].get_or_init(|| make(job))
}

impl Ready {
    pub fn copy(&self) -> Small {
        let small = self.small.copy();
        if self.job == Job::WriteLifting {
            // BP and TB of the family: a low range that the target changes.
            let protected = Fault::Protected { status_1: 0x24 };
            small.mock().set_faults(Faults::none().with(protected));
            small.mock().set_faults(Faults::none());
        }
        small
    }

    /// The target that the tailoring jobs make, put together by hand.
    pub fn tailored(&self) -> Vec<u8> {
        tailored(&self.small.found, 51)
    }

    /// What an image of this name may hold, in any state that a job can leave.
    pub fn may_hold(&self, name: &str) -> Vec<Vec<u8>> {
        let found = &self.small.found;
        match name {
            "as-found.bin" => vec![found.clone()],
            "target.bin" => vec![self.tailored(), tailored(found, 52)],
            name if name.starts_with("as-found-") => vec![self.before.clone()],
            _ => vec![self.origin.clone(), self.before.clone()],
        }
    }
}

fn tailored(found: &[u8], seed: u64) -> Vec<u8> {
    let mut image = found.to_vec();
    image[0x8000..0xC000].fill(0xFF);
    let piece = piece(seed);
    image[0x8000..0x8000 + piece.len()].copy_from_slice(&piece);
    image
}

fn make(job: Job) -> Ready {
    let mut small = match job {
        Job::FirstBackup => Small::on_the_clip("HB25Q512", 1),
        _ => Small::ready(1),
    };
    let mut origin = small.cells();
    match job {
        Job::Backup => {
            // The unit has run, and has written a setting.
            small.mock().set_truth(0xE800, b"baud=9600").unwrap();
            origin = small.cells();
        }
        Job::TailorAnew => {
            let mut unit = small.unit();
            put_piece(&small, 52);
            job::tailor(&mut unit, &orders(52), None, &small.station.catalogue, true).unwrap();
        }
        Job::WriteLifting => small.lift_protection = true,
        Job::WriteResumed => {
            small.cut(6, Torn::Prefix, None, 6);
            small.write().unwrap_err();
        }
        Job::Restore | Job::RestoreResumed => {
            small.write().unwrap();
            origin = small.cells();
        }
        _ => {}
    }
    if job == Job::RestoreResumed {
        small.cut(5, Torn::RandomBits, None, 5);
        small.restore().unwrap_err();
    }
    small.power_up();
    put_piece(&small, 51);
    described(job, small, origin)
}

fn described(job: Job, small: Small, origin: Vec<u8>) -> Ready {
    let before = small.cells();
    let after = match job {
        Job::Write | Job::WriteLifting | Job::WriteResumed => small.target.clone(),
        Job::Restore | Job::RestoreResumed => small.found.clone(),
        _ => before.clone(),
    };
    assert_eq!(before.len(), SIZE);
    let (mut paper, mut images, mut records) = (Offline::default(), Vec::new(), 0);
    if job != Job::FirstBackup {
        paper = small.station.paper();
        let folder = &small.station.folder;
        let unit = Unit::view(small.station.store(), folder).unwrap();
        records = unit.file().operations.len();
        for image in unit.images() {
            let name = image.name.file_name();
            images.push((name.clone(), small.station.image(&name)));
        }
    }
    Ready {
        job,
        small,
        paper,
        before,
        origin,
        after,
        images,
        records,
    }
}

fn put_piece(small: &Small, seed: u64) {
    let files = small.files();
    files.replace(Path::new(PIECE), &piece(seed)).unwrap();
}

/// The order of the tailoring jobs.
pub fn orders(seed: u64) -> Vec<TailorOrder> {
    vec![TailorOrder {
        region: "system".into(),
        pieces: vec![PieceOrder {
            file: PIECE.into(),
            offset: None,
            sha256: Digest::of(&piece(seed)),
        }],
        rest: Some(Rest::Fill(0xFF)),
    }]
}
