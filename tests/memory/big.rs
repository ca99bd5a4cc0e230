//! Simulated chips of several sizes, and the commands that read them.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

/// The most that a backup may hold in memory, however large the chip.
pub const PEAK_MAX_KIB: u64 = 24 << 10;

/// A chip on a simulated clip.
pub struct Chip {
    pub size_bytes: usize,
    part: &'static str,
}

const fn chip(mib: usize, part: &'static str) -> Chip {
    Chip {
        size_bytes: mib << 20,
        part,
    }
}

pub const MIB_1: Chip = chip(1, "W25Q80DV");
pub const MIB_4: Chip = chip(4, "W25Q32JV");
pub const MIB_16: Chip = chip(16, "W25Q128JV");
pub const MIB_64: Chip = chip(64, "W25Q512JV");
pub const MIB_256: Chip = chip(256, "W25Q02JV-IM");

/// Lays out the bench `big.toml` in `folder`, with random cells.
pub fn lay_out(folder: &Path, chip: &Chip) -> io::Result<()> {
    let mut random = fastrand::Rng::with_seed(64);
    let mut cells = File::create(folder.join("big.cells"))?;
    let mut piece = vec![0; 64 << 10];
    for _ in 0..chip.size_bytes / piece.len() {
        random.fill(&mut piece);
        cells.write_all(&piece)?;
    }
    let bench = format!(
        "part = \"{}\"\ncells = \"big.cells\"\nlevel = \"3.3V\"\nbatch_bytes = 65536\n",
        chip.part
    );
    fs::write(folder.join("big.toml"), bench)
}

/// The backup into the unit folder `unit`, which is new.
pub fn backup(folder: &Path, chip: &Chip, unit: &str) -> Command {
    let mut command = command(folder, chip, "backup");
    command.args(["--unit", unit]);
    command
}

/// Two passes against the first backup.
pub fn verify(folder: &Path, chip: &Chip, unit: &str) -> Command {
    let mut command = command(folder, chip, "verify");
    command.args(["--unit", unit, "as-found.bin"]);
    command
}

fn command(folder: &Path, chip: &Chip, name: &str) -> Command {
    let mut command = Command::new(crate::program());
    // What is printed on a part ends in letters that the table's names need not have.
    let marking = format!("{}EIQ", chip.part.trim_end_matches("-IM"));
    command
        .current_dir(folder)
        .args([name, "--quiet", "--mock", "big.toml"])
        .args(["--power", "clip", "--marking", &marking])
        .args(["--supply", "2.7V-3.6V", "--sck", "50MHz"])
        .stdout(Stdio::null());
    command
}

/// Waits for the end of `child`, and gives the most memory that it was seen to hold.
///
/// Asks the kernel for the high-water mark (`VmHWM`, proc_pid_status(5)) every two milliseconds. What
/// wait4 gives would not do: it counts the parent's memory from before the child's exec.
pub fn peak_kib(child: &mut Child) -> io::Result<u64> {
    let path = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    while child.try_wait()?.is_none() {
        let status = fs::read_to_string(&path)?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let number = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse().ok());
        // One that has ended has no memory left to tell of.
        peak = peak.max(number.unwrap_or(0));
        thread::sleep(Duration::from_millis(2));
    }
    Ok(peak)
}
