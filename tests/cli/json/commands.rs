//! Every command with `--json`, well and badly, held against the schema and against the output of earlier versions.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use norlock::cli::args::Command;
use norlock::job::Exit;
use serde_json::Value;

use super::{adds, schema, valid};
use crate::desk::{Desk, TAILOR};

/// The version whose output `NORLOCK_KEEP_JSON` keeps.
const NOW: &str = "0.1";

const SHELF: &str =
    "stages = [\"contact\", \"backup\"]\n\n[[unit]]\nfolder = \"gauge-08\"\nmock = \"chip.toml\"\n";

/// The whole job, and what stops its commands; the line, and its exit code.
const LINES: [(&str, i32); 35] = [
    ("parts W25Q80DVSIG", 0),
    ("parts --text W25Q80DV", 0),
    ("parts none-such", 1),
    ("parts --check own.toml", 5),
    ("wiring", 0),
    ("wiring --svg boot.bin", 5),
    ("contact --watch @bench", 0),
    (
        "contact --unit gauge-07 --mock off.toml --power clip --marking W25Q80DVSIG",
        1,
    ),
    ("id @bench", 0),
    ("id --mock chip.toml --power clip --marking W25Q128FW", 3),
    ("sfdp @bench", 0),
    ("sfdp --from boot.bin", 5),
    ("backup --unit gauge-07 @bench", 0),
    (
        "backup --unit gauge-09 --mock lost.toml --power clip --marking W25Q80DVSIG",
        4,
    ),
    ("verify other.bin --unit gauge-07 @bench", 1),
    ("check --unit gauge-07", 0),
    ("check --unit none", 5),
    ("inspect gauge-07/as-found.bin --strings", 0),
    ("inspect gauge-07/as-found.bin other.bin", 0),
    ("inspect none.bin", 5),
    ("@tailor", 0),
    ("@tailor", 5),
    ("worklist target.bin --unit gauge-07", 0),
    ("worklist none.bin --unit gauge-07", 5),
    ("write target.bin --unit gauge-07 @bench", 3),
    ("write target.bin --unit gauge-07 @bench @paper", 0),
    ("verify target.bin --unit gauge-07 @bench", 0),
    ("restore --unit gauge-07 @bench", 3),
    ("restore --unit gauge-07 @bench @paper", 0),
    ("survey --unit gauge-07 @bench --passes 6", 0),
    ("protect --unit gauge-07 @bench", 0),
    ("logbook gauge-07", 0),
    ("logbook --shelf .", 0),
    ("shelf shelf.toml --power clip --marking W25Q80DVSIG", 0),
    ("shelf boot.bin", 5),
];

/// What each line printed, valid.
fn printed() -> Vec<(String, Vec<Value>)> {
    let desk = Desk::new();
    desk.put("shelf.toml", SHELF);
    desk.put("own.toml", "maker = 1\n");
    let mut other = desk.cells();
    other[0x2_0100] ^= 1;
    desk.put("other.bin", other);
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    let fault = |fault: &str| format!("{bench}[[fault]]\n{fault}\n");
    let off = fault("loose-contact = { shows = \"high\" }");
    desk.put("off.toml", off);
    let lost = fault("link = { at_batch = 60, error = { errno = 5 }, lasting = true }");
    desk.put("lost.toml", lost);
    let of = |(line, code): &(&str, i32)| {
        let typed = format!("{} --json", line.replace("@tailor", TAILOR));
        let ended = desk.ends(&typed, *code);
        assert_eq!(ended.err, "", "{line}");
        let lines: Vec<Value> = ended.out.lines().map(valid).collect();
        let last = lines.last().unwrap();
        assert_eq!(
            (&last["event"], &last["exit"]),
            (&"ended".into(), &(*code).into())
        );
        (line.replace("@tailor", "tailor"), lines)
    };
    let mut all: Vec<_> = LINES.iter().map(of).collect();
    for line in ["demo --in tour --quiet", "schema"] {
        all.push(of(&(line, 0)));
    }
    all.extend(usage(&desk));
    all
}

/// A line that each command does not understand, and those that name none.
fn usage(desk: &Desk) -> Vec<(String, Vec<Value>)> {
    let of_each = Command::NAMES.map(|name| format!("{name} --unheard-of"));
    let more = ["levitate", "", "write t.bin --unit g", "id --size 3MiB"].map(str::to_owned);
    let lines = of_each.into_iter().chain(more).map(|line| (line, 2));
    let helps = ["--help", "--version", "write --help"].map(|line| (line.to_owned(), 0));
    let of = |(line, code): (String, i32)| {
        let ended = desk.ends(&format!("{line} --json"), code);
        assert_eq!(
            (ended.err.as_str(), ended.out.lines().count()),
            ("", 1),
            "{line}"
        );
        (line, vec![valid(ended.out.trim_end())])
    };
    lines.chain(helps).map(of).collect()
}

/// By what a line is filed: the command it names, or `none`.
fn file_of(line: &str) -> &str {
    let first = line.split(' ').next().unwrap();
    let known = Command::NAMES.into_iter().find(|name| *name == first);
    known.unwrap_or("none")
}

/// The command that a line asked for, where it was done.
fn done_by((typed, lines): &(String, Vec<Value>)) -> Option<String> {
    let last = lines.last()?;
    let named = last["command"].as_str()?;
    if named == "help" {
        assert!(typed.contains("--help") || typed.contains("--version"));
        return None;
    }
    assert_eq!(named, file_of(typed), "{typed}");
    (last["exit"] == 0).then(|| named.to_owned())
}

#[test]
fn every_command_prints_what_is_published_and_what_earlier_versions_did() {
    let all = printed();
    let done: BTreeSet<String> = all.iter().filter_map(done_by).collect();
    assert_eq!(done, Command::NAMES.map(str::to_owned).into());
    let codes: BTreeSet<u64> = all
        .iter()
        .filter_map(|(_, lines)| lines.last()?["exit"].as_u64())
        .collect();
    // Unfinished and stopped runs are in the tests of interruptions.
    let told = Exit::ALL.map(|exit| u64::from(exit.number()));
    assert_eq!(codes, told.into_iter().filter(|code| *code < 6).collect());
    if std::env::var_os("NORLOCK_KEEP_JSON").is_some() {
        keep(&all);
    }
    for version in versions() {
        nothing_is_lost(&all, &version);
    }
}

fn folder(version: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/json")
        .join(version)
}

fn versions() -> Vec<String> {
    let entries = fs::read_dir(folder("")).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let names: Vec<String> = names.collect();
    assert!(names.iter().any(|name| name == NOW));
    names
}

/// `{"typed": …, "line": …}` in a file for each command.
fn keep(all: &[(String, Vec<Value>)]) {
    fs::create_dir_all(folder(NOW)).unwrap();
    let mut files: BTreeMap<&str, String> = BTreeMap::new();
    for (typed, lines) in all.iter().filter(|(typed, _)| typed != "schema") {
        let file = files.entry(file_of(typed)).or_default();
        for line in lines {
            let kept = serde_json::json!({ "typed": typed, "line": steady(line) });
            *file += &format!("{kept}\n");
        }
    }
    for (name, text) in files {
        fs::write(folder(NOW).join(format!("{name}.jsonl")), text).unwrap();
    }
    let published = format!("{:#}\n", schema());
    fs::write(folder(NOW).join("schema.json"), published).unwrap();
}

/// The line with every time of day the same.
fn steady(line: &Value) -> Value {
    match line {
        Value::String(text) => {
            let is_time = text.len() >= 20
                && text.starts_with("20")
                && text.as_bytes()[10] == b'T'
                && text.ends_with('Z');
            Value::from(if is_time {
                "2026-01-01T00:00:00Z"
            } else {
                text
            })
        }
        Value::Array(values) => values.iter().map(steady).collect(),
        Value::Object(keys) => {
            let keys = keys.iter().map(|(key, value)| (key.clone(), steady(value)));
            Value::Object(keys.collect())
        }
        other => other.clone(),
    }
}

/// What an earlier version printed is valid today, and all of it is still printed.
fn nothing_is_lost(all: &[(String, Vec<Value>)], version: &str) {
    let mut kept: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    let mut order = Vec::new();
    for entry in fs::read_dir(folder(version)).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "jsonl") {
            continue;
        }
        for line in fs::read_to_string(path).unwrap().lines() {
            let value: Value = serde_json::from_str(line).unwrap();
            valid(&value["line"].to_string());
            let typed = value["typed"].as_str().unwrap().to_owned();
            order.push(typed.clone());
            kept.entry(typed).or_default().push(value["line"].clone());
        }
    }
    assert!(order.len() > LINES.len(), "{version}");
    for (typed, old) in kept {
        let mut runs = all.iter().filter(|(line, _)| *line == typed);
        let new: Vec<&Value> = runs.by_ref().flat_map(|(_, lines)| lines).collect();
        assert!(!new.is_empty(), "{version}: '{typed}' is no longer tried");
        for event in old.iter().map(|line| &line["event"]).collect::<Vec<_>>() {
            let of = |line: &&&Value| line["event"] == *event;
            let (old, new) = (old.iter().filter(|line| of(&line)), new.iter().filter(of));
            for (old, new) in old.zip(new) {
                let mut lost = Vec::new();
                adds::lost(old, new, "", &mut lost);
                assert_eq!(lost, Vec::<String>::new(), "{version}: {typed}\n{new}");
            }
        }
    }
}

#[test]
fn the_schema_only_adds_to_that_of_earlier_versions() {
    for version in versions() {
        let text = fs::read_to_string(folder(&version).join("schema.json")).unwrap();
        let old: Value = serde_json::from_str(&text).unwrap();
        jsonschema::draft202012::meta::validate(&old).unwrap();
        let gone = adds::gone(&old, &schema());
        assert_eq!(gone, Vec::<String>::new(), "{version}");
    }
}
