//! `contact` as it is typed: the verdict, the record that `backup` goes by, and the watch.

use crate::desk::{Desk, Ended};

/// The desk's bench with one more fault.
fn faulty(fault: &str) -> Desk {
    let desk = Desk::new();
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    desk.put("chip.toml", format!("{bench}\n[[fault]]\n{fault}\n"));
    desk
}

#[test]
fn a_backup_goes_by_what_the_last_contact_proved() {
    let desk = faulty("flips = { rate = 0.001, above_sck = \"15MHz\" }");
    let ended = desk.ends("contact --unit gauge-07 @bench", 0);
    ended.says("fewer than 1 in 1.2 million, with a confidence of 95 %");
    ended.says("Next Use --sck 5MHz, one step below.");
    let ended = desk.ends("backup --unit gauge-07 @bench", 0);
    ended.says("first 5 MHz, read 03h");
    ended.says("SCK 5 MHz, as the last contact proved");
    // 1 MiB at each clock: 1.7 s and 2.8 s.
    ended.says("reads at 5 MHz and 3 MHz: about 5 s");
    let ended = desk.ends("backup --unit gauge-07 @bench --json", 0);
    ended.says("{\"event\":\"expected\",\"sck\":[5000000,3000000],\"about\":{\"secs\":4,");
    ended.says("\"sck_proven\":5000000");
    let ended = desk.ends("backup --unit gauge-07 @bench --sck 2MHz", 0);
    ended.says("first 2 MHz, read 03h");
    assert!(!ended.out.contains("as the last contact"), "{ended}");
    let unit = String::from_utf8(desk.get("gauge-07/unit.toml")).unwrap();
    assert_eq!(unit.matches("command = \"contact\"").count(), 1, "{unit}");
    assert!(unit.contains("\nproven = \"no error in "), "{unit}");
    assert!(unit.contains("\noverhead = \"30 us\"\n"), "{unit}");
}

/// What a look at bad contacts, or at another folder, leaves.
#[test]
fn only_a_good_contact_makes_the_units_folder() {
    let desk = faulty("bit-slip = { bits = 2 }");
    desk.ends("contact --unit gauge-07 @bench", 1);
    assert!(!desk.path("gauge-07").exists());
    let desk = Desk::new();
    std::fs::create_dir(desk.path("letters")).unwrap();
    desk.put("letters/harbour.txt", "to the harbour office");
    let ended = desk.ends("contact --unit letters @bench --sck 10MHz", 0);
    ended.says("The clip is seated");
    ended.says("record not kept:");
    assert!(!desk.path("letters/unit.toml").exists());
}

#[test]
fn a_bad_contact_has_its_sign_on_the_screen() {
    let desk = faulty("bit-slip = { bits = 2 }");
    let ended = desk.ends("contact @bench", 1);
    ended.says(
        "The contact is not good enough. sign shifted seen the ID FB D0 05 is that of W25Q80DV moved by 2 bits",
    );
    ended
        .says("Next Signals off, then the supply (docs/wiring.md has the order), reseat the clip,");
    ended.says("look Put a ground beside CLK");
    ended.says("More on shifted: docs/suspect-units.md");
}

#[test]
fn an_id_that_changes_is_not_shown_as_one() {
    let desk = faulty("alternating-id = { bytes = [0xC2, 0x20, 0x18] }");
    let ended = desk.ends("contact @bench", 1);
    ended.says("sign alternating");
    ended.says("JEDEC ID not steady");
}

#[test]
fn another_units_chip_is_said_first() {
    let desk = Desk::ready();
    let chip = String::from_utf8(desk.get("chip.toml")).unwrap();
    let other = "swapped = { unique_id = [8, 7, 6, 5, 4, 3, 2, 1], content = \"same\" }";
    desk.put("chip.toml", format!("{chip}\n[[fault]]\n{other}\n"));
    let before = desk.get("gauge-07/unit.toml");
    let ended = desk.ends("contact --unit gauge-07 @bench", 1);
    ended.says("The clip is seated, but this chip is not that of gauge-07.");
    ended.says("Next Find the folder that belongs to this chip");
    let ended = desk.ends("id --unit gauge-07 @bench", 1);
    ended.says("It is not the chip of gauge-07.");
    ended.says("another unique ID 08 07 06 05 04 03 02 01, the unit file of gauge-07 has");
    ended.says("Next Find the folder that belongs to this chip");
    assert!(!ended.said().contains("norlock backup"), "{ended}");
    // A refusal to read is not about what would be replaced.
    let ended = desk.ends("verify target.bin --unit gauge-07 @bench", 3);
    ended.says("means what is read would be kept or judged as this unit's");
    assert!(!ended.said().contains("replaced"), "{ended}");
    assert!(desk.get("gauge-07/unit.toml") == before);
}

#[test]
fn numbers_have_their_names_in_json() {
    let ended = Desk::new().ends("contact @bench --json", 0);
    let last: serde_json::Value = serde_json::from_str(ended.out.lines().last().unwrap()).unwrap();
    let report = &last["report"];
    assert!(report["link"][2].is_null(), "{report}");
    let ids = serde_json::json!({ "reads": 256, "same": 256 });
    assert_eq!(report["evidence"]["ids"], ids);
    assert_eq!(report["evidence"]["after_long"]["reads"], 16);
}

#[test]
fn the_watch_tells_each_change_and_rings() {
    let line = "contact @bench --watch";
    let fault = "loose-contact = { shows = \"high\", frames = 82 }";
    let desk = faulty(fault);
    // What rings is no text.
    let output = desk.command(&format!("{line} --bell")).output();
    let ended = Ended::of(output.unwrap());
    assert_eq!(ended.code, 0, "{ended}");
    let told = "clip: nothing answers\nclip: a chip answers\n\
                clip: a chip answers steadily; the check begins\n\u{7}";
    assert_eq!(ended.err, told);
    ended.says("The clip is seated");
    let quiet = faulty(fault).ends(&format!("{line} --quiet"), 0);
    assert!(quiet.err.is_empty(), "{quiet}");
    let json = faulty(fault).ends(&format!("{line} --json"), 0);
    let first = json.out.lines().next().unwrap();
    assert_eq!(first, r#"{"event":"seat","seat":"lifted","settled":false}"#);
    desk.ends("contact @bench --bell", 2);
}

#[test]
fn a_reset_is_said_beside_the_state_of_the_chip() {
    let desk = Desk::new();
    let ended = desk.ends("contact @bench --sck 10MHz --reset", 0);
    ended.says("Chip untouched; what does not outlast the supply is as at power-up.");
}

/// What tells whether a block is in hand is damaged, or is not there.
#[test]
fn a_unit_that_cannot_tell_what_is_in_hand_is_not_reset() {
    let line = "contact --unit gauge-07 @bench --sck 10MHz --reset --trace t.txt";
    let says = |file: &str, bytes: Option<&[u8]>, code, words| {
        let desk = Desk::ready();
        std::fs::create_dir_all(desk.path("gauge-07/journal")).unwrap();
        desk.put("gauge-07/journal/write-1", "");
        match bytes {
            Some(bytes) => desk.put(file, bytes),
            None => std::fs::remove_file(desk.path(file)).unwrap(),
        }
        desk.ends(line, code).says(words);
        let sent = std::fs::read(desk.path("t.txt")).unwrap_or_default();
        assert!(sent.is_empty(), "{file}");
    };
    let journal = "gauge-07/journal/write-1";
    let unit = "gauge-07/unit.toml";
    says(
        journal,
        Some(b"torn"),
        6,
        "while gauge-07 has a block in hand",
    );
    says(unit, Some(b"created = 7"), 5, "unit.toml");
    says(unit, None, 5, "nobody can tell what is in hand in gauge-07");
}
