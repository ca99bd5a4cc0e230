//! `protect` as it is typed: what it shows, what it sets, what it refuses.
//!
//! The ranges are rows of GD25Q16C Rev 2.9, Table 1.0.

use crate::bad_input::refused;
use crate::desk::Desk;

const BENCH: &str = "--mock chip.toml --power clip --marking GD25Q16CSIG";

/// A chip of 2 MiB whose lowest 4 KiB are protected, with a backup.
fn desk() -> Desk {
    let desk = Desk::with("GD25Q16C", 2 << 20);
    let mut bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    let plain = bench.clone();
    bench += "[[fault]]\nprotected = { status_1 = 0x64 }\n";
    desk.put("chip.toml", bench);
    desk.ends(&format!("backup --unit gauge-07 --quiet {BENCH}"), 0);
    // The bits stay: the chip keeps its supply.
    desk.put("chip.toml", plain);
    desk
}

fn protect(words: &str) -> String {
    format!("protect {words} {BENCH}").replace("  ", " ")
}

#[test]
fn a_look_tells_ranges_registers_and_locks_and_changes_nothing() {
    let desk = desk();
    let (files, cells) = (desk.files(), desk.cells());
    for words in ["", "--unit gauge-07"] {
        let shown = desk.ends(&protect(words), 0);
        assert!(
            shown
                .out
                .starts_with("0x000000 to 0x001000 is protected, the rest is not.\n")
        );
        for line in [
            "  0x000000 -| protected         4 KiB",
            "  0x001000 -| not protected  2044 KiB",
            "  registers  SR1 64, SR2 00, SR3 00",
            "  locked     no: the registers can be written",
            "  one-time   LB not set",
            "Chip  untouched.",
        ] {
            assert!(
                shown.out.lines().any(|shown| shown == line),
                "{line}\n{shown}"
            );
        }
        assert!(shown.err.is_empty(), "{shown}");
    }
    assert_eq!((desk.files(), desk.cells() == cells), (files, true));
}

#[test]
fn what_is_set_is_there_for_the_next_command() {
    let desk = desk();
    let cells = desk.cells();
    for (set, says) in [
        ("none", "No range is protected."),
        ("all", "The whole chip is protected."),
        (
            "0x1F0000..0x200000",
            "0x1F0000 to 0x200000 is protected, the rest is not.",
        ),
        (
            "0x000000..0x100000 --until-power-off",
            "0x000000 to 0x100000 is protected,",
        ),
    ] {
        let done = desk.ends(&protect(&format!("--unit gauge-07 --set {set}")), 0);
        done.says("Written and read back: ");
        done.says("Chip its protection changed as asked; its array untouched.");
        desk.ends(&protect(""), 0).says(says);
    }
    assert!(desk.cells() == cells);
    let unit = String::from_utf8(desk.get("gauge-07/unit.toml")).unwrap();
    for line in [
        "\"registers found\" = \"05h 64, 15h 00, 35h 00\"",
        "\"asked for\" = \"none\"",
    ] {
        assert!(unit.contains(line), "{unit}");
    }
}

#[test]
fn the_same_in_json() {
    let desk = desk();
    let line = protect("--unit gauge-07 --set all --until-power-off --json --quiet");
    let ended = desk.ends(&line, 0);
    let value: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
    let report = &value["report"];
    assert_eq!(value["command"], "protect");
    assert_eq!(report["protection"]["range"]["end"], 2 << 20);
    assert_eq!(report["change"]["before"]["range"]["end"], 0x1000);
    assert_eq!(report["change"]["until_power_off"], true);
    // BP2 and BP1, whatever BP0 is.
    assert_eq!(report["registers"][0]["value"], 0x18);
    assert_eq!(report["one_time"][0]["name"], "LB");
    assert_eq!(report["volatile_form"], "enabled");
}

/// W25Q32JV Rev. G, 7.1.10: with WPS = 1 each of 32 sectors and 62 blocks has a lock, all closed at power-up.
#[test]
fn locks_of_single_blocks_are_shown() {
    let desk = Desk::with("W25Q32JV", 4 << 20);
    let line = "protect --mock chip.toml --power clip --marking W25Q32JVSIQ";
    let plain = desk.ends(line, 0);
    plain.says("No range is protected.");
    assert!(!plain.said().contains("own locks"), "{plain}");
    let mut bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    bench += "[[fault]]\nregister-bits = { register = 0x15, bits = 0x04 }\n";
    desk.put("chip.toml", bench);
    let shown = desk.ends(line, 0);
    shown.says("The whole chip is protected.");
    shown.says("own locks 94 read; those of one range are closed");
    shown.says("table nothing can be set as it is now");
}

/// Locks beside the status register, and a lock register, that no document was read for: MT25QL256ABA and
/// SST26VF016B are in the table with `status` from memory.
#[test]
fn what_was_not_looked_at_is_not_called_open() {
    let desk = Desk::with("MT25QL256ABA", 32 << 20);
    let line = "protect --mock chip.toml --power clip --marking MT25QL256ABA --supply 2.7V-3.6V";
    let shown = desk.ends(line, 0);
    shown.says("No block protect bit is set; sector locks were not looked at.");
    shown.says("one-time not known: the status registers were not read in a document");
    assert!(!shown.said().contains("not protected"), "{shown}");
    let json: serde_json::Value =
        serde_json::from_str(&desk.ends(&format!("{line} --json --quiet"), 0).out).unwrap();
    assert_eq!(json["report"]["all_looked_at"], false);
    assert_eq!(json["report"]["lock_known"], false);
    let desk = Desk::with("SST26VF016B", 2 << 20);
    let line = "protect --mock chip.toml --power clip --marking SST26VF016B --supply 2.7V-3.6V";
    desk.ends(line, 0).says("locked not known");
}

#[test]
fn what_can_be_set_is_shown_and_what_ends_with_the_supply() {
    let desk = desk();
    let shown = desk.ends(&protect("--unit gauge-07"), 0);
    shown.says("bottom from 0x000000 to 0x001000, 0x002000, ");
    shown.says("top to 0x200000 from 0x1FF000, ");
    assert!(!shown.said().contains("until the supply is cut"), "{shown}");
    let set = "--unit gauge-07 --set none --until-power-off";
    desk.ends(&protect(set), 0);
    let shown = desk.ends(&protect("--unit gauge-07"), 0);
    shown.says("until the supply is cut, as norlock set it; found: 05h 64, 15h 00, 35h 00");
    desk.ends(&protect("--unit gauge-07 --set none"), 0);
    let shown = desk.ends(&protect("--unit gauge-07"), 0);
    assert!(!shown.said().contains("until the supply is cut"), "{shown}");
}

#[test]
fn what_cannot_be_set_is_refused() {
    let desk = desk();
    for (words, code, says) in [
        (
            "--unit gauge-07 --set 0x1000..0x3000",
            3,
            "Held by writable: the protection cannot be set so.",
        ),
        (
            "--unit gauge-07 --set 0x0..0x1800",
            3,
            "covers it: 0x000000..0x002000",
        ),
        ("--set all", 2, "--unit <FOLDER>"),
        ("--until-power-off", 2, "--set <none|all|RANGE>"),
        (
            "--unit gauge-07 --set some",
            2,
            "not none, all or a range such as",
        ),
        (
            "--unit gauge-07 --set 0x2000..0x2000",
            2,
            "the range is empty",
        ),
    ] {
        refused(&desk, &protect(words), code, says);
    }
    refused(
        &desk,
        "protect --unit gauge-07",
        2,
        "--spidev PATH or --mock FILE",
    );
    desk.ends(&protect(""), 0)
        .says("0x000000 to 0x001000 is protected");
    // WP# low, with the lock bit set: told before, and named where it shows.
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    desk.put(
        "chip.toml",
        bench + "[[fault]]\nwrite-protect-pin = { lock_bit = true }\n",
    );
    desk.ends(&protect(""), 0).says("locked while WP# is low");
    let line = protect("--unit gauge-07 --set none");
    let held = desk.ends(&line, 3);
    held.says("it is locked while WP# is low");
    held.says("Chip as it was found; a register write was sent and not taken.");
    held.says("Pull WP# up");
}
