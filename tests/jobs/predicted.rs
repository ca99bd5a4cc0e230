//! What a worklist says a write takes, against the simulated bench's clock.

use std::time::Duration;

use norlock::interlock::Acceptances;
use norlock::jedec::{Hertz, Lanes};
use norlock::job::{self, ContactWishes, Nobody, WorklistReport, WriteReport};
use norlock::link::Limits;
use norlock::mock::Times;

use crate::station::Station;

/// One bench.
#[derive(Debug, Clone, Copy)]
struct Setting {
    /// Content, and the pace of the chip where times are drawn.
    seed: u64,
    sck: u32,
    overhead_us: u64,
    bufsiz: usize,
    /// Slow memory cards take as long as that (common practice, no source).
    sync_ms: u64,
}

impl Setting {
    /// A unit whose contact was checked and which was backed up, with a target.
    fn station(self, times: Times) -> Station {
        let mut station = Station::new(self.seed);
        station.sck = Hertz(self.sck);
        station.sync = Duration::from_millis(self.sync_ms);
        station.mock.set_times(times);
        station.mock.set_pace(self.seed);
        station
            .mock
            .set_overhead(Duration::from_micros(self.overhead_us));
        station.mock.set_limits(Limits {
            batch_in_bytes: self.bufsiz,
            batch_out_bytes: self.bufsiz,
            segment_align_bytes: 128,
            batch_segments: 511,
            sck_max: Hertz(u32::MAX),
            sck_min: Hertz(1),
            lanes: Lanes::ONE,
        });
        let unit = station.unit();
        let wishes = ContactWishes::default();
        let report =
            job::contact_as_wished(Some(&unit), station.bench(), wishes, &mut Nobody).unwrap();
        drop(unit);
        job::keep_contact(station.store(), &station.folder, &report).unwrap();
        station.backup().unwrap();
        station.map();
        station.tailor(1071);
        station
    }
}

/// Without hardware.
fn worklist(station: &Station) -> WorklistReport {
    job::worklist(
        &station.unit(),
        station.order().target.as_ref(),
        &station.catalogue,
        &Acceptances::new(Vec::new()),
        station.sck,
    )
    .unwrap()
}

fn off(predicted: Duration, written: &WriteReport) -> f64 {
    predicted.as_secs_f64() / written.time.as_secs_f64() - 1.0
}

#[test]
fn a_worklist_predicts_the_time_of_its_write() {
    let mut worst: f64 = 0.0;
    for sck in [1_000_000, 50_000_000] {
        for (overhead_us, sync_ms) in [(0, 5), (100, 60)] {
            for bufsiz in [4096, 65536] {
                let setting = Setting {
                    seed: 71,
                    sck,
                    overhead_us,
                    bufsiz,
                    sync_ms,
                };
                let station = setting.station(Times::Typical);
                let predicted = worklist(&station).estimate.total();
                let written = station.write().unwrap();
                let off = off(predicted, &written);
                println!(
                    "{setting:?}: predicted {predicted:?}, took {:?}, {:+.1} %",
                    written.time,
                    off * 100.0
                );
                assert_eq!(written.modelled, predicted, "{setting:?}");
                worst = worst.max(off.abs());
            }
        }
    }
    assert!(worst <= 0.03, "{:.1} %", worst * 100.0);
}

/// A chip is quicker or slower than typical by up to a quarter, which no worklist can know: the prediction is off by
/// no more than that and the 3 % above.
#[test]
fn a_worklist_predicts_chips_at_their_own_pace() {
    for seed in [72, 74, 75] {
        let setting = Setting {
            seed,
            sck: 20_000_000,
            overhead_us: 100,
            bufsiz: 4096,
            sync_ms: 5,
        };
        let station = setting.station(Times::Drawn);
        let predicted = worklist(&station).estimate.total();
        let off = off(predicted, &station.write().unwrap());
        println!("{setting:?}: {:+.1} %", off * 100.0);
        assert!(off.abs() <= 0.28, "{seed}: {:.1} %", off * 100.0);
    }
}
