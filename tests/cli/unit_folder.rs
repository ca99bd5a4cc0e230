//! Unit folders that are none, are in other hands, or have no room.

use std::fs;
use std::process::Command;

use nix::fcntl::{Flock, FlockArg};

use crate::bad_input::{WRITE, refused};
use crate::desk::{Desk, Ended};

#[test]
fn folders_that_are_not_the_unit() {
    let desk = Desk::ready();
    fs::create_dir(desk.path("pieces")).unwrap();
    desk.put("pieces/notes.txt", "loose sheets");
    for line in [
        "check --unit pieces",
        "worklist target.bin --unit pieces",
        "write target.bin --unit pieces @bench @paper",
        "restore --unit nowhere @bench @paper",
    ] {
        refused(&desk, line, 5, "is not a unit folder");
    }
    refused(
        &desk,
        "backup --unit pieces @bench",
        5,
        "already holds notes.txt",
    );
    refused(&desk, "backup --unit nowhere/gauge-07 @bench", 5, "nowhere");

    fs::rename(desk.path("gauge-07"), desk.path("gauge-08")).unwrap();
    for line in [
        WRITE,
        "backup --unit gauge-07 @bench",
        "worklist target.bin --unit gauge-07",
    ] {
        refused(
            &desk,
            &line.replace("gauge-07", "gauge-08"),
            5,
            "holds the unit gauge-07",
        );
    }
}

#[test]
fn a_unit_in_other_hands() {
    let desk = Desk::ready();
    let file = fs::File::open(desk.path("gauge-07/.lock")).unwrap();
    let held = Flock::lock(file, FlockArg::LockExclusiveNonblock).unwrap();
    for line in [
        WRITE,
        "backup --unit gauge-07 @bench",
        "worklist target.bin --unit gauge-07",
    ] {
        refused(&desk, line, 5, "is being worked on by another process");
    }
    // Looking is always allowed.
    desk.ends("check --unit gauge-07", 0);
    drop(held);
    desk.ends("worklist target.bin --unit gauge-07", 0);
}

/// A limit on the size of files, set by the shell, stands in for a disk that is full: `write` and
/// `fallocate` fail alike.
#[test]
fn a_disk_that_is_full_during_a_backup() {
    let desk = Desk::new();
    let words = desk
        .words("backup --unit gauge-07 @bench --quiet")
        .join(" ");
    let line = format!(
        "trap '' XFSZ; ulimit -f 100; exec {} {words}",
        env!("CARGO_BIN_EXE_norlock")
    );
    let output = Command::new("sh")
        .args(["-c", &line])
        .current_dir(desk.path(""))
        .output();
    let ended = Ended::of(output.unwrap());
    assert_eq!(ended.code, 5, "{ended}");
    ended.says("gauge-07/as-found.bin");
    ended.says("Chip untouched.");
    let names = desk.files();
    assert!(!names.keys().any(|path| path.ends_with("as-found.bin")
        || path.extension().is_some_and(|e| e == "unfinished")));
    // With room again, the same line is done.
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    desk.ends("check --unit gauge-07", 0)
        .says("intact as-found.bin");
}

#[test]
fn a_path_may_lead_through_other_folders() {
    let desk = Desk::new();
    fs::create_dir(desk.path("units")).unwrap();
    desk.ends("backup --unit ./units/gauge-07 @bench --quiet", 0);
    desk.ends("check --unit units/../units/gauge-07/", 0)
        .says("intact as-found.bin");
    let line = desk.words("check --unit .");
    let output = Command::new(env!("CARGO_BIN_EXE_norlock"))
        .args(line)
        .current_dir(desk.path("units/gauge-07"))
        .output();
    let ended = Ended::of(output.unwrap());
    assert_eq!(ended.code, 0, "{ended}");
    ended.says("All of gauge-07");
}

/// What the last command knew of the link is left open as what it was, here a simulated chip.
#[test]
fn a_next_step_leaves_open_what_the_unit_was_reached_by() {
    let desk = Desk::ready();
    desk.ends("worklist target.bin --unit gauge-07 --sck 20MHz", 0)
        .says("norlock write target.bin --unit gauge-07 --mock FILE --sck 20MHz");
    // What the line itself says is repeated, so that it can be typed as it is shown.
    desk.put("own.toml", "maker = 'Example'");
    desk.ends(
        "id @bench --unit gauge-07 --parts own.toml --supply 2.7V-3.6V",
        0,
    )
    .says("norlock backup --unit gauge-07 --mock chip.toml --parts own.toml --supply 2.7V-3.6V");
}
