//! The documents say what the program does: names, keys and examples are held against the code.
//!
//! No outside source: the code is the source, and `docs/` publishes it.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a document that cannot be read must fail the test"
)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use norlock::image::RegionMap;
use norlock::interlock::{Acceptable, Interlock, Power};
use norlock::jedec::{Hertz, Lanes};
use norlock::job::Verdict;
use norlock::link::Sent;
use norlock::mock::BenchFile;
use norlock::part::Catalogue;
use norlock::text::TextError;
use norlock::unit::survey::{self, SurveyFile};
use norlock::unit::{ImageName, UnitFile, journal, offline};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn read(file: &str) -> String {
    std::fs::read_to_string(root().join(file)).unwrap()
}

/// What stands below a heading, up to the next one of its kind.
fn section<'a>(text: &'a str, heading: &str) -> &'a str {
    let start = text
        .find(&format!("\n## {heading}\n"))
        .unwrap_or_else(|| panic!("no heading '{heading}'"));
    let body = &text[start + 1..];
    body.find("\n## ").map_or(body, |end| &body[..end])
}

/// The fenced blocks of a kind (`toml`, or empty for none).
fn blocks(text: &str, kind: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut open: Option<(String, Vec<&str>)> = None;
    for line in text.lines() {
        match (line.trim_start().strip_prefix("```"), &mut open) {
            (Some(kind), None) => open = Some((kind.to_owned(), Vec::new())),
            (Some(_), Some((of, lines))) => {
                if of == kind {
                    found.push(lines.join("\n") + "\n");
                }
                open = None;
            }
            (None, Some((_, lines))) => lines.push(line),
            (None, None) => {}
        }
    }
    found
}

/// The names that a parser would have taken, out of its message about one that it does not; serde
/// and the TOML reader say it in different words.
fn expected(message: &str) -> Vec<String> {
    if let Some((_, names)) = message.split_once("available keys: ") {
        let names = names.split(", ").filter(|name| !name.is_empty());
        return names.map(str::to_owned).collect();
    }
    let all = ["these can stand here: ", "All of them: "];
    if let Some((_, names)) = all.iter().find_map(|words| message.split_once(words)) {
        return names.split(", ").map(str::to_owned).collect();
    }
    let (_, names) = message
        .split_once(", expected ")
        .unwrap_or_else(|| panic!("{message}"));
    let names = names.split('`').skip(1).step_by(2);
    let names: Vec<String> = names.map(str::to_owned).collect();
    assert!(!names.is_empty(), "{message}");
    names
}

/// The fault that names what can stand at a place.
fn unknown(error: &TextError) -> String {
    let mut faults = error.faults.iter().map(|fault| &fault.text);
    let unknown = faults.find(|text| text.starts_with("unknown"));
    unknown.unwrap_or_else(|| panic!("{error}")).clone()
}

fn assert_names(text: &str, names: &[String], what: &str) {
    let told = |name: &&String| {
        let forms = [
            format!("`{name}`"),
            format!("`[{name}]`"),
            format!("`[{name}."),
            format!("`[[{name}]]`"),
            format!(".{name}`"),
            format!(".{name}]`"),
            format!(".{name}]]`"),
        ];
        forms.iter().any(|form| text.contains(form))
    };
    let missing: Vec<&String> = names.iter().filter(|name| !told(name)).collect();
    assert!(missing.is_empty(), "{what}: {missing:?} are not told");
}

/// First cells of the rows of the table whose first column is headed `head`.
fn first_cells(text: &str, head: &str) -> Vec<String> {
    let lines: Vec<&str> = text.lines().collect();
    let top = lines.windows(2).position(|pair| {
        pair[0].starts_with(&format!("| {head} |")) && pair[1].starts_with("|---")
    });
    lines[top.expect("the table") + 2..]
        .iter()
        .take_while(|line| line.starts_with('|'))
        .map(|line| line.split('|').nth(1).unwrap().trim().replace('`', ""))
        .collect()
}

fn row<'a>(text: &'a str, name: &str) -> &'a str {
    let begin = format!("| `{name}` |");
    text.lines()
        .find(|line| line.starts_with(&begin))
        .unwrap_or_else(|| panic!("no row for '{name}'"))
}

#[test]
fn each_interlock_and_acceptance_has_its_place() {
    let text = read("docs/interlocks.md");
    let headings: Vec<&str> = text.lines().filter_map(|l| l.strip_prefix("## ")).collect();
    let ids: Vec<&str> = Interlock::ALL.iter().map(|one| one.id()).collect();
    assert_eq!(headings[0], "Accepting");
    assert_eq!(headings[1..], ids);
    // The groups, and the refusal that is shown: one of those that need no chip holds.
    let groups = named_in_list(&text);
    assert_eq!(groups, ids);
    let before = Interlock::ALL
        .iter()
        .take_while(|one| **one != Interlock::Contact)
        .count();
    let others = format!(
        "{} are open; {} wait for the chip",
        before - 1,
        ids.len() - before
    );
    assert!(text.contains(&others), "{others}");
    assert_eq!(
        first_cells(&text, "name"),
        Acceptable::ALL.map(|one| one.name().to_owned())
    );
    let never = first_cells(&text, "interlock");
    for id in ids {
        let accepted = text.lines().filter(|line| line.starts_with("| `"));
        let accepted = accepted
            .filter_map(|line| line.split('|').nth(3))
            .any(|cell| cell.contains(&format!("`{id}`")));
        let never = never.contains(&id.to_owned());
        assert!(
            accepted != never,
            "'{id}' has to be in one table under Accepting"
        );
    }
}

/// What is in code type in the numbered list of a text.
fn named_in_list(text: &str) -> Vec<&str> {
    let list = text.lines().skip_while(|line| !line.starts_with("1. "));
    let list = list.take_while(|line| !line.is_empty());
    list.flat_map(|line| line.split('`').skip(1).step_by(2))
        .collect()
}

#[test]
fn the_unit_folder_is_laid_out_as_told() {
    let text = read("docs/files.md");
    let layout = &blocks(section(&text, "The unit folder"), "")[0];
    let images = [
        ImageName::Backup(1),
        ImageName::Backup(2),
        ImageName::Target,
        ImageName::Replaced(1),
    ];
    let mut names: Vec<String> = images
        .iter()
        .flat_map(|image| [image.file_name(), image.hash_file_name()])
        .collect();
    names.extend([".lock", "unit.toml", "regions.toml", "write-1"].map(str::to_owned));
    names.push(format!("{}/", journal::FOLDER));
    names.push(norlock::job::PAGE.to_owned());
    let survey = ["survey-1/", "survey.toml", "pass-1.bin", "pass-2.xor"];
    names.extend(survey.map(str::to_owned));
    names.extend([survey::BEST_GUESS, survey::PICTURE].map(str::to_owned));
    for name in names {
        let told = layout.lines().any(|line| {
            let mut words = line.split_whitespace();
            words.next() == Some(name.as_str())
        });
        assert!(told, "{name}");
    }
}

#[test]
fn unit_toml_is_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "unit.toml");
    let example = &blocks(told, "toml")[0];
    let parse = |text: &str| UnitFile::parse(Path::new("unit.toml"), text.as_bytes());
    let file = parse(example).unwrap();
    let identity = file.identity.as_ref().unwrap();
    assert_eq!(file.name, "gauge-07");
    assert!(
        Catalogue::builtin()
            .unwrap()
            .by_marking(identity.marking.as_deref().unwrap())
            .is_some()
    );
    // As the program would write it, but for nothing.
    assert_eq!(file.text().unwrap(), *example);
    for (table, instead) in [
        ("format = 1\n", "zzz = 1\n"),
        ("[identity]\n", "[identity]\nzzz = 1\n"),
        (
            "[images.\"as-found.bin\"]\n",
            "[images.\"as-found.bin\"]\nzzz = 1\n",
        ),
        ("[[operation]]\n", "[[operation]]\nzzz = 1\n"),
    ] {
        assert!(example.contains(table), "{table}");
        let error = parse(&example.replacen(table, instead, 1)).unwrap_err();
        assert_names(told, &expected(&unknown(&error)), table);
    }
    let acceptance = format!("{example}\n[[operation.acceptance]]\nzzz = 1\n");
    let error = parse(&acceptance).unwrap_err();
    assert_names(told, &expected(&unknown(&error)), "acceptance");

    let hashes = &blocks(section(&text, "Hash files"), "")[0];
    let sha256 = offline::parse_hash_file(hashes, "as-found.bin").unwrap();
    assert_eq!(file.images["as-found.bin"].sha256, sha256);
}

#[test]
fn survey_toml_is_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "Surveys");
    let example = &blocks(told, "toml")[0];
    let parse = |text: &str| SurveyFile::parse(Path::new("survey.toml"), text.as_bytes());
    assert_eq!(parse(example).unwrap().text().unwrap(), *example);
    for table in ["format = 1\n", "[chip]\n", "[[pass]]\n"] {
        let wrong = example.replacen(table, &format!("{table}zzz = 1\n"), 1);
        let error = parse(&wrong).unwrap_err().to_string();
        let mut names = expected(&error);
        names.retain(|name| name != "pass");
        assert_names(told, &names, table);
    }
}

/// Each verdict that a survey can give has its row, with what to do.
#[test]
fn each_verdict_of_a_survey_is_told() {
    let text = read("docs/suspect-units.md");
    let told = section(&text, "What survey says");
    let mut rows = first_cells(told, "verdict");
    let mut words = Verdict::ALL.map(|verdict| verdict.words().to_owned());
    rows.sort();
    words.sort();
    assert_eq!(rows, words);
}

#[test]
fn the_region_map_is_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "regions.toml");
    let example = &blocks(told, "toml")[0];
    let map = RegionMap::parse("regions.toml", example).unwrap();
    assert_eq!(map.size_bytes(), 16 << 20);
    let rest = map.spans().pop().unwrap();
    assert_eq!((rest.region, rest.range), (None, 0xFE_0000..0x100_0000));
    for table in ["", "[[region]]\n"] {
        let error = RegionMap::parse("x", format!("{table}zzz = 1\n")).unwrap_err();
        assert_names(told, &expected(&unknown(&error)), table);
    }
    let holds = "size = 1\n[[region]]\nname = 'a'\nstart = 0\nend = 1\nholds = 'zzz'\n";
    let error = RegionMap::parse("x", holds).unwrap_err();
    let mut values = expected(&unknown(&error));
    values.sort();
    let mut rows = first_cells(told, "`holds`");
    rows.sort();
    assert_eq!(rows, values);
}

#[test]
fn the_journal_is_as_told_beside_its_code() {
    let code = read("src/unit/journal/mod.rs");
    let told = read("docs/files.md");
    let told = section(&told, "The journal");
    let of_code: Vec<&str> = code
        .lines()
        .filter_map(|line| line.strip_prefix("//! |"))
        .collect();
    let of_docs: Vec<&str> = told
        .lines()
        .filter_map(|line| line.strip_prefix('|'))
        .collect();
    assert!(of_code.len() > 25);
    assert_eq!(of_code, of_docs);
    let lengths = format!(
        "A header of {} bytes, then records of {} bytes each.",
        journal::HEADER_BYTES,
        journal::RECORD_BYTES
    );
    assert!(told.contains(&lengths));
}

#[test]
fn parts_files_are_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "Parts files");
    let example = &blocks(told, "toml")[0];
    let load = |text: &str| Catalogue::builtin().unwrap().with_user_file(text, "x");
    let parts = load(example).unwrap();
    assert!(parts.by_marking("EX25Q256ASIG").is_some());
    let mut keys = BTreeSet::new();
    for (place, instead) in [
        ("maker = \"Example\"\n", "zzz = 1\n"),
        ("[[part]]\n", "[[part]]\nzzz = 1\n"),
        ("erase = [\n  { ", "erase = [\n  { zzz = 1, "),
        ("chip_erase = { ", "chip_erase = { zzz = 1, "),
        ("sck_max = [{ ", "sck_max = [{ zzz = 1, "),
        ("four_byte = [\n  { ", "four_byte = [\n  { zzz = 1, "),
        ("unique_id = { ", "unique_id = { zzz = 1, "),
        ("source = { ", "source = { zzz = 1, "),
        ("[[refused]]\n", "[[refused]]\nzzz = 1\n"),
    ] {
        assert!(example.contains(place), "{place}");
        let error = load(&example.replacen(place, instead, 1)).unwrap_err();
        let names = expected(&unknown(&error));
        assert_names(told, &names, place);
        keys.extend(names);
    }
    let shown = |key: &&String| {
        example.contains(&format!("{key} = ")) || example.contains(&format!("[[{key}]]"))
    };
    assert!(keys.len() > 38);
    assert!(keys.iter().all(|key| shown(&key)), "a key without example");
    for (place, instead) in [
        ("program = \"page\"", "program = \"zzz\""),
        ("by = \"mode\"", "by = \"zzz\""),
        ("status = \"winbond\"", "status = \"zzz\""),
        ("busy = \"status\"", "busy = \"zzz\""),
    ] {
        let error = load(&example.replacen(place, instead, 1)).unwrap_err();
        assert_names(told, &expected(&unknown(&error)), place);
    }
}

#[test]
fn bench_files_are_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "Simulated benches");
    let examples = blocks(told, "toml");
    let parse = |text: &str| toml::from_str::<BenchFile>(text);
    let failure = |text: &str| parse(text).unwrap_err().message().to_owned();
    let all = parse(&examples[1]).unwrap().fault.len();
    assert!(parse(&examples[0]).is_ok());
    assert_names(told, &expected(&failure("zzz = 1\n")), "bench");

    let with = |fault: &str| format!("part = ''\ncells = ''\n[[fault]]\n{fault}\n");
    let faults = expected(&failure(&with("zzz = {}")));
    assert_eq!(all, faults.len(), "each fault once in the example");
    let mut rows = first_cells(told, "fault");
    rows.sort();
    let mut sorted = faults.clone();
    sorted.sort();
    assert_eq!(rows, sorted);
    for fault in &faults {
        assert!(examples[1].contains(&format!("\n{fault} = {{")), "{fault}");
        let message = failure(&with(&format!("{fault} = {{ zzz = 1 }}")));
        let where_told = if fault == "flips" {
            told
        } else {
            row(told, fault)
        };
        assert_names(where_told, &expected(&message), fault);
    }
    for (fault, setting) in [
        ("miso", "shows = 'zzz'"),
        ("address-line", "line = 1, is = 'zzz'"),
        ("link", "at_batch = 1, error = 'zzz'"),
        ("swapped", "content = 'zzz'"),
        ("power-cut", "at_operation = 1, torn = 'zzz'"),
        ("flips", "only = 'zzz'"),
    ] {
        let message = failure(&with(&format!("{fault} = {{ {setting} }}")));
        // Settings that two faults share are told at the first.
        for value in expected(&message) {
            assert!(told.contains(&value), "{fault}: {value}");
        }
    }
}

#[test]
fn a_trace_line_is_as_told() {
    let text = read("docs/files.md");
    let told = section(&text, "Trace files");
    let lines = &blocks(told, "")[0];
    let status = Sent {
        at: Duration::from_micros(18_403_856),
        sck: Hertz::mhz(10),
        out: vec![0x05],
        read: vec![0x03],
        read_bytes: 1,
        settle: Duration::from_micros(400),
        lanes: Lanes::ONE,
        on_one: 1,
        failed: false,
    };
    let id = Sent {
        at: Duration::from_micros(108),
        sck: Hertz::mhz(1),
        out: vec![0x9F],
        read: [0xEF, 0x40, 0x18].repeat(7)[..20].to_vec(),
        read_bytes: 20,
        settle: Duration::ZERO,
        lanes: Lanes::ONE,
        on_one: 1,
        failed: false,
    };
    let exchange = Sent {
        at: Duration::from_micros(46),
        out: [[0x9F].as_slice(), &[0; 20]].concat(),
        read: [[0xFF].as_slice(), &id.read].concat(),
        read_bytes: 21,
        ..id.clone()
    };
    let quad = Sent {
        at: Duration::from_micros(2_150_346),
        sck: Hertz::mhz(20),
        out: vec![0x6B, 0x01, 0x00, 0x3D, 0xFF],
        read: (0..16).collect(),
        read_bytes: 4096,
        lanes: Lanes { out: 1, into: 4 },
        ..id.clone()
    };
    let program = Sent {
        at: Duration::from_micros(18_404_604),
        sck: Hertz::mhz(10),
        out: vec![0x32, 0xFC, 0x00, 0x00, 0xA5, 0x5A],
        read: Vec::new(),
        read_bytes: 0,
        lanes: Lanes { out: 4, into: 1 },
        on_one: 4,
        ..id.clone()
    };
    let all = [&status, &id, &exchange, &quad, &program];
    for line in all.map(Sent::line) {
        assert!(lines.lines().any(|told| told == line), "{line}");
    }
}

#[test]
fn every_folder_is_on_the_map_for_developers() {
    let text = read("DEVELOPERS.md");
    for entry in std::fs::read_dir(root().join("src")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let end = if entry.path().is_dir() { "/" } else { "" };
        assert!(text.contains(&format!("| `src/{name}{end}` |")), "{name}");
    }
}

#[test]
fn every_test_is_on_the_map_for_developers() {
    let text = read("DEVELOPERS.md");
    for entry in std::fs::read_dir(root().join("tests")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let end = if entry.path().is_dir() { "/" } else { "" };
        assert!(text.contains(&format!("`tests/{name}{end}`")), "{name}");
    }
}

/// Every sign by its name, and none that the program does not know.
#[test]
fn each_sign_of_a_bad_contact_is_explained() {
    let text = read("docs/suspect-units.md");
    let told = section(&text, "What contact says");
    let mut rows = first_cells(told, "sign");
    rows.extend(first_cells(told, "note"));
    let names: Vec<String> = norlock::job::Kind::ALL
        .iter()
        .map(|kind| kind.name())
        .collect();
    rows.sort();
    let mut sorted = names.clone();
    sorted.sort();
    assert_eq!(rows, sorted);
}

/// Each question stands in the code word for word, with the level for its 3.3 V.
#[test]
fn the_checklists_are_as_told() {
    let text = read("docs/wiring.md");
    let told = section(&text, "Power arrangements");
    let code = read("src/cli/bench.rs");
    let (code, _) = code.split_once("#[cfg(test)]").unwrap();
    // A text that goes on in the next line of the code is one line on the screen.
    let code: String = code.split("\\\n").map(str::trim_start).collect();
    let mut asked: BTreeSet<&str> = code.split('"').filter(|text| text.ends_with('?')).collect();
    assert!(asked.remove("Marking printed on the chip?"));
    let mut all = BTreeSet::new();
    for power in Power::ALL {
        let begin = format!("\n`--power {power}`:\n");
        let (_, list) = told.split_once(&begin).unwrap();
        let questions = list.lines().map_while(|line| line.strip_prefix("- "));
        all.extend(questions.map(|line| line.replace("3.3 V", "{level}")));
    }
    assert_eq!(
        all.iter().map(String::as_str).collect::<BTreeSet<_>>(),
        asked
    );
}

/// The page has one picture of the wires, and it is what the program prints; its tables of pins agree.
#[test]
fn the_wires_are_as_told() {
    let text = read("docs/wiring.md");
    let told = section(&text, "The header");
    let wiring = norlock::job::wiring(Power::Clip);
    let drawn = wiring.lines().join("\n") + "\n";
    assert!(blocks(told, "").contains(&drawn), "{drawn}");
    for power in Power::ALL {
        for line in norlock::job::wiring(power).lines() {
            assert!(line.len() <= 60 && line.is_ascii(), "{line}");
        }
    }
    let cells =
        |row: &str| -> Vec<String> { row.split('|').map(|cell| cell.trim().to_owned()).collect() };
    let row = |text: &str, begin: &str| {
        let begins = |line: &&str| {
            cells(line)
                .get(1)
                .is_some_and(|cell| cell.starts_with(begin))
        };
        let found = text.lines().find(begins);
        cells(found.unwrap_or_else(|| panic!("no row for '{begin}'")))
    };
    for wire in wiring.wires {
        assert_eq!(
            row(section(&text, "The chip"), wire.signal)[2],
            wire.pin.to_string()
        );
        if let Some(pin) = wire.header {
            let place = &row(told, wire.signal)[2];
            assert!(
                place.starts_with(&pin.to_string()),
                "{}: {place}",
                wire.signal
            );
        }
    }
}

#[test]
fn links_lead_somewhere() {
    let mut broken = Vec::new();
    let mut seen = 0;
    for folder in ["", "docs"] {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_none_or(|ending| ending != "md") {
                continue;
            }
            for target in links(&std::fs::read_to_string(&path).unwrap()) {
                seen += 1;
                if !leads_somewhere(&path, &target) {
                    broken.push(format!("{}: {target}", path.display()));
                }
            }
        }
    }
    assert!(seen > 15, "the walk found too little");
    assert_eq!(broken, Vec::<String>::new());
}

fn links(text: &str) -> Vec<String> {
    let targets = text.split("](").skip(1);
    let targets = targets.filter_map(|rest| Some(rest.split_once(')')?.0.to_owned()));
    targets.filter(|target| !target.contains("://")).collect()
}

fn leads_somewhere(from: &Path, target: &str) -> bool {
    let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
    let path = if file.is_empty() {
        from.to_owned()
    } else {
        from.parent().unwrap().join(file)
    };
    match std::fs::read_to_string(&path) {
        Ok(_) if anchor.is_empty() => true,
        Ok(text) => text
            .lines()
            .any(|line| slug(line).as_deref() == Some(anchor)),
        Err(_) => path.is_dir(),
    }
}

/// The anchor of a heading: small letters, digits, hyphens for spaces (common practice, no source).
fn slug(line: &str) -> Option<String> {
    let heading = line.strip_prefix('#')?.trim_start_matches('#').trim();
    let kept = heading.to_lowercase().replace(' ', "-");
    Some(
        kept.chars()
            .filter(|c| c.is_alphanumeric() || "-_".contains(*c))
            .collect(),
    )
}
