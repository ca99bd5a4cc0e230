//! `verify`, whole and by region: which blocks differ, which bits, which way, and in which passes.

use norlock::jedec::Hertz;
use norlock::job::{self, DifferingBlocks, Exit, Nobody, Stop, VerifyOrder, VerifyReport};
use norlock::mock::{Fault, Faults, Flips, Torn};

use crate::station::Station;

/// Regions of the station's map: where `boot` ends, `system` begins and ends.
const BOOT_END: u32 = 0x01_0000;
const SYSTEM: u32 = 0x02_0000;

fn backed_up(seed: u64) -> Station {
    let station = Station::new(seed);
    station.backup().unwrap();
    station.map();
    station
}

fn verify(station: &Station, regions: &[&str], passes: u32) -> Result<VerifyReport, Stop> {
    let unit = station.unit();
    let image = unit.open_image(&unit.baseline().unwrap()).unwrap();
    let mut order = VerifyOrder::whole(image.as_ref(), passes);
    order.regions = regions.iter().map(|name| (*name).to_owned()).collect();
    job::verify(&order, Some(&unit), station.bench(), &mut Nobody)
}

/// Sets one byte of the cells and gives what was there.
fn set(station: &Station, address: u32, byte: impl Fn(u8) -> u8) -> u8 {
    let was = station.mock.truth(address..address + 1)[0];
    station.mock.set_truth(address, &[byte(was)]).unwrap();
    was
}

#[test]
fn blocks_bits_and_their_direction_are_those_of_the_cells() {
    let station = backed_up(61);
    // Two blocks side by side in `system`, one apart; W25Q80DV erases 4 KiB at the least (its datasheet).
    let was =
        [SYSTEM + 5, SYSTEM + 0x1FFF, SYSTEM + 0x8000].map(|at| set(&station, at, |was| !was));
    let report = verify(&station, &[], 3).unwrap();
    let low = |bytes: &[u8]| {
        bytes
            .iter()
            .map(|was| u64::from(was.count_ones()))
            .sum::<u64>()
    };
    let run = |start: u32, blocks: u32, was: &[u8]| DifferingBlocks {
        range: start..start + blocks * 4096,
        blocks,
        region: Some("system".into()),
        bytes: was.len() as u64,
        bits_low: low(was),
        bits_high: 8 * was.len() as u64 - low(was),
        passes: 3,
    };
    assert_eq!(
        report.blocks,
        [
            run(SYSTEM, 2, &was[..2]),
            run(SYSTEM + 0x8000, 1, &was[2..])
        ]
    );
    assert!(report.passes_agree && report.differing == [3, 3, 3]);
    assert_eq!(report.compared_bytes, 1 << 20);
    assert_eq!(report.unit_data, ["calibration", "identity"]);
}

#[test]
fn a_region_is_compared_and_nothing_else() {
    let station = backed_up(62);
    set(&station, SYSTEM + 5, |was| !was);
    set(&station, 0x0F_0003, |was| !was);
    station.trace.lock().unwrap().clear();
    let report = verify(&station, &["identity", "boot"], 2).unwrap();
    assert_eq!(report.compared_bytes, u64::from(BOOT_END) + (32 << 10));
    assert_eq!(report.differing, [1, 1]);
    assert_eq!(report.blocks[0].region.as_deref(), Some("identity"));
    assert!(report.unit_data.is_empty());
    let read: usize = station
        .trace
        .lock()
        .unwrap()
        .iter()
        .map(|sent| sent.read_bytes)
        .sum();
    // Beside the regions only the looks at the contact.
    assert!(read < 2 * (96 << 10) + (64 << 10), "{read} bytes were read");
    let boot = verify(&station, &["boot"], 2).unwrap();
    assert!(boot.is_equal() && boot.blocks.is_empty());
}

#[test]
fn passes_that_differ_from_each_other_are_counted_by_block() {
    let station = backed_up(63);
    // The first pass alone is as fast as this.
    station
        .mock
        .set_faults(Faults::seeded(1).with(Fault::Flips(Flips {
            bits: 1,
            above_sck: Some(Hertz::mhz(15)),
            addresses: Some(SYSTEM + 100..SYSTEM + 110),
            ..Flips::default()
        })));
    let report = verify(&station, &[], 3).unwrap();
    assert_eq!(report.differing, [10, 0, 0]);
    assert!(!report.passes_agree);
    assert_eq!((report.blocks.len(), report.blocks[0].passes), (1, 1));
    assert_eq!(report.blocks[0].bytes, 10);
}

#[test]
fn a_region_that_nobody_knows_is_told_before_anything_is_sent() {
    let station = backed_up(64);
    station.trace.lock().unwrap().clear();
    let stop = verify(&station, &["kernel"], 1).unwrap_err();
    assert_eq!(stop.exit, Exit::Usage);
    assert!(
        stop.headline.contains("'kernel'") && stop.next.contains("boot-settings"),
        "{stop:?}"
    );
    assert!(station.trace.lock().unwrap().is_empty());
    let bare = Station::new(65);
    bare.backup().unwrap();
    let stop = verify(&bare, &["boot"], 1).unwrap_err();
    assert_eq!(stop.exit, Exit::FileFault, "{stop:?}");
}

#[test]
fn a_chip_between_two_images_is_told_as_that() {
    let station = Station::ready(66);
    assert_eq!(verify(&station, &[], 1).unwrap().unfinished, None);
    station
        .mock
        .set_faults(Faults::seeded(1).with(Fault::PowerCut {
            at_operation: 9,
            torn: Torn::RandomBits,
        }));
    assert_eq!(station.write().unwrap_err().exit, Exit::Unfinished);
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
    let report = verify(&station, &[], 2).unwrap();
    assert!(!report.is_equal());
    assert!(report.unfinished.unwrap().ends_with("journal/write-1"));
}

/// As many bytes differ in each pass, and not the same ones.
#[test]
fn passes_that_differ_in_as_many_other_bytes_do_not_agree() {
    let station = backed_up(67);
    let was = station.mock.truth(SYSTEM..SYSTEM + 1)[0];
    let flips = |opcode: u8, start: u32| {
        Fault::Flips(Flips {
            bits: 1,
            opcode: Some(opcode),
            addresses: Some(start..start + 10),
            ..Flips::default()
        })
    };
    // 03h goes in the first pass, 0Bh in the second.
    let faults = Faults::seeded(1).with(flips(0x03, SYSTEM));
    let faults = faults.with(flips(0x0B, SYSTEM + 0x2000));
    station.mock.set_faults(faults);
    let report = verify(&station, &[], 2).unwrap();
    assert_eq!(report.differing, [10, 10]);
    assert!(!report.passes_agree);
    assert_eq!(report.differences.len(), 20);
    let first = &report.differences[0];
    assert_eq!((first.address.0, first.wanted), (SYSTEM, was));
    assert_eq!(first.holds, [was ^ 1, was]);
    assert_eq!(first.region.as_deref(), Some("system"));
}

#[test]
fn a_region_that_is_compared_alone_is_told_as_equal_unit_data() {
    let station = backed_up(68);
    let report = verify(&station, &["identity"], 1).unwrap();
    assert_eq!(report.unit_data, ["identity"]);
    assert_eq!(report.regions, ["identity"]);
}

#[test]
fn the_second_pass_goes_down_by_another_opcode_between_other_borders() {
    let station = backed_up(69);
    station.trace.lock().unwrap().clear();
    verify(&station, &[], 2).unwrap();
    let trace = station.trace.lock().unwrap();
    let long = trace.iter().filter(|sent| sent.read_bytes > 2048);
    let reads: Vec<(u8, u32)> = long
        .map(|sent| {
            let at = &sent.out[1..4];
            (sent.out[0], u32::from_be_bytes([0, at[0], at[1], at[2]]))
        })
        .collect();
    let of = |opcode: u8| -> Vec<u32> {
        let reads = reads.iter().filter(|(code, _)| *code == opcode);
        reads.map(|(_, at)| *at).collect()
    };
    let (first, second) = (of(0x03), of(0x0B));
    assert!(first.len() > 100 && second.len() > 100, "{reads:?}");
    assert!(first.is_sorted() && second.iter().rev().is_sorted());
    assert!(!second.iter().any(|at| *at > 0 && first.contains(at)));
}
