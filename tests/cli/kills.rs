//! The built program, killed or asked to stop at random moments: the same line ends byte-exact.
//!
//! `NORLOCK_KILLS=2000` kills so often, and sends 300 signals: three for twenty.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::ops::Range;
use std::os::unix::process::ExitStatusExt;
use std::process::Child;
use std::sync::Arc;
use std::time::{Duration, Instant};

use norlock::unit::Unit;
use norlock::unit::journal::Journal;
use norlock::unit::store::RealStore;

use crate::desk::{Desk, Ended, TAILOR};
use crate::interrupted::signal;

const BACKUP: &str = "backup --unit gauge-07 @bench --quiet";
const WRITE: &str = "write target.bin --unit gauge-07 @bench @paper --quiet --json";
const RESTORE: &str = "restore --unit gauge-07 @bench @paper --quiet --json";
const SEED: u64 = 5;
/// No step of a worklist for this part is larger.
const LARGEST_BLOCK_BYTES: u32 = 64 << 10;

/// A share of the kills asked for; otherwise a few.
fn rounds(few: usize, share: f64) -> usize {
    let asked = std::env::var("NORLOCK_KILLS").ok();
    let asked = asked.map(|asked| asked.parse::<usize>().expect("NORLOCK_KILLS is a number"));
    asked.map_or(few, |kills| (kills as f64 * share) as usize)
}

/// The unit's journal, where it tells of a write that did not end.
#[derive(Default, Clone)]
pub struct Account {
    done: Vec<Range<u32>>,
    in_hand: Vec<Range<u32>>,
}

impl Account {
    fn of(desk: &Desk) -> Option<Self> {
        let store = Arc::new(RealStore::new());
        let unit = Unit::view(store, &desk.path("gauge-07")).ok()?;
        let write = Journal::find_unfinished(&unit).unwrap()?;
        let contents = write
            .contents
            .expect("a journal that a kill left is readable");
        Some(Self {
            done: contents.done(),
            in_hand: contents.in_hand(),
        })
    }

    /// Ranges in hand, and done; none where there is no unfinished journal.
    pub fn ranges(desk: &Desk) -> [Vec<Range<u32>>; 2] {
        let account = Self::of(desk).unwrap_or_default();
        [account.in_hand, account.done]
    }

    fn done_bytes(&self) -> u32 {
        self.done.iter().map(|range| range.end - range.start).sum()
    }
}

struct Killer {
    desk: Desk,
    random: fastrand::Rng,
    kills: usize,
    /// Jobs that went on with work that was done.
    within: usize,
    /// Kills after which a block was in hand.
    in_hand: usize,
}

impl Killer {
    /// Runs a line to its end, killed on the way as long as there are kills to spend. Gives the run
    /// that ended, and what was done of it before.
    fn until_it_ends(&mut self, line: &str, takes: Duration, kills: usize) -> (Ended, Account) {
        let mut before = Account::default();
        loop {
            let wait = if self.kills < kills {
                takes.mul_f64(self.random.f64() * 1.1)
            } else {
                Duration::from_secs(600)
            };
            if let Some(ended) = killed(&self.desk, line, wait) {
                let context = format!("seed {SEED}, {} kills, {line}: {ended}", self.kills);
                assert_eq!(ended.code, 0, "{context}");
                return (ended, before);
            }
            self.kills += 1;
            let Some(now) = Account::of(&self.desk) else {
                // Nothing was begun, or all was done and the journal closed: the end tells.
                continue;
            };
            self.in_hand += now.in_hand.len();
            assert!(
                now.in_hand.len() <= 1,
                "{} kills: {:?}",
                self.kills,
                now.in_hand
            );
            let lost = now.in_hand.iter().map(|range| range.end - range.start);
            assert!(lost.sum::<u32>() <= LARGEST_BLOCK_BYTES);
            // What was done stays done: by the journal, and so by the run that goes on.
            let stays = |range: &Range<u32>| now.done.contains(range);
            assert!(before.done.iter().all(stays), "{} kills", self.kills);
            before = now;
        }
    }

    /// A write or restore to its end; the chip then holds `image`.
    fn change(&mut self, line: &str, image: &str, takes: Duration, kills: usize) {
        let started = self.kills;
        let from = self.desk.cells();
        let wanted = self.desk.get(image);
        let (ended, before) = self.until_it_ends(line, takes, kills);
        assert!(self.desk.cells() == wanted, "{} kills: {line}", self.kills);
        // The run that ended did only what was left: of 4 KiB blocks, those that were not done.
        let differ = from.chunks(4096).zip(wanted.chunks(4096));
        let differ = differ.filter(|(a, b)| a != b).count() as u64;
        let changed = report(&ended)["changed"].as_u64().unwrap();
        let done = u64::from(before.done_bytes()) / 4096;
        let rounding = u64::from(LARGEST_BLOCK_BYTES) / 4096;
        assert!(
            changed + done <= differ + rounding || self.kills == started,
            "{} kills, {line}: {changed} changed after {done} were done, of {differ}",
            self.kills
        );
        self.within += usize::from(done > 0);
    }

    fn backup(&mut self, takes: Duration, kills: usize) {
        let folder = self.desk.path("gauge-07");
        if folder.exists() {
            fs::remove_dir_all(&folder).unwrap();
        }
        self.until_it_ends(BACKUP, takes, kills);
        assert!(self.desk.get("gauge-07/as-found.bin") == self.desk.cells());
        // Killed when all was kept but the last note, it was taken anew.
        if folder.join("as-found-2.bin").exists() {
            assert!(self.desk.get("gauge-07/as-found-2.bin") == self.desk.cells());
        }
        self.desk.ends("check --unit gauge-07", 0);
        no_rubbish(&self.desk);
    }
}

fn report(ended: &Ended) -> serde_json::Value {
    let line: serde_json::Value = serde_json::from_str(ended.out.trim()).unwrap();
    line["report"].clone()
}

fn no_rubbish(desk: &Desk) {
    let files = desk.files();
    let unfinished = |path: &&std::path::PathBuf| path.to_string_lossy().ends_with(".unfinished");
    assert_eq!(files.keys().find(unfinished), None);
}

/// Runs a line and kills it after `wait`; `None` when it was killed.
fn killed(desk: &Desk, line: &str, wait: Duration) -> Option<Ended> {
    let mut running = desk.start(line);
    if !ends_within(&mut running, wait) {
        running.kill().unwrap();
    }
    let output = running.wait_with_output().unwrap();
    let by_us = output.status.signal() == Some(9);
    (!by_us).then(|| Ended::of(output))
}

fn ends_within(running: &mut Child, wait: Duration) -> bool {
    let start = Instant::now();
    while start.elapsed() < wait {
        if running.try_wait().unwrap().is_some() {
            return true;
        }
        std::thread::sleep(Duration::from_micros(500));
    }
    false
}

fn timed(work: impl FnOnce()) -> Duration {
    let start = Instant::now();
    work();
    start.elapsed()
}

/// The simulated chip refuses, and so fails the run, an erase or program that no durable journal record
/// covers: each process that goes on has to have its inherited records announced first.
#[test]
fn killed_at_any_moment_the_same_line_ends_byte_exact() {
    let mut kills = rounds(16, 1.0);
    let most = kills * 10;
    let a_share = (kills / 40).max(4);
    let mut killer = Killer {
        desk: Desk::new(),
        random: fastrand::Rng::with_seed(SEED),
        kills: 0,
        within: 0,
        in_hand: 0,
    };
    // Whole once, so that moments are drawn over the time it takes.
    let reads = timed(|| killer.backup(Duration::ZERO, 0));
    killer.desk.ends(TAILOR, 0);
    let writes = timed(|| killer.change(WRITE, "gauge-07/target.bin", Duration::ZERO, 0));
    let back = timed(|| killer.change(RESTORE, "gauge-07/as-found.bin", Duration::ZERO, 0));
    while killer.kills < kills {
        // Each job meets some kills before it may end; a write, which has most to lose, twice as many.
        let until = |killer: &Killer, share: usize| (killer.kills + share * a_share).min(kills);
        killer.backup(reads, until(&killer, 1));
        killer.desk.ends(TAILOR, 0);
        killer.change(WRITE, "gauge-07/target.bin", writes, until(&killer, 2));
        killer.change(RESTORE, "gauge-07/as-found.bin", back, until(&killer, 1));
        no_rubbish(&killer.desk);
        // On a busy computer few may have been too few.
        if killer.in_hand == 0 && kills < most {
            kills += a_share;
        }
    }
    println!(
        "{} kills; {} met a block in hand, {} jobs went on with work that was done",
        killer.kills, killer.in_hand, killer.within
    );
    assert!(killer.in_hand > 0, "no kill met a write at work");
}

/// Asked to stop at random moments, the program says that it heard, and ends so that the same line goes
/// on.
#[test]
fn asked_to_stop_at_any_moment_it_says_so_and_the_same_line_ends_byte_exact() {
    let wanted = rounds(9, 0.15);
    let desk = Desk::ready();
    let takes = timed(|| drop(desk.ends(WRITE, 0)));
    desk.ends(RESTORE, 0);
    let mut random = fastrand::Rng::with_seed(SEED);
    let (mut sent, mut heard, mut longest) = (0, 0, Duration::ZERO);
    let line = |command: &str| command.replace(" --json", "");
    while sent < wanted {
        for (command, image) in [
            (WRITE, "gauge-07/target.bin"),
            (RESTORE, "gauge-07/as-found.bin"),
        ] {
            loop {
                let name = ["INT", "TERM", "HUP"][sent % 3];
                let (code, told) = asked(&desk, &line(command), name, takes.mul_f64(random.f64()));
                sent += 1;
                let context = format!("seed {SEED}, signal {sent} ({name}), {command}: {code:?}");
                match code {
                    Some(0) => break,
                    // The block in hand is finished: none is left half done.
                    Some(6) => assert_eq!(Account::ranges(&desk)[0], [], "{context}"),
                    Some(130) => assert_eq!(Account::ranges(&desk)[1], [], "{context}"),
                    // Before anything is touched a signal ends the program at once.
                    None => assert_eq!(Account::ranges(&desk)[0], [], "{context}"),
                    other => panic!("{context}: {other:?}"),
                }
                if code.is_some() {
                    heard += 1;
                    longest = longest.max(told.unwrap_or_else(|| panic!("{context}: not a word")));
                }
            }
            assert!(desk.cells() == desk.get(image), "{sent} signals: {command}");
        }
    }
    println!(
        "{sent} signals; {heard} stopped a job, told after {} ms at the longest",
        longest.as_millis()
    );
    assert!(heard > 0, "no signal met a job at work");
}

/// Runs a line, sends a signal after `wait`, and gives the exit code (none where the signal ended it) and
/// how long it was until the program said that it stops.
fn asked(desk: &Desk, line: &str, name: &str, wait: Duration) -> (Option<i32>, Option<Duration>) {
    let mut running = desk.start(line);
    if !ends_within(&mut running, wait) {
        signal(name, running.id());
    }
    let sent = Instant::now();
    let mut err = BufReader::new(running.stderr.take().unwrap());
    let mut told = None;
    let mut text = String::new();
    while err.read_line(&mut text).unwrap() > 0 {
        if text.starts_with("Stopping") && told.is_none() {
            told = Some(sent.elapsed());
        }
        text.clear();
    }
    err.read_to_string(&mut text).unwrap();
    (running.wait().unwrap().code(), told)
}
