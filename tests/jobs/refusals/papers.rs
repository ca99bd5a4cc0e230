//! What files cannot vouch for, before anything is sent.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use norlock::interlock::{Acceptable, Interlock};
use norlock::job::{self, Nobody, Offline, RestoreOrder, Stop, WriteOrder};
use norlock::unit::disk::Whereabouts;
use norlock::unit::store::Store;

use super::{accept, changed_target, frames, open_but, others, refused, target, write};
use crate::station::{REGIONS, Station, code};

fn offline(station: &Station, offline: Offline) -> WriteOrder {
    WriteOrder {
        offline,
        ..station.order()
    }
}

fn hashes(station: &Station, hashes: &[&str]) -> WriteOrder {
    let hashes = hashes.iter().map(|&hash| hash.to_owned()).collect();
    offline(
        station,
        Offline {
            folder: None,
            hashes,
        },
    )
}

fn folder(station: &Station, folder: &str) -> WriteOrder {
    let folder = Some(PathBuf::from(folder));
    offline(
        station,
        Offline {
            folder,
            hashes: Vec::new(),
        },
    )
}

fn disk(name: &str) -> Whereabouts {
    Whereabouts::Disks(BTreeSet::from([name.to_owned()]))
}

/// A copy of the first backup and its hash file in `folder`.
fn copy_to(station: &Station, folder: &str) {
    let folder = Path::new(folder);
    station.files.create_folder(folder).unwrap();
    for name in ["as-found.bin", "as-found.sha256"] {
        station
            .files
            .replace(&folder.join(name), &station.image(name))
            .unwrap();
    }
}

/// A station whose trace begins with what follows.
fn ready(seed: u64) -> Station {
    let station = Station::ready(seed);
    station.trace.lock().unwrap().clear();
    station
}

#[test]
fn no_hash_and_a_wrong_one() {
    let station = ready(20);
    let stop = refused(
        &station,
        write(&station, hashes(&station, &[])),
        &["offline-hash"],
    );
    // Four of the bench and three of the papers are open; the six on the bus and the journal wait.
    assert_eq!(others(&stop), open_but(1));
    let wrong = "0".repeat(64);
    refused(
        &station,
        write(&station, hashes(&station, &[&wrong])),
        &["offline-hash"],
    );
    refused(
        &station,
        write(&station, hashes(&station, &["1234"])),
        &["offline-hash"],
    );
    assert_eq!(frames(&station), 0);
}

#[test]
fn a_hash_from_the_unit_folder_or_from_the_same_disk() {
    let station = ready(21);
    let wrong = "0".repeat(64);
    copy_to(&station, "/bench/copy");
    let seen = |order| {
        let stop = refused(&station, write(&station, order), &["offline-hash"]);
        stop.held[0].headline.clone()
    };
    let own = "/bench/gauge-07/as-found.sha256";
    assert!(seen(hashes(&station, &[own])).contains("beside the backup"));
    // A wrong hash before it does not hide where this one lies.
    assert!(seen(hashes(&station, &[&wrong, own])).contains("beside the backup"));
    assert!(seen(folder(&station, "/bench/gauge-07")).contains("beside the backup"));
    // Nothing is known of the disks: that never counts as another one.
    let copy = "/bench/copy/as-found.sha256";
    assert!(seen(hashes(&station, &[copy])).contains("on another disk"));
    assert!(seen(folder(&station, "/bench/copy")).contains("on another disk"));
    station
        .files
        .set_whereabouts(Path::new("/bench"), disk("sda"));
    assert!(seen(hashes(&station, &[copy])).contains("on another disk"));
    assert!(seen(folder(&station, "/bench/copy")).contains("on another disk"));
    assert!(seen(folder(&station, "/bench/none")).contains("copy that can be read"));
    assert_eq!(frames(&station), 0);
}

#[test]
fn a_copy_on_another_disk_opens_it_unless_it_is_spoilt() {
    let station = ready(22);
    station
        .files
        .set_whereabouts(Path::new("/bench"), disk("sda"));
    station
        .files
        .set_whereabouts(Path::new("/stick"), disk("sdb"));
    copy_to(&station, "/stick");
    let image = Path::new("/stick/as-found.bin");
    station.files.corrupt(image, |bytes| bytes[77] ^= 1);
    refused(
        &station,
        write(&station, folder(&station, "/stick")),
        &["offline-hash"],
    );
    station.files.corrupt(image, |bytes| bytes[77] ^= 1);
    write(&station, folder(&station, "/stick")).unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
}

#[test]
fn a_hash_file_on_another_disk_opens_it() {
    let station = ready(23);
    station
        .files
        .set_whereabouts(Path::new("/bench"), disk("sda"));
    station
        .files
        .set_whereabouts(Path::new("/stick"), disk("sdb"));
    copy_to(&station, "/stick");
    write(&station, hashes(&station, &["/stick/as-found.sha256"])).unwrap();
}

#[test]
fn each_of_first_backup_and_baseline_needs_its_hash() {
    let station = Station::ready(24);
    let first = station.paper().hashes[0].clone();
    station
        .mock
        .set_truth(0x01_0000, b"unit=gauge-07\nbaud=9600\n")
        .unwrap();
    station.backup().unwrap();
    station.tailor(25);
    let stop = refused(
        &station,
        write(&station, hashes(&station, &[&first])),
        &["offline-hash"],
    );
    assert!(stop.held[0].headline.contains("as-found-2.bin"), "{stop:?}");
    let second = station.paper().hashes[1].clone();
    let stop = refused(
        &station,
        write(&station, hashes(&station, &[&second])),
        &["offline-hash"],
    );
    assert!(stop.held[0].headline.contains("as-found.bin"), "{stop:?}");
    station.write().unwrap();
}

#[test]
fn a_tampered_backup() {
    let station = ready(26);
    let (image, hash) = ("as-found.bin", "as-found.sha256");
    let order = station.order();
    station
        .files
        .corrupt(&station.folder.join(image), |bytes| bytes[0x3_0000] ^= 0x10);
    refused(&station, write(&station, order), &["backup-intact"]);
    refused(&station, station.restore(1), &["backup-intact"]);
    station
        .files
        .corrupt(&station.folder.join(image), |bytes| bytes[0x3_0000] ^= 0x10);

    // Another digit in the hash file.
    let other = |bytes: &mut Vec<u8>| bytes[5] = if bytes[5] == b'0' { b'1' } else { b'0' };
    let before = station.image(hash);
    station.files.corrupt(&station.folder.join(hash), other);
    refused(&station, station.write(), &["backup-intact"]);
    station
        .files
        .corrupt(&station.folder.join(hash), |bytes| *bytes = before);

    station
        .files
        .corrupt(&station.folder.join(image), |bytes| bytes.truncate(1000));
    refused(&station, station.write(), &["backup-intact"]);
    let order = station.order();
    station.files.remove(&station.folder.join(image)).unwrap();
    refused(&station, write(&station, order), &["backup-intact"]);
    refused(&station, station.restore(1), &["backup-intact"]);
    assert_eq!(frames(&station), 0);
}

#[test]
fn a_target_that_changes_what_is_not_replaceable() {
    let station = ready(27);
    let ids = &["unit-data-kept"];
    for (address, region) in [(0x0E_0000, "calibration"), (0x0F_7FFF, "identity")] {
        let order = changed_target(&station, |bytes| bytes[address] ^= 0x01);
        let stop = refused(&station, write(&station, order), ids);
        assert!(stop.held[0].seen.contains(region), "{stop:?}");
    }
    // Bytes that the map does not list are kept, too.
    let order = changed_target(&station, |bytes| bytes[0x0F_8000] ^= 0x01);
    refused(&station, write(&station, order), ids);
    // An acceptance of other things does not help.
    let mut station = station;
    accept(&mut station, Acceptable::NoUnitData, "none");
    accept(&mut station, Acceptable::SharedBlock, "none");
    let order = changed_target(&station, |bytes| bytes[0x0E_0000] ^= 0x01);
    refused(&station, write(&station, order), ids);
    assert_eq!(frames(&station), 0);
}

#[test]
fn no_map_and_a_map_without_unit_data() {
    let mut station = ready(28);
    let map = station.folder.join("regions.toml");
    station.files.remove(&map).unwrap();
    accept(&mut station, Acceptable::NoUnitData, "  ");
    refused(&station, station.write(), &["unit-data-kept"]);
    let keep = REGIONS.replace("unit-data", "keep");
    station.files.replace(&map, keep.as_bytes()).unwrap();
    refused(&station, station.write(), &["unit-data-kept"]);
    assert_eq!(frames(&station), 0);
    accept(&mut station, Acceptable::SameUnit, "gauge-07");
    refused(&station, station.write(), &["unit-data-kept"]);
    station.accepted.clear();
    accept(
        &mut station,
        Acceptable::NoUnitData,
        "a spare board, never set up",
    );
    station.write().unwrap();
}

#[test]
fn an_image_or_map_of_another_size() {
    let station = ready(29);
    let ids = &["image-fits"];
    let image = station.image("target.bin");
    refused(
        &station,
        write(&station, target(&station, &image[..0x8_0000])),
        ids,
    );
    let doubled = [image.clone(), image].concat();
    refused(&station, write(&station, target(&station, &doubled)), ids);
    let map = station.folder.join("regions.toml");
    let larger = REGIONS.replace("\"1MiB\"", "\"2MiB\"");
    station.files.replace(&map, larger.as_bytes()).unwrap();
    refused(&station, station.write(), ids);
    assert_eq!(frames(&station), 0);
}

#[test]
fn all_that_papers_lack_is_told_at_once() {
    let station = ready(30);
    let mut order = changed_target(&station, |bytes| bytes[0x0E_0000] ^= 0x01);
    order.offline = Offline::default();
    let ids = &["offline-hash", "unit-data-kept"];
    let stop = refused(&station, write(&station, order), ids);
    assert_eq!(others(&stop), open_but(2));

    // Everything wrong: no map and half an image, a spoilt backup and no hash.
    station
        .files
        .remove(&station.folder.join("regions.toml"))
        .unwrap();
    let half = station.image("target.bin")[..0x8_0000].to_vec();
    let mut order = target(&station, &half);
    order.offline = Offline::default();
    station
        .files
        .corrupt(&station.folder.join("as-found.bin"), |bytes| bytes[9] ^= 1);
    let ids = &[
        "image-fits",
        "backup-intact",
        "offline-hash",
        "unit-data-kept",
    ];
    let stop = refused(&station, write(&station, order), ids);
    assert_eq!(others(&stop), open_but(4));
    assert_eq!(frames(&station), 0);
}

#[test]
fn a_unit_without_backup() {
    let station = Station::new(31);
    station.unit();
    station.map();
    let order = WriteOrder {
        offline: Offline::default(),
        lift_protection: false,
        target_name: "code".into(),
        target: {
            let path = Path::new("/bench/code.bin");
            station.files.replace(path, &code(1, 1 << 20)).unwrap();
            station.files.open(path).unwrap()
        },
    };
    let ids = &["backup-intact", "offline-hash"];
    let result = job::write(&mut station.unit(), order, station.bench(), &mut Nobody);
    refused(&station, result, ids);
    assert_eq!(frames(&station), 0);
}

/// Calibration begins in the middle of an erase block that `system` ends in.
fn with_shared_block(seed: u64) -> Station {
    let station = Station::new(seed);
    station
        .mock
        .set_truth(0x0E_0800, &code(seed, 2000))
        .unwrap();
    station.backup().unwrap();
    let regions = REGIONS.replace("end = 0x0E0000", "end = 0x0E0800").replace(
        "start = 0x0E0000\nsize = \"64KiB\"",
        "start = 0x0E0800\nend = 0x0F0000",
    );
    let map = station.folder.join("regions.toml");
    station.files.replace(&map, regions.as_bytes()).unwrap();
    station.trace.lock().unwrap().clear();
    station
}

#[test]
fn a_block_shared_with_unit_data() {
    let mut station = with_shared_block(32);
    let mut image = station.image("as-found.bin");
    image[0x0E_0000..0x0E_0100].copy_from_slice(&code(99, 0x100));
    let ids = &["unit-data-kept"];
    let stop = refused(&station, write(&station, target(&station, &image)), ids);
    assert!(stop.held[0].seen.contains("calibration"), "{stop:?}");
    assert!(stop.next.contains("--accept shared-block"), "{stop:?}");

    accept(
        &mut station,
        Acceptable::SharedBlock,
        "the map is the maker's",
    );
    write(&station, target(&station, &image)).unwrap();
    assert_eq!(station.cells(), image);
    let text = String::from_utf8(station.image("unit.toml")).unwrap();
    assert!(text.contains("unit-data-kept = \"accepted\""), "{text}");
}

#[test]
fn a_journal_that_finds_no_room() {
    let station = ready(33);
    let plenty = 1 << 40;
    let used = plenty - station.files.free_bytes(&station.folder).unwrap();
    // Room for what is read of the chip, and next to nothing more.
    station
        .files
        .set_capacity_bytes(Some(used + (1 << 20) + 300));
    let stop = refused(&station, station.write(), &["journal-ready"]);
    assert_eq!(others(&stop), (Interlock::ALL.len() - 1, 0));
    station.files.set_capacity_bytes(None);
    station.write().unwrap();
}

#[test]
fn a_refusal_is_in_the_record_once() {
    let station = ready(34);
    let order = RestoreOrder {
        to: 1,
        ..RestoreOrder::default()
    };
    let restore =
        || job::restore(&mut station.unit(), &order, station.bench(), &mut Nobody).unwrap_err();
    let write = || write(&station, hashes(&station, &[])).unwrap_err();
    let refusals: [(&str, &dyn Fn() -> Stop); 2] = [("write", &write), ("restore", &restore)];
    for (command, refuse) in refusals {
        let before = station.unit().file().operations.len();
        for _ in 0..2 {
            let stop = refuse();
            let unit = station.unit();
            let operations = &unit.file().operations;
            assert_eq!(operations.len(), before + 1, "{command}");
            let last = operations.last().unwrap();
            assert_eq!(
                (last.command.as_str(), &last.outcome),
                (command, &stop.headline)
            );
            let held: Vec<&str> = last.interlocks.keys().map(String::as_str).collect();
            assert_eq!(held, ["offline-hash"]);
        }
    }
}
