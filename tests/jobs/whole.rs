//! The job from end to end, and back.

use crate::station::Station;

#[test]
fn convert_run_back_up_convert_again_and_go_back_to_the_first() {
    let station = Station::new(1);
    let as_found = station.cells();
    let backup = station.backup().unwrap();
    assert_eq!(station.image(&backup.file), as_found);
    station.map();
    station.tailor(2);
    let target = station.image("target.bin");
    assert_ne!(target, as_found);
    let written = station.write().unwrap();
    assert_eq!(station.cells(), target);
    assert_eq!(written.unit_data, ["calibration", "identity"]);

    // The unit runs and changes its own settings.
    station
        .mock
        .set_truth(0x01_0000, b"unit=gauge-07\nbaud=9600\n")
        .unwrap();
    let second = station.backup().unwrap();
    let changed: Vec<&str> = second
        .changed
        .iter()
        .map(|one| one.region.as_str())
        .collect();
    assert_eq!(
        (second.number, changed),
        (2, vec!["boot", "boot-settings", "system"])
    );
    station.tailor(3);
    station.write().unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    let restored = station.restore(1).unwrap();
    assert_eq!(restored.replaced.as_deref(), Some("replaced-1.bin"));
    assert_eq!(station.cells(), as_found);
    assert_eq!(station.mock.monitor().violations(), 0);
}
