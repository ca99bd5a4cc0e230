//! The example of a simulated run in a CI, as it stands in `docs/simulated-run/`, and what its document says.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

use crate::desk::Desk;

const WRITE: &str = "write target.bin --unit gauge-07 @bench @paper --trace write.trace";

fn document(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("docs")
        .join(name)
}

/// Runs the example in a folder, as a CI would, with the program that was built.
fn run(example: &Path, keeps_its_files_in: &Path) -> Output {
    let mut command = Command::new(example.join("run"));
    command
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap());
    command.env("NORLOCK", env!("CARGO_BIN_EXE_norlock"));
    command.env("TMPDIR", keeps_its_files_in);
    command.current_dir("/").output().unwrap()
}

/// In memory, where there is such a folder.
fn place() -> TempDir {
    TempDir::new_in("/dev/shm")
        .or_else(|_| TempDir::new())
        .unwrap()
}

/// Exit codes and name of each scenario, from the document's table.
fn told() -> Vec<String> {
    let text = fs::read_to_string(document("simulated-runs.md")).unwrap();
    let rows = text
        .lines()
        .skip_while(|line| !line.starts_with("| scenario |"));
    let rows = rows.skip(2).take_while(|line| line.starts_with('|'));
    rows.map(|row| {
        let cells: Vec<_> = row.split('|').map(str::trim).collect();
        format!(
            "{:<4} {}",
            cells[2].replace('`', ""),
            cells[1].replace('`', "")
        )
    })
    .collect()
}

#[test]
fn the_example_runs_as_it_stands_and_leaves_nothing() {
    let place = place();
    let output = run(&document("simulated-run"), place.path());
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(said.lines().collect::<Vec<_>>(), told());
    assert_eq!(String::from_utf8(output.stderr).unwrap(), "");
    assert_eq!(fs::read_dir(place.path()).unwrap().count(), 0);
}

/// A run that cannot fail would tell nothing: here faults do not happen, and a bench file is none.
#[test]
fn a_command_that_ends_otherwise_fails_the_run() {
    for (file, text, says) in [
        ("faults/link.toml", "", "' ended with 0, not 4"),
        ("faults/power-cut.toml", "", "' ended with 0, not 6"),
        (
            "gauge-07.toml",
            "part = \"W25Q80DV\"\n",
            "' ended with 5, not 0",
        ),
    ] {
        let place = place();
        let example = place.path().join("example");
        fs::create_dir_all(example.join("faults")).unwrap();
        for folder in ["", "faults"] {
            for entry in fs::read_dir(document("simulated-run").join(folder)).unwrap() {
                let entry = entry.unwrap();
                if entry.path().is_file() {
                    fs::copy(entry.path(), example.join(folder).join(entry.file_name())).unwrap();
                }
            }
        }
        fs::write(example.join(file), text).unwrap();
        let output = run(&example, place.path());
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1), "{file}: {said}");
        assert!(said.contains(says), "{file}: {said}");
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), 1, "{file}");
    }
}

/// What a write sends and hears, and when, with the bench's seed; the chip's own ID stays the same.
fn trace(seed: u32) -> Vec<u8> {
    let desk = Desk::new();
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    let other = bench.replace("seed = 7", &format!("seed = {seed}"));
    assert!(other.contains(&format!("seed = {seed}")), "{bench}");
    desk.put(
        "chip.toml",
        format!("unique_id = [1, 2, 3, 4, 5, 6, 7, 8]\n{other}"),
    );
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    desk.ends(crate::desk::TAILOR, 0);
    desk.ends(WRITE, 0);
    desk.get("write.trace")
}

#[test]
fn the_same_seed_is_the_same_run_and_another_is_not() {
    let first = trace(7);
    assert!(first.len() > 100_000);
    assert!(trace(7) == first);
    assert!(trace(8) != first);
}

/// Which files have to go between two runs: with the state of the chip left there, operations count on and the
/// fault lies behind; with the cells, a chip that is no longer as it came in; with a unit folder, its journal.
#[test]
fn to_begin_anew_cells_state_and_unit_folder_have_to_go() {
    let desk = Desk::ready();
    let as_found = desk.cells();
    let bench = String::from_utf8(desk.get("chip.toml")).unwrap();
    let cut = "\n[[fault]]\npower-cut = { at_operation = 10, torn = \"random-bits\" }\n";
    desk.put("chip.toml", format!("{bench}{cut}"));
    desk.ends(WRITE, 6);
    let begin = |desk: &Desk| {
        fs::remove_dir_all(desk.path("gauge-07")).unwrap();
        desk.put("chip.cells", &as_found);
    };
    let prepare = |desk: &Desk| {
        desk.ends("backup --unit gauge-07 @bench --quiet", 0);
        desk.ends(crate::desk::TAILOR, 0);
    };
    // The folder is still there.
    desk.put("chip.cells", &as_found);
    desk.ends("backup --unit gauge-07 @bench --quiet", 6);
    begin(&desk);
    prepare(&desk);
    desk.ends(WRITE, 0);
    begin(&desk);
    fs::remove_file(desk.path("chip.cells.state")).unwrap();
    prepare(&desk);
    desk.ends(WRITE, 6);
}
