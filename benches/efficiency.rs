//! How near modelled times of whole jobs come to the least that the wire and the chip allow.
//!
//! `cargo bench -p benches --bench efficiency` prints the tables of docs/speed.md: floor divided by time, for reads of a
//! simulated 16 MiB chip and writes of one of 4 MiB, over clocks, `bufsiz` and what a message costs. All
//! time is on the virtual clock, so the same code gives the same tables on every computer. It fails where a
//! read takes more than is promised there.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "the station of the tests is made here, and one that cannot be made has to end this"
)]

#[path = "../tests/jobs/altered.rs"]
#[allow(dead_code, reason = "what the tests alter")]
mod altered;
#[path = "../tests/jobs/real_time.rs"]
#[allow(dead_code, reason = "time is virtual here")]
mod real_time;
#[path = "../tests/jobs/station.rs"]
#[allow(dead_code, reason = "other jobs than these are of no use here")]
mod station;

use std::process::ExitCode;
use std::time::Duration;

use norlock::jedec::Hertz;
use norlock::job::WriteReport;
use norlock::link::{Limits, Link};
use norlock::mock::Times;
use norlock::unit::store::Store;

use station::Station;

const CLOCKS_MHZ: [u32; 4] = [1, 10, 50, 104];
const BUFSIZ: [usize; 2] = [4096, 65536];
const OVERHEADS_US: [u64; 3] = [0, 30, 100];

/// 4 MiB of a gauge logger.
const REGIONS: &str = r#"
size = "4MiB"

[[region]]
name = "boot"
start = 0x000000
size = "256KiB"
holds = "replaceable"

[[region]]
name = "boot-settings"
start = 0x040000
size = "64KiB"
holds = "replaceable"

[[region]]
name = "system"
start = 0x050000
end = 0x3C0000
holds = "replaceable"

[[region]]
name = "calibration"
start = 0x3C0000
size = "64KiB"
holds = "unit-data"

[[region]]
name = "identity"
start = 0x3D0000
size = "64KiB"
holds = "unit-data"
"#;
/// Pieces that fill their regions.
const FULL: [(&str, usize); 2] = [("boot", 256 << 10), ("system", 3520 << 10)];
/// A smaller boot loader, and a system that leaves half of the region blank.
const CONVERSION: [(&str, usize); 2] = [("boot", 180 << 10), ("system", 1760 << 10)];

/// What a link is like.
#[derive(Clone, Copy)]
struct Wire {
    mhz: u32,
    bufsiz: usize,
    overhead_us: u64,
}

/// The least time, divided by the time taken.
fn share(floor: Duration, time: Duration) -> f64 {
    floor.as_secs_f64() / time.as_secs_f64()
}

fn station((part, marking): (&str, &str), wire: Wire) -> Station {
    let station = Station {
        marking: Some(marking.into()),
        sck: Hertz::mhz(wire.mhz),
        ..Station::with_part(part, 9)
    };
    station.mock.set_limits(Limits {
        batch_out_bytes: wire.bufsiz,
        batch_in_bytes: wire.bufsiz,
        sck_max: Hertz::mhz(104),
        ..station.mock.link().limits()
    });
    let overhead = Duration::from_micros(wire.overhead_us);
    station.mock.set_overhead(overhead);
    station.mock.set_times(Times::Typical);
    station
}

fn twin_read(wire: Wire) -> f64 {
    let station = station(("W25Q128JV", "W25Q128JVSIQ"), wire);
    let reads = station.backup().unwrap().reads;
    share(reads.floor(), reads.time())
}

fn write(wire: Wire, pieces: &[(&str, usize)]) -> f64 {
    let station = station(("W25Q32JV", "W25Q32JVSSIQ"), wire);
    station.backup().unwrap();
    let map = station.folder.join("regions.toml");
    station.files.replace(&map, REGIONS.as_bytes()).unwrap();
    station.tailor_of(10, pieces);
    let WriteReport {
        floor,
        proof_floor,
        time,
        ..
    } = station.write().unwrap();
    share(floor + proof_floor, time)
}

/// Prints a table, and gives what is in it.
fn table(job: &str, of: impl Fn(Wire) -> f64) -> Vec<(Wire, f64)> {
    println!("\n{job}\n\n| SCK | bufsiz | 0 us | 30 us | 100 us |\n|---|---|---|---|---|");
    let mut all = Vec::new();
    for mhz in CLOCKS_MHZ {
        for bufsiz in BUFSIZ {
            let mut line = format!("| {mhz} MHz | {bufsiz} |");
            for overhead_us in OVERHEADS_US {
                let wire = Wire {
                    mhz,
                    bufsiz,
                    overhead_us,
                };
                let share = of(wire);
                line += &format!(" {:.1} % |", share * 100.0);
                all.push((wire, share));
            }
            println!("{line}");
        }
    }
    all
}

/// What is promised of two reads, at which wires, as time divided by floor.
type Promise = (&'static str, fn(&Wire) -> bool, f64);

const PROMISES: [Promise; 3] = [
    (
        "every clock and bufsiz, 0 us",
        |wire| wire.overhead_us == 0,
        1.005,
    ),
    (
        "50 MHz, bufsiz 65536, 30 us",
        |wire| (wire.mhz, wire.bufsiz, wire.overhead_us) == (50, 65536, 30),
        1.02,
    ),
    (
        "20 MHz, bufsiz 4096, 51 us",
        |wire| wire.mhz == 20,
        1.0 / 0.95,
    ),
];

fn main() -> ExitCode {
    let mut reads = table("Two reads of 16 MiB", twin_read);
    table("Nearly all of 4 MiB written anew", |wire| {
        write(wire, &FULL)
    });
    table("A typical conversion, 4 MiB", |wire| {
        write(wire, &CONVERSION)
    });
    let slow = Wire {
        mhz: 20,
        bufsiz: 4096,
        overhead_us: 51,
    };
    reads.push((slow, twin_read(slow)));
    println!("\nTwo reads take, of their floor:");
    let mut holds = true;
    for (what, is_meant, most) in PROMISES {
        let meant = reads.iter().filter(|(wire, _)| is_meant(wire));
        let worst = meant.map(|(_, share)| 1.0 / share).fold(0.0, f64::max);
        println!("{what:30} {worst:.4}  at most {most:.4}");
        holds &= (1.0..=most).contains(&worst);
    }
    if holds {
        return ExitCode::SUCCESS;
    }
    eprintln!("The bounds above do not hold.");
    ExitCode::FAILURE
}
