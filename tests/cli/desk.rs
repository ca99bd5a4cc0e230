//! A folder with a simulated chip and the office's pieces, and the program run in it as it is typed.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use norlock::mock::{BenchFile, Mock};
use norlock::unit::Digest;
use tempfile::TempDir;

use crate::json;

/// What a 1 MiB logger holds.
pub const REGIONS: &str = include_str!("../data/regions.toml");

/// Makes the target of gauge-07.
pub const TAILOR: &str = "tailor --unit gauge-07 --map regions.toml --piece boot=boot.bin \
    --sha256 boot=#boot.bin --fill boot=blank --piece system=system.bin --sha256 system=#system.bin \
    --fill system=keep";

pub struct Desk {
    folder: TempDir,
}

/// How a run ended.
#[derive(Debug)]
pub struct Ended {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Desk {
    /// gauge-07, a 1 MiB logger, on the clip.
    pub fn new() -> Self {
        let desk = Self::with("W25Q80DV", 1 << 20);
        desk.put("regions.toml", REGIONS);
        desk.put("boot.bin", noise(21, 40 << 10));
        desk.put("system.bin", noise(22, 300 << 10));
        desk
    }

    /// A chip of the named part, without a region map.
    pub fn with(part: &str, size_bytes: usize) -> Self {
        // In memory where there is such a folder: a journal syncs often, and disks are slow at it.
        let memory = Path::new("/dev/shm");
        let folder = match memory.is_dir() {
            true => TempDir::new_in(memory).or_else(|_| TempDir::new()),
            false => TempDir::new(),
        };
        let desk = Self {
            folder: folder.unwrap(),
        };
        desk.put("chip.cells", content(size_bytes));
        let bench = BenchFile::new(part, Path::new("chip.cells"));
        Mock::create(&desk.path("chip.toml"), &bench).unwrap();
        desk
    }

    /// With a backup and a target.
    pub fn ready() -> Self {
        let desk = Self::new();
        desk.ends("backup --unit gauge-07 @bench --quiet", 0);
        desk.ends(TAILOR, 0);
        desk
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).unwrap();
    }

    pub fn get(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    /// What the simulated chip holds, seen from outside.
    pub fn cells(&self) -> Vec<u8> {
        self.get("chip.cells")
    }

    /// The words of a line: `@bench` stands for the bench options, `@paper` for the hash of each
    /// backup as somebody noted it, and `NAME=#FILE` for the file's SHA-256.
    pub fn words(&self, line: &str) -> Vec<String> {
        let bench = "--mock chip.toml --power clip --marking W25Q80DVSIG";
        let mut words = Vec::new();
        for word in line.split_whitespace() {
            match word.split_once('#') {
                Some((region, file)) => {
                    words.push(format!("{region}{}", Digest::of(&self.get(file))));
                }
                None if word == "@bench" => words.extend(bench.split(' ').map(str::to_owned)),
                None if word == "@paper" => {
                    for backup in ["as-found.bin", "as-found-2.bin"] {
                        if let Ok(bytes) = fs::read(self.path("gauge-07").join(backup)) {
                            words.push("--offline-hash".into());
                            words.push(Digest::of(&bytes).to_string());
                        }
                    }
                }
                None => words.push(word.to_owned()),
            }
        }
        words
    }

    pub fn command(&self, line: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_norlock"));
        let folder = self.folder.path();
        command.args(self.words(line)).current_dir(folder);
        command.env_clear().stdin(Stdio::null());
        command
    }

    pub fn start(&self, line: &str) -> Child {
        let mut command = self.command(line);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command.spawn().unwrap()
    }

    /// Runs a line; what it prints must keep to the rules of the screens, or to the schema.
    pub fn run(&self, line: &str) -> Ended {
        let ended = Ended::of(self.command(line).output().unwrap());
        if line.contains("--json") {
            ended.out.lines().for_each(|line| drop(json::valid(line)));
        } else {
            keeps_to_the_rules(line, &ended.out);
            keeps_to_the_rules(line, &ended.err);
        }
        ended
    }

    /// Runs a line that must end with `code`.
    #[track_caller]
    pub fn ends(&self, line: &str, code: i32) -> Ended {
        let ended = self.run(line);
        assert_eq!(ended.code, code, "norlock {line}\n{ended}");
        ended
    }

    /// Every file by its path, but for the simulated chip's own; the lock holds nothing.
    pub fn files(&self) -> BTreeMap<PathBuf, Digest> {
        let mut files = BTreeMap::new();
        let mut folders = vec![self.folder.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                let name = path.file_name().unwrap().to_string_lossy().into_owned();
                if path.is_dir() {
                    files.insert(path.clone(), Digest::of(b"folder"));
                    folders.push(path);
                } else if name != "chip.cells.state" && name != ".lock" {
                    files.insert(path.clone(), Digest::of(&fs::read(&path).unwrap()));
                }
            }
        }
        files
    }
}

impl Ended {
    pub fn of(output: Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }

    /// The whole text on one line, as it was before it was wrapped, commands as a shell joins them.
    pub fn said(&self) -> String {
        let [out, err] = [&self.out, &self.err].map(|text| text.replace(" \\\n", " "));
        let words = out.split_whitespace().chain(err.split_whitespace());
        words.collect::<Vec<_>>().join(" ")
    }

    #[track_caller]
    pub fn says(&self, text: &str) {
        assert!(self.said().contains(text), "no '{text}' in\n{self}");
    }
}

impl std::fmt::Display for Ended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "ended with {}\n{}{}", self.code, self.out, self.err)
    }
}

/// At most 60 columns of ASCII without control characters, but for command lines that are quoted.
#[track_caller]
fn keeps_to_the_rules(command: &str, text: &str) {
    for line in text.lines().filter(|line| !line.starts_with("$ norlock")) {
        let fits = line.len() <= 60 || line.starts_with("Usage: ") || line.starts_with("error: ");
        assert!(fits, "{} columns by '{command}': {line}", line.len());
        let plain = line.chars().all(|c| c.is_ascii() && !c.is_ascii_control());
        assert!(plain && !line.contains('!'), "'{command}': {line:?}");
    }
}

/// Bytes without a pattern.
pub fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..length).map(|_| random.u8(..)).collect()
}

/// A unit as found: code, settings, system, unit data, blank rests.
fn content(size: usize) -> Vec<u8> {
    let mut image = vec![0xFF; size];
    let part = size / 16;
    let mut put = |at: usize, bytes: &[u8]| image[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, &noise(11, part / 2));
    put(part, b"unit=gauge-07\nstarts=0001\n");
    put(2 * part, &noise(12, 5 * part));
    put(14 * part, &noise(13, 1500));
    put(15 * part, &noise(14, 300));
    image
}
