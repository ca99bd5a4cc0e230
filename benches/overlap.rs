//! How long the bus waits for hashing, comparing and the disk while a chip is read.
//!
//! `cargo bench -p benches --bench overlap` backs up a simulated 8 MiB chip whose link takes the time that a wire
//! would, into files on the disk that builds go to, and prints for how much of both reads nothing was on the wire. It
//! fails where that is 3 % or more in each of three rounds, as a computer may be busy elsewhere. Beside it
//! stands the share with everything in turn, which a slower computer than this makes larger.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "the station of the tests is made here, and one that cannot be made has to end this"
)]

#[path = "../tests/jobs/altered.rs"]
#[allow(dead_code, reason = "what the tests alter")]
mod altered;
#[path = "../tests/jobs/real_time.rs"]
mod real_time;
#[path = "../tests/jobs/station.rs"]
#[allow(dead_code, reason = "only bench and chip are of use here")]
mod station;

use std::error::Error;
use std::process::ExitCode;
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use norlock::jedec::Hertz;
use norlock::job::{self, Bench, Nobody, Way};
use norlock::link::{Limits, Link};
use norlock::unit::Unit;
use norlock::unit::store::RealStore;

use real_time::real_time;
use station::Station;

const ROUNDS: u32 = 3;
const IDLE_MAX: f64 = 0.03;
const SCK: Hertz = Hertz::mhz(50);
/// Shorter batches are no part of a read of the whole chip.
const WHOLE_BYTES: usize = 1024;

/// When a batch was on the wire, and its bytes.
type Sent = (Instant, Instant, usize);

fn main() -> Result<ExitCode, Box<dyn Error>> {
    println!("8 MiB, reads at 50 and 30 MHz, 30 us a batch: nothing on the wire");
    let mut holds = true;
    for bufsiz in [4096, 65536] {
        let in_turn = idle_share(bufsiz, false)?;
        println!(
            "bufsiz {bufsiz:5}, in turn         {:5.2} %",
            in_turn * 100.0
        );
        let mut least = f64::MAX;
        for _ in 0..ROUNDS {
            least = least.min(idle_share(bufsiz, true)?);
            if least < IDLE_MAX {
                break;
            }
        }
        let (share, max) = (least * 100.0, IDLE_MAX * 100.0);
        println!("bufsiz {bufsiz:5}, beside the bus  {share:5.2} %  below {max} %");
        holds &= least < IDLE_MAX;
    }
    if holds {
        return Ok(ExitCode::SUCCESS);
    }
    eprintln!("The bound above does not hold.");
    Ok(ExitCode::FAILURE)
}

/// The share of both reads of a backup in which nothing was on the wire.
fn idle_share(bufsiz: usize, beside: bool) -> Result<f64, Box<dyn Error>> {
    let station = Station {
        marking: Some("W25Q64JVSSIQ".into()),
        sck: SCK,
        ..Station::with_part("W25Q64JV", 9)
    };
    let limits = station.mock.link().limits();
    station.mock.set_limits(Limits {
        batch_out_bytes: bufsiz,
        batch_in_bytes: bufsiz,
        ..limits
    });
    let sent: Arc<Mutex<Vec<Sent>>> = Arc::default();
    let noted = Arc::clone(&sent);
    let link = real_time(station.mock.link(), move |began, time, bytes| {
        thread::sleep(time.saturating_sub(began.elapsed()));
        noted.lock().unwrap().push((began, Instant::now(), bytes));
    });
    let bench = Bench {
        way: Way::Link(Box::new(link.taking_time(beside))),
        trace: None,
        ..station.bench()
    };
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let mut unit =
        Unit::open_or_create(Arc::new(RealStore::new()), &folder.path().join("gauge-07"))?;
    job::backup(&mut unit, bench, &mut Nobody)?;
    let sent = sent.lock().unwrap();
    Ok(idle(&sent))
}

/// From the first long batch to the last.
fn idle(sent: &[Sent]) -> f64 {
    let is_long = |sent: &Sent| sent.2 >= WHOLE_BYTES;
    let first = sent.iter().position(is_long).unwrap();
    let last = sent.iter().rposition(is_long).unwrap();
    let reads = &sent[first..=last];
    let busy: Duration = reads.iter().map(|(began, ended, _)| *ended - *began).sum();
    let whole = sent[last].1 - sent[first].0;
    1.0 - busy.as_secs_f64() / whole.as_secs_f64()
}
