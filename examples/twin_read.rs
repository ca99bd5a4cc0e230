//! Identifies a chip, backs it up by two independent reads, and compares it with the backup.
use std::{error::Error, path::Path, sync::Arc};

use norlock::interlock::{Attestation, Power};
use norlock::job::{self, Bench, Nobody, VerifyOrder, Way};
use norlock::mock::Mock;
use norlock::part::Catalogue;
use norlock::unit::{Unit, store::SimulatedStore};

/// On a simulated chip, as in a test.
pub fn main() -> Result<(), Box<dyn Error>> {
    let catalogue = Catalogue::builtin()?;
    let part = catalogue
        .parts()
        .iter()
        .find(|part| part.name == "W25Q80DV");
    let chip = Mock::new(part.ok_or("not in the table")?.clone());
    let content = (0..1_u32 << 20).map(|at| (at.wrapping_mul(0x9E37_79B1) >> 24) as u8);
    chip.set_truth(0, &content.collect::<Vec<_>>())?;

    let bench = || Bench {
        said: Attestation {
            power: Some(Power::Clip),
            marking: Some("W25Q80DVSIG".into()),
            ..Attestation::default()
        },
        ..Bench::new(Way::Link(Box::new(chip.link())), catalogue.clone())
    };
    println!("{}", job::id(None, bench(), &mut Nobody)?.jedec_id);

    let store = Arc::new(SimulatedStore::new());
    let mut unit = Unit::open_or_create(store, Path::new("/gauge-07"))?;
    let backup = job::backup(&mut unit, bench(), &mut Nobody)?;
    println!("{} {}", backup.sha256, backup.file);

    let image = unit.store().open(&unit.folder().join(&backup.file))?;
    let compared = job::verify(&VerifyOrder::whole(&*image, 1), None, bench(), &mut Nobody)?;
    assert!(compared.is_equal());
    Ok(())
}
