//! A gauge logger with an emulated chip on the clip, and every job one call away.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use norlock::image::Rest;
use norlock::interlock::{Acceptable, Acceptances, Attestation, Power};
use norlock::jedec::{Hertz, Millivolts};
use norlock::job::{
    self, Attendant, BackupReport, Bench, Nobody, Offline, PieceOrder, RestoreOrder, Stop,
    TailorOrder, TailorReport, VerifyReport, Way, WorklistReport, WriteOrder, WriteReport,
};
use norlock::link::Link;
use norlock::part::{Catalogue, Part, ProgramMethod, SupplyRange};
use norlock::unit::store::{RealStore, Store};
use norlock::unit::{Digest, Unit};
use tempfile::TempDir;

use crate::emulator::Emulator;
use crate::layout::{Layout, Piece};
use crate::models::Model;
use crate::opcodes::Opcodes;

pub struct Gauge {
    pub model: Model,
    pub layout: Layout,
    pub catalogue: Catalogue,
    emulator: Option<Emulator>,
    frames: u64,
    opcodes: Arc<Mutex<Opcodes>>,
    files: TempDir,
}

impl Gauge {
    /// A unit as found, its chip's content from `seed`.
    pub fn new(model: &Model, seed: u64) -> Self {
        let catalogue = catalogue();
        let layout = Layout::for_marking(model, &catalogue);
        let files = tempfile::tempdir().unwrap();
        let mut gauge = Self {
            model: model.clone(),
            catalogue,
            emulator: None,
            frames: 0,
            opcodes: Arc::default(),
            files,
            layout,
        };
        std::fs::write(gauge.backing(), gauge.layout.as_found(seed)).unwrap();
        gauge.power_on();
        gauge
    }

    fn backing(&self) -> PathBuf {
        self.files.path().join("chip.bin")
    }

    fn folder(&self) -> PathBuf {
        self.files.path().join("gauge-07")
    }

    fn power_on(&mut self) {
        let started = Emulator::start(&self.model.name, &self.backing());
        self.emulator =
            Some(started.unwrap_or_else(|error| panic!("{}: {error}", self.model.name)));
    }

    /// Powers the chip off and gives what it holds, seen from outside.
    pub fn power_off(&mut self) -> Vec<u8> {
        if let Some(emulator) = self.emulator.take() {
            self.frames += emulator.counts().frames;
            emulator.stop().unwrap();
        }
        std::fs::read(self.backing()).unwrap()
    }

    /// Powers the chip off, compares it from outside, byte for byte, and powers it on again.
    pub fn must_hold(&mut self, expected: &[u8], when: &str) {
        let holds = self.power_off();
        let name = &self.model.name;
        assert_eq!(holds.len(), expected.len(), "{name} {when}: size");
        let first = holds.iter().zip(expected).position(|(a, b)| a != b);
        assert_eq!(first, None, "{name} {when}: first address that differs");
        self.power_on();
    }

    /// Changes bytes of the chip behind norlock's back, as a running unit does.
    pub fn runs(&mut self, at: usize, bytes: &[u8]) {
        let mut holds = self.power_off();
        holds[at..at + bytes.len()].copy_from_slice(bytes);
        std::fs::write(self.backing(), holds).unwrap();
        self.power_on();
    }

    pub fn frames(&self) -> u64 {
        let now = self.emulator.as_ref();
        self.frames + now.map_or(0, |emulator| emulator.counts().frames)
    }

    /// The opcodes sent since this was last asked.
    pub fn opcodes(&self) -> Opcodes {
        std::mem::take(&mut self.opcodes.lock().unwrap())
    }

    /// Counts `sent` again, for a later look.
    pub fn put_back(&self, sent: Opcodes) {
        *self.opcodes.lock().unwrap() = sent;
    }

    pub fn bench(&self) -> Bench {
        self.bench_over(|link| link)
    }

    /// The bench, with something put between norlock and the chip.
    pub fn bench_over(&self, between: impl FnOnce(Box<dyn Link>) -> Box<dyn Link>) -> Bench {
        let opcodes = Arc::clone(&self.opcodes);
        // Read in the datasheet by the person at the bench; a part of another level is refused.
        // No pin header gives 1.8 V.
        let (min, max, power) = match self.model.level {
            Millivolts(..2000) => (1700, 1950, Power::External),
            _ => (2700, 3600, Power::Clip),
        };
        let supply = SupplyRange {
            min: Millivolts(min),
            max: Millivolts(max),
            from_memory: false,
        };
        let link = self.emulator.as_ref().unwrap().link().at(self.model.level);
        Bench {
            way: Way::Link(between(Box::new(link))),
            level: None,
            sck: Hertz::mhz(20),
            said: Attestation {
                power: Some(power),
                denied: Vec::new(),
                marking: Some(self.model.marking.clone()),
                supply: Some(supply),
            },
            // Some of the table's entries are from memory; the person compared them with the datasheet.
            accepted: Acceptances::new(vec![(
                Acceptable::KnownPart,
                "sizes compared with the datasheet".into(),
            )]),
            catalogue: self.catalogue.clone(),
            size_bytes: None,
            trace: Some(Box::new(move |sent| {
                if let Some(code) = sent.out.first() {
                    *opcodes.lock().unwrap().entry(*code).or_default() += 1;
                }
            })),
        }
    }

    pub fn unit(&self) -> Unit {
        Unit::open_or_create(Arc::new(RealStore::new()), &self.folder()).unwrap()
    }

    pub fn image(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.folder().join(name)).unwrap()
    }

    pub fn backup(&self) -> Result<BackupReport, Stop> {
        job::backup(&mut self.unit(), self.bench(), &mut Nobody)
    }

    pub fn tailor(&self, pieces: &[Piece]) -> Result<TailorReport, Stop> {
        let map = self.files.path().join("regions.toml");
        std::fs::write(&map, self.layout.map()).unwrap();
        let order = |piece: &Piece| {
            let path = self.files.path().join(format!("{}.bin", piece.region));
            std::fs::write(&path, &piece.bytes).unwrap();
            TailorOrder {
                region: piece.region.clone(),
                pieces: vec![PieceOrder {
                    file: path,
                    offset: None,
                    sha256: Digest::of(&piece.bytes),
                }],
                rest: Some(piece.fill.map_or(Rest::Keep, Rest::Fill)),
            }
        };
        let orders: Vec<TailorOrder> = pieces.iter().map(order).collect();
        job::tailor(
            &mut self.unit(),
            &orders,
            Some(&map),
            &self.catalogue,
            false,
        )
    }

    /// The digits a person has on paper.
    fn offline(&self) -> Offline {
        let images = self.unit().backups();
        Offline {
            folder: None,
            hashes: images
                .iter()
                .map(|image| image.sha256.to_string())
                .collect(),
        }
    }

    pub fn worklist(&self) -> Result<WorklistReport, Stop> {
        let target = RealStore::new()
            .open(&self.folder().join("target.bin"))
            .unwrap();
        let none = Acceptances::default();
        job::worklist(
            &self.unit(),
            target.as_ref(),
            &self.catalogue,
            &none,
            Hertz::mhz(20),
        )
    }

    pub fn write(&self) -> Result<WriteReport, Stop> {
        self.write_at(self.bench(), &mut Nobody)
    }

    pub fn write_at(
        &self,
        bench: Bench,
        attendant: &mut dyn Attendant,
    ) -> Result<WriteReport, Stop> {
        let order = WriteOrder {
            target: RealStore::new()
                .open(&self.folder().join("target.bin"))
                .unwrap(),
            target_name: "target.bin".into(),
            offline: self.offline(),
            lift_protection: false,
        };
        job::write(&mut self.unit(), order, bench, attendant)
    }

    pub fn verify(&self, name: &str) -> Result<VerifyReport, Stop> {
        let image = RealStore::new().open(&self.folder().join(name)).unwrap();
        job::verify(
            &job::VerifyOrder::whole(image.as_ref(), 2),
            Some(&self.unit()),
            self.bench(),
            &mut Nobody,
        )
    }

    pub fn restore(&self, to: u32) -> Result<WriteReport, Stop> {
        let order = RestoreOrder {
            to,
            offline: self.offline(),
            ..RestoreOrder::default()
        };
        job::restore(&mut self.unit(), &order, self.bench(), &mut Nobody)
    }
}

/// The table, with what models do otherwise than the parts they are named after.
fn catalogue() -> Catalogue {
    let own = include_str!("parts.toml");
    let catalogue = Catalogue::builtin().unwrap();
    catalogue.with_user_file(own, "parts.toml").unwrap()
}

impl Layout {
    /// By what a person looks up of the parts marked so: their smallest erase, and whether they take
    /// pages. Byte by byte, a large piece would take the emulator minutes.
    fn for_marking(model: &Model, catalogue: &Catalogue) -> Self {
        let found = catalogue.by_marking(&model.marking);
        let parts = || found.iter().flat_map(|found| &found.candidates);
        let smallest = |part: &Part| part.erase_types.first().map(|kind| kind.size_bytes);
        let block = parts().filter_map(smallest).max().unwrap_or(4096);
        let pages = parts().all(|part| part.program == ProgramMethod::Page);
        let piece_max = if pages { 64 << 10 } else { 4 << 10 };
        Self::of(model.size_bytes, block as usize, piece_max)
    }
}
