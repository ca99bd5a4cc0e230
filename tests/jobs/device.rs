//! Whole jobs over an `SpiDevice` of embedded-hal: the link drives one, and the simulated chip is one.

use norlock::jedec::{Hertz, Millivolts};
use norlock::job::{self, Bench, Exit, Nobody, Way};
use norlock::link::DeviceLink;
use norlock::mock::{Mock, MockDevice};

use crate::station::Station;

fn link(mock: &Mock) -> DeviceLink<MockDevice, Mock> {
    let level = Some(Millivolts(3300));
    let mut device = mock.device();
    device.set_sck(Hertz::mhz(20));
    DeviceLink::new(device, mock.clone(), Hertz::mhz(20), level)
}

fn over(station: &Station, link: DeviceLink<MockDevice, Mock>) -> Bench {
    Bench {
        way: Way::Link(Box::new(link)),
        ..station.bench()
    }
}

#[test]
fn a_unit_is_identified_backed_up_and_written_over_a_device() {
    let station = Station::new(1);
    let bench = || {
        let set = |device: &mut MockDevice, sck| {
            device.set_sck(sck);
            Ok(())
        };
        over(
            &station,
            link(&station.mock).with_clocks(Hertz(100_000), set),
        )
    };
    let id = job::id(None, bench(), &mut Nobody).unwrap();
    assert_eq!(id.part.unwrap().name, "W25Q80DV");
    let backup = job::backup(&mut station.unit(), bench(), &mut Nobody).unwrap();
    assert_eq!(station.image("as-found.bin"), station.cells());
    assert_eq!(backup.reads.weak, None);
    station.map();
    station.tailor(2);
    let mut unit = station.unit();
    job::write(&mut unit, station.order(), bench(), &mut Nobody).unwrap();
    assert!(station.cells() == station.image("target.bin"));
}

/// It proves a clock and has none of half of it.
#[test]
fn a_device_of_one_clock_reads_and_never_writes() {
    let station = Station::new(3);
    let bench = || over(&station, link(&station.mock));
    job::backup(&mut station.unit(), bench(), &mut Nobody).unwrap();
    assert_eq!(station.image("as-found.bin"), station.cells());
    station.map();
    station.tailor(4);
    let (frames, before) = (station.mock.frames(), station.cells());
    let mut unit = station.unit();
    let stop = job::write(&mut unit, station.order(), bench(), &mut Nobody).unwrap_err();
    assert_eq!(stop.exit, Exit::Usage, "{stop:?}");
    assert!(stop.headline.contains("half"), "{stop:?}");
    assert_eq!(station.mock.frames(), frames, "nothing was sent");
    assert!(station.cells() == before);
}
