//! The check of a person's own parts file: all that is wrong in it, and what is only odd.

use std::path::PathBuf;

use norlock::part::{Catalogue, FileCheck, Mark};

pub const GOOD: &str = "[[part]]
name = 'EX25Q32A'
markings = ['25Q32A', 'EX25Q32A']
jedec_id = [0x7E, 0x40, 0x16]
size_bytes = 4194304
supply_mv = [2700, 3600]
page_size_bytes = 256
page_program_us = [700, 3000]
erase = [{ size_bytes = 4096, opcode = 0x20, time_ms = [45, 400] }]
status_write_us = [10000, 15000]
sck_max = [{ opcode = 0x03, mhz = 50 }]
status = 'basic'
source = { title = 'EX25Q32A data sheet', revision = 'A', place = 'p.60' }
memory = ['erase_time']
";

fn check(text: &str) -> FileCheck {
    Catalogue::builtin().unwrap().check_file(text, "own.toml")
}

fn file(part: &str) -> String {
    format!("maker = 'Example'\n{part}")
}

/// The good file with each text replaced by the one behind it.
fn with(changes: &[(&str, &str)]) -> FileCheck {
    let text = changes.iter().fold(file(GOOD), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    });
    check(&text)
}

#[test]
fn a_good_file_has_neither_faults_nor_remarks() {
    let found = check(&file(GOOD));
    assert_eq!((found.faults, found.remarks), (vec![], vec![]));
    assert_eq!(found.maker.as_deref(), Some("Example"));
    assert_eq!(found.parts.len(), 1);
    assert_eq!(found.parts[0].part.memory, ["erase_time"]);
    assert!(found.table_parts > 300);
}

#[test]
fn every_fault_is_told_with_its_place() {
    let found = with(&[
        ("[2700, 3600]", "[3600, 2700]"),
        ("[700, 3000]", "[3000, 700]"),
        ("opcode = 0x03", "opcode = 0x0B"),
        ("'erase_time'", "'erase_tim'"),
    ]);
    let places: Vec<(usize, usize)> = found.faults.iter().map(|f| (f.line, f.column)).collect();
    assert_eq!(places, [(7, 13), (9, 19), (12, 11), (15, 11)]);
    for fault in &found.faults {
        assert_eq!(fault.part.as_deref(), Some("EX25Q32A"));
    }
    assert!(found.faults[0].text.contains("3600 to 2700 mV"));
    // A second part is read although the first is wrong.
    let second = GOOD
        .replace("EX25Q32A", "EX25Q32B")
        .replace("'25Q32A'", "'25Q32X'");
    let second = second
        .replace("0x16]", "0x26]")
        .replace("mhz = 50", "mhz = 0");
    let both = check(&file(&format!(
        "{}{second}",
        GOOD.replace("4194304", "4194305")
    )));
    let parts: Vec<_> = both
        .faults
        .iter()
        .filter_map(|f| f.part.as_deref())
        .collect();
    assert_eq!(parts, ["EX25Q32A", "EX25Q32B"]);
}

/// Every file that must be refused: the check has the fault that the refusal names, at its place.
#[test]
fn the_check_and_the_refusal_agree() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/parts");
    for (kind, good) in [("invalid", false), ("valid", true)] {
        let mut seen = 0;
        for entry in std::fs::read_dir(folder.join(kind)).unwrap() {
            let path = entry.unwrap().path();
            let text = std::fs::read_to_string(&path).unwrap();
            let table = Catalogue::builtin().unwrap();
            let found = table.check_file(&text, "own.toml");
            assert_eq!(found.faults.is_empty(), good, "{}", path.display());
            let refusal = table.with_user_file(&text, "own.toml").err();
            let refused = refusal.map(|error| error.faults).unwrap_or_default();
            assert_eq!(refused, found.faults, "{}", path.display());
            seen += 1;
        }
        assert!(seen > 5);
    }
}

#[test]
fn clashes_with_the_table_are_faults() {
    let found = with(&[("'EX25Q32A'", "'W25Q64JV'")]);
    assert!(found.faults[0].text.contains("a part of this name already"));
    let found = with(&[("[0x7E, 0x40, 0x16]", "[0xEF, 0x40, 0x16]")]);
    assert!(
        found.faults[0]
            .text
            .contains("answers with the same JEDEC ID")
    );
    let found = with(&[(
        "jedec_id = [0x7E, 0x40, 0x16]",
        "jedec_id = [0xEF, 0x40, 0x16]\nshares_id = true",
    )]);
    assert_eq!(found.faults, []);
    let relatives = &found.parts[0].shares_id_with;
    let jv = relatives.iter().find(|one| one.name == "W25Q32JV").unwrap();
    assert_eq!(jv.told_apart_by[..1], [Mark::Marking]);
    // The same name twice in one file.
    let twice = check(&file(&format!("{GOOD}{GOOD}")));
    let says = "line 3 of this file has a part of this name already";
    assert_eq!(twice.faults.len(), 1);
    assert_eq!(
        (twice.faults[0].line, twice.faults[0].text.as_str()),
        (17, says)
    );
}

/// A maker's own file, into which an entry was put: what it was before is no clash.
#[test]
fn what_the_table_has_just_so_is_no_clash() {
    let table = Catalogue::builtin().unwrap();
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("chips/macronix.toml");
    let text = std::fs::read_to_string(path).unwrap();
    let own = GOOD
        .replace("EX25Q32A", "MX25Q32A")
        .replace("0x7E, 0x40", "0xC2, 0x7A");
    let found = table.check_file(format!("{text}\n{own}"), "macronix.toml");
    assert_eq!((found.faults, found.remarks), (vec![], vec![]));
    assert!(found.parts.len() > 40);
    for one in &found.parts {
        assert_eq!(one.as_in_table, one.part.name != "MX25Q32A");
        let mut names: Vec<&str> = one.shares_id_with.iter().map(|r| r.name.as_str()).collect();
        let all = names.len();
        names.dedup();
        assert_eq!(names.len(), all, "{names:?}");
    }
    let parts = table.parts().len();
    let with = table
        .clone()
        .with_user_file(&text, "macronix.toml")
        .unwrap();
    assert_eq!(with.parts().len(), parts);
    // One value that is another is a clash, and the part is not counted twice for others.
    let other = text.replacen("[2700, 3600]", "[2700, 3500]", 1);
    let found = table.check_file(&other, "macronix.toml");
    assert_eq!(found.faults.len(), 1, "{:?}", found.faults);
    assert!(found.faults[0].text.contains("a part of this name already"));
    assert!(table.with_user_file(&other, "macronix.toml").is_err());
}

/// What would open an interlock, or be refused by the guard half way through a write.
#[test]
fn values_that_no_part_can_have_are_faults() {
    for (from, to, place, says) in [
        (
            "[2700, 3600]",
            "[1000, 6000]",
            (7, 13),
            "no part is made for all of 1000 to 6000 mV",
        ),
        (
            "[2700, 3600]",
            "[1000, 3001]",
            (7, 13),
            "at most three times its lowest",
        ),
        (
            "opcode = 0x20",
            "opcode = 0x02",
            (10, 40),
            "02h is never sent to erase",
        ),
        (
            "opcode = 0x20",
            "opcode = 0x01",
            (10, 40),
            "01h is never sent to erase a block; leave",
        ),
        (
            "opcode = 0x20",
            "opcode = 20",
            (10, 40),
            "14h is never sent to erase a block; was 0x20 meant?",
        ),
        (
            "opcode = 0x20",
            "opcode = 0x20, opcode_4byte = 0x12",
            (10, 61),
            "12h is never sent",
        ),
    ] {
        let found = with(&[(from, to)]);
        assert_eq!(found.faults.len(), 1, "{to}: {:?}", found.faults);
        let fault = &found.faults[0];
        assert!(fault.text.contains(says), "{fault:?}");
        assert_eq!((fault.line, fault.column), place, "{to}");
    }
    // AT25XV041B, from memory: the widest that is known.
    assert_eq!(with(&[("[2700, 3600]", "[1650, 4400]")]).faults, []);
}

#[test]
fn a_marking_that_others_have_is_told() {
    let found = with(&[("'25Q32A'", "'25Q32JV'")]);
    assert_eq!(found.faults, []);
    assert_eq!(found.parts[0].marked_alike, ["W25Q32JV", "W25Q32JV-IM"]);
}

/// The ID table of W25Q64JV Rev. J: 17h is 8 MiB.
#[test]
fn a_density_that_is_not_the_size_is_remarked_on() {
    let other = ("[0x7E, 0x40, 0x16]", "[0xEF, 0x77, 0x17]");
    let found = with(&[("Example", "Winbond"), other]);
    assert_eq!((&found.faults[..], found.remarks.len()), (&[][..], 1));
    let remark = &found.remarks[0];
    let says = "usually stands for 8388608 bytes";
    assert!(remark.text.contains(says), "{remark:?}");
    assert_eq!((remark.line, remark.column), (5, 12));
}

/// JEP106: EFh is what Winbond sends. The others: common practice, no source; see the functions.
#[test]
fn what_is_possible_and_rare_is_remarked_on() {
    for (from, to, place, says) in [
        (
            "0x7E, 0x40",
            "0xEF, 0x50",
            (5, 12),
            "one that Winbond sends",
        ),
        ("'25Q32A', 'EX25Q32A'", "'25Q64A'", (3, 8), "in its name"),
        (
            "size_bytes = 4096",
            "size_bytes = 8192",
            (10, 25),
            "erases 8192 bytes by 20h",
        ),
        (
            "[2700, 3600]",
            "[1650, 3700]",
            (7, 13),
            "no part of the table takes all of 1.65 to 3.7 V",
        ),
        (
            "[700, 3000]",
            "[14, 5000000]",
            (9, 19),
            "a maximum of 5000 ms; no part of the table takes more than 20 ms",
        ),
        (
            "[45, 400]",
            "[1, 2]",
            (10, 25),
            "a maximum of 2 ms; no part of the table is sure to have done it before",
        ),
        (
            "[10000, 15000]",
            "[10000, 15000000]",
            (11, 19),
            "no part of the table takes more than 1000 ms",
        ),
        ("mhz = 50", "mhz = 500", (12, 11), "with 03h"),
    ] {
        let found = with(&[(from, to)]);
        assert_eq!(found.faults, [], "{to}");
        let told: Vec<_> = found.remarks.iter().map(|r| r.text.as_str()).collect();
        assert_eq!(told.len(), 1, "{to}: {told:?}");
        assert!(told[0].contains(says), "{told:?}");
        let remark = &found.remarks[0];
        assert_eq!((remark.line, remark.column), place, "{to}");
    }
}

/// A remark that good entries draw often would be read by nobody.
#[test]
fn entries_of_the_table_draw_few_remarks() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("chips");
    let (mut parts, mut remarks) = (0, Vec::new());
    for entry in std::fs::read_dir(folder).unwrap() {
        let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        let found = Catalogue::default().check_file(&text, "chips");
        parts += found.parts.len();
        remarks.extend(found.remarks);
    }
    // Against an empty table no erase type is known.
    remarks.retain(|remark| !remark.text.starts_with("no part of the table"));
    assert!(parts > 300);
    let about = |words: &str| remarks.iter().filter(|r| r.text.contains(words)).count();
    assert!(about("usually stands for") * 10 < parts, "{remarks:#?}");
    assert!(about("in its name") * 50 < parts, "{remarks:#?}");
    assert_eq!(about("one that"), 0, "{remarks:#?}");
}

#[test]
fn a_file_that_is_no_toml_has_no_parts() {
    let found = check("maker = 'Example'\n[[part");
    assert_eq!(found.faults.len(), 1, "{:?}", found.faults);
    assert!(found.maker.is_none() && found.parts.is_empty());
    // One that is, and has no maker.
    let found = check("");
    assert_eq!(found.faults.len(), 1, "{:?}", found.faults);
    assert!(found.parts.is_empty());
    // All that a part must have and has not.
    let found = check("maker = 'E'\n[[part]]\nodd = 1\n");
    assert!(found.faults.len() > 10, "{:?}", found.faults);
    assert_eq!(found.maker.as_deref(), Some("E"));
}
