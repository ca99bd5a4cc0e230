//! The program itself: built, and what it costs as a child process.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// User and system time of all children that were waited for, in ticks of 10 ms: fields 16 and 17 of
/// proc_pid_stat(5), counted behind the program's name, which may hold spaces.
pub fn children_ticks() -> Result<u64, Box<dyn Error>> {
    let stat = fs::read_to_string("/proc/self/stat")?;
    let fields = stat.rsplit(')').next().unwrap_or_default();
    let times = fields.split_whitespace().skip(13).take(2);
    Ok(times.map(str::parse::<u64>).sum::<Result<u64, _>>()?)
}

/// Builds the program as its users do.
pub fn build_program() -> Result<(), Box<dyn Error>> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let status = Command::new(cargo)
        .args(["build", "--release", "--locked", "--bin", "norlock"])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
        .status()?;
    match status.success() {
        true => Ok(()),
        false => Err("the program was not built".into()),
    }
}

/// Where it is then: beside the folder that cargo gives to benchmarks.
pub fn program() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("../release/norlock")
}
