//! Writes that end early by Ctrl-C.

use std::io::{Read, Write};
use std::process::{Command, Stdio};

use crate::desk::Desk;
use crate::json;

/// Sends a signal by the shell, as a terminal or a service manager would.
pub fn signal(name: &str, process: u32) {
    let line = format!("kill -{name} {process}");
    assert!(
        Command::new("sh")
            .args(["-c", &line])
            .status()
            .unwrap()
            .success()
    );
}

/// What is on the clip then.
pub const BENCH: &str = "--mock chip.toml --power clip --marking 25Q128JVSQ";

/// A unit large enough that a signal finds the work still going on.
pub fn sixteen_mib() -> Desk {
    let desk = Desk::with("W25Q128JV", 16 << 20);
    let map = "size = \"16MiB\"\n[[region]]\nname = \"system\"\nstart = 0\nend = 0xE00000\n\
               holds = \"replaceable\"\n[[region]]\nname = \"identity\"\nstart = 0xF00000\n\
               size = \"64KiB\"\nholds = \"unit-data\"\n";
    desk.put("regions.toml", map);
    desk.put("system.bin", crate::desk::noise(31, 14 << 20));
    desk
}

#[test]
fn ctrl_c_finishes_the_block_in_hand_and_the_same_line_goes_on() {
    let desk = sixteen_mib();
    let bench = BENCH;
    desk.ends(&format!("backup --unit gauge-07 {bench} --quiet"), 0);
    desk.ends("tailor --unit gauge-07 --map regions.toml --piece system=system.bin --sha256 system=#system.bin", 0);
    let write = format!("write target.bin --unit gauge-07 {bench} @paper");
    let mut running = desk.start(&format!("{write} --json"));
    let mut lines = json::lines(&mut running);
    let at_work =
        |line: &String| line.contains("\"stage\":\"writing\"") && line.contains("progress");
    assert!(lines.by_ref().any(|line| at_work(&line)));
    signal("INT", running.id());
    let rest: Vec<String> = lines.collect();
    let last = rest.last().unwrap();
    assert_eq!(running.wait().unwrap().code(), Some(6), "{last}");
    assert!(
        rest.iter().any(|line| line == r#"{"event":"stopping"}"#),
        "{rest:?}"
    );
    let last: serde_json::Value = serde_json::from_str(last).unwrap();
    assert_eq!(
        (&last["event"], &last["exit"]),
        (&"ended".into(), &6.into())
    );
    assert_eq!(last["stop"]["chip"], "changed-in-part");
    assert!(
        last["stop"]["next"].as_str().unwrap().contains("same"),
        "{last}"
    );

    let check = desk.ends("check --unit gauge-07", 6);
    check.says("journal gauge-07/journal/write-1 tells of a write that did not end");
    check.says("norlock restore --unit gauge-07");
    let listed = desk.ends("worklist target.bin --unit gauge-07", 0);
    listed.says(
        "unfinished gauge-07/journal/write-1 tells of a write that did not end; it goes on from there",
    );
    listed.says("Chip changed in part");
    let contact = format!("contact --unit gauge-07 {bench}");
    let ended = desk.ends(&format!("{contact} --sck 2MHz"), 0);
    ended.says("journal/write-1 tells of a write that did not end");
    ended.says("Next Give the same write command again, or go back: norlock restore");
    let chip = String::from_utf8(desk.get("chip.toml")).unwrap();
    let slips = "[[fault]]\nbit-slip = { bits = 2 }\n";
    desk.put("chip.toml", format!("{chip}\n{slips}"));
    let ended = desk.ends(&contact, 6);
    ended.says("sign shifted");
    ended.says("Once the contact is good, give the same write command again, or go back:");
    desk.put("chip.toml", chip);
    let ended = desk.ends(&format!("{write} --quiet"), 0);
    ended.says("interrupted run had");
    assert!(desk.cells() == desk.get("gauge-07/target.bin"));
}

#[test]
fn a_signal_while_reading_leaves_the_chip_and_the_folder_as_they_were() {
    let names = match hangup_is_ignored() {
        // As under nohup(1): the program then ignores it as well.
        true => &["INT", "TERM"][..],
        false => &["INT", "TERM", "HUP"],
    };
    for name in names {
        // On a busy computer a whole backup may be over before this process is heard again.
        let met = (0..20).any(|_| stopped_while_reading(name));
        assert!(met, "no backup was met by {name}");
    }
}

/// Linux, proc_pid_status(5): a mask whose lowest bit is signal 1, SIGHUP.
fn hangup_is_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    u64::from_str_radix(mask.unwrap().trim(), 16).unwrap() & 1 == 1
}

/// Whether the signal met the backup before it had ended.
fn stopped_while_reading(name: &str) -> bool {
    let desk = sixteen_mib();
    let before = desk.cells();
    let mut running = desk
        .start("backup --unit gauge-07 --mock chip.toml --power clip --marking 25Q128JVSQ --json");
    let mut lines = json::lines(&mut running);
    assert!(lines.by_ref().any(|line| line.contains("progress")));
    signal(name, running.id());
    let last = lines.last().unwrap();
    let code = running.wait().unwrap().code();
    assert!(desk.cells() == before);
    if code == Some(0) {
        return false;
    }
    assert_eq!(code, Some(130), "{last}");
    let left: Vec<_> = desk
        .files()
        .into_keys()
        .filter(|path| path.starts_with(desk.path("gauge-07")))
        .collect();
    assert!(
        left.iter()
            .all(|path| path.ends_with("gauge-07") || path.ends_with("unit.toml")),
        "{left:?}"
    );
    true
}

/// Needs a terminal, which script(1) of util-linux makes.
#[test]
fn ctrl_c_at_a_question_ends_the_program_at_once() {
    if Command::new("script").arg("--version").output().is_err() {
        println!("skipped: there is no script(1) to make a terminal");
        return;
    }
    let program = env!("CARGO_BIN_EXE_norlock");
    let line = format!("{program} id --spidev /dev/spidev99.9 --level 3.3V");
    let mut terminal = Command::new("script");
    terminal.args(["-qec", &line, "/dev/null"]);
    terminal.stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut terminal = terminal.spawn().unwrap();
    let (mut page, mut byte) = (Vec::new(), [0]);
    while !String::from_utf8_lossy(&page).contains("supply come from") {
        let read = terminal.stdout.as_mut().unwrap().read(&mut byte).unwrap();
        assert_eq!(read, 1, "{}", String::from_utf8_lossy(&page));
        page.extend(byte);
    }
    let mut keyboard = terminal.stdin.take().unwrap();
    keyboard.write_all(b"\x03").unwrap();
    // A shell's 128 and the number of SIGINT: the program did not go on to another question.
    assert_eq!(terminal.wait().unwrap().code(), Some(130));
}
