//! What decoding SFDP costs.
//!
//! `cargo bench -p benches --bench sfdp` decodes each space under `tests/data/sfdp`, 256 to 1024 bytes with up to
//! four tables, prints the time of each, and fails where one takes 5 us or more for each 512 bytes.

use std::error::Error;
use std::fs;
use std::hint::black_box;
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use norlock::jedec::sfdp::Sfdp;

/// Decodes in a round; the fastest round counts, as what else the computer does only adds.
const DECODES: u32 = 2_000;
const ROUNDS: u32 = 20;
/// For a space of so many bytes, or less; a longer one has as much for each such part.
const PART_BYTES: usize = 512;
const TIME_MAX: Duration = Duration::from_micros(5);

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data/sfdp");
    let mut files: Vec<_> = fs::read_dir(folder)?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    files.sort();
    let mut slowest = Duration::ZERO;
    for file in files {
        let name = file
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let space = space(&fs::read_to_string(&file)?)?;
        let sfdp = Sfdp::parse(&space)?;
        let time = time(&space);
        let (tables, length) = (sfdp.headers.len(), space.len());
        println!(
            "{name:<14} {length:>5} bytes  {tables} tables {:>6} ns",
            time.as_nanos()
        );
        let parts = u32::try_from(length.div_ceil(PART_BYTES))?;
        slowest = slowest.max(time / parts.max(1));
    }
    println!(
        "slowest decode {} ns for {PART_BYTES} bytes, below {}",
        slowest.as_nanos(),
        TIME_MAX.as_nanos()
    );
    let holds = Duration::ZERO < slowest && slowest < TIME_MAX;
    Ok(if holds {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

/// The time of one decode.
fn time(space: &[u8]) -> Duration {
    let round = |_| {
        let start = Instant::now();
        for _ in 0..DECODES {
            drop(black_box(Sfdp::parse(black_box(space))));
        }
        start.elapsed() / DECODES
    };
    (0..ROUNDS).map(round).min().unwrap_or_default()
}

/// The space of a file: lines of an address and bytes, FFh between them.
fn space(text: &str) -> Result<Vec<u8>, Box<dyn Error>> {
    let table: toml::Table = toml::from_str(text)?;
    let (length, lines) = (table.get("space_bytes"), table.get("bytes"));
    let length = length
        .and_then(toml::Value::as_integer)
        .ok_or("no length")?;
    let mut space = vec![0xFF; usize::try_from(length)?];
    let lines = lines.and_then(toml::Value::as_str).ok_or("no bytes")?;
    for line in lines.lines().filter(|line| !line.is_empty()) {
        let (at, bytes) = line.split_once(':').ok_or("no address")?;
        let at = usize::from_str_radix(at, 16)?;
        for (at, byte) in (at..).zip(bytes.split_whitespace()) {
            *space.get_mut(at).ok_or("outside")? = u8::from_str_radix(byte, 16)?;
        }
    }
    Ok(space)
}
