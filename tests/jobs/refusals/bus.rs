//! What the chip itself gives reason to refuse.

use std::path::PathBuf;

use norlock::interlock::Acceptable;
use norlock::jedec::Millivolts;
use norlock::job::{self, Bench, Nobody, Others};
use norlock::mock::{Fault, Faults};
use norlock::part::SupplyRange;

use super::{accept, changed_target, frames, refused, target, write, write_on};
use crate::station::{REGIONS, Station, code};
use norlock::unit::Unit;
use norlock::unit::store::Store;

#[test]
fn two_reads_that_differ() {
    let weak = Faults::seeded(1).with(Fault::WeakCells {
        addresses: 0x3_0000..0x3_0040,
        bits: 0xFF,
        chance: 0.5,
    });
    let station = Station::new(40);
    station.mock.set_faults(weak.clone());
    refused(&station, station.backup(), &["twin-read"]);
    assert!(
        !station
            .files
            .exists(&station.folder.join("as-found.bin"))
            .unwrap()
    );

    let mut station = Station::ready(41);
    accept(&mut station, Acceptable::WeakReads, "no matter");
    station.mock.set_faults(weak);
    let stop = refused(
        &station,
        station.write(),
        &["twin-read", "nothing-unexplained"],
    );
    assert!(stop.headline.contains("two reads"), "{stop:?}");
    refused(&station, station.restore(1), &["twin-read"]);
}

#[test]
fn a_unit_that_ran_since_its_backup() {
    let station = Station::ready(42);
    station
        .mock
        .set_truth(0x01_0000, b"unit=gauge-07\nbaud=9600\n")
        .unwrap();
    let stop = refused(&station, station.write(), &["nothing-unexplained"]);
    assert!(stop.held[0].seen.contains("0x010000"), "{stop:?}");
    let drawn = stop.evidence.iter().filter(|(label, _)| label.is_empty());
    let drawn: Vec<_> = drawn.map(|(_, line)| line.as_str()).collect();
    assert_eq!(
        drawn,
        [
            "  0x000000 -| boot            64 KiB  like as-found.bin",
            "  0x010000 -| boot-settings    4 KiB  unexplained",
            "  0x011000  |                 60 KiB  like as-found.bin",
            "  0x020000 -| system         768 KiB  like as-found.bin",
            "  0x0E0000 -| calibration     64 KiB  like as-found.bin",
            "  0x0F0000 -| identity        32 KiB  like as-found.bin",
            "  0x0F8000 -| no region       32 KiB  like as-found.bin",
        ]
    );
    station.backup().unwrap();
    station.tailor(43);
    station.write().unwrap();
}

#[test]
fn the_backup_of_another_unit_by_its_unique_id() {
    let mut station = Station::ready(44);
    accept(&mut station, Acceptable::SameUnit, "gauge-07, surely");
    station
        .mock
        .set_unique_id(vec![0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x08]);
    let ids = &["same-unit"];
    refused(&station, station.write(), ids);
    refused(&station, station.restore(1), ids);
    refused(&station, station.backup(), ids);
    let unit = station.unit();
    let image = unit.open_image(&unit.baseline().unwrap()).unwrap();
    let of_unit = Some(&unit);
    let verified = job::verify(
        &job::VerifyOrder::whole(image.as_ref(), 1),
        of_unit,
        station.bench(),
        &mut Nobody,
    );
    refused(&station, verified, ids);
    job::verify(
        &job::VerifyOrder::whole(image.as_ref(), 1),
        None,
        station.bench(),
        &mut Nobody,
    )
    .unwrap();
}

/// A part for which the table has no unique ID.
fn without_id(seed: u64) -> Station {
    let mut station = Station::with_part("XT25F08B", seed);
    station.marking = Some("25F08B".into());
    station.backup().unwrap();
    station.map();
    station.tailor(seed + 1000);
    station
}

#[test]
fn the_backup_of_another_unit_by_its_unit_data() {
    let mut station = without_id(45);
    station.mock.set_truth(0x0F_0000, b"unit=gauge-11").unwrap();
    let ids = &["same-unit"];
    let stop = refused(&station, station.write(), ids);
    assert!(stop.held[0].seen.contains("identity"), "{stop:?}");
    refused(&station, station.restore(1), ids);
    // A person may know that the unit has changed its own data; what is not backed up still holds.
    accept(
        &mut station,
        Acceptable::SameUnit,
        "gauge-07: number on the sticker",
    );
    refused(&station, station.write(), &["nothing-unexplained"]);
    station.backup().unwrap();
}

#[test]
fn a_unit_that_nothing_tells_apart_is_accepted_by_its_name_alone() {
    let mut station = without_id(46);
    let keep = REGIONS.replace("unit-data", "keep");
    station
        .files
        .replace(&station.folder.join("regions.toml"), keep.as_bytes())
        .unwrap();
    accept(&mut station, Acceptable::NoUnitData, "a spare board");
    let ids = &["same-unit"];
    let stop = refused(&station, station.write(), ids);
    assert!(stop.next.contains("gauge-07"), "{stop:?}");
    for reason in ["I am sure", "gauge-11: sticker", "gauge-070: sticker"] {
        station.accepted.truncate(1);
        accept(&mut station, Acceptable::SameUnit, reason);
        refused(&station, station.write(), ids);
    }
    station.accepted.truncate(1);
    accept(
        &mut station,
        Acceptable::SameUnit,
        "gauge-07: number on the sticker",
    );
    station.write().unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
}

#[test]
fn a_low_voltage_chip_behind_a_3_v_marking() {
    let station = Station::with_part("W25Q80EW", 47);
    let ids = &["supply-level"];
    refused(
        &station,
        job::contact(None, station.bench(), &mut Nobody),
        ids,
    );
    refused(&station, job::id(None, station.bench(), &mut Nobody), ids);
    let stop = refused(&station, station.backup(), ids);
    assert!(stop.headline.contains("W25Q80EW"), "{stop:?}");
}

#[test]
fn a_marking_that_contradicts_the_chip() {
    let mut station = Station::ready(48);
    accept(&mut station, Acceptable::KnownPart, "no matter");
    station.marking = Some("W25Q16DVSSIG".into());
    let ids = &["known-part"];
    let stop = refused(&station, station.write(), ids);
    assert!(stop.held[0].seen.contains("marking"), "{stop:?}");
    refused(&station, station.restore(1), ids);
}

/// Two parts share three ID bytes and differ in the size of a sector; the fifth byte tells them apart
/// (S25FL129P, ID from the emulator QEMU 10.0.2; the sector sizes from memory).
#[test]
fn a_chip_that_differs_in_its_longer_id_alone() {
    let mut station = Station::with_part("S25FL129P, 256 KiB sectors", 54);
    station.marking = Some("FL129PIF".into());
    station.supply_read();
    station.backup().unwrap();
    let kept = station.unit().file().identity.clone().unwrap();
    assert_eq!(kept.jedec_id, "01 20 18 4D 00");
    station
        .mock
        .set_jedec_id(vec![0x01, 0x20, 0x18, 0x4D, 0x01, 0x00]);
    let stop = refused(&station, station.backup(), &["same-unit"]);
    assert!(stop.held[0].seen.contains("01 20 18 4D 01"), "{stop:?}");
}

/// What the table holds only to refuse, by its ID and by what is printed on it.
#[test]
fn a_part_with_another_command_set() {
    let mut station = Station::ready(53);
    accept(&mut station, Acceptable::KnownPart, "no matter");
    station.mock.set_jedec_id(vec![0x1F, 0x25, 0x00]);
    station.trace.lock().unwrap().clear();
    let ids = &["known-part"];
    refused(
        &station,
        job::contact(None, station.bench(), &mut Nobody),
        ids,
    );
    refused(&station, job::id(None, station.bench(), &mut Nobody), ids);
    refused(&station, station.backup(), ids);
    refused(&station, station.restore(1), ids);
    let stop = refused(&station, station.write(), ids);
    assert!(stop.held[0].headline.contains("AT45DB"), "{stop:?}");
    let sent: Vec<u8> = station
        .trace
        .lock()
        .unwrap()
        .iter()
        .map(|sent| sent.out[0])
        .collect();
    assert!(
        sent.iter().all(|code| [0x05, 0x9F].contains(code)),
        "{sent:02X?}"
    );

    station.marking = Some("AT45DB081D-SU".into());
    station.trace.lock().unwrap().clear();
    refused(&station, station.write(), ids);
    assert_eq!(frames(&station), 0);
}

#[test]
fn sfdp_that_contradicts_the_table() {
    let mut station = Station::ready(49);
    accept(&mut station, Acceptable::KnownPart, "no matter");
    let size_bytes = 2 << 20;
    station
        .mock
        .set_faults(Faults::none().with(Fault::LyingSfdpDensity { size_bytes }));
    refused(&station, station.write(), &["known-part"]);
    station.mock.set_faults(Faults::none());
    station.write().unwrap();
}

/// The bench of a part that the table does not know: its range was read in a datasheet.
fn unknown_part(station: &Station) -> Bench {
    let mut bench = station.bench();
    bench.said.supply = Some(SupplyRange {
        min: Millivolts(2700),
        max: Millivolts(3600),
        from_memory: false,
    });
    bench
}

#[test]
fn a_chip_that_only_sfdp_describes() {
    let mut station = Station::new(50);
    station.marking = Some("ABC123".into());
    station.mock.set_jedec_id(vec![0xEE, 0x77, 0x14]);
    job::backup(&mut station.unit(), unknown_part(&station), &mut Nobody).unwrap();
    station.map();
    let mut image = station.image("as-found.bin");
    image[..0x1000].copy_from_slice(&code(3, 0x1000));
    let order = || target(&station, &image);
    let result = write_on(&station, order(), unknown_part(&station));
    refused(&station, result, &["known-part"]);
    let mut bench = unknown_part(&station);
    let reason = "erase and program as SFDP says, tried on a spare".to_owned();
    bench.accepted = norlock::interlock::Acceptances::new(vec![(Acceptable::KnownPart, reason)]);
    write_on(&station, order(), bench).unwrap();
    assert_eq!(station.cells(), image);
}

#[test]
fn an_image_that_does_not_fit_the_chip_on_the_clip() {
    let station = Station::ready(51);
    let image = station
        .files
        .open(&station.folder.join("target.bin"))
        .unwrap();
    let larger = Station::with_part("W25Q16DV", 51);
    let mut bench = larger.bench();
    bench.said.marking = Some("W25Q16DV".into());
    let result = job::verify(
        &job::VerifyOrder::whole(image.as_ref(), 1),
        None,
        bench,
        &mut Nobody,
    );
    refused(&larger, result, &["image-fits"]);
}

#[test]
fn a_loose_contact() {
    use norlock::mock::Miso;
    let station = Station::ready(52);
    for shows in [Miso::Low, Miso::High] {
        station
            .mock
            .set_faults(Faults::none().with(Fault::LooseContact {
                shows,
                from_frame: 0,
                frames: None,
            }));
        refused(&station, station.backup(), &["contact"]);
        refused(&station, station.write(), &["contact"]);
        refused(&station, station.restore(1), &["contact"]);
    }
    station.mock.set_faults(Faults::none());
    write(&station, changed_target(&station, |_| {})).unwrap();
}

/// gauge-06, whose folder lies beside gauge-07's and has a backup of this very chip, without a region map.
fn beside(station: &mut Station) -> Unit {
    let own = std::mem::replace(&mut station.folder, "/bench/gauge-06".into());
    station.backup().unwrap();
    let other = station.unit();
    station.folder = own;
    other
}

#[test]
fn a_backup_that_another_unit_has_already() {
    // By what it holds alone: the part has no ID of its own, and there is no map to tell unit data by.
    let mut station = Station::with_part("XT25F08B", 55);
    station.marking = Some("25F08B".into());
    let other = Others::of(vec![beside(&mut station).folder().to_owned()]);
    let backup = |station: &Station| {
        job::backup_beside(&mut station.unit(), &other, station.bench(), &mut Nobody)
    };
    let stop = refused(&station, backup(&station), &["same-unit"]);
    assert!(stop.headline.contains("this is gauge-06"), "{stop:?}");
    assert!(station.unit().backups().is_empty());
    station.mock.set_truth(0x0F_0000, b"unit=gauge-07").unwrap();
    backup(&station).unwrap();
    // Two chips that say themselves that they are two may hold the same.
    let mut station = Station::new(56);
    let other = Others::of(vec![beside(&mut station).folder().to_owned()]);
    station
        .mock
        .set_unique_id(vec![0xD1, 0x64, 0x5C, 0x1B, 1, 2, 3, 4]);
    job::backup_beside(&mut station.unit(), &other, station.bench(), &mut Nobody).unwrap();
}

/// Two chip selects that reach one chip: both reads are good, and one of them is not that unit's.
#[test]
fn one_chip_that_two_units_are_read_from_at_once() {
    let mut station = Station::new(58);
    let folders = ["/bench/gauge-07", "/bench/gauge-08"].map(PathBuf::from);
    let mut jobs: Vec<_> = folders
        .iter()
        .zip(Others::at_once(&folders))
        .map(|(folder, others)| {
            station.folder.clone_from(folder);
            (station.unit(), others, station.bench())
        })
        .collect();
    let ends: Vec<_> = std::thread::scope(|scope| {
        let threads: Vec<_> = jobs
            .drain(..)
            .map(|(mut unit, others, bench)| {
                scope.spawn(move || job::backup_beside(&mut unit, &others, bench, &mut Nobody))
            })
            .collect();
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap())
            .collect()
    });
    let held: Vec<_> = ends.iter().filter_map(|end| end.as_ref().err()).collect();
    assert_eq!(held.len(), 2, "{ends:?}");
    assert_eq!(held[0].held[0].interlock.id(), "same-unit", "{held:?}");
    let kept = folders.map(|folder| {
        station.folder = folder;
        station.unit().backups().len()
    });
    assert_eq!(kept, [0, 0]);
}

#[test]
fn a_chip_of_another_unit_by_its_unit_data() {
    let mut station = without_id(57);
    let other = [station.unit()];
    station.folder = "/bench/gauge-08".into();
    let whose = |station: &Station| job::not_of_others(None, &other, station.bench(), &mut Nobody);
    let stop = refused(&station, whose(&station), &["same-unit"]);
    assert!(
        stop.held[0].seen.contains("calibration, identity"),
        "{stop:?}"
    );
    station.mock.set_truth(0x0F_0000, b"unit=gauge-08").unwrap();
    whose(&station).unwrap();
}

/// Unit data that was never set is the same on every new board.
#[test]
fn blank_unit_data_tells_no_two_chips_apart() {
    let station = without_id(58);
    let blank = [0xFF; 0x2_0000];
    station.mock.set_truth(0x0E_0000, &blank).unwrap();
    let mut fresh = Station {
        folder: "/bench/gauge-09".into(),
        ..station
    };
    fresh.backup().unwrap();
    fresh.map();
    fresh.tailor(59);
    fresh.trace.lock().unwrap().clear();
    refused(&fresh, fresh.write(), &["same-unit"]);
    accept(&mut fresh, Acceptable::SameUnit, "gauge-09: sticker");
    fresh.write().unwrap();
}
