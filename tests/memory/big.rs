//! A simulated 64 MiB chip, and the command that backs it up.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

/// Bytes of the chip.
pub const SIZE_BYTES: usize = 64 << 20;
/// The most that a backup of it may hold in memory.
pub const PEAK_MAX_KIB: u64 = 24 << 10;

/// Lays out the bench `big.toml` in `folder`, with random cells.
pub fn lay_out(folder: &Path) -> io::Result<()> {
    let mut random = fastrand::Rng::with_seed(64);
    let mut cells = File::create_new(folder.join("big.cells"))?;
    let mut piece = vec![0; 64 << 10];
    for _ in 0..SIZE_BYTES / piece.len() {
        random.fill(&mut piece);
        cells.write_all(&piece)?;
    }
    let bench =
        "part = \"W25Q512JV\"\ncells = \"big.cells\"\nlevel = \"3.3V\"\nbatch_bytes = 65536\n";
    fs::write(folder.join("big.toml"), bench)
}

/// The backup into the unit folder `unit`, which is new.
pub fn backup(folder: &Path, unit: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_norlock"));
    command
        .current_dir(folder)
        .args(["backup", "--quiet", "--unit", unit, "--mock", "big.toml"])
        .args(["--power", "clip", "--marking", "W25Q512JVEIQ"])
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
