//! A size in doubt, and a write that did not end: what each command says then, and what it leads to.
//!
//! Judged by the simulated cells, and by typing what the screens tell to do next.

use std::fs;

use crate::desk::{Desk, Ended, TAILOR};

/// Half of a W25Q80DV.
const HALF: usize = 512 << 10;

/// The bench of a desk with one more fault.
fn faulty(desk: &Desk, fault: &str) {
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    desk.put("chip.toml", format!("{bench}\n[[fault]]\n{fault}\n"));
}

/// A chip of half the size that it says, with a cells file of the size that it says.
fn relabelled() -> Desk {
    let desk = Desk::new();
    let lower = desk.cells()[..HALF].repeat(2);
    desk.put("chip.cells", lower);
    faulty(&desk, "real-size = { size_bytes = 524288 }");
    desk
}

/// The text of a screen in one line, as it was before it was wrapped.
fn flowing(ended: &Ended) -> String {
    ended
        .said()
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

#[track_caller]
fn tells(ended: &Ended, text: &str) {
    let said = flowing(ended);
    assert!(said.contains(text), "no '{text}' in\n{ended}");
}

#[test]
fn an_upper_half_that_repeats_the_lower_is_a_size_in_doubt() {
    let desk = relabelled();
    let id = desk.ends("id --unit gauge-07 @bench --size 512KiB", 0);
    tells(
        &id,
        "On the clip: Winbond W25Q80DV. It says 1 MiB, and its upper half repeats the lower. The size is in doubt.",
    );
    tells(
        &id,
        "Next Read the marking again. A backup compares the whole halves",
    );
    let json = desk.ends("id @bench --json", 0).out;
    let told: serde_json::Value = serde_json::from_str(json.trim()).unwrap();
    let doubt = told["report"]["size_doubt"].as_str().unwrap();
    assert!(doubt.contains("repeats the lower"), "{doubt}");

    let held = desk.ends("backup --unit gauge-07 @bench --size 512KiB", 3);
    tells(
        &held,
        "--size 512 KiB is not used, as the chip says what it is",
    );
    tells(
        &held,
        "Only if you know that the array has 1 MiB: --accept chip-size --because 'how you know'",
    );
    let accepting = "backup --unit gauge-07 @bench --accept chip-size --because copies";
    let kept = desk.ends(accepting, 0);
    tells(
        &kept,
        "accepted chip-size, although the upper half repeats the lower (A19)",
    );
}

#[test]
fn a_write_to_an_upper_half_that_is_not_there_leads_back() {
    let desk = relabelled();
    let accepting = "--accept chip-size --because it's-two-copies";
    desk.ends(&format!("backup --unit gauge-07 @bench {accepting}"), 0);
    let found = desk.cells();
    let mut target = found.clone();
    target[HALF + 0x1_0000..HALF + 0x1_0010].fill(0);
    desk.put("up.bin", &target);
    desk.put(
        "gauge-07/regions.toml",
        "size = \"1MiB\"\n[[region]]\nname = \"all\"\nstart = 0\nsize = \"1MiB\"\nholds = \"replaceable\"\n",
    );
    let no_map = "--accept no-unit-data --because none-on-this-board";
    let write = format!("write up.bin --unit gauge-07 @bench @paper {accepting} {no_map}");
    let stopped = desk.ends(&write, 6);
    tells(
        &stopped,
        "the array may end at 512 KiB, a doubt that was accepted (chip-size)",
    );
    tells(
        &stopped,
        "Chip changed, perhaps also where the journal does not say so.",
    );
    let back = "norlock restore --to 1 --unit gauge-07 --mock chip.toml --accept chip-size --because \
                'it'\\''s-two-copies'";
    tells(&stopped, back);
    assert_ne!(desk.cells()[..HALF], found[..HALF]);

    // Given again, the write says the same, and asks for no backup, which would be refused.
    let again = desk.ends(&write, 6);
    tells(
        &again,
        "Chip changed, perhaps also where the journal does not say so.",
    );
    tells(
        &again,
        "No backup can be made until the unfinished write has ended.",
    );
    tells(&again, back);
    desk.ends(
        &format!("restore --to 1 --unit gauge-07 @bench @paper {accepting}"),
        0,
    );
    assert_eq!(desk.cells()[..HALF], found[..HALF]);
}

#[test]
fn a_write_that_did_not_end_is_told_before_anything_new_is_begun() {
    let desk = Desk::ready();
    let bench = desk.get("chip.toml");
    faulty(
        &desk,
        "power-cut = { at_operation = 40, torn = \"prefix\" }",
    );
    desk.run("write target.bin --unit gauge-07 @bench @paper");
    fs::write(desk.path("chip.toml"), bench).unwrap();

    let id = desk.ends("id --unit gauge-07 @bench", 0);
    tells(&id, "tells of a write that did not end");
    tells(
        &id,
        "Next Give the same write command again, or go back: norlock restore --unit gauge-07 --mock chip.toml",
    );
    assert!(!flowing(&id).contains("norlock backup"), "{id}");
    let json = desk.ends("id --unit gauge-07 @bench --json", 0).out;
    let told: serde_json::Value = serde_json::from_str(json.trim()).unwrap();
    assert!(told["report"]["unfinished"].is_string(), "{told}");
    // Of a folder that is no unit nothing is said.
    let other = desk.ends("id --unit other @bench", 0);
    tells(&other, "norlock backup --unit other --mock chip.toml");

    // Somebody else writes meanwhile, where neither the journal nor the target has anything.
    let mut cells = desk.cells();
    cells[0xF_8000] ^= 0x55;
    desk.put("chip.cells", cells);
    let held = desk.ends("write target.bin --unit gauge-07 @bench @paper", 6);
    tells(&held, "1 range differs: 0x0F8000 to 0x0F9000");
    tells(
        &held,
        "Go back: norlock restore --to 1 --unit gauge-07 --mock chip.toml",
    );
    assert!(!flowing(&held).contains("Back the unit up again"), "{held}");
    desk.ends("backup --unit gauge-07 @bench", 6);
}

#[test]
fn one_image_is_one() {
    let desk = Desk::new();
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    let check = desk.ends("check --unit gauge-07", 0);
    tells(&check, "its one image hashes as it did when it was kept.");
    desk.ends(TAILOR, 0);
    tells(
        &desk.ends("check --unit gauge-07", 0),
        "2 images hash as they did",
    );
    tells(&desk.ends("id @bench", 0), "On the clip: a 1 MiB part,");
}

#[test]
fn a_supply_that_dips_stops_between_two_blocks_and_the_same_line_goes_on() {
    let desk = Desk::ready();
    let bench = desk.get("chip.toml");
    let write = "write target.bin --unit gauge-07 @bench @paper";
    faulty(&desk, "host-under-voltage = {}");
    let before = desk.cells();
    let held = desk.ends(write, 3);
    tells(
        &held,
        "Held by supply-level: the bench computer reports an under-voltage.",
    );
    assert_eq!(desk.cells(), before);
    // Ever later, until it comes in the writing.
    let stopped = (1000..4000).step_by(60).find_map(|from_batch| {
        desk.put("chip.toml", &bench);
        let fault = format!("host-under-voltage = {{ from_batch = {from_batch} }}");
        faulty(&desk, &fault);
        let ended = desk.run(write);
        (ended.code != 3).then_some(ended)
    });
    let stopped = stopped.unwrap();
    assert_eq!(stopped.code, 6, "{stopped}");
    tells(&stopped, "the bench computer reports an under-voltage.");
    tells(&stopped, "0 in hand");
    tells(
        &stopped,
        "Next Do not power the board. Lift the clip, feed the bench computer from a",
    );
    desk.put("chip.toml", &bench);
    desk.ends(write, 0);
}
