//! The whole job on a simulated unit: backed up, converted, proven, and brought back.
use std::error::Error;

use norlock::interlock::Acceptances;
use norlock::job::{self, Nobody, Offline, RestoreOrder, SCK_DEFAULT, VerifyOrder, WriteOrder};
use norlock::unit::Unit;

mod gauge;

/// On a simulated chip, as in a test.
pub fn main() -> Result<(), Box<dyn Error>> {
    let (gauge, mut unit) = gauge::Gauge::new()?;
    let found = gauge.chip.truth(0..1 << 20);
    let backup = job::backup(&mut unit, gauge.bench(), &mut Nobody)?;
    // On a real bench the person types these digits from paper, or names a folder on another disk.
    let offline = Offline {
        hashes: vec![backup.sha256.to_string()],
        ..Offline::default()
    };

    let (orders, map) = ([gauge.boot.clone()], gauge.map.clone());
    let tailored = job::tailor(&mut unit, &orders, Some(&map), &gauge.catalogue, false)?;
    let target = unit.folder().join(&tailored.target);
    let open = |unit: &Unit| unit.store().open(&target);

    let image = open(&unit)?;
    let none = Acceptances::default();
    let list = job::worklist(&unit, &*image, &gauge.catalogue, &none, SCK_DEFAULT)?;
    println!("{}", list.lines.join("\n"));

    let order = WriteOrder {
        target: open(&unit)?,
        target_name: tailored.target,
        offline: offline.clone(),
        lift_protection: false,
    };
    let written = job::write(&mut unit, order, gauge.bench(), &mut Nobody)?;
    println!("{} blocks changed, {} left", written.changed, written.left);
    let compared = job::verify(
        &VerifyOrder::whole(&*image, 3),
        None,
        gauge.bench(),
        &mut Nobody,
    )?;
    assert!(compared.is_equal());

    let back = RestoreOrder {
        to: 1,
        offline,
        ..RestoreOrder::default()
    };
    job::restore(&mut unit, &back, gauge.bench(), &mut Nobody)?;
    assert!(gauge.chip.truth(0..1 << 20) == found);
    assert!(job::check(&unit)?.is_clean());
    Ok(())
}
