//! Writes that end early: Ctrl-C, and a process that is killed at any moment.

use std::io::{BufRead, BufReader};
use std::process::Command;
use std::time::{Duration, Instant};

use crate::desk::{Desk, Ended, TAILOR};

const WRITE: &str = "write target.bin --unit gauge-07 @bench @paper";

/// Sends a signal by the shell, as a terminal or a service manager would.
fn signal(name: &str, process: u32) {
    let line = format!("kill -{name} {process}");
    assert!(
        Command::new("sh")
            .args(["-c", &line])
            .status()
            .unwrap()
            .success()
    );
}

/// A bench whose every sync is slow enough that a signal finds the write at work.
fn sixteen_mib() -> Desk {
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
    let bench = "--mock chip.toml --power clip --marking 25Q128JVSQ";
    desk.ends(&format!("backup --unit gauge-07 {bench} --quiet"), 0);
    desk.ends("tailor --unit gauge-07 --map regions.toml --piece system=system.bin --sha256 system=#system.bin", 0);
    let write = format!("write target.bin --unit gauge-07 {bench} @paper");
    let mut running = desk.start(&format!("{write} --json"));
    let mut lines = BufReader::new(running.stdout.take().unwrap()).lines();
    let at_work =
        |line: &String| line.contains("\"stage\":\"writing\"") && line.contains("progress");
    assert!(
        lines
            .by_ref()
            .map_while(Result::ok)
            .any(|line| at_work(&line))
    );
    signal("INT", running.id());
    let last = lines.map_while(Result::ok).last().unwrap();
    assert_eq!(running.wait().unwrap().code(), Some(6), "{last}");
    let last: serde_json::Value = serde_json::from_str(&last).unwrap();
    assert_eq!(
        (&last["event"], &last["exit"]),
        (&"ended".into(), &6.into())
    );
    assert_eq!(last["stop"]["chip"], "changed-in-part");
    assert!(
        last["stop"]["next"].as_str().unwrap().contains("same"),
        "{last}"
    );

    let check = desk.ends("check --unit gauge-07", 0);
    check.says("journal/write-1 tells of a write that did not end");
    check.says("norlock restore --unit gauge-07");
    let ended = desk.ends(&format!("{write} --quiet"), 0);
    ended.says("an interrupted run was gone on with");
    assert!(desk.cells() == desk.get("gauge-07/target.bin"));
}

#[test]
fn ctrl_c_while_reading_leaves_the_chip_and_the_folder_as_they_were() {
    let desk = sixteen_mib();
    let before = desk.cells();
    let mut running = desk
        .start("backup --unit gauge-07 --mock chip.toml --power clip --marking 25Q128JVSQ --json");
    let mut lines = BufReader::new(running.stdout.take().unwrap()).lines();
    assert!(
        lines
            .by_ref()
            .map_while(Result::ok)
            .any(|line| line.contains("progress"))
    );
    signal("INT", running.id());
    let last = lines.map_while(Result::ok).last().unwrap();
    assert_eq!(running.wait().unwrap().code(), Some(130), "{last}");
    assert!(desk.cells() == before);
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
}

/// Runs a line and kills it after `wait`; `None` when it was killed.
fn killed(desk: &Desk, line: &str, wait: Duration) -> Option<Ended> {
    let mut running = desk.start(&format!("{line} --quiet"));
    let start = Instant::now();
    while start.elapsed() < wait {
        if running.try_wait().unwrap().is_some() {
            break;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    let ended = running.try_wait().unwrap().is_some();
    let _ = running.kill();
    let output = running.wait_with_output().unwrap();
    ended.then(|| Ended::of(output))
}

#[test]
fn killed_at_any_moment_the_same_line_ends_byte_exact() {
    const KILLS: u32 = 20;
    let desk = Desk::new();
    desk.ends("backup --unit gauge-07 @bench --quiet", 0);
    desk.ends(TAILOR, 0);
    let jobs = [
        (WRITE, "gauge-07/target.bin"),
        (
            "restore --unit gauge-07 @bench @paper",
            "gauge-07/as-found.bin",
        ),
    ];
    let seed = 5;
    let mut random = fastrand::Rng::with_seed(seed);
    let (mut kills, mut whole, mut within) = (0, 0, 0);
    let mut longest = Duration::from_millis(50);
    for (line, image) in jobs.iter().cycle() {
        // Whole once, without a kill, so that moments are drawn over the time it takes.
        let start = Instant::now();
        loop {
            let wait = longest.mul_f64(random.f64());
            let wait = if kills < KILLS && whole > 0 {
                wait
            } else {
                Duration::from_secs(60)
            };
            match killed(&desk, line, wait) {
                None => {
                    kills += 1;
                    within += u32::from(
                        desk.cells() != desk.get(image)
                            && desk.cells() != desk.get("gauge-07/as-found.bin"),
                    );
                }
                Some(ended) => {
                    assert_eq!(ended.code, 0, "seed {seed}, {kills} kills, {line}: {ended}");
                    break;
                }
            }
        }
        if whole == 0 {
            longest = start.elapsed();
        }
        whole += 1;
        assert!(
            desk.cells() == desk.get(image),
            "seed {seed}, after {kills} kills: {line}"
        );
        if kills >= KILLS && whole % 2 == 0 {
            break;
        }
    }
    assert!(within > 0, "no kill met a write at work");
    assert!(
        !desk
            .files()
            .keys()
            .any(|path| path.to_string_lossy().ends_with(".unfinished"))
    );
}
