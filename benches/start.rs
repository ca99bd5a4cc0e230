//! How large the program is, and how soon it answers.
//!
//! `cargo bench -p benches --bench start` starts `norlock --help`, `norlock parts` and an empty Rust program in turn,
//! compares the medians of the whole processes, and strips the program as a package does. It fails where one takes
//! longer than it may, or where the program is larger. `parts` reads the whole parts table.

#[allow(dead_code, reason = "whole processes are timed here")]
mod measured;

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use measured::{build_program, program};

const STARTS: usize = 101;
/// Beyond twice the empty program's time.
const BEYOND_MAX: Duration = Duration::from_millis(5);
const STRIPPED_MAX_BYTES: u64 = 6 << 20;

fn main() -> Result<ExitCode, Box<dyn Error>> {
    build_program()?;
    let norlock = program();
    let norlock = norlock.to_str().ok_or("a folder that is no text")?;
    let folder = tempfile::tempdir()?;
    let empty = empty_program(folder.path())?;
    let empty = empty.to_str().ok_or("a folder that is no text")?;
    let lines: [&[&str]; 3] = [&[empty], &[norlock, "--help"], &[norlock, "parts"]];
    let mut times = lines.map(|_| Vec::with_capacity(STARTS));
    for _ in 0..STARTS {
        // In turn, so that what else the computer does falls on all alike.
        for (line, times) in lines.iter().zip(&mut times) {
            times.push(time(line)?);
        }
    }
    let [empty, help, parts] = times.map(median);
    let time_max = 2 * empty + BEYOND_MAX;
    println!("empty program  {:>6} us", empty.as_micros());
    let most = time_max.as_micros();
    println!("norlock --help {:>6} us, at most {most}", help.as_micros());
    println!("norlock parts  {:>6} us, at most {most}", parts.as_micros());
    let size_bytes = stripped_size(folder.path())?;
    println!("stripped {size_bytes} bytes, at most {STRIPPED_MAX_BYTES}");
    let holds = help < time_max && parts < time_max && size_bytes <= STRIPPED_MAX_BYTES;
    Ok(if holds {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

/// From its start until it has ended, with nobody who reads its output.
fn time(line: &[&str]) -> Result<Duration, Box<dyn Error>> {
    let (program, words) = line.split_first().ok_or("no program")?;
    let start = Instant::now();
    let status = Command::new(program)
        .args(words)
        .stdout(Stdio::null())
        .status()?;
    let time = start.elapsed();
    if !status.success() {
        return Err(format!("{line:?} ended with {status}").into());
    }
    Ok(time)
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times.get(times.len() / 2).copied().unwrap_or_default()
}

/// Builds a program that does nothing, as it is built without further options but to optimise.
fn empty_program(folder: &Path) -> Result<std::path::PathBuf, Box<dyn Error>> {
    let (source, program) = (folder.join("empty.rs"), folder.join("empty"));
    fs::write(&source, "fn main() {}\n")?;
    let compiler = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let words = [
        "-O".as_ref(),
        "-o".as_ref(),
        program.as_os_str(),
        source.as_os_str(),
    ];
    let status = Command::new(compiler).args(words).status()?;
    if !status.success() {
        return Err("the empty program was not built".into());
    }
    Ok(program)
}

fn stripped_size(folder: &Path) -> Result<u64, Box<dyn Error>> {
    let stripped = folder.join("stripped");
    let status = Command::new("strip")
        .arg("-o")
        .args([stripped.as_os_str(), program().as_os_str()])
        .status()?;
    if !status.success() {
        return Err("strip did not end well".into());
    }
    Ok(fs::metadata(stripped)?.len())
}
