//! A harbour office's tide-gauge logger, invented: what its chip holds and what shall become of it.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use crate::job::{Exit, Stop};
use crate::mock::{BenchFile, Mock};
use crate::unit::Digest;

const KIB: usize = 1 << 10;
const SIZE: usize = 16 << 20;
const SETTINGS_AT: u64 = 0x04_0000;

const REGIONS: &str = "\
# What the 16 MiB of a tide-gauge logger hold. Bytes that no region names are kept.
size = \"16MiB\"

[[region]]
name = \"boot\"
start = 0x000000
size = \"256KiB\"
holds = \"replaceable\"

[[region]]
name = \"boot-settings\"
start = 0x040000
size = \"64KiB\"
holds = \"keep\"

[[region]]
name = \"system\"
start = 0x050000
end = 0xFC0000
holds = \"replaceable\"

[[region]]
name = \"calibration\"
start = 0xFC0000
size = \"64KiB\"
holds = \"unit-data\"
note = \"sensor coefficients, differ per unit\"

[[region]]
name = \"identity\"
start = 0xFD0000
size = \"64KiB\"
holds = \"unit-data\"
note = \"serial number and addresses, differ per unit\"
";

/// The files of the demo.
pub struct Scene {
    folder: PathBuf,
    as_found: Digest,
    boot: Digest,
    system: Digest,
}

impl Scene {
    /// Makes the folder, the simulated bench with gauge-07 on the clip, the region map, and the pieces with
    /// the hashes that their maker gives.
    ///
    /// # Errors
    /// A [`Stop`] if the folder exists or cannot be made.
    pub fn lay_out(folder: &Path) -> Result<Self, Stop> {
        if folder.exists() {
            let next = "Remove it, or name another: norlock demo --in FOLDER";
            let mut stop = Stop::new(
                Exit::FileFault,
                format!("{} exists already.", folder.display()),
                next,
            );
            stop.chip = crate::job::ChipState::NotMet;
            return Err(stop);
        }
        let image = as_found();
        let (boot, system) = (code(21, 212 * KIB), packed(22, 6656 * KIB));
        let (boot_hash, system_hash) = (Digest::of(&boot), Digest::of(&system));
        let sums = format!("{boot_hash}  boot-loader.bin\n{system_hash}  system.bin\n");
        fs::create_dir_all(folder.join("pieces"))
            .and_then(|()| fs::write(folder.join("gauge-07.cells"), &image))
            .and_then(|()| fs::write(folder.join("regions.toml"), REGIONS))
            .and_then(|()| fs::write(folder.join("pieces/boot-loader.bin"), &boot))
            .and_then(|()| fs::write(folder.join("pieces/system.bin"), &system))
            .and_then(|()| fs::write(folder.join("pieces/SHA256SUMS"), sums))
            .map_err(|error| failed(folder, error))?;
        let mut bench = BenchFile::new("W25Q128JV", Path::new("gauge-07.cells"));
        bench.unique_id = Some(vec![0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x07]);
        bench.batch_bytes = Some(64 * KIB);
        Mock::create(&folder.join("gauge-07.toml"), &bench)
            .map_err(|error| failed(folder, io::Error::other(error.to_string())))?;
        Ok(Self {
            folder: folder.to_owned(),
            as_found: Digest::of(&image),
            boot: boot_hash,
            system: system_hash,
        })
    }

    /// The line that makes the target.
    pub fn tailor_line(&self) -> String {
        format!(
            "tailor --unit gauge-07 --map regions.toml --piece boot=pieces/boot-loader.bin --sha256 boot={} \
             --fill boot=blank --piece system=pieces/system.bin --sha256 system={} --fill system=blank",
            self.boot, self.system
        )
    }

    /// The unit boots, counts the start and takes other settings.
    ///
    /// # Errors
    /// A [`Stop`] if the simulated chip's file cannot be written.
    pub fn unit_runs(&self) -> Result<(), Stop> {
        let text = settings(2, 600);
        File::options()
            .write(true)
            .open("gauge-07.cells")
            .and_then(|cells| cells.write_all_at(text.as_bytes(), SETTINGS_AT))
            .map_err(|error| failed(&self.folder, error))
    }

    /// Looks at the simulated chip's file from outside.
    ///
    /// # Errors
    /// A [`Stop`] if it is not as it was at the start.
    pub fn is_as_found(&self) -> Result<(), Stop> {
        let cells = fs::read("gauge-07.cells").map_err(|error| failed(&self.folder, error))?;
        if Digest::of(&cells) == self.as_found {
            return Ok(());
        }
        Err(Stop::new(
            Exit::Different,
            "The simulated chip is not as it was found.",
            "Please report it.",
        ))
    }
}

/// A file of the demo that cannot be made or used.
pub fn failed(folder: &Path, error: io::Error) -> Stop {
    let mut stop = Stop::new(
        Exit::FileFault,
        format!("The demo cannot work in {}.", folder.display()),
        "Name another folder: --in FOLDER",
    )
    .row("seen", error.to_string())
    .because(error);
    stop.chip = crate::job::ChipState::NotMet;
    stop
}

/// What gauge-07's chip holds when it comes in.
fn as_found() -> Vec<u8> {
    let mut image = vec![0xFF; SIZE];
    let mut put = |at: usize, bytes: &[u8]| image[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, &code(11, 236 * KIB));
    put(0x04_0000, settings(1, 300).as_bytes());
    put(0x05_0000, &packed(12, 9728 * KIB));
    put(0xFC_0000, &coefficients());
    put(
        0xFD_0000,
        b"serial=TG-2019-0007\naddress=02:00:5e:07:00:07\nharbour=north mole\n",
    );
    image
}

fn settings(starts: u32, interval_s: u32) -> String {
    format!("unit=gauge-07\nstarts={starts:04}\ninterval_s={interval_s:04}\nport=north mole\n")
}

/// Bytes with the skew of machine code: some values far more often than others.
fn code(seed: u64, length: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..length)
        .map(|_| random.u8(..) & random.u8(..) | random.u8(..) & 0x11)
        .collect()
}

/// Bytes as a compressor leaves them.
fn packed(seed: u64, length: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..length).map(|_| random.u8(..)).collect()
}

/// A table of sensor coefficients.
fn coefficients() -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(13);
    (0..512)
        .flat_map(|step: u32| (step * 13 + u32::from(random.u8(..))).to_le_bytes())
        .collect()
}
