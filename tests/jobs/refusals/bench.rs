//! Before the first clock: refused with an empty trace.

use std::fs::File;
use std::path::PathBuf;

use nix::fcntl::{Flock, FlockArg};
use norlock::interlock::Acceptable;
use norlock::jedec::Millivolts;
use norlock::job::{self, Bench, Nobody, Way};
use norlock::part::SupplyRange;
use norlock::unit::store::Store;

use super::{accept, frames, open_but, others, refused, write_on};
use crate::station::{MARKING, Station};

const THREE_VOLTS: SupplyRange = SupplyRange {
    min: Millivolts(2700),
    max: Millivolts(3600),
    from_memory: false,
};

/// Every command that uses the bus is refused by these, and nothing was clocked.
fn all_refused(station: &Station, bench: &dyn Fn() -> Bench, ids: &[&str]) {
    station.trace.lock().unwrap().clear();
    refused(station, job::contact(None, bench(), &mut Nobody), ids);
    refused(station, job::id(None, bench(), &mut Nobody), ids);
    refused(station, job::sfdp(bench(), &mut Nobody), ids);
    refused(
        station,
        job::backup(&mut station.unit(), bench(), &mut Nobody),
        ids,
    );
    let image = station
        .files
        .open(&station.folder.join("as-found.bin"))
        .unwrap();
    let verified = job::verify(
        &job::VerifyOrder::whole(image.as_ref(), 1),
        None,
        bench(),
        &mut Nobody,
    );
    refused(station, verified, ids);
    refused(station, write_on(station, station.order(), bench()), ids);
    let order = job::RestoreOrder {
        to: 1,
        offline: station.paper(),
        ..job::RestoreOrder::default()
    };
    let restored = job::restore(&mut station.unit(), &order, bench(), &mut Nobody);
    refused(station, restored, ids);
    assert_eq!(frames(station), 0, "{ids:?}: something was clocked");
}

#[test]
fn a_low_voltage_marking_at_3_3_v_is_never_clocked() {
    let station = Station::ready(10);
    for marking in ["W25Q80EWSNIG", "GD25LQ80C", "MX25U1635E"] {
        let bench = || {
            let mut bench = station.bench();
            bench.said.marking = Some(marking.into());
            bench
        };
        all_refused(&station, &bench, &["supply-level"]);
    }
    // Nor does a datasheet for another part, or an acceptance, open it.
    let bench = || {
        let mut bench = station.bench();
        bench.said.marking = Some("W25Q80EWSNIG".into());
        bench.said.supply = Some(THREE_VOLTS);
        bench
    };
    all_refused(&station, &bench, &["supply-level"]);
}

#[test]
fn what_nobody_vouched_for_is_never_clocked() {
    let station = Station::ready(11);
    let changed = |change: fn(&mut Bench)| {
        let station = &station;
        move || {
            let mut bench = station.bench();
            change(&mut bench);
            bench
        }
    };
    let power = changed(|bench| bench.said.power = None);
    all_refused(&station, &power, &["bench-attested"]);
    let denied = changed(|bench| bench.said.denied = vec!["Is the board's own supply off?".into()]);
    all_refused(&station, &denied, &["bench-attested"]);
    let unread = changed(|bench| bench.said.marking = None);
    all_refused(&station, &unread, &["bench-attested", "supply-level"]);
    let unknown = changed(|bench| bench.said.marking = Some("ABC123".into()));
    all_refused(&station, &unknown, &["supply-level"]);
    // The table has the range of this one from memory only.
    let memory = changed(|bench| bench.said.marking = Some("AT25SF081".into()));
    all_refused(&station, &memory, &["supply-level"]);
    station.mock.set_level(None);
    let level = changed(|_| {});
    all_refused(&station, &level, &["supply-level"]);
}

#[test]
fn a_datasheet_opens_what_the_table_cannot() {
    let mut station = Station::new(12);
    for marking in [Some("ABC123"), Some("AT25SF081"), None] {
        station.marking = marking.map(str::to_owned);
        station.accepted.clear();
        if marking.is_none() {
            accept(&mut station, Acceptable::UnreadableMarking, "lasered off");
        }
        refused(
            &station,
            job::id(None, station.bench(), &mut Nobody),
            &["supply-level"],
        );
        let mut bench = station.bench();
        bench.said.supply = Some(THREE_VOLTS);
        job::id(None, bench, &mut Nobody).unwrap();
    }
    station.marking = Some(MARKING.into());
    station.mock.set_level(None);
    let mut bench = station.bench();
    bench.level = Some(Millivolts(3300));
    job::id(None, bench, &mut Nobody).unwrap();
}

#[test]
fn bench_and_papers_are_told_together() {
    let station = Station::ready(13);
    station.trace.lock().unwrap().clear();
    let mut order = station.order();
    order.offline.hashes.clear();
    let mut bench = station.bench();
    bench.said.power = None;
    bench.said.marking = Some("W25Q80EWSNIG".into());
    let ids = ["bench-attested", "supply-level", "offline-hash"];
    let stop = refused(&station, write_on(&station, order, bench), &ids);
    assert_eq!(others(&stop), open_but(3));
    assert_eq!(frames(&station), 0);
}

/// A character device that is no spidev stands for a node of which nothing is known.
fn node(station: &Station, path: &str) -> Bench {
    let mut bench = station.bench();
    bench.way = Way::Node {
        path: PathBuf::from(path),
        chosen: true,
        lanes: 1,
    };
    bench.level = Some(Millivolts(3300));
    bench
}

#[test]
fn a_node_of_which_nothing_is_known_and_a_locked_one_are_refused() {
    let mut station = Station::new(14);
    let bench = node(&station, "/dev/full");
    refused(
        &station,
        job::id(None, bench, &mut Nobody),
        &["not-the-host"],
    );

    accept(
        &mut station,
        Acceptable::NotTheHost,
        "the header has one bus",
    );
    let device = File::options()
        .read(true)
        .write(true)
        .open("/dev/full")
        .unwrap();
    let lock = Flock::lock(device, FlockArg::LockExclusiveNonblock).unwrap();
    let stop = refused(
        &station,
        job::id(None, node(&station, "/dev/full"), &mut Nobody),
        &["sole-user"],
    );
    assert!(stop.held[0].seen.contains("/dev/full"));
    drop(lock);
    // Free again: both open, and what fails is that this is no SPI bus.
    let stop = job::id(None, node(&station, "/dev/full"), &mut Nobody)
        .err()
        .unwrap();
    assert!(stop.held.is_empty(), "{stop:?}");
    assert_eq!(frames(&station), 0);
}
