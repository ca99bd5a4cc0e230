//! The job as the README walks through it, on a small chip, in words and in JSON.

use std::fs;
use std::os::unix::fs::{FileExt, PermissionsExt};
use std::process::Command;

use crate::desk::{Desk, Ended, TAILOR};

/// Each line, how it ends, and what it says. `(run)` stands for the unit running by itself.
const JOB: &[(&str, i32, &str)] = &[
    (
        "parts W25Q80DVSIG",
        0,
        "'W25Q80DVSIG' is W25Q80DV: 2.7 to 3.6 V.",
    ),
    (
        "contact @bench",
        0,
        "The clip is seated: every read is the same up to 50 MHz.",
    ),
    (
        "id @bench",
        0,
        "On the clip: a 1 MiB part, Winbond W25Q80DV.",
    ),
    ("sfdp @bench --raw chip.sfdp", 0, "density: 1 MiB"),
    ("sfdp --from chip.sfdp", 0, "density: 1 MiB"),
    (
        "backup --unit gauge-07 @bench",
        0,
        "Two independent reads agree in all 1 MiB.",
    ),
    ("check --unit gauge-07", 0, "intact as-found.bin"),
    (
        TAILOR,
        0,
        "0x020000 -| system 300 KiB new 0x06B000 | 20 KiB as found 0x070000 | 448 KiB blank as before",
    ),
    (
        "worklist target.bin --unit gauge-07",
        0,
        "The unit's own data stays where it is.",
    ),
    (
        "write target.bin --unit gauge-07 @bench",
        3,
        "Held by offline-hash: no hash of as-found.bin was given from elsewhere.",
    ),
    (
        "write target.bin --unit gauge-07 @bench @paper",
        0,
        "All 1 MiB of gauge-07 were read once more, at another SCK, and equal target.bin.",
    ),
    (
        "verify target.bin --unit gauge-07 --passes 3 @bench",
        0,
        "compared three times, 0 bytes differ",
    ),
    ("(run)", 0, ""),
    (
        "verify target.bin --unit gauge-07 @bench",
        1,
        "0x010000 -| boot-settings 0x010018 | holds 32, target 31",
    ),
    (
        "backup --unit gauge-07 @bench",
        0,
        "boot-settings: 1 byte differs from as-found.bin",
    ),
    (
        "restore --to 1 --unit gauge-07 @bench @paper",
        0,
        "kept as gauge-07/replaced-1.bin",
    ),
    (
        "verify as-found.bin --unit gauge-07 @bench",
        0,
        "compared twice, 0 bytes differ",
    ),
    ("check --unit gauge-07", 0, "All of gauge-07: 4 images hash"),
];

/// Goes through the job; `more` is added to each line.
fn whole_job(desk: &Desk, more: &str, mut look: impl FnMut(&str, &Ended, &str)) {
    let as_found = desk.cells();
    for (line, code, says) in JOB {
        if *line == "(run)" {
            run_by_itself(desk);
            continue;
        }
        let ended = desk.ends(&format!("{line}{more}"), *code);
        look(line, &ended, says);
        // The chip from outside: only these lines may change it, and then to exactly this.
        if line.starts_with("write") && *code == 0 {
            assert_eq!(desk.cells(), desk.get("gauge-07/target.bin"));
            assert_ne!(desk.cells(), as_found);
        } else if line.starts_with("restore") {
            assert_eq!(desk.cells(), desk.get("gauge-07/as-found.bin"));
        } else if !desk.path("gauge-07/journal").exists() {
            assert_eq!(desk.cells(), as_found, "{line}");
        }
    }
    assert_eq!(desk.cells(), as_found);
}

/// The unit boots and counts the start in its settings.
pub fn run_by_itself(desk: &Desk) {
    let cells = fs::File::options()
        .write(true)
        .open(desk.path("chip.cells"));
    cells.unwrap().write_all_at(b"2", 0x01_0018).unwrap();
}

#[test]
fn the_job_from_the_marking_to_the_unit_as_found() {
    let desk = Desk::new();
    whole_job(&desk, "", |line, ended, says| {
        ended.says(says);
        let met_a_chip = line.contains("@bench");
        assert_eq!(
            ended.said().contains("Chip untouched") || ended.said().contains("Chip changed"),
            met_a_chip || line.starts_with("worklist"),
            "{line}: {ended}"
        );
        assert!(
            ended.said().contains("Next ") || line.starts_with("check") || line.contains("--from"),
            "{line}"
        );
    });
    // coreutils read the hash files.
    for name in [
        "as-found.sha256",
        "as-found-2.sha256",
        "target.sha256",
        "replaced-1.sha256",
    ] {
        let mut sums = Command::new("sha256sum");
        sums.args(["-c", "--strict", "--quiet", name])
            .current_dir(desk.path("gauge-07"));
        assert!(sums.status().unwrap().success(), "{name}");
    }
    let mode = |name: &str| {
        let path = desk.path("gauge-07").join(name);
        fs::metadata(path).unwrap().permissions().mode() & 0o7777
    };
    assert_eq!(
        (mode(""), mode("as-found.bin"), mode("as-found-2.bin")),
        (0o700, 0o400, 0o400)
    );
    assert!(
        !desk
            .files()
            .keys()
            .any(|path| path.ends_with(".unfinished"))
    );
}

#[test]
fn the_same_job_in_json() {
    let desk = Desk::new();
    whole_job(&desk, " --json", |line, ended, _| {
        assert_eq!(ended.err, "", "{line}");
        let events: Vec<serde_json::Value> = ended
            .out
            .lines()
            .map(|text| {
                serde_json::from_str(text).unwrap_or_else(|error| panic!("{line}: {error}: {text}"))
            })
            .collect();
        assert!(
            events.iter().all(|event| event["event"].is_string()),
            "{line}"
        );
        let last = events.last().unwrap();
        assert_eq!(last["event"], "ended", "{line}");
        assert_eq!(last["command"], line.split(' ').next().unwrap(), "{line}");
        assert_eq!(last["exit"], ended.code, "{line}");
        assert!(
            last["report"].is_object() != last["stop"].is_object(),
            "{line}"
        );
        if ended.code == 3 {
            assert_eq!(last["stop"]["held"][0]["interlock"], "offline-hash");
        }
        let ended_before = events
            .iter()
            .rev()
            .skip(1)
            .any(|event| event["event"] == "ended");
        assert!(!ended_before, "{line}");
    });
}

#[test]
fn next_steps_can_be_typed_as_they_stand() {
    let desk = Desk::new();
    let bench = "--mock chip.toml";
    desk.ends("contact --unit gauge-07 @bench", 0)
        .says(&format!(
            "Next Use --sck 33MHz, one step below. norlock id --sck 33MHz --unit gauge-07 {bench}"
        ));
    desk.ends("id --unit ./gauge-07 @bench", 0)
        .says(&format!("Next norlock backup --unit ./gauge-07 {bench}"));
    desk.ends("backup --unit gauge-07 @bench", 0)
        .says("cp gauge-07/as-found.* STICK/ && sync");
    desk.ends(TAILOR, 0)
        .says("Next norlock worklist target.bin --unit gauge-07");
    let written = desk.ends("write target.bin --unit gauge-07 @bench @paper", 0);
    written.says(&format!(
        "norlock verify target.bin --passes 3 --unit gauge-07 {bench}"
    ));
}

#[test]
fn another_image_is_not_called_worn_cells() {
    let desk = Desk::ready();
    let verify = "verify target.bin --unit gauge-07 @bench";
    let another = desk.ends(verify, 1);
    another.says("most likely the chip holds another image");
    assert!(!another.said().contains("worn"), "{another}");
    desk.ends("write target.bin --unit gauge-07 @bench @paper", 0);
    let mut cells = desk.cells();
    cells[0x2_0000] = !cells[0x2_0000];
    desk.put("chip.cells", cells);
    let run = desk.ends(verify, 1);
    run.says("the cells are worn");
    assert!(!run.said().contains("most likely"), "{run}");
}

#[test]
fn quiet_says_nothing_on_the_way() {
    let desk = Desk::new();
    let ended = desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    assert_eq!(ended.err, "");
    ended.says("Two independent reads agree");
    let ended = desk.ends("backup --unit gauge-07 @bench --quiet --json", 0);
    assert_eq!((ended.err.as_str(), ended.out.lines().count()), ("", 1));
}

#[test]
fn a_trace_is_whole_however_the_command_ends() {
    let desk = Desk::new();
    let whole = |name: &str| {
        let text = String::from_utf8(desk.get(name)).unwrap();
        assert!(text.is_empty() || text.ends_with('\n'), "{name}");
        text.lines().map(str::to_owned).collect::<Vec<_>>()
    };
    // A 1.8 V marking on a 3.3 V link: not one clock.
    let low = "id --mock chip.toml --power clip --marking W25Q128FW --trace low.txt";
    desk.ends(low, 3).says("Held by supply-level");
    assert!(whole("low.txt").is_empty());
    // A marking of another part: held once the ID was read, so the trace has it.
    let other = "id --mock chip.toml --power clip --marking W25Q128JVSIQ --trace other.txt";
    desk.ends("id @bench --trace id.txt", 0);
    let ended = desk.run(other);
    let lines = whole("other.txt");
    assert!(
        lines.iter().any(|line| line.contains("out 9F")),
        "{ended}{lines:?}"
    );
    // Given again, it goes on in the same file.
    desk.run(other);
    assert_eq!(whole("other.txt").len(), 2 * lines.len());
    assert!(whole("id.txt").len() > 200);
}
