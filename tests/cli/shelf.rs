//! `norlock shelf`: units in a row, each with a simulated chip of its own, as it is typed.

use std::io::{BufRead, BufReader};
use std::path::Path;

use norlock::mock::{BenchFile, Fault, Miso, Mock};
use norlock::unit::Digest;

use crate::desk::{Desk, Ended, noise};
use crate::interrupted::signal;

const NAMES: [&str; 3] = ["gauge-01", "gauge-02", "gauge-03"];

const STAGES: &str = r#"stages = [
    "contact",
    "backup",
    "tailor --map regions.toml --piece boot=boot.bin --sha256 boot=HASH --fill boot=blank",
    "write target.bin --offline {unit}.stick",
    "verify target.bin --passes 1",
]
"#;

const LINE: &str = "shelf shelf.toml --power clip --marking W25Q80DVSIG --quiet";

/// Three loggers of one kind; what `change` makes of the bench file of each is its own.
fn desk(change: impl Fn(&str, &mut BenchFile)) -> Desk {
    let desk = Desk::new();
    let hash = desk.words("=#boot.bin").remove(0);
    let mut shelf = STAGES.replace("HASH", hash.trim_start_matches('='));
    for (number, name) in NAMES.iter().enumerate() {
        let mut content = desk.cells();
        content[0xF_0000..0xF_0010].copy_from_slice(&noise(number as u64, 16));
        desk.put(&format!("{name}.cells"), content);
        let cells = format!("{name}.cells");
        let mut bench = BenchFile::new("W25Q80DV", Path::new(&cells));
        bench.unique_id = Some(vec![0xD1, 0x64, 0x5C, 0x1B, 0, 0, 0, number as u8]);
        change(name, &mut bench);
        Mock::create(&desk.path(&format!("{name}.toml")), &bench).unwrap();
        shelf += &format!("\n[[unit]]\nfolder = \"{name}\"\nmock = \"{name}.toml\"\n");
    }
    desk.put("shelf.toml", shelf);
    desk
}

/// Puts the digits that somebody noted, of the backups of `names`, into the stage that asks for them.
fn type_digits(desk: &Desk, names: &[&str]) {
    let digits = |name: &&str| {
        let backup = desk.get(&format!("{name}/as-found.bin"));
        format!(" --offline-hash {}", Digest::of(&backup))
    };
    let digits: String = names.iter().map(digits).collect();
    let shelf = String::from_utf8(desk.get("shelf.toml")).unwrap();
    let lines = shelf.lines().map(|line| match line.contains("write") {
        true => format!("    \"write target.bin{digits}\",\n"),
        false => format!("{line}\n"),
    });
    desk.put("shelf.toml", lines.collect::<String>());
}

/// The staff at the end.
#[track_caller]
fn ends_with(ended: &Ended, states: [&str; 3]) {
    for (name, state) in NAMES.iter().zip(states) {
        ended.says(&format!("{name} {state}"));
    }
}

#[test]
fn a_row_goes_through_all_stages_and_goes_on_where_it_stopped() {
    let desk = desk(|_, _| ());
    // The hashes are not noted yet, so that no write can begin.
    let first = desk.ends(LINE, 3);
    let stopped =
        "-| contact, backup, tailor done now; stopped at write, held by offline-hash, exit code 3";
    ends_with(&first, [stopped; 3]);
    first.says("0 of 3 units are through all stages.");
    first.says("Next Say in shelf.toml where the hash is kept, in the stage itself: write target.bin --offline STICK/{unit} Give the same");
    type_digits(&desk, &["gauge-01", "gauge-03"]);
    let second = desk.ends(LINE, 3);
    let through = "| contact, write, verify done now";
    ends_with(
        &second,
        [through, "-| contact done now; stopped at write", through],
    );
    second.says("Give the same command again, with shelf.toml and all its options: it goes on with gauge-02.");
    type_digits(&desk, &NAMES);
    let third = desk.ends(LINE, 0);
    ends_with(&third, ["| nothing was due", through, "| nothing was due"]);
    third.says("All 3 units are through all stages.");
    for (number, name) in NAMES.iter().enumerate() {
        let cells = desk.get(&format!("{name}.cells"));
        assert_eq!(cells, desk.get(&format!("{name}/target.bin")));
        assert_eq!(cells[..40 << 10], desk.get("boot.bin"));
        assert_eq!(cells[0xF_0000..0xF_0010], noise(number as u64, 16));
    }
    let files = desk.files();
    desk.ends(LINE, 0).says("nothing was due");
    assert_eq!(files, desk.files());
    // What was undone by hand is due again.
    let bench = "--mock gauge-03.toml --power clip --marking W25Q80DVSIG";
    let paper = Digest::of(&desk.get("gauge-03/as-found.bin"));
    let restore = format!("restore --unit gauge-03 {bench} --offline-hash {paper} --quiet");
    desk.ends(&restore, 0);
    ends_with(
        &desk.ends(LINE, 0),
        ["| nothing was due", "| nothing was due", through],
    );
}

#[test]
fn what_is_behind_a_unit_is_told_by_what_was_written_and_not_by_its_name() {
    let desk = desk(|_, _| ());
    desk.ends(LINE, 3);
    type_digits(&desk, &NAMES);
    desk.ends(LINE, 0);
    // A refused write has undone nothing; another target under the same name was never written.
    let bench = "--mock gauge-02.toml --power clip --marking W25Q80DVSIG --quiet";
    desk.ends(&format!("write target.bin --unit gauge-02 {bench}"), 3);
    let tailor = "tailor --unit gauge-01 --replace --piece system=system.bin --fill system=keep";
    desk.ends(&format!("{tailor} --sha256 system=#system.bin"), 0);
    // Due, and held: the chip holds the target before, of which there is no backup.
    let ended = desk.ends(LINE, 3);
    ended.says("Held by nothing-unexplained");
    let held = "-| contact done now; stopped at write, held by nothing-unexplained, exit code 3";
    ends_with(&ended, [held, "| nothing was due", "| nothing was due"]);
}

#[test]
fn a_chip_of_another_unit_is_refused_by_name() {
    // The clip was not moved from gauge-01.
    let desk = desk(|name, bench| {
        if name == "gauge-02" {
            bench.cells = "gauge-01.cells".into();
            bench.unique_id = Some(vec![0xD1, 0x64, 0x5C, 0x1B, 0, 0, 0, 0]);
        }
    });
    let ended = desk.ends(LINE, 3);
    ended.says("Held by same-unit: this is gauge-01; was the clip moved?");
    // And there it stays.
    ended.says("gauge-02, 2 of 3: take the clip off that chip");
    ended.says("gauge-02 -| stopped at contact, held by same-unit, exit code 3");
    ended.says("gauge-03 -| contact, backup, tailor done now");
    assert!(!desk.path("gauge-02").exists());
}

#[test]
fn a_clip_that_stays_where_it_is_ends_the_turn_of_the_next() {
    let desk = desk(|_, _| ());
    let text = String::from_utf8(desk.get("shelf.toml")).unwrap();
    let text = text.replace("mock = \"gauge-02.toml\"", "mock = \"gauge-01.toml\"");
    desk.put("shelf.toml", text);
    let ended = desk.ends(LINE, 3);
    ended.says("The clip was not lifted.");
    ended.says("gauge-02 -| stopped at contact, exit code 4");
    ended.says("gauge-03 -| contact, backup, tailor done now");
}

#[test]
fn a_shelf_file_is_judged_before_anything_is_done() {
    let desk = desk(|_, _| ());
    let good = String::from_utf8(desk.get("shelf.toml")).unwrap();
    let files = desk.files();
    for (is, was, says) in [
        (
            "\"contact\"",
            "\"dance\"",
            "shelf.toml, line 2, column 5: 'dance' is no stage;",
        ),
        ("\"contact\"", "\"demo --in x\"", "'demo' is no stage"),
        (
            "\"contact\"",
            "\"verify 'x\"",
            "line 2, column 5: a stage is a command and its options",
        ),
        (
            "\"contact\"",
            "\"verify x\"",
            "line 6, column 5: 'verify' stands there twice",
        ),
        (
            "--passes 1",
            "--passes none",
            "line 6, column 5: invalid value 'none'",
        ),
        (
            "\"gauge-03\"",
            "\"gauge-01\"",
            "gauge-01 stands there twice",
        ),
        ("folder = \"gauge-03\"", "", "line 17"),
        (
            "\"backup\"",
            "\"backup --unit x\"",
            "--unit is not for a stage",
        ),
        (
            "\"backup\"",
            "\"backup --level=1.8V\"",
            "--level is not for a stage",
        ),
        (
            "\"backup\"",
            "\"backup --accept same-unit --because '{unit}: sticker'\"",
            "line 3, column 5: same-unit is accepted of one unit",
        ),
        (
            "gauge-02.toml",
            "none.toml",
            "line 13, column 1: there is no bench file 'none.toml'",
        ),
        ("stages = [", "pages = [", "unknown key 'pages'"),
    ] {
        assert!(good.contains(is), "{is}");
        desk.put("shelf.toml", good.replacen(is, was, 1));
        let ended = desk.ends(LINE, 5);
        ended.says(says);
        ended.says("Mend the file at");
    }
    desk.put("shelf.toml", good);
    assert_eq!(files, desk.files());
    desk.ends("shelf none.toml", 5)
        .says("Name a file that is there.");
}

#[test]
fn programs_are_told_of_each_unit_and_stage() {
    let desk = desk(|_, _| ());
    let ended = desk.ends(&format!("{LINE} --json"), 3);
    let lines = ended
        .out
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let lines: Vec<_> = lines.collect();
    let stages = lines.iter().filter(|line| line["step"] == "stage");
    assert_eq!(stages.filter(|line| line["of"] == "gauge-02").count(), 4);
    let last = lines.last().unwrap();
    assert_eq!(
        (&last["event"], &last["command"]),
        (&"ended".into(), &"shelf".into())
    );
    assert_eq!(
        last["report"]["units"][1]["done"],
        serde_json::json!(["contact", "backup", "tailor"])
    );
    assert_eq!(
        last["report"]["units"][1]["stopped"],
        serde_json::json!({ "stage": "write", "exit": 3 })
    );
}

#[test]
fn ctrl_c_while_a_clip_is_waited_for_ends_the_row() {
    // Nobody seats any clip.
    let desk = desk(|_, bench| {
        bench.fault.push(Fault::LooseContact {
            shows: Miso::High,
            from_frame: 0,
            frames: None,
        });
    });
    let mut child = desk.start(LINE);
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let waits = |line: &String| line.contains("gauge-01, 1 of 3: seat the clip");
    assert!(lines.by_ref().map(Result::unwrap).any(|line| waits(&line)));
    signal("INT", child.id());
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    assert_eq!(child.wait().unwrap().code(), Some(130), "{rest:?}");
    let rest = rest.join(" ");
    assert!(
        rest.contains("gauge-03  | waits for contact, backup,"),
        "{rest}"
    );
}
