//! A bench, a unit and a file system, all simulated, with every job one call away.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use norlock::image::Rest;
use norlock::interlock::{Acceptable, Acceptances, Attestation, Power};
use norlock::jedec::{Hertz, Millivolts};
use norlock::job::{
    self, Bench, Nobody, Offline, PieceOrder, RestoreOrder, Stop, TailorOrder, Way, WriteOrder,
    WriteReport,
};
use norlock::link::{Link, Sent};
use norlock::mock::Mock;
use norlock::part::{Catalogue, Part, SupplyRange};
use norlock::unit::store::{SimulatedStore, Store};
use norlock::unit::witness::WitnessedStore;
use norlock::unit::{Digest, Unit};

use crate::real_time::real_time;

/// Bytes of a 1 MiB gauge logger: boot, settings, system, calibration, identity.
pub const REGIONS: &str = include_str!("../data/regions.toml");

/// The part on the clip: 1 MiB, known from its datasheet.
pub const PART: &str = "W25Q80DV";
pub const MARKING: &str = "W25Q80DVSIG";

#[derive(Clone)]
pub struct Station {
    pub mock: Mock,
    pub files: SimulatedStore,
    pub catalogue: Catalogue,
    pub folder: PathBuf,
    pub marking: Option<String>,
    /// Range that the person read in the datasheet.
    pub supply: Option<SupplyRange>,
    pub sck: Hertz,
    pub accepted: Vec<(Acceptable, String)>,
    /// What a sync costs.
    pub sync: Duration,
    /// Whether what is read is worked on beside the link, as where its time is real.
    pub real_time: bool,
    pub trace: Arc<Mutex<Vec<Sent>>>,
}

impl Station {
    /// A unit as found: content generated from `seed`.
    pub fn new(seed: u64) -> Self {
        Self::with_part(PART, seed)
    }

    pub fn with_part(name: &str, seed: u64) -> Self {
        let catalogue = Catalogue::builtin().unwrap();
        let part = part(&catalogue, name);
        let mock = Mock::new(part.clone());
        mock.set_truth(0, &content(seed, part.size_bytes as usize))
            .unwrap();
        let files = SimulatedStore::new();
        files.create_folder(Path::new("/bench")).unwrap();
        Self {
            mock,
            files,
            catalogue,
            folder: PathBuf::from("/bench/gauge-07"),
            marking: Some(MARKING.into()),
            supply: None,
            sck: Hertz::mhz(20),
            accepted: Vec::new(),
            sync: Duration::from_millis(5),
            real_time: false,
            trace: Arc::default(),
        }
    }

    /// Another bench and unit as these are at this moment; from then on neither knows of the other.
    pub fn fork(&self) -> Self {
        Self {
            mock: self.mock.fork().unwrap(),
            files: self.files.fork(),
            trace: Arc::default(),
            ..self.clone()
        }
    }

    /// The marking cannot be read; the person has the datasheet from elsewhere.
    pub fn unreadable(&mut self) {
        self.marking = None;
        self.accepted = vec![(Acceptable::UnreadableMarking, "sanded off".into())];
        self.supply_read();
    }

    /// The person read in a datasheet what the table has from memory alone.
    pub fn supply_read(&mut self) {
        let (min, max) = (Millivolts(2700), Millivolts(3600));
        self.supply = Some(SupplyRange {
            min,
            max,
            from_memory: false,
        });
    }

    pub fn bench(&self) -> Bench {
        let trace = Arc::clone(&self.trace);
        let link: Box<dyn Link> = match self.real_time {
            true => Box::new(real_time(self.mock.link(), |_, _, _| {})),
            false => Box::new(self.mock.link()),
        };
        Bench {
            way: Way::Link(link),
            level: None,
            sck: self.sck,
            said: Attestation {
                power: Some(Power::Clip),
                denied: Vec::new(),
                marking: self.marking.clone(),
                supply: self.supply,
            },
            accepted: Acceptances::new(self.accepted.clone()),
            catalogue: self.catalogue.clone(),
            size_bytes: None,
            trace: Some(Box::new(move |sent| trace.lock().unwrap().push(sent))),
        }
    }

    /// The store as jobs see it: the journal is watched by the chip's monitor.
    pub fn store(&self) -> Arc<dyn Store> {
        let inner: Arc<dyn Store> = Arc::new(self.files.clone());
        Arc::new(WitnessedStore::beside(inner, &self.mock, self.sync))
    }

    pub fn unit(&self) -> Unit {
        Unit::open_or_create(self.store(), &self.folder).unwrap()
    }

    pub fn backup(&self) -> Result<job::BackupReport, Stop> {
        job::backup(&mut self.unit(), self.bench(), &mut Nobody)
    }

    /// Writes the region map and a file into the unit's and the station's folders.
    pub fn map(&self) {
        self.files
            .replace(&self.folder.join("regions.toml"), REGIONS.as_bytes())
            .unwrap();
    }

    /// Tailors a target with a new boot loader and system.
    pub fn tailor(&self, seed: u64) -> Digest {
        self.tailor_of(seed, &[("boot", 40 << 10), ("system", 300 << 10)])
    }

    /// The same of pieces of so many bytes, blank behind them.
    pub fn tailor_of(&self, seed: u64, pieces: &[(&str, usize)]) -> Digest {
        let orders: Vec<TailorOrder> = pieces
            .iter()
            .map(|(region, length)| {
                let bytes = code(seed, *length);
                let path = PathBuf::from(format!("/bench/{region}-{seed}.bin"));
                if !self.files.exists(&path).unwrap() {
                    self.files.replace(&path, &bytes).unwrap();
                }
                TailorOrder {
                    region: (*region).to_owned(),
                    pieces: vec![PieceOrder {
                        file: path,
                        offset: None,
                        sha256: Digest::of(&bytes),
                    }],
                    rest: Some(Rest::Fill(0xFF)),
                }
            })
            .collect();
        let report = job::tailor(&mut self.unit(), &orders, None, &self.catalogue, true).unwrap();
        Digest(report.tailored.sha256)
    }

    /// The digits a person would have on paper.
    pub fn paper(&self) -> Offline {
        let unit = Unit::view(self.store(), &self.folder).unwrap();
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

    pub fn order(&self) -> WriteOrder {
        self.order_for("target.bin")
    }

    pub fn order_for(&self, image: &str) -> WriteOrder {
        WriteOrder {
            target: self.files.open(&self.folder.join(image)).unwrap(),
            target_name: "target.bin".into(),
            offline: self.paper(),
            lift_protection: false,
        }
    }

    pub fn write(&self) -> Result<WriteReport, Stop> {
        job::write(&mut self.unit(), self.order(), self.bench(), &mut Nobody)
    }

    pub fn restore(&self, to: u32) -> Result<WriteReport, Stop> {
        let order = RestoreOrder {
            to,
            offline: self.paper(),
            ..RestoreOrder::default()
        };
        job::restore(&mut self.unit(), &order, self.bench(), &mut Nobody)
    }

    pub fn image(&self, name: &str) -> Vec<u8> {
        self.files.read(&self.folder.join(name)).unwrap()
    }

    pub fn cells(&self) -> Vec<u8> {
        self.mock.truth(0..u32::MAX)
    }

    /// A station with a backup, a map and a target, ready to write.
    pub fn ready(seed: u64) -> Self {
        let station = Self::new(seed);
        station.backup().unwrap();
        station.map();
        station.tailor(seed + 1000);
        station
    }
}

pub fn part(catalogue: &Catalogue, name: &str) -> Part {
    catalogue
        .parts()
        .iter()
        .find(|part| part.name == name)
        .cloned()
        .unwrap_or_else(|| panic!("no part {name}"))
}

/// Bytes that look like code: no long run, every value.
pub fn code(seed: u64, length: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..length).map(|_| random.u8(..)).collect()
}

/// A whole unit as found: code, settings, packed system, unit data, blank rests.
pub fn content(seed: u64, size: usize) -> Vec<u8> {
    let mut image = vec![0xFF; size];
    let unit = size / 16;
    let mut put = |at: usize, bytes: Vec<u8>| image[at..at + bytes.len()].copy_from_slice(&bytes);
    put(0, code(seed, unit / 2));
    put(
        unit,
        format!("unit=gauge-{seed}\nbaud=115200\n").into_bytes(),
    );
    put(2 * unit, code(seed ^ 1, 5 * unit));
    put(14 * unit, code(seed ^ 2, 1500));
    put(15 * unit, code(seed ^ 3, 300));
    image
}
