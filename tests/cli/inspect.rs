//! `norlock inspect`.

use std::fs;

use norlock::image::{Holds, RegionMap};

use crate::desk::{Desk, REGIONS, noise};

#[test]
fn a_backup_is_sane_and_shown_with_the_names_of_its_map() {
    let desk = Desk::ready();
    fs::copy(
        desk.path("regions.toml"),
        desk.path("gauge-07/regions.toml"),
    )
    .unwrap();
    let before = desk.files();
    // By its path the folder is known, by --unit a bare name is.
    for line in [
        "inspect gauge-07/as-found.bin",
        "inspect as-found.bin --unit gauge-07",
        "inspect gauge-07/as-found.bin --map regions.toml",
    ] {
        let ended = desk.ends(line, 0);
        ended.says("A sane dump of 1 MiB");
        ended.says("No mirror, no shift, no stuck bit.");
        ended.says("bits a byte");
        ended.says("0x0F0000 -| identity");
        assert!(!ended.out.contains("no map"), "{ended}");
    }
    desk.ends("inspect target.bin --unit gauge-07", 0);
    assert!(desk.files() == before, "looking changes nothing");
}

#[test]
fn the_heading_stands_above_the_figures() {
    let desk = Desk::new();
    let ended = desk.ends("inspect chip.cells", 0);
    ended.says("no map, so that regions have no names here");
    ended.says("Next norlock inspect chip.cells --draft-map regions.toml");
    let lines: Vec<&str> = ended.out.lines().collect();
    let heading = lines
        .iter()
        .position(|line| line.ends_with("  bits a byte"))
        .unwrap();
    let first = lines[heading + 1];
    assert!(first.contains(" 32 KiB  packed"), "{ended}");
    assert_eq!(first.len(), lines[heading].len(), "{ended}");
}

#[test]
fn what_is_no_sane_dump_ends_with_1_and_says_why() {
    let desk = Desk::ready();
    let image = desk.cells();
    let late: Vec<u8> = [0xFF]
        .iter()
        .chain(&image[..image.len() - 1])
        .copied()
        .collect();
    desk.put("mirror.bin", image.repeat(2));
    desk.put("late.bin", late);
    desk.put("short.bin", &image[..1_000_000]);
    desk.put("half.bin", &image[..1 << 19]);
    desk.put("blank.bin", vec![0xFF; 1 << 16]);
    desk.put("empty.bin", []);
    for (line, says) in [
        (
            "inspect mirror.bin",
            "This is no sane dump: from 0x100000 on, its first 1 MiB come once more",
        ),
        (
            "inspect late.bin",
            "4 starts of data lie 1 byte late, from 0x010001 on.",
        ),
        (
            "inspect short.bin",
            "This is no sane dump: it is 48576 bytes less than 1 MiB.",
        ),
        (
            "inspect half.bin --map regions.toml",
            "it has 512 KiB, and the map is for 1 MiB.",
        ),
        (
            "inspect half.bin --unit gauge-07",
            "it has 512 KiB, and the unit's chip has 1 MiB.",
        ),
        (
            "inspect blank.bin",
            "This is no sane dump: every byte is FF.",
        ),
        (
            "inspect empty.bin",
            "This is no sane dump: there is not a byte in it.",
        ),
    ] {
        desk.ends(line, 1).says(says);
    }
}

/// At the backup the chip settled that A18 works: a read across the border does not use it.
#[test]
fn what_stands_twice_in_a_backup_is_no_mirror() {
    let desk = Desk::with("W25Q80DV", 1 << 20);
    let mut twice = noise(8, 1 << 18).repeat(2);
    twice.extend(noise(9, 1 << 18).repeat(2));
    desk.put("chip.cells", &twice);
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    desk.ends("inspect gauge-07/as-found.bin", 0)
        .says("A sane dump of 1 MiB");
    desk.ends("inspect as-found.bin --unit gauge-07", 0);
    desk.put("copy.bin", &twice);
    desk.ends("inspect copy.bin", 1)
        .says("This is no sane dump: it is the same with and without A18.");
}

#[test]
fn a_draft_is_written_once_and_can_be_used_as_it_is() {
    let desk = Desk::new();
    desk.ends("inspect chip.cells --draft-map drafted.toml", 0)
        .says("Next Check each region of drafted.toml");
    let text = String::from_utf8(desk.get("drafted.toml")).unwrap();
    let map = RegionMap::parse("drafted.toml", &text).unwrap();
    assert!(map.has_unit_data());
    assert!(
        map.regions()
            .iter()
            .all(|region| region.holds != Holds::Replaceable)
    );
    assert_eq!(map.kind_at(0xE_0000), Holds::UnitData);
    desk.ends("inspect chip.cells --draft-map drafted.toml", 5)
        .says("'drafted.toml' exists already.");
    assert_eq!(desk.get("drafted.toml"), text.as_bytes());
    desk.put("empty.bin", []);
    desk.ends("inspect empty.bin --draft-map none.toml", 5)
        .says("There is nothing to map in it.");
    desk.ends("inspect chip.cells --map drafted.toml", 0)
        .says("-| packed-020000");
}

#[test]
fn two_units_show_what_is_each_ones_own() {
    let desk = Desk::new();
    let mut other = desk.cells();
    other[0xE_0000..0xE_0400].copy_from_slice(&noise(7, 0x400));
    other[0x1_000C] = b'9';
    desk.put("gauge-11.bin", &other);
    desk.put("regions.toml", REGIONS);
    let ended = desk.ends("inspect chip.cells gauge-11.bin", 0);
    ended.says("chip.cells and gauge-11.bin differ in");
    ended.says("at 2 places; 2 may be unit data.");
    ended.says("Next norlock inspect chip.cells gauge-11.bin --draft-map regions.toml");
    desk.ends("inspect chip.cells gauge-11.bin --map regions.toml", 0)
        .says("-| calibration");
    desk.ends("inspect chip.cells gauge-11.bin --draft-map both.toml", 0);
    let text = String::from_utf8(desk.get("both.toml")).unwrap();
    let map = RegionMap::parse("both.toml", &text).unwrap();
    assert_eq!(map.kind_at(0xE_0000), Holds::UnitData);
    assert_eq!(map.kind_at(0xF_0000), Holds::UnitData, "equal in both");

    desk.put("short.bin", &other[..5000]);
    desk.ends("inspect chip.cells short.bin", 5)
        .says("chip.cells has 1 MiB, and short.bin has 5000 bytes.");
    desk.put("copy.bin", desk.cells());
    desk.ends("inspect chip.cells copy.bin", 0)
        .says("are equal in all 1 MiB");
    desk.ends("inspect chip.cells nowhere.bin", 5)
        .says("Cannot open 'nowhere.bin'.");
}

#[test]
fn the_staff_is_drawn_by_the_ending_of_the_file() {
    let desk = Desk::new();
    desk.ends("inspect chip.cells --picture chip.svg", 0);
    let svg = String::from_utf8(desk.get("chip.svg")).unwrap();
    assert!(svg.contains("<svg") && svg.contains("packed"), "{svg}");
    desk.ends("inspect chip.cells chip.cells --picture both.png", 0);
    assert_eq!(
        desk.get("both.png")[..4],
        *b"\x89PNG",
        "PNG Third Edition, 5.2"
    );
    desk.ends("inspect chip.cells --picture chip.svg", 5)
        .says("'chip.svg' exists already.");
    desk.ends("inspect chip.cells --picture chip.gif", 2);
}

#[test]
fn strings_are_shown_on_request_and_none_of_the_unit_itself() {
    let desk = Desk::new();
    let mut image = desk.cells();
    let mut put = |at: usize, text: &[u8]| image[at..at + text.len()].copy_from_slice(text);
    put(0x1_0100, b"built 2026-11-26 by the harbour office\n");
    put(0xF_0200, b"calibrated 2026-11-25\n");
    desk.put("dump.bin", &image);
    let ended = desk.ends("inspect dump.bin --map regions.toml --strings", 0);
    ended.says("0x010100 | built 2026-11-26 by the harbour office");
    assert!(!ended.out.contains("2026-11-25"), "{ended}");
    assert!(
        !desk
            .ends("inspect dump.bin --map regions.toml", 0)
            .out
            .contains("built")
    );
    desk.ends("inspect dump.bin other.bin --strings", 2);
}

#[test]
fn programs_get_the_same_as_json() {
    let desk = Desk::new();
    let ended = desk.ends("inspect chip.cells --json", 0);
    let line: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
    let report = &line["report"];
    assert_eq!(report["sane"], true);
    assert_eq!(report["look"]["size_bytes"], 1 << 20);
    assert_eq!(report["doubts"], serde_json::json!([]));
    let stretches = report["stretches"].as_array().unwrap();
    assert_eq!(stretches[0]["looks"], "packed");
    assert_eq!(stretches[0]["range"]["end"], 32 << 10);
    desk.put("mirror.bin", desk.cells().repeat(2));
    let ended = desk.ends("inspect mirror.bin --json", 1);
    let line: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
    assert_eq!(line["report"]["doubts"][0]["mirror"]["address_bits"][0], 20);
}

/// Images of two units have the same names: the folder says which is whose.
#[test]
fn two_images_of_one_name_are_named_by_their_folders() {
    let desk = Desk::ready();
    std::fs::create_dir(desk.path("dumps")).unwrap();
    desk.put("dumps/as-found.bin", desk.get("gauge-07/as-found.bin"));
    let ended = desk.ends("inspect gauge-07/as-found.bin dumps/as-found.bin", 0);
    ended.says("gauge-07/as-found.bin and dumps/as-found.bin are equal in all 1 MiB.");
    let ended = desk.ends("inspect gauge-07/as-found.bin gauge-07/target.bin", 0);
    ended.says("as-found.bin and target.bin differ in");
    assert!(!ended.said().contains("gauge-07/"), "{ended}");
}
