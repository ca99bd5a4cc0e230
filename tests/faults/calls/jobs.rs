//! The jobs, each as its command runs it.

use std::path::Path;

use norlock::job::{self, Bench, Exit, Nobody, RestoreOrder, Stop, WriteOrder};
use norlock::unit::Unit;
use norlock::unit::store::Store;

use super::ready::{IMAGE, Ready, orders, ready};
use crate::small::Small;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Job {
    FirstBackup,
    Backup,
    Tailor,
    TailorAnew,
    Write,
    WriteLifting,
    WriteResumed,
    Restore,
    RestoreResumed,
    Verify,
}

impl Job {
    pub const ALL: [Self; 10] = [
        Self::FirstBackup,
        Self::Backup,
        Self::Tailor,
        Self::TailorAnew,
        Self::Write,
        Self::WriteLifting,
        Self::WriteResumed,
        Self::Restore,
        Self::RestoreResumed,
        Self::Verify,
    ];

    /// Whether it changes the chip.
    pub fn writes(self) -> bool {
        use Job::{Restore, RestoreResumed, Write, WriteLifting, WriteResumed};
        matches!(
            self,
            Write | WriteLifting | WriteResumed | Restore | RestoreResumed
        )
    }

    /// Runs it as its command does: with the unit opened by it, and an unfinished journal in the exit
    /// code.
    pub fn run(self, small: &Small) -> Result<(), Stop> {
        self.run_on(small, small.bench())
    }

    pub fn run_on(self, small: &Small, bench: Bench) -> Result<(), Stop> {
        let ready = ready(self);
        let result = self.command(ready, small, bench);
        result.map_err(|stop| job::in_unit(small.station.store(), &small.station.folder, stop))
    }

    fn command(self, ready: &Ready, small: &Small, bench: Bench) -> Result<(), Stop> {
        let (store, folder) = (small.station.store(), &small.station.folder);
        match self {
            Self::FirstBackup | Self::Backup => {
                let mut unit = Unit::open_or_create(store, folder)?;
                job::backup(&mut unit, bench, &mut Nobody).map(drop)
            }
            Self::Tailor | Self::TailorAnew => {
                let mut unit = Unit::open(store, folder)?;
                let replace = self == Self::TailorAnew;
                let catalogue = &small.station.catalogue;
                job::tailor(&mut unit, &orders(51), None, catalogue, replace).map(drop)
            }
            Self::Write | Self::WriteLifting | Self::WriteResumed => {
                let mut unit = Unit::open(store, folder)?;
                let order = WriteOrder {
                    target: unit.store().open(Path::new(IMAGE))?,
                    target_name: "target.bin".into(),
                    offline: ready.paper.clone(),
                    lift_protection: small.lift_protection,
                };
                job::write(&mut unit, order, bench, &mut Nobody).map(drop)
            }
            Self::Restore | Self::RestoreResumed => {
                let mut unit = Unit::open(store, folder)?;
                let order = RestoreOrder {
                    to: 1,
                    offline: ready.paper.clone(),
                    ..RestoreOrder::default()
                };
                job::restore(&mut unit, &order, bench, &mut Nobody).map(drop)
            }
            Self::Verify => verify(small, &*store, bench),
        }
    }
}

fn verify(small: &Small, store: &dyn Store, bench: Bench) -> Result<(), Stop> {
    let image = store.open(&small.station.folder.join("as-found.bin"))?;
    let unit = Unit::view(small.station.store(), &small.station.folder)?;
    let report = job::verify(
        &job::VerifyOrder::whole(image.as_ref(), 2),
        Some(&unit),
        bench,
        &mut Nobody,
    )?;
    match report.is_equal() {
        true => Ok(()),
        false => Err(Stop::new(Exit::Different, "The chip differs.", "verify")),
    }
}
