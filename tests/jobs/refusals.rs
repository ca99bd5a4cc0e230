//! What is refused: by which interlock, with which exit code, and without touching the chip.

mod bench;
mod bus;
mod papers;
mod protection;

use norlock::interlock::{Acceptable, Interlock};
use norlock::jedec::Hertz;
use norlock::job::{self, Bench, ChipState, Exit, Nobody, Stop, WriteOrder, WriteReport};
use norlock::mock::{Fault, Faults, Miso};

use crate::station::Station;

/// Opcodes that change an array or a register, or let one be changed, on any part used here:
/// those of JESD216F (BFPT, 4-byte instruction table), and what makers have beside them for status
/// and security registers (common practice, no single source). None comes from the code under test.
const MODIFYING: [u8; 20] = [
    0x01, 0x02, 0x06, 0x11, 0x12, 0x20, 0x21, 0x31, 0x32, 0x42, 0x44, 0x50, 0x52, 0x5C, 0x60, 0xAD,
    0xC7, 0xD7, 0xD8, 0xDC,
];

/// The modifying frames that reached the wire.
fn modifying(station: &Station) -> usize {
    let trace = station.trace.lock().unwrap();
    let opcodes = trace.iter().filter_map(|sent| sent.out.first());
    opcodes.filter(|code| MODIFYING.contains(code)).count()
}

fn frames(station: &Station) -> usize {
    station.trace.lock().unwrap().len()
}

/// The result is a refusal by exactly these interlocks, each named and explained, and the chip is
/// untouched.
pub fn refused<T>(station: &Station, result: Result<T, Stop>, ids: &[&str]) -> Stop {
    let stop = held(result, ids);
    assert_eq!(stop.chip, ChipState::Untouched, "{stop:?}");
    assert_eq!(modifying(station), 0, "{ids:?}");
    stop
}

pub fn held<T>(result: Result<T, Stop>, ids: &[&str]) -> Stop {
    let Err(stop) = result else {
        panic!("{ids:?} did not hold");
    };
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.exit.number(), 3);
    // Lifting that was tried in vain is the one refusal after something was sent.
    let as_found = matches!(stop.chip, ChipState::Untouched | ChipState::NotTaken);
    assert!(as_found, "{stop:?}");
    let found: Vec<&str> = stop.held.iter().map(|held| held.interlock.id()).collect();
    assert_eq!(found, ids, "{stop:?}");
    assert!(
        stop.headline.starts_with(&format!("Held by {}: ", ids[0])),
        "{stop:?}"
    );
    let also = stop.evidence.iter().filter(|(label, _)| label == "also");
    let also: Vec<&str> = also
        .filter_map(|(_, text)| text.split(':').next())
        .collect();
    assert_eq!(also, &ids[1..]);
    for held in &stop.held {
        for text in [&held.headline, &held.seen, &held.means, &held.next] {
            assert!(!text.trim().is_empty(), "{held:?}");
        }
    }
    stop
}

/// How many are open, and how many wait, where so many hold before the chip is met.
fn open_but(held: usize) -> (usize, usize) {
    let all = Interlock::ALL;
    let before = all.iter().take_while(|one| **one != Interlock::Contact);
    let before = before.count();
    (before - held, all.len() - before)
}

/// How many interlocks the refusal calls open, and how many it says wait.
fn others(stop: &Stop) -> (usize, usize) {
    let (_, text) = stop
        .evidence
        .iter()
        .find(|(label, _)| label == "others")
        .unwrap();
    let numbers: Vec<usize> = text
        .split(' ')
        .filter_map(|word| word.parse().ok())
        .collect();
    assert_eq!(
        *text,
        format!("{} are open; {} wait for the chip", numbers[0], numbers[1])
    );
    (numbers[0], numbers[1])
}

fn write_on(station: &Station, order: WriteOrder, bench: Bench) -> Result<WriteReport, Stop> {
    job::write(&mut station.unit(), order, bench, &mut Nobody)
}

fn write(station: &Station, order: WriteOrder) -> Result<WriteReport, Stop> {
    write_on(station, order, station.bench())
}

/// The ID is read 200 times for a write, and 50 times to read, also at an SCK where that takes long. One wrong
/// answer among the last of them is seen.
#[test]
fn an_id_that_is_seldom_wrong_holds_at_the_slowest_clock_too() {
    let mut station = Station::ready(71);
    // The slowest that has a half to write at.
    station.sck = Hertz(2000);
    for (reads, backup) in [(200, false), (50, true)] {
        // What the start sequence needs comes first.
        let miso = Fault::Miso {
            shows: Miso::Noise,
            from_frame: station.mock.frames() + reads - 5,
            frames: Some(1),
        };
        station.mock.set_faults(Faults::seeded(9).with(miso));
        let stop = match backup {
            true => station.backup().unwrap_err(),
            false => write(&station, station.order()).unwrap_err(),
        };
        let stop = refused(&station, Err::<(), _>(stop), &["contact"]);
        let of = format!("{} of {reads}", reads - 1);
        assert!(stop.held[0].seen.contains(&of), "{stop:?}");
    }
}

/// An order for the target with some bytes changed.
fn changed_target(station: &Station, change: impl FnOnce(&mut Vec<u8>)) -> WriteOrder {
    let mut bytes = station.image("target.bin");
    change(&mut bytes);
    target(station, &bytes)
}

fn target(station: &Station, bytes: &[u8]) -> WriteOrder {
    use norlock::unit::store::Store;
    let path = std::path::Path::new("/bench/other.bin");
    station.files.replace(path, bytes).unwrap();
    WriteOrder {
        target: station.files.open(path).unwrap(),
        target_name: "other.bin".into(),
        offline: station.paper(),
        lift_protection: false,
    }
}

fn accept(station: &mut Station, name: Acceptable, reason: &str) {
    station.accepted.push((name, reason.to_owned()));
}
