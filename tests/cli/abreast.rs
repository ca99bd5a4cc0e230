//! Several units at once, each on a chip select of its own, as they are typed.

use std::collections::BTreeSet;
use std::path::Path;

use norlock::mock::{BenchFile, Mock};

use crate::desk::{Desk, noise};
use crate::interrupted::signal;
use crate::json;

const BENCH: &str = "--power socket --marking W25Q80DVSIG";

/// Bench options and folders of so many units.
fn units(count: usize) -> String {
    (1..=count)
        .map(|number| format!(" --mock {number}.toml --unit gauge-0{number}"))
        .collect()
}

/// Loggers of one kind with data and an ID of their own.
fn desk(count: u8, part: &str, size: usize) -> Desk {
    let desk = Desk::with(part, size);
    for number in 1..=count {
        let mut content = desk.cells();
        content[size / 16 * 15..][..16].copy_from_slice(&noise(u64::from(number), 16));
        desk.put(&format!("{number}.cells"), content);
        let cells = format!("{number}.cells");
        let mut bench = BenchFile::new(part, Path::new(&cells));
        bench.unique_id = Some(vec![0xD1, 0x64, 0x5C, 0x1B, 0, 0, 0, number]);
        Mock::create(&desk.path(&format!("{number}.toml")), &bench).unwrap();
    }
    desk
}

#[test]
fn each_unit_gets_its_own_backup_and_one_that_fails_disturbs_no_other() {
    let desk = desk(3, "W25Q80DV", 1 << 20);
    let good = String::from_utf8(desk.get("2.toml")).unwrap();
    desk.put(
        "2.toml",
        format!("{good}\n[[fault]]\nmiso = {{ shows = \"high\" }}\n"),
    );
    let line = format!("backup{} {BENCH}", units(3));
    let ended = desk.ends(&line, 3);
    ended.says("2 of 3 units: done.");
    ended.says("gauge-01 | done");
    ended.says("gauge-02 -| held by an interlock, exit code 3");
    for stage in ["first", "second"] {
        ended.says(&format!("gauge-03, {stage} read: 1 MiB in"));
    }
    for number in [1, 3] {
        let kept = desk.get(&format!("gauge-0{number}/as-found.bin"));
        assert!(kept == desk.get(&format!("{number}.cells")));
    }
    assert!(!desk.path("gauge-02/as-found.bin").exists());
    // Next steps are those of each unit.
    ended.says("--unit gauge-02 --mock 2.toml");

    desk.put("2.toml", good);
    desk.ends(&format!("backup --mock 2.toml --unit gauge-02 {BENCH}"), 0);
    let verify = format!("verify as-found.bin{} {BENCH}", units(3));
    desk.ends(&verify, 0).says("All 3 units: done.");
    let mut cells = desk.get("3.cells");
    cells[0x2_0000] ^= 1;
    desk.put("3.cells", cells);
    let ended = desk.ends(&verify, 1);
    ended.says("2 of 3 units");
    ended.says("gauge-03: The chip differs from as-found.bin in 1 byte");
    // The worst of them counts, wherever it stands.
    desk.put(
        "1.toml",
        format!(
            "{}\n[[fault]]\nmiso = {{ shows = \"high\" }}\n",
            String::from_utf8(desk.get("1.toml")).unwrap()
        ),
    );
    desk.ends(&verify, 3)
        .says("gauge-03 -| compared and different, exit code 1");
}

#[test]
fn a_folder_that_cannot_be_read_is_its_own_units_matter() {
    let desk = desk(2, "W25Q80DV", 1 << 20);
    std::fs::create_dir(desk.path("gauge-02")).unwrap();
    desk.put("gauge-02/unit.toml", "name = ");
    let ended = desk.ends(&format!("backup{} {BENCH}", units(2)), 5);
    ended.says("gauge-01 | done");
    ended.says("gauge-02 -| file fault, exit code 5");
    assert!(desk.get("gauge-01/as-found.bin") == desk.get("1.cells"));
}

#[test]
fn two_chip_selects_that_reach_one_chip_are_noticed() {
    let desk = desk(2, "W25Q80DV", 1 << 20);
    let same = String::from_utf8(desk.get("1.toml")).unwrap();
    desk.put("2.toml", same.replace("1.cells", "2.cells"));
    desk.put("2.cells", desk.get("1.cells"));
    let ended = desk.ends(&format!("backup{} {BENCH}", units(2)), 3);
    ended.says("0 of 2 units");
    for unit in ["gauge-01", "gauge-02"] {
        ended.says(&format!("{unit}: Held by same-unit"));
        assert!(!desk.path(unit).join("as-found.bin").exists(), "{unit}");
    }
}

#[test]
fn programs_are_told_which_unit_an_event_is_of() {
    let desk = desk(2, "W25Q80DV", 1 << 20);
    let ended = desk.ends(&format!("backup{} {BENCH} --json", units(2)), 0);
    let lines: Vec<serde_json::Value> = ended
        .out
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let (last, events) = lines.split_last().unwrap();
    let of: BTreeSet<_> = events.iter().map(|line| line["of"].as_str()).collect();
    assert_eq!(of, BTreeSet::from([Some("gauge-01"), Some("gauge-02")]));
    for unit in ["gauge-01", "gauge-02"] {
        let own = |line: &&serde_json::Value| line["of"] == unit && line["event"] == "ended";
        let own = events.iter().find(own).unwrap();
        assert_eq!(own["report"]["unit"], unit);
    }
    assert_eq!(last["event"], "ended");
    assert_eq!(last["report"]["units"][1]["unit"], "gauge-02");
}

#[test]
fn ctrl_c_stops_all_of_them() {
    // On a busy computer one may have ended before the signal reaches it.
    assert!((0..20).any(|_| stops_all()), "never were both at work");
}

/// Sends the signal once both are at work. False where one of them had ended before it was heard.
fn stops_all() -> bool {
    let desk = desk(2, "W25Q128JV", 16 << 20);
    let mut running = desk.start(&format!(
        "backup{} --power socket --marking 25Q128JVSQ --json",
        units(2)
    ));
    let mut lines = json::lines(&mut running);
    let mut at_work = BTreeSet::new();
    while at_work.len() < 2 {
        let line: serde_json::Value = serde_json::from_str(&lines.next().unwrap()).unwrap();
        assert_ne!(line["event"], "ended", "{line}");
        if line["event"] == "progress" {
            at_work.insert(line["of"].as_str().unwrap().to_owned());
        }
    }
    signal("INT", running.id());
    let rest: Vec<String> = lines.collect();
    let code = running.wait().unwrap().code();
    if rest.iter().any(|line| line.contains(r#""exit":0"#)) {
        return false;
    }
    assert_eq!(code, Some(130), "{rest:?}");
    let stopping = rest
        .iter()
        .filter(|line| **line == r#"{"event":"stopping"}"#);
    assert_eq!(stopping.count(), 1, "{rest:?}");
    let ended = rest.iter().filter(|line| line.contains(r#""exit":130"#));
    assert_eq!(ended.count(), 3, "{rest:?}");
    true
}

#[test]
fn a_line_that_does_not_say_which_chip_is_which_unit_does_nothing() {
    let desk = desk(2, "W25Q80DV", 1 << 20);
    let before = desk.files();
    for (line, why) in [
        (
            "backup --mock 1.toml --mock 2.toml --unit gauge-01",
            "name one --unit for each",
        ),
        (
            "verify a.bin --mock 1.toml --mock 2.toml",
            "name one --unit for each",
        ),
        (
            "verify a.bin --mock 1.toml --unit gauge-01 --unit gauge-02",
            "name one --unit for each",
        ),
        (
            "backup --mock 1.toml --unit gauge-01 --mock ./1.toml --unit gauge-02",
            "'./1.toml' is named twice",
        ),
        (
            "backup --mock 1.toml --unit gauge-01 --mock 2.toml --unit ./gauge-01",
            "'./gauge-01' is named twice",
        ),
        (
            "backup --mock 1.toml --unit a/gauge --mock 2.toml --unit b/gauge",
            "two units have one name",
        ),
        (
            "backup --mock 1.toml --unit a --mock 2.toml --unit b --trace t",
            "a trace holds the frames of one chip",
        ),
        (
            "backup --mock 1.toml --unit a --mock 2.toml --unit b --accept known-part --because x",
            "accepted of one unit",
        ),
        (
            "id --mock 1.toml --mock 2.toml",
            "id works on one chip at a time",
        ),
        (
            "write a.bin --mock 1.toml --unit a --mock 2.toml --unit b",
            "cannot be used multiple times",
        ),
    ] {
        desk.ends(line, 2).says(why);
    }
    assert_eq!(desk.files(), before);
}
