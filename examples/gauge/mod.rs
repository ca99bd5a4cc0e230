// A simulated unit for examples: a chip of 1 MiB, the unit's folder, and a file system that holds the region map
// and the piece of a new boot loader. Nothing of it is on disk.

use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use norlock::image::Rest;
use norlock::interlock::{Attestation, Power};
use norlock::job::{Bench, PieceOrder, TailorOrder, Way};
use norlock::mock::Mock;
use norlock::part::Catalogue;
use norlock::unit::store::{SimulatedStore, Store};
use norlock::unit::witness::WitnessedStore;
use norlock::unit::{Digest, Unit};

/// The boot loader may be replaced; all else of the chip is kept, and calibration is known as the unit's own.
pub const MAP: &str = r#"
size = "1MiB"

[[region]]
name = "boot"
start = 0
size = "64KiB"
holds = "replaceable"

[[region]]
name = "calibration"
start = 0x0E0000
size = "64KiB"
holds = "unit-data"
"#;

/// What lies on the bench beside the unit's folder.
pub struct Gauge {
    /// What is on the clip.
    pub chip: Mock,
    /// The parts table.
    pub catalogue: Catalogue,
    /// What goes into the region `boot`.
    pub boot: TailorOrder,
    /// The region map.
    pub map: PathBuf,
}

impl Gauge {
    /// The bench, and the unit's folder.
    pub fn new() -> Result<(Self, Unit), Box<dyn Error>> {
        let catalogue = Catalogue::builtin()?;
        let mut parts = catalogue.parts().iter();
        let part = parts.find(|part| part.name == "W25Q80DV");
        let chip = Mock::new(part.ok_or("not in the table")?.clone());
        let content = (0..1_u32 << 20).map(|at| (at.wrapping_mul(0x9E37_79B1) >> 24) as u8);
        chip.set_truth(0, &content.collect::<Vec<_>>())?;

        let store = SimulatedStore::new();
        store.create_folder(Path::new("/bench"))?;
        let map = PathBuf::from("/bench/regions.toml");
        store.replace(&map, MAP.as_bytes())?;
        let piece = b"a new boot loader\0".repeat(1000);
        let file = PathBuf::from("/bench/boot-loader.bin");
        store.replace(&file, &piece)?;
        let boot = TailorOrder {
            region: "boot".into(),
            pieces: vec![PieceOrder {
                file,
                offset: None,
                sha256: Digest::of(&piece),
            }],
            rest: Some(Rest::Fill(0xFF)),
        };
        // The chip refuses what no durable record covers, so it has to hear of what is durable, and what a sync takes.
        let store = WitnessedStore::beside(Arc::new(store), &chip, Duration::from_millis(5));
        let unit = Unit::open_or_create(Arc::new(store), Path::new("/bench/gauge-07"))?;
        let gauge = Self {
            chip,
            catalogue,
            boot,
            map,
        };
        Ok((gauge, unit))
    }

    /// The bench, as the person at it describes it.
    pub fn bench(&self) -> Bench {
        let said = Attestation {
            power: Some(Power::Clip),
            marking: Some("W25Q80DVSIG".into()),
            ..Attestation::default()
        };
        let way = Way::Link(Box::new(self.chip.link()));
        Bench {
            said,
            ..Bench::new(way, self.catalogue.clone())
        }
    }
}
