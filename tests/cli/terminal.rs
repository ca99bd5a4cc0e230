//! What the built program does to a terminal: wide and narrow ones, a pipe, and one that goes away.
//!
//! The terminal is a real one of the kernel's (pty(7)); what it would show is judged by the parser of the `vt100`
//! crate. Sequences are those of ECMA-48. `NO_COLOR` is that of no-color.org, which is about colour alone; what
//! `TERM=dumb` means is common practice, no source.

use std::fs::File;
use std::io::Read;
use std::process::{Child, Command};

use rustix::pty::{OpenptFlags, grantpt, ioctl_tiocgptpeer, openpt, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};
use vt100::Parser;

use crate::desk::{Desk, Ended};
use crate::interrupted::sixteen_mib;
use crate::kills::Account;

const BACKUP: &str = "backup --unit gauge-07 @bench";
const WRITE: &str = "write target.bin --unit gauge-07 @bench @paper";
const BENCH_16: &str = "--mock chip.toml --power clip --marking 25Q128JVSQ";

/// Rows that hold all of a command, so that nothing scrolls out of sight.
const ROWS: u16 = 300;

/// A terminal with a program on it.
struct Terminal {
    master: File,
    running: Child,
    /// All that was written to it.
    bytes: Vec<u8>,
    screen: Parser,
    /// JSON lines are for programs, and are not broken.
    json: bool,
}

impl Terminal {
    /// Starts a line with its three streams on a new terminal, as the first of its session: to it the kernel tells
    /// that the terminal is gone.
    fn start(desk: &Desk, columns: u16, before: &[&str], line: &str, envs: Envs) -> Self {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let size = Winsize {
            ws_row: ROWS,
            ws_col: columns,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        tcsetwinsize(&master, size).unwrap();
        let peer = File::from(ioctl_tiocgptpeer(&master, flags).unwrap());
        // The tests themselves may run where a hangup is ignored.
        let mut command = Command::new("env");
        command.args(["--default-signal=HUP", "setsid", "--ctty"]);
        command.args(before).arg(env!("CARGO_BIN_EXE_norlock"));
        command.args(desk.words(line)).current_dir(desk.path(""));
        command.env_clear().env("TERM", "xterm").envs(envs.to_vec());
        if let Some(path) = std::env::var_os("PATH") {
            command.env("PATH", path);
        }
        command.stdin(peer.try_clone().unwrap());
        command.stdout(peer.try_clone().unwrap()).stderr(peer);
        Self {
            running: command.spawn().unwrap(),
            master: master.into(),
            bytes: Vec::new(),
            screen: Parser::new(ROWS, columns, 0),
            json: line.contains("--json"),
        }
    }

    /// Takes what is there next; false at the end.
    fn read(&mut self) -> bool {
        let mut bytes = [0; 4096];
        // EIO where the last program has left (Linux, pty(7)).
        let Ok(count @ 1..) = self.master.read(&mut bytes) else {
            return false;
        };
        self.bytes.extend(&bytes[..count]);
        self.screen.process(&bytes[..count]);
        if !self.json {
            self.no_line_is_broken();
        }
        true
    }

    /// The terminal itself never has to break a line, but for a word that is longer: what is typed again from a
    /// screen must be whole.
    fn no_line_is_broken(&self) {
        let screen = self.screen.screen();
        let (rows, columns) = screen.size();
        // What is redrawn in place is padded with spaces, and the cursor left at the edge: no text is broken there.
        let padded = |row: u16| {
            screen
                .cell(row, columns - 1)
                .unwrap()
                .contents()
                .trim()
                .is_empty()
        };
        let broken = (0..rows).filter(|row| screen.row_wrapped(*row) && !padded(*row));
        for row in broken {
            let text = screen.contents_between(row, 0, row + 1, columns);
            // A command goes on behind such a word too.
            let words = text.trim_end_matches(" \\").split_whitespace().count();
            assert_eq!(words, 1, "{columns} columns: {text:?}");
        }
    }

    fn until(&mut self, text: &str) {
        while !self.text().contains(text) {
            assert!(self.read(), "no '{text}' in {}", self.text());
        }
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    /// To the end: the exit code.
    fn ends(&mut self) -> Option<i32> {
        while self.read() {}
        self.running.wait().unwrap().code()
    }

    /// Closes it under the program, and gives the exit code.
    fn goes_away(self) -> Option<i32> {
        let Self {
            master,
            mut running,
            ..
        } = self;
        drop(master);
        running.wait().unwrap().code()
    }
}

type Envs<'a> = &'a [(&'a str, &'a str)];

/// The sequences in a text, by their last byte: `m` sets how characters look, all others move or erase.
fn sequences(text: &str) -> Vec<char> {
    let parts = text.split('\x1b').skip(1);
    let last = |part: &str| part.chars().skip(1).find(|c| c.is_ascii_alphabetic());
    parts.map(|part| last(part).unwrap()).collect()
}

/// How progress and answer are asked for, and what then may be there.
struct Wish {
    name: &'static str,
    option: &'static str,
    envs: Envs<'static>,
    /// On a terminal.
    colour: bool,
    moves: bool,
    /// Where nothing moves.
    lines: bool,
}

const WISHES: [Wish; 5] = [
    wish("nothing", "", &[], true, true, true),
    wish("NO_COLOR", "", &[("NO_COLOR", "1")], false, true, true),
    wish("dumb", "", &[("TERM", "dumb")], false, false, true),
    wish("--plain", " --plain", &[], false, false, true),
    wish("--quiet", " --quiet", &[], true, false, false),
];

const fn wish(
    name: &'static str,
    option: &'static str,
    envs: Envs<'static>,
    colour: bool,
    moves: bool,
    lines: bool,
) -> Wish {
    Wish {
        name,
        option,
        envs,
        colour,
        moves,
        lines,
    }
}

/// 20 of 20: no escape byte where none belongs, and no line that is wider than the terminal.
#[test]
fn each_look_suits_its_terminal_or_pipe() {
    for wish in &WISHES {
        for columns in [80, 40, 20] {
            let desk = Desk::new();
            let line = format!("{BACKUP}{}", wish.option);
            let mut terminal = Terminal::start(&desk, columns, &[], &line, wish.envs);
            let code = terminal.ends();
            let text = terminal.text();
            let context = format!("{}, {columns} columns: {text:?}", wish.name);
            assert_eq!(code, Some(0), "{context}");
            let found = sequences(&text);
            assert_eq!(found.contains(&'m'), wish.colour, "{context}");
            assert_eq!(found.iter().any(|c| *c != 'm'), wish.moves, "{context}");
            let shown = terminal.screen.screen().contents();
            assert!(said(&shown).contains("gauge-07 is kept."), "{context}");
            let told = said(&shown).contains(" of 1024 KiB, about");
            assert_eq!(told, wish.lines && !wish.moves, "{context}");
            if wish.moves {
                stands_once(&shown, columns);
            }
        }
        in_a_pipe(wish);
    }
}

/// The words of a screen, whatever lines they were broken into.
fn said(shown: &str) -> String {
    shown.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Each finished read has left its line behind, and nothing else of what moved.
fn stands_once(shown: &str, columns: u16) {
    let said = said(shown);
    let (progress, _) = said.split_once("Two independent").expect(shown);
    let finished = ["first", "second"].map(|read| match columns {
        80 => format!("{read} ''''''''''''''''| 1 MiB in"),
        _ => format!("{read} read: 1 MiB in"),
    });
    for line in finished {
        assert_eq!(progress.matches(&line).count(), 1, "{shown}");
    }
    assert!(!progress.contains(" of 1024 KiB"), "{shown}");
}

fn in_a_pipe(wish: &Wish) {
    let desk = Desk::new();
    let mut command = desk.command(&format!("{BACKUP}{}", wish.option));
    command.envs(wish.envs.to_vec());
    let ended = Ended::of(command.output().unwrap());
    assert_eq!(ended.code, 0, "{}: {ended}", wish.name);
    for text in [&ended.out, &ended.err] {
        let plain = text
            .chars()
            .all(|c| c == '\n' || c == ' ' || c.is_ascii_graphic());
        assert!(plain, "{}: {text:?}", wish.name);
    }
    let told = ended.err.contains(" of 1024 KiB, about");
    assert_eq!(told, wish.lines, "{}: {ended}", wish.name);
}

/// A write has lines beside its progress, and the longest words.
#[test]
fn a_write_fits_a_narrow_terminal() {
    let desk = Desk::ready();
    for (columns, line) in [
        (40, WRITE),
        (20, "restore --to 1 --unit gauge-07 @bench @paper"),
    ] {
        let mut terminal = Terminal::start(&desk, columns, &[], line, &[]);
        assert_eq!(terminal.ends(), Some(0), "{}", terminal.text());
        let text = terminal.text();
        assert!(text.contains("in hand: 0x"), "{columns} columns: {text}");
        let shown = terminal.screen.screen().contents();
        assert!(!shown.contains("in hand"), "{columns} columns: {shown}");
    }
}

/// A connection that drops takes the terminal along (SIGHUP, and EIO from then on: POSIX, General Terminal
/// Interface, 11.1.10): the write stops as for Ctrl-C, and the same line goes on.
#[test]
fn a_write_whose_terminal_goes_away_stops_and_the_same_line_goes_on() {
    for option in ["", " --plain", " --json"] {
        let desk = sixteen_mib();
        desk.ends(&format!("backup --unit gauge-07 {BENCH_16} --quiet"), 0);
        desk.ends("tailor --unit gauge-07 --map regions.toml --piece system=system.bin --sha256 system=#system.bin", 0);
        let write = format!("write target.bin --unit gauge-07 {BENCH_16} @paper");
        let mut terminal = Terminal::start(&desk, 80, &[], &format!("{write}{option}"), &[]);
        terminal.until(at_work(option));
        assert_eq!(terminal.goes_away(), Some(6), "'{option}'");
        let check = desk.ends("check --unit gauge-07", 6);
        check.says("journal gauge-07/journal/write-1 tells of a write that did not end");
        // The block in hand was finished, and what is done is on record.
        let [in_hand, done] = Account::ranges(&desk);
        assert_eq!(in_hand, []);
        assert!(!done.is_empty());
        let ended = desk.ends(&format!("{write} --quiet"), 0);
        ended.says("interrupted run had");
        assert!(desk.cells() == desk.get("gauge-07/target.bin"));
    }
}

/// What is on the terminal once a write is under way.
fn at_work(option: &str) -> &'static str {
    match option {
        "" => "in hand  0x",
        " --plain" => "writing: ",
        _ => r#""event":"progress","stage":"writing""#,
    }
}

#[test]
fn a_backup_whose_terminal_goes_away_stops_and_the_same_line_goes_on() {
    for (option, work) in [
        ("", "second  "),
        (" --plain", "first read: "),
        (" --json", r#""event":"progress""#),
    ] {
        let met = (0..20).any(|_| stops_with_its_terminal(option, work));
        assert!(met, "none was met with '{option}'");
    }
}

/// Whether the terminal went away before the backup had ended: on a busy computer a whole one may be over before
/// this process is heard again.
fn stops_with_its_terminal(option: &str, work: &str) -> bool {
    let desk = sixteen_mib();
    let backup = format!("backup --unit gauge-07 {BENCH_16}");
    let mut terminal = Terminal::start(&desk, 80, &[], &format!("{backup}{option}"), &[]);
    terminal.until(work);
    let code = terminal.goes_away();
    if code == Some(0) {
        return false;
    }
    assert_eq!(code, Some(130), "'{option}'");
    assert!(!desk.path("gauge-07/as-found.bin").exists());
    desk.ends(&format!("{backup} --quiet"), 0);
    assert!(desk.get("gauge-07/as-found.bin") == desk.cells());
    true
}

/// nohup(1) ignores the hangup for whoever it starts, and that is what it is asked for.
#[test]
fn under_nohup_a_backup_outlives_its_terminal() {
    assert!((0..20).any(|_| outlives_its_terminal()), "none was met");
}

/// Whether the terminal went away before the backup had ended.
fn outlives_its_terminal() -> bool {
    let desk = sixteen_mib();
    let backup = format!("backup --unit gauge-07 {BENCH_16}");
    let terminal = Terminal::start(&desk, 80, &["nohup"], &backup, &[]);
    let log = || std::fs::read_to_string(desk.path("nohup.out")).unwrap_or_default();
    while !log().contains("first read: ") {
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    let met = !desk.path("gauge-07/as-found.bin").exists();
    assert_eq!(terminal.goes_away(), Some(0), "{}", log());
    assert!(desk.get("gauge-07/as-found.bin") == desk.cells());
    met
}

/// As `norlock ... | head -1`: whoever reads has read enough, which is no fault and stops nothing.
#[test]
fn a_reader_who_leaves_stops_nothing() {
    let desk = Desk::ready();
    for line in [
        "parts",
        // More than a pipe holds.
        "parts --json",
        "--help",
        "backup --unit gauge-07 @bench --json",
        "inspect gauge-07/as-found.bin",
        "worklist target.bin --unit gauge-07",
        "write target.bin --unit gauge-07 @bench @paper --json",
    ] {
        let mut running = desk.start(line);
        let mut out = running.stdout.take().unwrap();
        out.read_exact(&mut [0]).unwrap();
        drop(out);
        let ended = Ended::of(running.wait_with_output().unwrap());
        assert_eq!(ended.code, 0, "{line}: {ended}");
        assert!(!ended.err.contains("panicked"), "{line}: {ended}");
        assert!(
            !ended.err.contains("could not be printed"),
            "{line}: {ended}"
        );
    }
    assert!(desk.get("gauge-07/as-found-2.bin") == desk.get("gauge-07/as-found.bin"));
    assert!(desk.cells() == desk.get("gauge-07/target.bin"));
}

/// The same of progress: nobody on either stream.
#[test]
fn nobody_who_reads_progress_stops_nothing() {
    let desk = Desk::new();
    let mut running = desk.start(BACKUP);
    drop((running.stdout.take(), running.stderr.take()));
    assert_eq!(running.wait().unwrap().code(), Some(0));
    assert!(desk.get("gauge-07/as-found.bin") == desk.cells());
}
