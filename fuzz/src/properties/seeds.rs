//! The inputs that fuzzing begins with, out of the repository: tables, parts, examples, and the
//! inputs in `fuzz/seeds/` that once went wrong.

use std::fs;
use std::path::Path;

use norlock::chip::AddressingFound;
use norlock::part::JedecId;
use norlock::unit::Digest;
use norlock::unit::journal::{Header, Intent, Kind, Record};

/// The first inputs of a target; `root` is the repository's folder.
pub fn of(target: &str, root: &Path) -> Vec<Vec<u8>> {
    let mut seeds = regressions(target, root);
    seeds.extend(match target {
        "sfdp" => texts(root, "tests/data/sfdp")
            .iter()
            .map(|text| space(text))
            .collect(),
        "parts" => parts(root),
        "pieces" => pieces(root),
        "regions" | "unit" | "survey" | "shelf" | "bench" => examples(root),
        "chip" => of("bench", root),
        "state" => vec![STATE.into(), format!("increment = 5\n{STATE}").into()],
        "journal" => vec![journal()],
        "formats" => files(&root.join("tests/data/formats")),
        "words" => WORDS.iter().map(|text| text.as_bytes().to_vec()).collect(),
        _ => Vec::new(),
    });
    seeds
}

/// Inputs that once went wrong.
fn regressions(target: &str, root: &Path) -> Vec<Vec<u8>> {
    files(&root.join("fuzz/seeds").join(target))
}

/// What the files of a folder hold; nothing where there is no such folder.
fn files(folder: &Path) -> Vec<Vec<u8>> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| fs::read(file).unwrap()).collect()
}

fn texts(root: &Path, folder: &str) -> Vec<String> {
    let entries = fs::read_dir(root.join(folder)).unwrap();
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|ending| ending == "toml"));
    files.sort();
    files
        .iter()
        .map(|file| fs::read_to_string(file).unwrap())
        .collect()
}

/// The SFDP space in a file of `tests/data/sfdp`: what no line gives is FFh.
fn space(text: &str) -> Vec<u8> {
    let vector: toml::Table = text.parse().unwrap();
    let mut space = vec![0xFF; vector["space_bytes"].as_integer().unwrap() as usize];
    for line in vector["bytes"]
        .as_str()
        .unwrap()
        .lines()
        .filter(|line| !line.is_empty())
    {
        let (at, bytes) = line.split_once(':').unwrap();
        let at = usize::from_str_radix(at, 16).unwrap();
        for (at, byte) in (at..).zip(bytes.split_whitespace()) {
            space[at] = u8::from_str_radix(byte, 16).unwrap();
        }
    }
    space
}

/// Each part of `chips/` as a file of its own, and the files of `tests/parts`.
fn parts(root: &Path) -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for text in texts(root, "chips") {
        let (maker, parts) = text.split_once("\n[[").unwrap();
        let maker = maker
            .lines()
            .find(|line| line.starts_with("maker"))
            .unwrap();
        seeds.extend(
            parts
                .split("\n[[")
                .map(|part| format!("{maker}\n[[{part}").into_bytes()),
        );
    }
    for folder in ["tests/parts/valid", "tests/parts/invalid"] {
        seeds.extend(texts(root, folder).into_iter().map(String::into_bytes));
    }
    seeds
}

/// The files of records in `tests/data/records`, and the bytes that they were made of.
fn pieces(root: &Path) -> Vec<Vec<u8>> {
    let entries = fs::read_dir(root.join("tests/data/records")).unwrap();
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some());
    files.sort();
    files.iter().map(|file| fs::read(file).unwrap()).collect()
}

/// The examples in `docs/files.md`; whichever file they are of.
fn examples(root: &Path) -> Vec<Vec<u8>> {
    let text = fs::read_to_string(root.join("docs/files.md")).unwrap();
    let blocks = text.split("```toml\n").skip(1);
    blocks
        .map(|block| block.split("```").next().unwrap().as_bytes().to_vec())
        .collect()
}

/// A journal of a block that is done and one in hand.
fn journal() -> Vec<u8> {
    let digest = Digest::of(b"any");
    let header = Header {
        number: 2,
        supersedes: Some(1),
        intent: Intent::Restore,
        target: digest,
        baseline: digest,
        worklist: digest,
        region_map: Some(digest),
        part: "EX25Q32A".to_owned(),
        jedec_id: JedecId(vec![0x7E, 0x40, 0x16]),
        unique_id: vec![1; 8],
        size_bytes: 1 << 22,
        status: vec![(0x05, 0), (0x35, 2)],
        addressing: AddressingFound::ThreeByte,
        volatile_lift: false,
    };
    let mut bytes = header.encode().unwrap().to_vec();
    let mut before = Digest::of(&bytes);
    for (kind, sequence) in [Kind::Begun, Kind::Done, Kind::Begun].into_iter().zip(1..) {
        let start = 4096 * (sequence / 3);
        let block = start..start + 4096;
        let record = Record {
            sequence,
            kind,
            block,
            before,
        }
        .encode();
        before = Digest::of(&record);
        bytes.extend(record);
    }
    bytes
}

/// A state file as it is written.
const STATE: &str = "operations = 3
status_stored = [28, 2, 0]
status_in_force = [28, 2, 0]
blocks_locked = false
write_enabled = true
asleep = false
four_byte_mode = false
extended_address = 0
bank = 0
flags = 0
latched = false
busy_for_ns = 1000
[[unstable]]
start = 0
end = 4096
";

const WORDS: [&str; 8] = [
    "2d0de2a3f201cc77dd0913f8caf6e407d7f90e49539d1d58b924ab7c6357c837  as-found.bin\n",
    "2D0DE2A3 F201CC77 DD0913F8 CAF6E407\nD7F90E49 539D1D58 B924AB7C 6357C837",
    "EF 40 18",
    "256KiB",
    "0xFC_0000",
    "12.5 MHz",
    "400kHz",
    "1.65V",
];
