//! Waiting for the clip to be seated and lifted.

use std::time::Duration;

use norlock::job::{self, Attendant, Exit, Nobody, Seat, Stop, Task};
use norlock::mock::{Fault, Faults, Miso};

use crate::station::Station;

const PATIENCE: Duration = Duration::from_secs(60);

fn wait(station: &Station, wanted: Seat, who: &dyn Attendant) -> (Result<bool, Stop>, Vec<Seat>) {
    let mut told = Vec::new();
    let bench = station.bench();
    let ended = job::wait_for(wanted, bench, PATIENCE, who, &mut |seat| told.push(seat));
    (ended, told)
}

/// A clip that is off for some frames, or from a frame on, and what MISO shows then.
fn off(shows: Miso, from_frame: u64, frames: Option<u64>) -> Faults {
    Faults::seeded(3).with(Fault::LooseContact {
        shows,
        from_frame,
        frames,
    })
}

#[test]
fn a_clip_is_waited_for_until_it_is_seated() {
    let station = Station::new(71);
    for (shows, first) in [
        (Miso::High, Seat::Lifted),
        (Miso::Low, Seat::Lifted),
        (Miso::Noise, Seat::Unsteady),
    ] {
        let from = station.mock.frames();
        station.mock.set_faults(off(shows, 0, Some(from + 100)));
        let (ended, told) = wait(&station, Seat::Seated, &Nobody);
        assert!(ended.unwrap());
        assert_eq!((told[0], told.last()), (first, Some(&Seat::Seated)));
    }
    assert!(wait(&station, Seat::Seated, &Nobody).0.unwrap());
}

#[test]
fn a_clip_is_waited_for_until_it_is_lifted() {
    let station = Station::new(72);
    let from = station.mock.frames();
    station.mock.set_faults(off(Miso::High, from + 40, None));
    let (ended, told) = wait(&station, Seat::Lifted, &Nobody);
    assert!(ended.unwrap());
    assert_eq!((told[0], told.last()), (Seat::Seated, Some(&Seat::Lifted)));
}

#[test]
fn one_glimpse_is_not_enough() {
    let station = Station::new(73);
    let from = station.mock.frames();
    // Eight frames are one look, and four looks in a row are wanted.
    let faults = off(Miso::High, 0, Some(from + 8)).with(Fault::LooseContact {
        shows: Miso::High,
        from_frame: from + 25,
        frames: None,
    });
    station.mock.set_faults(faults);
    let start = station.mock.now();
    let (ended, told) = wait(&station, Seat::Seated, &Nobody);
    assert!(!ended.unwrap(), "{told:?}");
    assert!(told.contains(&Seat::Seated), "{told:?}");
    assert!(station.mock.now() - start >= PATIENCE);
}

#[test]
fn nothing_is_clocked_before_the_bench_is_attested_and_nothing_modifies() {
    let mut station = Station::new(74);
    assert!(wait(&station, Seat::Seated, &Nobody).0.unwrap());
    let frames = std::mem::take(&mut *station.trace.lock().unwrap());
    assert!(!frames.is_empty() && frames.iter().all(|sent| sent.out[0] == 0x9F));
    station.marking = None;
    let (ended, _) = wait(&station, Seat::Seated, &Nobody);
    assert_eq!(ended.unwrap_err().exit, Exit::Held);
    assert!(station.trace.lock().unwrap().is_empty());
}

/// Somebody who has asked to stop.
struct Leaving;

impl Attendant for Leaving {
    fn begins(&mut self, _: &Task) {}
    fn at(&mut self, _: u64, _: Option<&str>) {}
    fn ends(&mut self, _: &str) {}
    fn stop_asked(&self) -> bool {
        true
    }
}

#[test]
fn a_person_who_leaves_is_not_waited_for() {
    let station = Station::new(75);
    station.mock.set_faults(off(Miso::High, 0, None));
    let (ended, _) = wait(&station, Seat::Seated, &Leaving);
    assert_eq!(ended.unwrap_err().exit, Exit::Stopped);
}
