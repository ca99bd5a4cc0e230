//! Commands are carried out as the command line does it.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;

use norlock::image::Rest;
use norlock::interlock::{Acceptances, Attestation, Power};
use norlock::job::{
    self, Attendant, Bench, Offline, PieceOrder, RestoreOrder, Stop, TailorOrder, Task, Way,
    WriteOrder,
};
use norlock::unit::store::{SimulatedStore, Store};
use norlock::unit::witness::WitnessedStore;
use norlock::unit::{Digest, ImageName, Unit};

use super::board::catalogue;
use super::command::{Claim, Command, Options};
use super::files::MortalStore;
use super::process::{Process, mortal};
use super::swarm::Armed;
use super::world::{FOLDER, World, piece_path};

impl World {
    pub fn run(
        &self,
        command: &Command,
        options: &Options,
        process: &Arc<Process>,
        files: SimulatedStore,
        attendant: &mut dyn Attendant,
    ) -> Result<Claim, Stop> {
        let folder = Path::new(FOLDER);
        let mortal = Arc::new(MortalStore {
            inner: files,
            process: Arc::clone(process),
        });
        let watched: Arc<dyn Store> = Arc::clone(&mortal) as Arc<dyn Store>;
        let store: Arc<dyn Store> = Arc::new(WitnessedStore::beside(
            watched,
            &self.mock,
            Duration::from_millis(5),
        ));
        let bench = self.bench(options, process);
        let result = self.job(command, options, bench, store, attendant);
        result.map_err(|stop| job::in_unit(mortal, folder, stop))
    }

    fn job(
        &self,
        command: &Command,
        options: &Options,
        bench: Bench,
        store: Arc<dyn Store>,
        attendant: &mut dyn Attendant,
    ) -> Result<Claim, Stop> {
        let folder = Path::new(FOLDER);
        Ok(match command {
            Command::Contact => {
                let unit = Unit::view(store, folder).ok();
                Claim::Contact(job::contact(unit.as_ref(), bench, attendant)?.good)
            }
            Command::Backup => {
                let mut unit = Unit::open_or_create(store, folder)?;
                Claim::Kept(job::backup(&mut unit, bench, attendant)?.file)
            }
            Command::Tailor => {
                let mut unit = Unit::open(store, folder)?;
                job::tailor(&mut unit, &self.orders(), None, catalogue(), true)?;
                Claim::Made
            }
            Command::Write => {
                let mut unit = Unit::open(store, folder)?;
                let order = WriteOrder {
                    target: unit
                        .store()
                        .open(&folder.join(ImageName::Target.file_name()))?,
                    target_name: ImageName::Target.file_name(),
                    offline: paper(&unit),
                    lift_protection: options.lift_protection,
                };
                let report = job::write(&mut unit, order, bench, attendant)?;
                Claim::Holds(ImageName::Target, report.resumed)
            }
            Command::Restore {
                to,
                replacement,
                rewrite,
            } => {
                let mut unit = Unit::open(store, folder)?;
                let order = RestoreOrder {
                    to: *to,
                    offline: paper(&unit),
                    rewrite: rewrite.clone(),
                    replacement: *replacement,
                    lift_protection: options.lift_protection,
                };
                let report = job::restore(&mut unit, &order, bench, attendant)?;
                Claim::Holds(ImageName::Backup(*to), report.resumed)
            }
            Command::Verify(name) => {
                let unit = Unit::view(Arc::clone(&store), folder)?;
                let image = store.open(&folder.join(name.file_name()))?;
                let report = job::verify(
                    &job::VerifyOrder::whole(image.as_ref(), 2),
                    Some(&unit),
                    bench,
                    attendant,
                )?;
                Claim::Equals(*name, report.is_equal())
            }
            Command::Protect(order) => {
                let mut unit = Unit::open(store, folder)?;
                let report = job::protect(&mut unit, order, bench, attendant)?;
                Claim::Protects(report.protection, true)
            }
            Command::Protection => {
                let unit = Unit::view(store, folder)?;
                let report = job::protection(Some(&unit), bench, attendant)?;
                Claim::Protects(report.protection, false)
            }
        })
    }

    fn bench(&self, options: &Options, process: &Arc<Process>) -> Bench {
        let link = mortal(&self.mock, process);
        Bench {
            way: Way::Link(Box::new(link)),
            level: None,
            sck: self.sck,
            said: Attestation {
                power: Some(Power::Clip),
                denied: Vec::new(),
                marking: Some(self.board.marking.into()),
                supply: None,
            },
            accepted: Acceptances::new(options.accepted.values().cloned().collect::<Vec<_>>()),
            catalogue: catalogue().clone(),
            size_bytes: None,
            trace: None,
        }
    }

    fn orders(&self) -> Vec<TailorOrder> {
        let order = |(region, bytes): &(&'static str, Vec<u8>)| TailorOrder {
            region: (*region).into(),
            pieces: vec![PieceOrder {
                file: piece_path(region),
                offset: None,
                sha256: Digest::of(bytes),
            }],
            rest: Some(Rest::Fill(0xFF)),
        };
        self.pieces.iter().map(order).collect()
    }
}

/// The digits a person has on paper: noted down when each backup was made.
fn paper(unit: &Unit) -> Offline {
    let hashes = unit
        .backups()
        .iter()
        .map(|image| image.sha256.to_string())
        .collect();
    Offline {
        folder: None,
        hashes,
    }
}

/// Whoever stands by: asks to stop, or starts a second process.
pub struct Bystander<'a> {
    pub armed: &'a Armed,
    pub process: Arc<Process>,
    pub files: SimulatedStore,
}

impl Bystander<'_> {
    fn look(&self) {
        let look = self.process.looks.fetch_add(1, SeqCst) + 1;
        if self.armed.intruder_at == Some(look) {
            let another = Arc::new(self.files.another_process());
            let let_in = Unit::open(another, Path::new(FOLDER)).is_ok();
            self.process.intruded.store(let_in, SeqCst);
        }
    }
}

impl Attendant for Bystander<'_> {
    fn begins(&mut self, _task: &Task) {
        self.look();
    }
    fn at(&mut self, _done: u64, _place: Option<&str>) {
        self.look();
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        let looks = self.process.looks.load(SeqCst);
        self.armed.stop_at.is_some_and(|at| looks >= at)
    }
}
