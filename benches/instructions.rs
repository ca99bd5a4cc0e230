//! How many instructions a backup and a verify take for each MiB.
//!
//! `cargo bench -p benches --bench instructions` counts them under valgrind's callgrind for chips of 1 and 4 MiB, and
//! divides what the larger takes more by the MiB that it has more. It fails where that is more than 10 %
//! above what `benches/instructions.toml` has. docs/speed.md says what a count depends on.

#[path = "../tests/memory/big.rs"]
#[allow(dead_code, reason = "nothing is measured in memory here")]
mod big;
#[allow(dead_code, reason = "callgrind counts here")]
mod measured;

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};

use measured::{build_program, program};
use serde::Deserialize;

/// Above the figure, a run fails; as far below it, the figure is out of date.
const MARGIN: f64 = 0.10;
const RECORDED: &str = "instructions.toml";
/// A skip is a failure where this is set.
const REQUIRE: &str = "NORLOCK_REQUIRE_VALGRIND";

/// Instructions for each MiB, and where they were counted.
#[derive(Debug, Deserialize)]
struct Recorded {
    architecture: String,
    rustc: String,
    backup: u64,
    verify: u64,
}

fn main() -> Result<ExitCode, Box<dyn Error>> {
    build_program()?;
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(RECORDED);
    let recorded: Recorded = toml::from_str(&fs::read_to_string(path)?)?;
    if let Some(why) = skipped(&recorded) {
        println!("skipped: {why}");
        let required = std::env::var_os(REQUIRE).is_some();
        return Ok(ExitCode::from(u8::from(required)));
    }
    let (small, large) = (counted(&big::MIB_1)?, counted(&big::MIB_4)?);
    let mib = large.mib - small.mib;
    let rustc = rustc()?;
    println!("with {rustc}; recorded with {}", recorded.rustc);
    let mut holds = true;
    for (job, large, small, then) in [
        ("backup", large.backup, small.backup, recorded.backup),
        ("verify", large.verify, small.verify, recorded.verify),
    ] {
        let now = large.saturating_sub(small) / mib;
        let change = now as f64 / then as f64 - 1.0;
        println!(
            "{job}  {now:10} instructions for each MiB; recorded {then}: {:+.1} %",
            change * 100.0
        );
        if change > MARGIN {
            eprintln!(
                "{job} takes over 10 % more. If that is meant, put the new figure into benches/{RECORDED}."
            );
            holds = false;
        } else if change < -MARGIN {
            println!("{job} takes over 10 % less: put the new figure into benches/{RECORDED}.");
        }
    }
    Ok(if holds {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

/// Why nothing can be counted here, or compared.
fn skipped(recorded: &Recorded) -> Option<String> {
    let here = std::env::consts::ARCH;
    if here != recorded.architecture {
        return Some(format!(
            "recorded on {}, this is {here}",
            recorded.architecture
        ));
    }
    let version = Command::new("valgrind").arg("--version").output();
    version.err().map(|error| format!("valgrind: {error}"))
}

fn rustc() -> Result<String, Box<dyn Error>> {
    let name = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let version = Command::new(name).arg("--version").output()?.stdout;
    Ok(String::from_utf8(version)?.trim().to_owned())
}

/// Instructions that whole commands take on one chip.
struct Counted {
    mib: u64,
    backup: u64,
    verify: u64,
}

fn counted(chip: &big::Chip) -> Result<Counted, Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    big::lay_out(folder.path(), chip)?;
    let backup = count(folder.path(), &big::backup(folder.path(), chip, "gauge-07"))?;
    let verify = count(folder.path(), &big::verify(folder.path(), chip, "gauge-07"))?;
    Ok(Counted {
        mib: chip.size_bytes as u64 >> 20,
        backup,
        verify,
    })
}

/// Runs a command under callgrind.
fn count(folder: &Path, command: &Command) -> Result<u64, Box<dyn Error>> {
    let out = folder.join("callgrind.out");
    let mut option = std::ffi::OsString::from("--callgrind-out-file=");
    option.push(&out);
    let status = Command::new("valgrind")
        .args(["--tool=callgrind", "--quiet"])
        .arg(option)
        .arg(command.get_program())
        .args(command.get_args())
        .current_dir(folder)
        .stdout(Stdio::null())
        .status()?;
    if !status.success() {
        return Err(format!("{command:?} under valgrind ended with {status}").into());
    }
    let text = fs::read_to_string(&out)?;
    let total = text.lines().find_map(|line| line.strip_prefix("totals: "));
    Ok(total.ok_or("callgrind gave no total")?.trim().parse()?)
}
