//! Ways round the interlocks that were open once: each stays shut.

use std::cell::Cell;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;

use norlock::image::Rest;
use norlock::interlock::{Acceptable, Acceptances};
use norlock::jedec::Hertz;
use norlock::job::{
    self, Attendant, Bench, ChipState, Exit, Nobody, Offline, PieceOrder, RestoreOrder, Stop,
    TailorOrder, Task, Way,
};
use norlock::link::{Limits, Link, LinkError};
use norlock::mock::{Fault, Faults, Flips, Torn};
use norlock::part::{Catalogue, SupplyRange};
use norlock::unit::journal::Journal;
use norlock::unit::store::{Fails, Store};
use norlock::unit::{Digest, ImageName, Unit};

use crate::altered::Altered;
use crate::small::{SIZE, Small, StopAfter, UNIT_DATA, When};
use crate::station::{Station, code, part};

const TARGET: &str = "/bench/target.bin";
const REGION_MAP: &str = "/bench/gauge-07/regions.toml";
const UNIT_FILE: &str = "/bench/gauge-07/unit.toml";

/// A write stopped by the person after so many of its four blocks.
fn stopped_after(blocks: usize) -> Small {
    let small = Small::ready(1);
    let stop = small.write_attended(&mut StopAfter::blocks(blocks));
    assert_eq!(stop.unwrap_err().exit, Exit::Unfinished);
    small
}

#[track_caller]
fn held_by(stop: &Stop, interlock: &str) {
    let held: Vec<_> = stop.held.iter().map(|held| held.interlock.id()).collect();
    assert_eq!(held, [interlock], "{stop:?}");
}

fn backup(small: &Small) -> Result<job::BackupReport, Stop> {
    job::backup(&mut small.unit(), small.bench(), &mut Nobody)
}

#[test]
fn a_target_exchanged_before_the_write_is_not_written() {
    for task in ["first", "second"] {
        for at in [0, 0x8123, 0xC010, SIZE - 1] {
            let small = Small::ready(1);
            let mut exchange = When::ends(task, || {
                let path = Path::new(TARGET);
                assert!(small.files().corrupt(path, |bytes| bytes[at] ^= 0x10));
            });
            let stop = small.write_attended(&mut exchange).unwrap_err();
            drop(exchange);
            assert_eq!(stop.chip, ChipState::Untouched, "{stop:?}");
            if at == 0xC010 {
                // In unit data: the plan, which reads the file as it is now, runs into it.
                held_by(&stop, "unit-data-kept");
            } else {
                assert_eq!(stop.exit, Exit::FileFault, "{stop:?}");
                assert!(stop.headline.contains("was changed"), "{stop}");
            }
            assert_eq!(small.mock().modifying_operations(), 0);
            assert!(small.unfinished().is_none());
            assert!(small.cells() == small.found);
            small.check_kept();
        }
    }
}

/// In blocks that are not yet written, and in one that is not to be written at all.
#[test]
fn a_target_exchanged_during_the_write_ends_unfinished() {
    for at in [0, 0xA001, 0xB100, 0xF000] {
        let small = Small::ready(1);
        let mut exchange = When::begins("writing", || {
            let path = Path::new(TARGET);
            assert!(small.files().corrupt(path, |bytes| bytes[at] ^= 0x10));
        });
        let stop = small.write_attended(&mut exchange).unwrap_err();
        drop(exchange);
        small.check_stopped(&stop);
        assert!(small.unfinished().is_some(), "the journal was closed");
        let last = small.operations().pop().unwrap();
        assert_eq!(last.outcome, stop.headline);
        // What is there now is not the image that the journal is about.
        assert_eq!(small.write().unwrap_err().exit, Exit::Unfinished);
        small.restore().unwrap();
        small.check_done(&small.found);
    }
}

#[test]
fn a_mix_of_two_images_is_no_backup() {
    for blocks in [1, 3] {
        let small = stopped_after(blocks);
        let before = small.mock().frames();
        let stop = backup(&small).unwrap_err();
        assert_eq!(
            (stop.exit, stop.chip),
            (Exit::Unfinished, ChipState::ChangedInPart)
        );
        assert!(stop.headline.contains("mix"), "{stop}");
        assert!(stop.next.contains("norlock restore"), "{stop:?}");
        assert_eq!(small.mock().frames(), before, "the chip was asked");
        assert_eq!(small.unit().backups().len(), 1);
        small.write().unwrap();
        small.check_done(&small.target);
        assert_eq!(backup(&small).unwrap().number, 2);
    }
}

#[test]
fn the_target_of_an_unfinished_write_is_not_tailored_anew() {
    let small = stopped_after(2);
    let piece = code(77, 900);
    let path = Path::new("/bench/system.bin");
    small.files().replace(path, &piece).unwrap();
    let order = TailorOrder {
        region: "system".into(),
        pieces: vec![PieceOrder {
            file: path.into(),
            offset: None,
            sha256: norlock::unit::Digest::of(&piece),
        }],
        rest: Some(Rest::Fill(0xFF)),
    };
    let tailor = || {
        let orders = std::slice::from_ref(&order);
        let catalogue = &small.station.catalogue;
        job::tailor(&mut small.unit(), orders, None, catalogue, true)
    };
    let stop = tailor().unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Unfinished, ChipState::ChangedInPart)
    );
    assert!(small.unit().image(ImageName::Target).is_none());
    small.restore().unwrap();
    small.check_done(&small.found);
    tailor().unwrap();
}

#[test]
fn a_broken_region_map_never_holds_a_restore() {
    let broken: [&[u8]; 5] = [
        b"",
        b"size = \"64KiB\"\n[[region]]\nname = ",
        b"\xFF\xFE\x00",
        b"size = \"1MiB\"\n",
        b"size = \"64KiB\"\n\n[[region]]\nname = \"a\"\nstart = 0\nend = 0x20000\nholds = \"unit-data\"\n",
    ];
    for map in broken {
        let written = || {
            let small = Small::ready(1);
            small.write().unwrap();
            small
        };
        for small in [written(), stopped_after(2)] {
            small.files().replace(Path::new(REGION_MAP), map).unwrap();
            small.restore().unwrap();
            assert!(small.cells() == small.found);
            assert!(small.unfinished().is_none());
            assert_eq!(small.mock().monitor().violations(), 0);
            // A write does want it.
            let exit = small.write().unwrap_err().exit;
            assert!(matches!(exit, Exit::FileFault | Exit::Held), "{exit:?}");
            assert!(small.cells() == small.found);
        }
    }
}

/// Every byte may be unit data then, and what is right already is not erased for the sake of others.
/// Where there never was a map a larger erase does take it along.
#[test]
fn under_a_map_that_cannot_be_used_no_right_byte_is_erased() {
    let others: [Option<&[u8]>; 3] = [Some(b"size = "), Some(b"size = \"1MiB\"\n"), None];
    for map in others {
        let small = Small::ready(1);
        let mut cells = code(7, SIZE);
        let right = UNIT_DATA.start as usize..UNIT_DATA.end as usize;
        cells[right.clone()].copy_from_slice(&small.found[right]);
        small.mock().set_truth(0, &cells).unwrap();
        let path = small.station.folder.join("regions.toml");
        match map {
            Some(map) => small.files().replace(&path, map).unwrap(),
            None => small.files().remove(&path).unwrap(),
        }
        let report = small.restore().unwrap();
        assert!(small.cells() == small.found);
        let hurt = small.watch.hurt.load(SeqCst) > 0;
        assert_eq!(hurt, map.is_none(), "{map:?}");
        assert_eq!(report.unit_data.is_empty(), map.is_none());
    }
}

#[test]
fn what_a_replacement_holds_is_kept_although_another_restore_was_interrupted() {
    for ahead in [1, 4, 9, 14] {
        for torn in [Torn::RandomBits, Torn::Prefix] {
            let small = Small::ready(1);
            small.write().unwrap();
            small.cut(ahead, torn, None, ahead);
            assert_eq!(small.restore().unwrap_err().exit, Exit::Unfinished);
            assert_eq!(small.replaced(), ["replaced-1.bin"]);
            // The clip goes to another chip, which holds somebody's data.
            let theirs = code(ahead + 500, SIZE);
            small.mock().set_truth(0, &theirs).unwrap();
            small.mock().set_unique_id(vec![8, 7, 6, 5, 4, 3, 2, 1]);
            small.power_up();
            let stop = small.restore().unwrap_err();
            held_by(&stop, "same-unit");
            assert!(small.cells() == theirs);
            let replacement = RestoreOrder {
                replacement: true,
                ..RestoreOrder::default()
            };
            let report = small.restore_as(replacement).unwrap();
            assert_eq!(report.replaced.as_deref(), Some("replaced-2.bin"));
            assert!(small.station.image("replaced-2.bin") == theirs);
            assert!(small.station.image("replaced-1.bin") == small.target);
            assert!(small.cells() == small.found);
            assert!(small.unfinished().is_none());
            assert_eq!(small.mock().monitor().violations(), 0);
        }
    }
}

#[test]
fn a_done_block_that_was_changed_since_is_not_explained_by_the_journal() {
    let small = stopped_after(2);
    let done = small.unfinished().unwrap().contents.unwrap().done();
    let block = done[0].start as usize..done[0].end as usize;
    let spoiled: [Vec<u8>; 3] = [
        // Back to what it was, one bit only, and something else altogether.
        small.found[block.clone()].to_vec(),
        [
            &[small.target[block.start] ^ 1],
            &small.target[block.start + 1..block.end],
        ]
        .concat(),
        code(3, block.len()),
    ];
    for content in spoiled {
        let small = stopped_after(2);
        small
            .mock()
            .set_truth(block.start as u32, &content)
            .unwrap();
        let operations = small.mock().modifying_operations();
        let stop = small.write().unwrap_err();
        held_by(&stop, "nothing-unexplained");
        assert_eq!(
            (stop.exit, stop.chip),
            (Exit::Unfinished, ChipState::ChangedBeyond)
        );
        assert_eq!(small.mock().modifying_operations(), operations);
        small.restore().unwrap();
        small.check_done(&small.found);
    }
}

fn misread(opcode: u8) -> Fault {
    Fault::Flips(Flips {
        opcode: Some(opcode),
        rate: 0.5,
        fresh: true,
        ..Flips::default()
    })
}

#[test]
fn a_register_that_is_misread_is_not_written_back() {
    for opcode in [0x05, 0x35] {
        // Seeds under which the two reads of a register do differ.
        for seed in 2..14 {
            let mut small = Small::ready(1);
            small.lift_protection = true;
            let protected = Fault::Protected { status_1: 0x24 };
            let faults = Faults::seeded(seed).with(protected.clone());
            small.mock().set_faults(faults.clone());
            let mut attendant = When::ends("second", || {
                small
                    .mock()
                    .set_faults(faults.clone().with(misread(opcode)));
            });
            let stop = small.write_attended(&mut attendant).unwrap_err();
            drop(attendant);
            assert_eq!(
                (stop.exit, stop.chip),
                (Exit::ChipFault, ChipState::Untouched),
                "{stop:?}"
            );
            assert!(stop.headline.contains("egister"), "{stop}");
            assert_eq!(small.mock().modifying_operations(), 0);
            assert!(small.unfinished().is_none());
            small.mock().set_faults(Faults::none());
            assert_eq!(small.status(), 0x24);
            small.write().unwrap();
            small.check_done(&small.target);
            assert_eq!(small.status(), 0x24);
        }
    }
}

/// Spoils the bench when the work is asked for the first time whether to stop: before it lifts.
struct BeforeLifting<'a> {
    small: &'a Small,
    reads_over: bool,
    done: Cell<bool>,
    faults: Faults,
}

impl Attendant for BeforeLifting<'_> {
    fn begins(&mut self, task: &Task) {
        self.reads_over = task.name == "second";
    }
    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.reads_over &= done > 0;
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        let station = &self.small.station;
        let unit = Unit::view(station.store(), &station.folder).unwrap();
        let lifting = Journal::find_unfinished(&unit).unwrap().is_some();
        if self.reads_over && lifting && !self.done.replace(true) {
            self.small.mock().set_faults(self.faults.clone());
        }
        false
    }
}

#[test]
fn a_register_misread_while_lifting_is_put_back_by_the_next_run() {
    for seed in 0..6 {
        let mut small = Small::ready(1);
        small.lift_protection = true;
        let protected = Faults::seeded(seed).with(Fault::Protected { status_1: 0x24 });
        small.mock().set_faults(protected);
        let mut attendant = BeforeLifting {
            small: &small,
            reads_over: false,
            done: Cell::new(false),
            faults: Faults::seeded(seed).with(misread(0x35)),
        };
        let stop = small.write_attended(&mut attendant).unwrap_err();
        assert!(attendant.done.get());
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        let also = |(_, text): &(String, String)| text.contains("not put back");
        assert!(stop.evidence.iter().any(also), "{stop:?}");
        assert!(small.cells() == small.found);
        small.mock().set_faults(Faults::none());
        small.write().unwrap();
        small.check_done(&small.target);
        assert_eq!(small.status(), 0x24);
    }
}

#[test]
fn the_backup_that_is_put_back_is_confirmed_from_paper() {
    let small = Small::ready(1);
    for (number, byte) in [(2, 0x12), (3, 0x34)] {
        small.mock().set_truth(0x9800 + number, &[byte]).unwrap();
        assert_eq!(backup(&small).unwrap().number, number);
    }
    let all = small.station.paper().hashes;
    assert_eq!(all.len(), 3);
    let restore = |hashes: &[&String]| {
        let order = RestoreOrder {
            to: 2,
            offline: Offline {
                folder: None,
                hashes: hashes.iter().map(|hash| (*hash).clone()).collect(),
            },
            ..RestoreOrder::default()
        };
        job::restore(&mut small.unit(), &order, small.bench(), &mut Nobody)
    };
    let stop = restore(&[&all[0], &all[2]]).unwrap_err();
    held_by(&stop, "offline-hash");
    let text = format!("{stop:?}");
    assert!(text.contains("as-found-2.bin"), "{text}");
    assert_eq!(small.mock().modifying_operations(), 0);
    restore(&[&all[0], &all[1], &all[2]]).unwrap();
    assert!(small.cells() == small.station.image("as-found-2.bin"));
}

/// A part of which nothing tells that it has 0Bh, on a link with one clock.
fn one_clock(station: &Station) -> Bench {
    let limits = station.mock.link().limits();
    let clock = Hertz::mhz(10);
    station.mock.set_limits(Limits {
        sck_min: clock,
        sck_max: clock,
        ..limits
    });
    station.mock.set_sfdp(None);
    let mut bench = station.bench();
    bench.said.supply = Some(SupplyRange {
        from_memory: false,
        ..part(&station.catalogue, "W25X32").supply
    });
    bench
}

fn write_back(station: &Station) -> Result<job::WriteReport, Stop> {
    let order = station.order_for("as-found.bin");
    let mut bench = one_clock(station);
    // To write takes a link that makes half of it.
    let limits = station.mock.link().limits();
    station.mock.set_limits(Limits {
        sck_min: Hertz::mhz(5),
        ..limits
    });
    let known = (Acceptable::KnownPart, "read in the datasheet".to_owned());
    let accepted = station.accepted.iter().cloned().chain([known]);
    bench.accepted = Acceptances::new(accepted.collect());
    job::write(&mut station.unit(), order, bench, &mut Nobody)
}

#[test]
fn that_a_backup_is_weak_outlives_its_record() {
    let marking = part(&Catalogue::builtin().unwrap(), "W25X32").markings[0].clone();
    let mut station = Station {
        marking: Some(marking),
        ..Station::with_part("W25X32", 61)
    };
    job::backup(&mut station.unit(), one_clock(&station), &mut Nobody).unwrap();
    let map = crate::station::REGIONS.replace("1MiB", "4MiB");
    station
        .files
        .replace(Path::new(REGION_MAP), map.as_bytes())
        .unwrap();
    held_by(&write_back(&station).unwrap_err(), "twin-read");
    // The operations go, as in a file that was shortened by hand.
    assert!(station.files.corrupt(Path::new(UNIT_FILE), |bytes| {
        let text = String::from_utf8(bytes.clone()).unwrap();
        let end = text.find("[[operation]]").unwrap();
        *bytes = text[..end].into();
    }));
    held_by(&write_back(&station).unwrap_err(), "twin-read");
    let weak = |unit: &Unit| unit.file().images["as-found.bin"].weak.clone();
    assert!(weak(&station.unit()).unwrap().contains("both at 10 MHz"));
    station.accepted = vec![(Acceptable::WeakReads, "this adapter has one clock".into())];
    write_back(&station).unwrap();
    assert!(weak(&station.unit()).is_some());
}

#[test]
fn a_backup_whose_record_was_cut_short_is_weak() {
    let (steps, _) = calls_of_a_second_backup();
    let small = Small::ready(1);
    let files = small.files();
    files.fail_at(files.calls() + steps, 28, Fails::FromThenOn);
    assert_eq!(backup(&small).unwrap_err().exit, Exit::FileFault);
    files.fail_no_more();
    let weak = small.unit().file().images["as-found-2.bin"].weak.clone();
    assert!(weak.unwrap().contains("cut short"));
    held_by(&small.write().unwrap_err(), "twin-read");
    assert_eq!(small.mock().modifying_operations(), 0);
}

/// The call that first touches the record behind the second backup's hash file, and how many there are in all.
fn calls_of_a_second_backup() -> (usize, usize) {
    let small = Small::ready(1);
    let before = small.files().calls();
    backup(&small).unwrap();
    let log = small.files().log().split_off(before);
    let at = |from: usize, name: &str| {
        let names = log.iter().skip(from).map(|(_, path)| path.file_name());
        let mut names = names.map(|file| file.unwrap().to_string_lossy().into_owned());
        from + names.position(|file| file.starts_with(name)).unwrap()
    };
    (at(at(0, "as-found-2.sha256"), "unit.toml"), log.len())
}

#[test]
fn a_backup_that_stays_although_its_note_failed_is_told() {
    let (first, calls) = calls_of_a_second_backup();
    let ready = Small::ready(1);
    let mut seen = [0; 2];
    for call in first..calls {
        let small = ready.copy();
        let files = small.files();
        files.fail_at(files.calls() + call, 28, Fails::Once);
        let Err(stop) = backup(&small) else { continue };
        files.fail_no_more();
        let Some((_, text)) = stop.evidence.iter().find(|(label, _)| label == "kept") else {
            continue;
        };
        let sha256 = Digest::of(&small.found);
        assert_eq!(*text, format!("as-found-2.bin, SHA-256 {sha256}"));
        // What failed may have been a sync, behind which this process opens nothing any more.
        let files = Arc::new(files.another_process());
        let unit = Unit::open(files, &small.station.folder).unwrap();
        assert_eq!(unit.backups()[1].sha256, sha256);
        let noted = !stop.headline.contains("could not be told of it");
        seen[usize::from(noted)] += 1;
    }
    assert!(seen[0] > 0 && seen[1] > 0, "{seen:?}");
}

#[test]
fn a_target_that_stays_although_its_note_failed_is_told_and_is_not_to_be_made_again() {
    let ready = Small::ready(1);
    let (path, piece) = (Path::new("/bench/system.bin"), code(77, 900));
    ready.files().replace(path, &piece).unwrap();
    let order = TailorOrder {
        region: "system".into(),
        pieces: vec![PieceOrder {
            file: path.into(),
            offset: None,
            sha256: Digest::of(&piece),
        }],
        rest: Some(Rest::Fill(0xFF)),
    };
    let tailor = |unit: &mut Unit| {
        let orders = std::slice::from_ref(&order);
        job::tailor(unit, orders, None, &ready.station.catalogue, false)
    };
    // Of a copy the log begins anew, and calls are counted on.
    let (first, calls) = {
        let small = ready.copy();
        let mut unit = small.unit();
        let before = small.files().log().len();
        tailor(&mut unit).unwrap();
        let log = small.files().log().split_off(before);
        let hashed = log
            .iter()
            .position(|(_, path)| path.ends_with("target.sha256"));
        (hashed.unwrap(), log.len())
    };
    let mut seen = [0; 2];
    for call in first..calls {
        let small = ready.copy();
        let mut unit = small.unit();
        let files = small.files();
        files.fail_at(files.calls() + call, 28, Fails::Once);
        let Err(stop) = tailor(&mut unit) else {
            continue;
        };
        files.fail_no_more();
        let Some((_, text)) = stop.evidence.iter().find(|(label, _)| label == "kept") else {
            continue;
        };
        let noted = !stop.headline.contains("could not be told of it");
        let again = stop.next.contains("need not be made again");
        assert_eq!(again, noted, "{stop:?}");
        seen[usize::from(noted)] += 1;
        // What failed may have been a sync, behind which this process opens nothing any more.
        let files: Arc<dyn Store> = Arc::new(files.another_process());
        let file = small.station.folder.join("target.bin");
        let sha256 = Digest::of(&files.read(&file).unwrap());
        assert_eq!(*text, format!("target.bin, SHA-256 {sha256}"));
        drop(unit);
        let unit = Unit::open(files, &small.station.folder).unwrap();
        assert_eq!(unit.image(ImageName::Target).unwrap().sha256, sha256);
    }
    assert!(seen[0] > 0 && seen[1] > 0, "{seen:?}");
}

/// The image has its name and its note, and only the frame behind them fails, which leaves the chip as it was
/// found.
#[test]
fn a_backup_that_stays_although_the_chip_could_not_be_left_is_told() {
    let small = Small::ready(1);
    let files = small.files().clone();
    let kept = small.station.folder.join("as-found-2.bin");
    let link = Altered::new(small.mock().link(), move |link, batch, sck| {
        if files.exists(&kept).unwrap() {
            return Err(LinkError::Short {
                expected: 1,
                got: 0,
            });
        }
        link.transfer(batch, sck)
    });
    let bench = Bench {
        way: Way::Link(Box::new(link)),
        ..small.bench()
    };
    let stop = job::backup(&mut small.unit(), bench, &mut Nobody).unwrap_err();
    let untouched = (Exit::ChipFault, ChipState::Untouched);
    assert_eq!((stop.exit, stop.chip), untouched);
    let sha256 = small.unit().backups()[1].sha256;
    let text = format!("as-found-2.bin, SHA-256 {sha256}");
    let row = ("kept".to_owned(), text);
    assert!(stop.evidence.contains(&row), "{stop:?}");
    let last = small.operations().pop().unwrap();
    assert_eq!(last.outcome, "kept as as-found-2.bin");
}
