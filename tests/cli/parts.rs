//! `parts` as it is typed: searching, explaining, in words and as JSON.

use crate::bad_input::refused;
use crate::desk::Desk;

fn lines_fit(text: &str) {
    for line in text.lines() {
        assert!(line.chars().count() <= 60, "{line}");
    }
}

fn json(desk: &Desk, line: &str) -> serde_json::Value {
    let ended = desk.ends(&format!("{line} --json"), 0);
    let value: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
    value["report"].clone()
}

#[test]
fn filters_narrow_the_table_together() {
    let desk = Desk::new();
    let ended = desk.ends(
        "parts --maker winbond --size 16MiB --level 3.3V --id EF40",
        0,
    );
    ended.says("parts: maker 'winbond', 16 MiB, for 3.3 V, ID EF 40.");
    ended.says("W25Q128JV EF 40 18 16 MiB 2.7 to 3.6 V");
    assert!(!ended.out.contains("W25Q128JW") && !ended.out.contains("W25Q64JV"));
    lines_fit(&ended.out);
    let found = json(&desk, "parts --level 1.8V --text MX25U");
    let found = found["parts"].as_array().unwrap();
    assert!(found.len() >= 5);
    for part in found {
        assert!(part["name"].as_str().unwrap().contains("MX25U"));
        assert!(part["supply"]["max"].as_u64().unwrap() < 2100);
    }
}

#[test]
fn nothing_found_says_which_condition_is_to_blame() {
    let desk = Desk::new();
    let line = "parts --maker zbit --size 128MiB";
    refused(
        &desk,
        line,
        1,
        "No part in the table fits: maker 'zbit', 128 MiB.",
    );
    let ended = desk.ends(line, 1);
    ended.says("alone maker 'zbit': 3");
    refused(
        &desk,
        "parts --maker nobody",
        1,
        "makers AMIC, Adesto, Boya",
    );
    refused(
        &desk,
        "parts W25Q64JV --maker winbond",
        2,
        "cannot be used with",
    );
    refused(&desk, "parts --id EF4", 2, "EF40");
}

/// The facts of the entry as its datasheet has them: W25Q64JV Rev. J, AC table and section 7.1.
#[test]
fn an_entry_is_explained_in_full() {
    let desk = Desk::new();
    let ended = desk.ends("parts W25Q64JVSSIQ", 0);
    for says in [
        "'W25Q64JVSSIQ' is W25Q64JV",
        "JEDEC ID",
        "EF 40 17",
        "supply 2.7 to 3.6 V",
        "erase 4 KiB by 20h: 45 ms, at most 400 ms",
        "64 KiB by D8h: 150 ms, at most 2 s",
        "program a page of 256 bytes by 02h: 400 us, at most 3 ms",
        "03h up to 50 MHz",
        "its protection table was read",
        "unique ID 8 bytes by 4Bh behind 4 dummy bytes",
        "SFDP yes",
        "source",
    ] {
        ended.says(says);
    }
    lines_fit(&ended.out);
    let quad = desk.ends("parts W25Q256JVEIQ", 0);
    quad.says("by 02h: 400 us, at most 3 ms; on four lanes by 32h, 34h");
    let found = json(&desk, "parts W25Q64JVSSIQ");
    let part = &found["candidates"][0];
    assert_eq!(part["name"], "W25Q64JV");
    assert_eq!(part["tells_protected_ranges"], true);
    assert_eq!(part["unique_id"]["length_bytes"], 8);
    let relatives = part["shares_id_with"].as_array().unwrap();
    assert!(relatives.iter().any(|one| one["name"] == "W25Q64FV"));
}

#[test]
fn facts_from_memory_are_named_with_what_that_means() {
    let desk = Desk::new();
    let ended = desk.ends("parts IS25LP128F", 0);
    ended.says("unread addressing, chip erase, erase types");
    ended.says("means what is named under unread was not read in a document");
    let read = desk.ends("parts W25Q64JVSSIQ", 0);
    assert!(!read.out.contains("means "), "{}", read.out);
    let all = desk.ends("parts W25Q128JWSIQ", 0);
    all.says("supply 1.7 to 1.95 V, not read in a document");
}

#[test]
fn several_parts_of_one_marking_say_where_they_differ() {
    let desk = Desk::new();
    let ended = desk.ends("parts S25FL256S", 0);
    ended.says("S25FL256S, 256 KiB sectors: 01 02 19 4D 00 80");
    ended.says("S25FL256S, 64 KiB sectors: 01 02 19 4D 01 80");
    ended.says("supply 2.7 to 3.6 V");
    ended.says("told apart by more ID bytes");
    lines_fit(&ended.out);
}

#[test]
fn a_beginning_of_markings_of_two_levels_is_connected_to_none() {
    let desk = Desk::new();
    desk.ends("parts 25Q128", 0)
        .says("Do not connect it yet: give all that is printed on the chip");
    desk.ends("parts W25Q128JWSIQ", 0)
        .says("Do not connect it to 3.3 V");
}

#[test]
fn a_source_has_no_words_for_what_is_not_there() {
    let ended = Desk::new().ends("parts W25X10", 0);
    ended.says("source no document read");
    assert!(!ended.out.contains("none, none"), "{ended}");
}

/// Every entry fits the screen, whatever its table holds.
#[test]
fn the_whole_table_fits() {
    let desk = Desk::new();
    let ended = desk.ends("parts", 0);
    lines_fit(&ended.out);
    assert!(ended.out.lines().count() > 339);
}

const OWN: &str = "maker = 'Example'
[[part]]
name = 'EX25Q32A'
markings = ['25Q32A', 'EX25Q32A']
jedec_id = [0x7E, 0x40, 0x16]
size_bytes = 4194304
supply_mv = [2700, 3600]
page_size_bytes = 256
page_program_us = [700, 3000]
erase = [{ size_bytes = 4096, opcode = 0x20, time_ms = [45, 400] }]
status_write_us = [10000, 15000]
sck_max = [{ opcode = 0x03, mhz = 500 }]
status = 'basic'
source = { title = 'EX25Q32A data sheet', revision = 'A', place = 'p.60' }
memory = ['erase_time']
";

#[test]
fn a_file_of_ones_own_is_checked() {
    let desk = Desk::new();
    desk.put("own.toml", OWN);
    let ended = desk.ends("parts --check own.toml", 0);
    ended.says("own.toml can be used: 1 part by Example, held against the");
    ended.says("part EX25Q32A, 7E 40 16, 4 MiB, 2.7 to 3.6 V");
    ended.says("unread erase times");
    ended.says("remark line 12, column 11: EX25Q32A: no part of the table takes more than");
    ended.says("norlock id --parts own.toml");
    lines_fit(&ended.out);
    let report = json(&desk, "parts --check own.toml");
    assert_eq!(report["remarks"][0]["line"], 12);
    assert_eq!(report["parts"][0]["part"]["name"], "EX25Q32A");
}

#[test]
fn a_file_with_faults_ends_with_all_of_them() {
    let desk = Desk::new();
    let bad = OWN
        .replace("[2700, 3600]", "[27, 36]")
        .replace("[700, 3000]", "[0, 1]");
    desk.put("own.toml", bad);
    let ended = desk.ends("parts --check own.toml", 5);
    ended.says("own.toml has 2 faults and cannot be used.");
    ended.says("fault line 7, column 13: EX25Q32A: a supply of 27 to 36 mV");
    ended.says("fault line 9, column 19: EX25Q32A: the times 0 and 1");
    lines_fit(&ended.out);
    refused(
        &desk,
        "parts --check nothing.toml",
        5,
        "Cannot read 'nothing.toml'. seen No such file or directory (os error 2) Next Name a file that is there.",
    );
    refused(&desk, "parts --check .", 5, "Cannot read '.'.");
    refused(
        &desk,
        "parts W25Q64JV --check own.toml",
        2,
        "cannot be used with",
    );
}

/// The last row says how far the check came, and no further.
#[test]
fn a_check_says_only_what_it_checked() {
    let desk = Desk::new();
    let to_the_end = "checked keys, values, how they go together, and names";
    desk.put("own.toml", OWN);
    desk.ends("parts --check own.toml", 0).says(to_the_end);
    for (text, code, says) in [
        (
            "maker = ".to_owned(),
            5,
            "checked only how the file is written",
        ),
        (
            OWN.replace("sck_max", "sck_maximum"),
            5,
            "checked keys and values to the end of the file;",
        ),
        (
            OWN.replace("[700, 3000]", "[0, 1]"),
            5,
            "checked keys and values to the end of the file;",
        ),
        (
            "maker = 'Example'".to_owned(),
            0,
            "own.toml has no part in it.",
        ),
    ] {
        desk.put("own.toml", &text);
        let ended = desk.ends("parts --check own.toml", code);
        ended.says(says);
        assert!(
            code == 0 || !ended.out.contains("how they go together,"),
            "{ended}"
        );
        lines_fit(&ended.out);
    }
    let table = concat!(env!("CARGO_MANIFEST_DIR"), "/chips/macronix.toml");
    let ended = desk.ends(&format!("parts --check {table}"), 0);
    ended.says("as in the table 43 parts");
    assert!(!ended.out.contains("shares ID"), "{ended}");
}

#[test]
fn a_missing_key_is_told_in_one_line() {
    let desk = Desk::new();
    desk.put("own.toml", OWN.replace("source =", "# source ="));
    let ended = desk.ends("parts --parts own.toml", 5);
    ended.says("the key 'source' is missing here");
    assert!(
        !ended.err.contains("<0A>") && !ended.err.contains('\\'),
        "{ended}"
    );
}

/// W25Q is how the names of a whole line begin.
#[test]
fn a_marking_cut_short_is_told_from_one_that_nobody_knows() {
    let desk = Desk::new();
    let ended = desk.ends("parts W25Q", 1);
    ended.says("'W25Q' is too short for a marking:");
    ended.says("parts begin so.");
    ended.says("norlock parts --text W25Q");
    let listed = desk.ends("parts --text W25Q", 0);
    let number = ended
        .err
        .split("marking: ")
        .nth(1)
        .unwrap()
        .split_whitespace()
        .next()
        .unwrap();
    let number: usize = number.parse().unwrap();
    assert!(number > 10);
    let rows = listed
        .out
        .lines()
        .filter(|line| line.contains("EF "))
        .count();
    assert!(number <= rows, "{number} of {rows}");
    desk.ends("parts ZZ99", 1)
        .says("The table knows no part marked 'ZZ99'.");
}
