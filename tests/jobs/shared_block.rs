//! An erase block that a change shares with unit data.

use norlock::interlock::{Acceptable, Interlock};
use norlock::job::Exit;
use norlock::mock::{Fault, Faults, Torn};
use norlock::unit::store::Store;

use crate::station::{Station, code};

/// `system` ends, and `calibration` begins, within a 4 KiB block.
const REGIONS: &str = r#"
size = "1MiB"

[[region]]
name = "system"
start = 0x020000
end = 0x0E0200
holds = "replaceable"

[[region]]
name = "calibration"
start = 0x0E0200
end = 0x0F0000
holds = "unit-data"
"#;

/// A unit with a target that changes the last bytes of `system`, beside its unit data.
fn station() -> Station {
    made_ready(Station::new(50))
}

fn made_ready(station: Station) -> Station {
    let edge = code(51, 0x400);
    station.mock.set_truth(0x0E_0000, &edge).unwrap();
    station.mock.set_truth(0x0E_8000, &code(53, 0x100)).unwrap();
    station.backup().unwrap();
    let map = station.folder.join("regions.toml");
    station.files.replace(&map, REGIONS.as_bytes()).unwrap();
    let piece = std::path::PathBuf::from("/bench/system.bin");
    let bytes = code(52, 0xC_0200);
    station.files.replace(&piece, &bytes).unwrap();
    let order = norlock::job::TailorOrder {
        region: "system".into(),
        pieces: vec![norlock::job::PieceOrder {
            file: piece,
            offset: None,
            sha256: norlock::unit::Digest::of(&bytes),
        }],
        rest: Some(norlock::image::Rest::Keep),
    };
    norlock::job::tailor(
        &mut station.unit(),
        &[order],
        None,
        &station.catalogue,
        true,
    )
    .unwrap();
    station
}

#[test]
fn a_block_shared_with_unit_data_holds_by_the_interlocks_name() {
    let station = station();
    let before = station.cells();
    let stop = station.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held);
    assert!(
        stop.headline.starts_with("Held by unit-data-kept:"),
        "{}",
        stop.headline
    );
    assert_eq!(stop.held[0].interlock, Interlock::UnitDataKept);
    assert_eq!(station.cells(), before);
    assert_eq!(station.mock.modifying_operations(), 0);
}

#[test]
fn accepted_by_name_it_is_written_and_the_unit_data_stays() {
    let mut station = station();
    let before = station.cells();
    station.accepted = vec![(Acceptable::SharedBlock, "the map cannot move".into())];
    station.write().unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    assert_eq!(station.cells()[0x0E_0200..], before[0x0E_0200..]);
    assert_ne!(station.cells()[..0x0E_0200], before[..0x0E_0200]);
}

/// Without an ID of its own the unit is known by its data, of which one block is torn.
#[test]
fn the_torn_block_is_not_taken_for_another_units() {
    for back in [false, true] {
        let nameless = || {
            let station = Station::new(50);
            station.mock.set_unique_id(vec![0xFF; 8]);
            let mut station = made_ready(station);
            station.accepted = vec![(Acceptable::SharedBlock, "the map cannot move".into())];
            station
        };
        let whole = {
            let station = nameless();
            station.write().unwrap();
            station.mock.modifying_operations()
        };
        let station = nameless();
        // The shared block is the last: its erase, and then its pages.
        let torn = Fault::PowerCut {
            at_operation: whole,
            torn: Torn::NotStarted,
        };
        station.mock.set_faults(Faults::seeded(1).with(torn));
        let stop = station.write().unwrap_err();
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        assert_ne!(
            station.cells()[0x0E_0200..],
            station.image("as-found.bin")[0x0E_0200..],
            "the cut is in the unit data"
        );
        station.mock.set_faults(Faults::none());
        station.mock.power_up();
        station.mock.monitor().uncover(0..u32::MAX);
        let image = if back {
            station.restore(1).unwrap();
            "as-found.bin"
        } else {
            station.write().unwrap();
            "target.bin"
        };
        assert!(station.cells() == station.image(image));
    }
}
