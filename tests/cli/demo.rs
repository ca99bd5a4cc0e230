//! `norlock demo`.

use crate::desk::Desk;

#[test]
fn the_demo_completes_leaves_its_folder_and_overwrites_none() {
    let desk = Desk::with("W25Q80DV", 1 << 20);
    let ended = desk.ends("demo --in tour --quiet", 0);
    ended.says("gauge-07 is as it was found, byte for byte");
    ended.says("Held by offline-hash");
    for name in [
        "as-found.bin",
        "as-found.sha256",
        "as-found-2.bin",
        "as-found-2.sha256",
        "target.bin",
        "target.sha256",
        "replaced-1.bin",
        "replaced-1.sha256",
        "regions.toml",
        "unit.toml",
        "worklist-1.txt",
        "journal/write-1",
        "journal/write-2",
    ] {
        assert!(desk.path("tour/gauge-07").join(name).is_file(), "{name}");
    }
    assert!(desk.get("tour/gauge-07.cells") == desk.get("tour/gauge-07/as-found.bin"));
    let before = desk.files();
    desk.ends("demo --in tour", 5).says("tour exists already.");
    assert!(desk.files() == before);
}
