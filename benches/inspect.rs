//! What inspecting a 256 MiB image costs, beside hashing the same bytes.
//!
//! `cargo bench -p benches --bench inspect` prints both and fails if inspecting takes more than three times the CPU of
//! coreutils' sha256sum over the same bytes, or holds 32 MiB or more in memory.

#[path = "../tests/memory/big.rs"]
#[allow(dead_code, reason = "only its measure of memory is of use here")]
mod big;
mod measured;

use std::error::Error;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};

use measured::{build_program, children_ticks, program};

const SIZE_BYTES: usize = 256 << 20;
const ROUNDS: u32 = 5;
const RATIO_MAX: f64 = 3.0;
const PEAK_MAX_KIB: u64 = 32 << 10;

fn main() -> Result<ExitCode, Box<dyn Error>> {
    build_program()?;
    let folder = tempfile::tempdir()?;
    let image = folder.path().join("image.bin");
    lay_out(&image)?;
    let (mut looks, mut hashes, mut peak_kib) = (0, 0, 0);
    for _ in 0..ROUNDS {
        let start = children_ticks()?;
        peak_kib = peak_kib.max(inspect(&image)?);
        let between = children_ticks()?;
        let mut hash = Command::new("sha256sum");
        if !hash.arg(&image).stdout(Stdio::null()).status()?.success() {
            return Err("sha256sum failed".into());
        }
        looks += between - start;
        hashes += children_ticks()? - between;
    }
    let ratio = looks as f64 / hashes.max(1) as f64;
    let each = |ticks: u64| ticks as f64 * 10.0 / f64::from(ROUNDS);
    println!("inspect of 256 MiB    {:6.0} ms CPU", each(looks));
    println!("sha256sum over it     {:6.0} ms CPU", each(hashes));
    println!("ratio                 {ratio:6.2}    at most {RATIO_MAX}");
    let peak_mib = peak_kib as f64 / 1024.0;
    println!(
        "memory                {peak_mib:6.1} MiB below {} MiB",
        PEAK_MAX_KIB >> 10
    );
    if ratio <= RATIO_MAX && peak_kib < PEAK_MAX_KIB {
        return Ok(ExitCode::SUCCESS);
    }
    eprintln!("The bound above does not hold.");
    Ok(ExitCode::FAILURE)
}

/// Packed, code-like, text and blank, a quarter each, in runs of 1 MiB with a part of a block between.
fn lay_out(image: &Path) -> io::Result<()> {
    let mut random = fastrand::Rng::with_seed(256);
    let mut file = File::create_new(image)?;
    let mut run = vec![0; 1 << 20];
    for number in 0..SIZE_BYTES / run.len() {
        match number % 4 {
            0 => random.fill(&mut run),
            1 => run.fill_with(|| random.u8(..) & random.u8(..) | random.u8(..) & 0x11),
            2 => {
                let lines =
                    (0..).flat_map(|line: u32| format!("gauge-07 reads {line} mm\n").into_bytes());
                run.iter_mut().zip(lines).for_each(|(to, from)| *to = from);
            }
            _ => run.fill(0xFF),
        }
        let end = run.len() - number % 4096;
        run[end..].fill(0xFF);
        file.write_all(&run)?;
    }
    Ok(())
}

/// Inspects, and gives the peak of memory.
fn inspect(image: &Path) -> Result<u64, Box<dyn Error>> {
    let mut command = Command::new(program());
    let command = command.arg("inspect").arg(image).stdout(Stdio::null());
    let mut child = command.spawn()?;
    let peak_kib = big::peak_kib(&mut child)?;
    match child.wait()?.code() {
        Some(0) => Ok(peak_kib),
        code => Err(format!("inspect ended with {code:?}").into()),
    }
}
