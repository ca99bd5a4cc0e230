//! A unit whose chip was replaced by a new one of the same size.

use norlock::job::{self, Exit, Nobody, RestoreOrder};
use norlock::unit::Unit;

use crate::station::Station;

const OLD: [u8; 8] = [0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x07];
const NEW: [u8; 8] = [0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x99, 0x42];

fn replaced(station: &Station, replacement: bool) -> Result<job::WriteReport, job::Stop> {
    let order = RestoreOrder {
        to: 1,
        offline: station.paper(),
        replacement,
        ..RestoreOrder::default()
    };
    job::restore(&mut station.unit(), &order, station.bench(), &mut Nobody)
}

#[test]
fn a_replacement_is_announced_and_then_is_the_units_chip() {
    let station = Station::new(40);
    station.mock.set_unique_id(OLD.to_vec());
    station.backup().unwrap();
    station.map();
    let as_found = station.image("as-found.bin");
    station.mock.set_unique_id(NEW.to_vec());
    station.mock.set_truth(0, &vec![0xFF; 1 << 20]).unwrap();

    let stop = replaced(&station, false).unwrap_err();
    assert_eq!(stop.exit, Exit::Held);
    assert!(stop.headline.contains("same-unit"), "{}", stop.headline);
    assert!(station.cells().iter().all(|byte| *byte == 0xFF));

    replaced(&station, true).unwrap();
    assert_eq!(station.cells(), as_found);
    let unit = Unit::view(station.store(), &station.folder).unwrap();
    let identity = unit.file().identity.clone().unwrap();
    assert_eq!(identity.unique_id.unwrap(), "D1 64 5C 1B 0F 2A 99 42");
    let last = unit.file().operations.last().unwrap();
    for id in ["D1 64 5C 1B 0F 2A 33 07", "D1 64 5C 1B 0F 2A 99 42"] {
        assert!(last.outcome.contains(id), "{}", last.outcome);
    }
    drop(unit);

    // From here on it is the unit's own chip like any other.
    assert_eq!(station.backup().unwrap().number, 2);
    station.tailor(41);
    station.write().unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    station.mock.set_unique_id(OLD.to_vec());
    let stop = station.write().unwrap_err();
    assert!(stop.headline.contains("same-unit"), "{}", stop.headline);
}
