//! What backing up a 64 MiB chip costs the bench computer, beside hashing the same bytes.
//!
//! `cargo bench -p benches --bench backup` prints both and fails if a backup (two full reads, hashes, the file)
//! takes more than four times the CPU of coreutils' sha256sum over the same bytes twice, or holds
//! 24 MiB or more in memory. The simulated chip's own work counts as the backup's. Then it backs up chips
//! of 1 to 256 MiB, and fails where one holds as much, or where 256 MiB hold over 4 MiB more or less than
//! 16 MiB do.

#[path = "../tests/memory/big.rs"]
#[allow(dead_code, reason = "nothing is verified here")]
mod big;
mod measured;

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};

use measured::{build_program, children_ticks, program};

/// The two are taken in turn, so that whatever else the computer does falls on both.
const ROUNDS: u32 = 5;
const RATIO_MAX: f64 = 4.0;
/// What memory may depend on the size of the chip.
const SPREAD_MAX_KIB: u64 = 4 << 10;

fn main() -> Result<ExitCode, Box<dyn Error>> {
    build_program()?;
    let folder = tempfile::tempdir()?;
    big::lay_out(folder.path(), &big::MIB_64)?;
    let (mut backups, mut hashes, mut peak_kib) = (0, 0, 0);
    for round in 0..ROUNDS {
        let start = children_ticks()?;
        peak_kib = peak_kib.max(back_up(folder.path(), &big::MIB_64, round)?);
        let between = children_ticks()?;
        hash_twice(folder.path())?;
        backups += between - start;
        hashes += children_ticks()? - between;
    }
    let ratio = backups as f64 / hashes.max(1) as f64;
    let each = |ticks: u64| ticks as f64 * 10.0 / f64::from(ROUNDS);
    println!("backup of 64 MiB      {:6.0} ms CPU", each(backups));
    println!("sha256sum over it x2  {:6.0} ms CPU", each(hashes));
    println!("ratio                 {ratio:6.2}    at most {RATIO_MAX}");
    println!(
        "memory                {:6.1} MiB below {} MiB",
        peak_kib as f64 / 1024.0,
        big::PEAK_MAX_KIB >> 10
    );
    let flat = memory_is_flat(peak_kib)?;
    let holds = ratio <= RATIO_MAX && peak_kib < big::PEAK_MAX_KIB && flat;
    Ok(if holds {
        ExitCode::SUCCESS
    } else {
        eprintln!("The bound above does not hold.");
        ExitCode::FAILURE
    })
}

/// Whether what a backup holds in memory does not grow with the chip; `peak_64` is known already.
fn memory_is_flat(peak_64: u64) -> Result<bool, Box<dyn Error>> {
    let peak = |chip: &big::Chip| -> Result<u64, Box<dyn Error>> {
        let folder = tempfile::tempdir()?;
        big::lay_out(folder.path(), chip)?;
        back_up(folder.path(), chip, 0)
    };
    let (peak_16, peak_256) = (peak(&big::MIB_16)?, peak(&big::MIB_256)?);
    let peaks = [
        (1, peak(&big::MIB_1)?),
        (16, peak_16),
        (64, peak_64),
        (256, peak_256),
    ];
    for (mib, peak_kib) in peaks {
        println!(
            "memory, {mib:3} MiB chip {:5.1} MiB",
            peak_kib as f64 / 1024.0
        );
    }
    let below = |(_, peak_kib): &(u32, u64)| *peak_kib < big::PEAK_MAX_KIB;
    Ok(peaks.iter().all(below) && peak_256.abs_diff(peak_16) <= SPREAD_MAX_KIB)
}

/// Backs up into a folder of its own, and gives the peak of memory.
fn back_up(folder: &Path, chip: &big::Chip, round: u32) -> Result<u64, Box<dyn Error>> {
    let unit = format!("big-{round}");
    let mut child = big::backup(folder, chip, &unit).spawn()?;
    let peak_kib = big::peak_kib(&mut child)?;
    if !child.wait()?.success() {
        return Err("the backup failed".into());
    }
    fs::remove_dir_all(folder.join(unit))?;
    Ok(peak_kib)
}

fn hash_twice(folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut command = Command::new("sha256sum");
    let command = command.current_dir(folder).args(["big.cells", "big.cells"]);
    if !command.stdout(Stdio::null()).status()?.success() {
        return Err("sha256sum failed".into());
    }
    Ok(())
}
