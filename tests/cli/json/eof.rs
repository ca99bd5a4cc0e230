//! `--stop-on-eof`: a program that drives this one closes its pipe.

use std::process::{Child, Command, Stdio};

use super::{lines, valid};
use crate::desk::Desk;
use crate::interrupted::{BENCH, sixteen_mib};

fn driven(desk: &Desk, line: &str) -> Child {
    let mut command = desk.command(&format!("{line} --json --stop-on-eof"));
    command.stdin(Stdio::piped()).stdout(Stdio::piped());
    command.spawn().unwrap()
}

/// Closes stdin once `stage` has come further; what the program says then, the last of it as data.
fn closed_at(running: &mut Child, stage: &str) -> (Vec<String>, serde_json::Value) {
    let mut lines = lines(running);
    let at_work = format!("\"stage\":\"{stage}\"");
    let further = |line: String| line.contains(&at_work) && line.contains("progress");
    assert!(lines.by_ref().any(further));
    drop(running.stdin.take());
    let rest: Vec<String> = lines.collect();
    let last = valid(rest.last().unwrap());
    (rest, last)
}

#[test]
fn a_write_ends_behind_the_block_in_hand_and_goes_on_with_the_same_line() {
    let desk = sixteen_mib();
    desk.ends(&format!("backup --unit gauge-07 {BENCH} --quiet"), 0);
    desk.ends("tailor --unit gauge-07 --map regions.toml --piece system=system.bin --sha256 system=#system.bin", 0);
    let write = format!("write target.bin --unit gauge-07 {BENCH} @paper");
    let mut running = driven(&desk, &write);
    let (rest, last) = closed_at(&mut running, "writing");
    assert_eq!(running.wait().unwrap().code(), Some(6), "{last}");
    assert!(
        rest.contains(&r#"{"event":"stopping"}"#.to_owned()),
        "{rest:?}"
    );
    assert_eq!(last["stop"]["chip"], "changed-in-part");
    assert!(
        last["stop"]["next"].as_str().unwrap().contains("same"),
        "{last}"
    );
    desk.ends("check --unit gauge-07 --json", 6);
    desk.ends(&format!("{write} --json --quiet"), 0);
    assert!(desk.cells() == desk.get("gauge-07/target.bin"));
}

#[test]
fn a_read_leaves_chip_and_folder_as_they_were() {
    let desk = sixteen_mib();
    let before = desk.cells();
    // On a busy computer one has ended before its pipe is closed.
    let stopped = (7..=16).find(|number| {
        let unit = format!("gauge-{number:02}");
        let mut running = driven(&desk, &format!("backup --unit {unit} {BENCH}"));
        let (_, last) = closed_at(&mut running, "first read");
        let code = running.wait().unwrap().code();
        assert_eq!(last["exit"], code.unwrap(), "{last}");
        assert!(desk.cells() == before);
        let kept = desk.path(&unit).join("as-found.bin").exists();
        assert_eq!(kept, code == Some(0), "{last}");
        code == Some(130)
    });
    assert!(stopped.is_some());
}

#[test]
fn an_end_before_the_work_stops_it_too_but_only_where_it_was_asked_for() {
    let desk = Desk::new();
    // Stdin of these is /dev/null.
    let stopped = desk.ends("backup --unit gauge-07 @bench --json --stop-on-eof", 130);
    assert!(!desk.path("gauge-07/as-found.bin").exists(), "{stopped}");
    assert_eq!(stopped.err, "");
    let quiet = "backup --unit gauge-07 @bench --json --stop-on-eof --quiet";
    let stopped = desk.ends(quiet, 130);
    assert_eq!(stopped.err, "");
    assert!(stopped.out.starts_with("{\"event\":\"stopping\"}\n"));
    desk.ends("backup --unit gauge-07 @bench --json", 0);
}

/// Needs a terminal, which script(1) of util-linux makes.
#[test]
fn on_a_terminal_it_is_refused() {
    let program = env!("CARGO_BIN_EXE_norlock");
    let line = format!("{program} id --stop-on-eof --json");
    let output = Command::new("script")
        .args(["-qec", &line, "/dev/null"])
        .stdin(Stdio::null())
        .output();
    let Ok(output) = output else {
        println!("skipped: there is no script(1) to make a terminal");
        return;
    };
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("Stdin is a terminal"), "{said}");
}
