//! Two agreeing reads: independent of each other, and never both wrong unnoticed.
//!
//! Every fault ends in one of two ways: the backup is refused and nothing is kept, or what was kept
//! equals the truth, so that it was no fault for this image.

use norlock::interlock::{Acceptable, Acceptances, Interlock};
use norlock::jedec::Hertz;
use norlock::job::{Exit, Stop};
use norlock::mock::{AddressBit, Failure, Fault, Faults, Flips, Miso};

use norlock::unit::store::Store;

use crate::station::{Station, code, content};

/// A 16 MiB part and its marking, for the address lines A20 to A23.
const LARGE: (&str, &str) = ("W25Q128JV", "W25Q128JVSIQ");
/// The smallest 3 V part that has 0Bh and a unique ID: 256 KiB.
const SMALL: (&str, &str) = ("W25Q20RL", "W25Q20RLSNIG");

fn station((name, marking): (&str, &str), image: &[u8]) -> Station {
    let station = Station::with_part(name, 1);
    station.mock.set_truth(0, image).unwrap();
    Station {
        marking: Some(marking.into()),
        ..station
    }
}

/// With the part that is known best, or with [`SMALL`] where that holds the image.
fn usual(image: &[u8]) -> Station {
    let small = image.len() == 256 << 10;
    station(
        if small {
            SMALL
        } else {
            ("W25Q80DV", "W25Q80DVSIG")
        },
        image,
    )
}

/// What became of a backup under a fault.
#[derive(Debug, PartialEq)]
enum End {
    Held(Interlock),
    Stopped(Exit),
    True,
}

/// Backs up and checks that nothing untrue is kept.
fn end(station: &Station, what: &str) -> End {
    let truth = station.cells();
    match station.backup() {
        Ok(report) => {
            assert!(
                station.image(&report.file) == truth,
                "{what}: an untrue backup was published"
            );
            End::True
        }
        Err(stop) => {
            let end = refusal(&stop);
            assert_eq!(kept(station), ["unit.toml"], "{what}: {stop:?}");
            assert_eq!(station.mock.modifying_operations(), 0);
            end
        }
    }
}

fn refusal(stop: &Stop) -> End {
    match (stop.exit, stop.held.first()) {
        (Exit::Held, Some(held)) => End::Held(held.interlock),
        (Exit::Held, None) => panic!("held by nothing"),
        (exit, _) => End::Stopped(exit),
    }
}

/// Names in the unit folder, the lock file apart.
fn kept(station: &Station) -> Vec<String> {
    use norlock::unit::store::Store;
    let entries = station.files.list(&station.folder).unwrap();
    let names = entries.into_iter().map(|entry| entry.name);
    names.filter(|name| !name.contains("lock")).collect()
}

fn under(image: &[u8], fault: Fault) -> End {
    let station = usual(image);
    let what = format!("{fault:?}");
    station.mock.set_faults(Faults::seeded(3).with(fault));
    end(&station, &what)
}

/// Images of `size` bytes such as units hold, each with its name.
fn images(size: usize) -> Vec<(&'static str, Vec<u8>)> {
    let blank = || vec![0xFF; size];
    let put = |image: &mut Vec<u8>, at: usize, bytes: &[u8]| {
        image[at..at + bytes.len()].copy_from_slice(bytes);
    };
    let mut sparse = blank();
    put(&mut sparse, 0, &code(1, 100));
    put(&mut sparse, size / 4 * 3 + 0x2345, &code(2, 700));
    put(&mut sparse, size / 4 + 0x0F01, &code(3, 40));
    let mut twins = blank();
    put(&mut twins, 0, &code(4, 3000));
    let slot = code(5, size / 8 + 777);
    put(&mut twins, size / 4, &slot);
    put(&mut twins, size / 2, &slot);
    let mut late = blank();
    put(&mut late, size / 2 + size / 16, &code(6, size / 4));
    let mut table = blank();
    let row = code(7, 4096);
    for at in (0..size * 3 / 4).step_by(4096) {
        put(&mut table, at, &row);
    }
    vec![
        ("usual", content(7, size)),
        ("mostly FF", sparse),
        ("twin slots", twins),
        ("blank start", late),
        ("repeated table", table),
    ]
}

#[test]
fn errors_of_one_read_only_are_noticed() {
    // The passes go at 20 and 12 MHz, with 03h and 0Bh.
    let rate = 0.0001;
    let flips = |flips: Flips| Fault::Flips(Flips { rate, ..flips });
    let image = content(7, 1 << 20);
    for (what, fault) in [
        (
            "first SCK",
            flips(Flips {
                above_sck: Some(Hertz::mhz(15)),
                ..Flips::default()
            }),
        ),
        (
            "first opcode",
            flips(Flips {
                opcode: Some(0x03),
                ..Flips::default()
            }),
        ),
        (
            "frame boundaries",
            Fault::Flips(Flips {
                bits: 1,
                frame_edge_bytes: Some(1),
                addresses: Some(0..1 << 20),
                ..Flips::default()
            }),
        ),
        (
            "one bit of the chip",
            Fault::Flips(Flips {
                bits: 4,
                addresses: Some(0x2_3456..0x2_3457),
                above_sck: Some(Hertz::mhz(15)),
                ..Flips::default()
            }),
        ),
        (
            "anew each time",
            flips(Flips {
                fresh: true,
                addresses: Some(0x1_0000..0x10_0000),
                ..Flips::default()
            }),
        ),
    ] {
        // Flips outside the array would spoil the ID; those are the contact's business.
        let fault = match fault {
            Fault::Flips(flips) => Fault::Flips(Flips {
                addresses: flips.addresses.or(Some(0x800..1 << 20)),
                ..flips
            }),
            other => other,
        };
        let station = usual(&image);
        station.mock.set_faults(Faults::seeded(3).with(fault));
        let stop = station.backup().unwrap_err();
        assert_eq!(refusal(&stop), End::Held(Interlock::TwinRead), "{what}");
        assert_eq!(stop.exit.number(), 3);
        assert_eq!(kept(&station), ["unit.toml"], "{what}");
        assert!(
            stop.headline.contains("two reads of the chip differ"),
            "{what}: {stop:?}"
        );
    }
}

/// Before the whole chip is read, one place is, three times.
#[test]
fn a_steady_id_before_cells_that_are_not_is_no_contact() {
    let unsteady = Fault::Flips(Flips {
        rate: 0.01,
        fresh: true,
        addresses: Some(0..2048),
        ..Flips::default()
    });
    let end = under(&content(7, 1 << 20), unsteady);
    assert_eq!(end, End::Held(Interlock::Contact));
}

#[test]
fn a_line_that_never_changes_is_no_chip() {
    let image = content(7, 1 << 20);
    for shows in [Miso::Low, Miso::High, Miso::Noise] {
        let loose = Fault::LooseContact {
            shows,
            from_frame: 0,
            frames: None,
        };
        let miso = Fault::Miso {
            shows,
            from_frame: 0,
            frames: None,
        };
        for fault in [loose, miso] {
            let end = under(&image, fault);
            assert_ne!(end, End::True, "{shows:?}");
        }
    }
    // The ID is read right, and the line is lost at some moment of either pass, or between.
    for from_frame in [300, 450, 600, 900] {
        for shows in [Miso::Low, Miso::High, Miso::Noise] {
            let end = under(
                &image,
                Fault::Miso {
                    shows,
                    from_frame,
                    frames: None,
                },
            );
            assert_eq!(end, End::Stopped(Exit::ChipFault), "{shows:?} {from_frame}");
        }
    }
}

#[test]
fn a_slip_by_bits_is_noticed() {
    for (name, image) in images(1 << 20) {
        for bits in 1..=7 {
            let end = under(&image, Fault::BitSlip { bits });
            assert_ne!(end, End::True, "{name}, {bits}");
        }
    }
}

#[test]
fn a_stuck_bit_is_noticed() {
    let image = content(7, 1 << 20);
    for bit in 0..8 {
        for high in [false, true] {
            assert_ne!(
                under(&image, Fault::StuckBit { bit, high }),
                End::True,
                "{bit} {high}"
            );
            // In the array alone, where ID and status tell nothing.
            let only = if high {
                norlock::mock::Struck::Zeros
            } else {
                norlock::mock::Struck::Ones
            };
            let array = Fault::Flips(Flips {
                bits: 1 << bit,
                only: Some(only),
                addresses: Some(0..1 << 20),
                ..Flips::default()
            });
            assert_eq!(
                under(&image, array),
                End::Held(Interlock::TwinRead),
                "{bit} {high}"
            );
        }
    }
}

#[test]
fn each_address_line_stuck_or_aliased_is_noticed() {
    for (name, image) in images(1 << 20) {
        let mut unnoticed = Vec::new();
        for line in 8..20 {
            let mut neighbours = vec![8 + (line - 7) % 12];
            if name == "usual" {
                neighbours.extend([line - 5, 12, 16, 19]);
            }
            let aliases = neighbours.iter().filter(|other| **other != line);
            let mut kinds = vec![AddressBit::Low, AddressBit::High];
            kinds.extend(aliases.map(|other| AddressBit::SameAs(*other)));
            for is in kinds {
                if under(&image, Fault::AddressLine { line, is }) == End::True {
                    unnoticed.push((line, is));
                }
            }
        }
        if name != "repeated table" {
            assert_eq!(unnoticed, [], "{name}");
        }
    }
}

#[test]
fn the_upper_address_lines_of_a_large_part_are_noticed() {
    let all = images(16 << 20);
    for (line, is, which) in [
        (12, AddressBit::High, 2),
        (14, AddressBit::SameAs(22), 0),
        (20, AddressBit::Low, 1),
        (21, AddressBit::SameAs(13), 3),
        (22, AddressBit::High, 1),
        (23, AddressBit::Low, 2),
        (23, AddressBit::SameAs(20), 1),
    ] {
        let (name, image) = &all[which];
        let station = station(LARGE, image);
        let fault = Fault::AddressLine { line, is };
        station.mock.set_faults(Faults::none().with(fault));
        let what = format!("{name}: A{line} {is:?}");
        assert_ne!(end(&station, &what), End::True, "{what}");
    }
}

#[test]
fn a_wrong_size_is_noticed() {
    let half = 1 << 19;
    // As long as the part, but what lies above the real end is the lower part again.
    for (name, image) in images(half) {
        for real in [half, half / 2] {
            let station = usual(&image);
            let fault = Fault::RealSize {
                size_bytes: real as u32,
            };
            station.mock.set_faults(Faults::none().with(fault));
            let stop = station.backup().unwrap_err();
            let end = refusal(&stop);
            let right = [Interlock::KnownPart, Interlock::TwinRead].map(End::Held);
            assert!(right.contains(&end), "{name}, {real}: {stop:?}");
            assert_eq!(kept(&station), ["unit.toml"]);
        }
    }
    let image = content(7, 1 << 20);
    // IDs of 512 KiB, 2 MiB and 16 MiB parts of the same family, on a 1 MiB chip: W25Q40, W25Q16,
    // W25Q128 (Winbond datasheets, ID tables).
    for id in [[0xEF, 0x40, 0x13], [0xEF, 0x40, 0x15], [0xEF, 0x40, 0x18]] {
        for (sfdp, marking) in [(true, true), (true, false), (false, true)] {
            let mut station = usual(&image);
            if !marking {
                station.unreadable();
            }
            if !sfdp {
                station.mock.set_sfdp(None);
            }
            let lie = Fault::LyingId { bytes: id.to_vec() };
            station.mock.set_faults(Faults::none().with(lie));
            let stop = station.backup().unwrap_err();
            assert_eq!(
                refusal(&stop),
                End::Held(Interlock::KnownPart),
                "{id:02X?} {sfdp} {marking} {stop:?}"
            );
            assert_eq!(kept(&station), ["unit.toml"]);
        }
        // Nothing but the reading tells: the larger ones repeat.
        let mut station = usual(&image);
        station.mock.set_sfdp(None);
        station.unreadable();
        let lie = Fault::LyingId { bytes: id.to_vec() };
        station.mock.set_faults(Faults::none().with(lie));
        if id[2] > 0x14 {
            assert_eq!(
                refusal(&station.backup().unwrap_err()),
                End::Held(Interlock::KnownPart)
            );
        }
    }
    for size_bytes in [1 << 19, 1 << 21, 1 << 24] {
        let end = under(&image, Fault::LyingSfdpDensity { size_bytes });
        assert_eq!(end, End::Held(Interlock::KnownPart), "{size_bytes}");
    }
}

/// Where all content but a little repeats over a line, and that little lies where no frame reaches that begins below
/// the line's turn, a stuck line reads like a true copy: no such backup is one to write on.
#[test]
fn a_line_that_may_be_dead_makes_a_backup_weak() {
    let (slot, head) = (1 << 16, code(19, 0x1000));
    let mut image = Vec::new();
    for pair in 0..8 {
        let mut lower = code(20 + pair, slot);
        lower[..0x1000].copy_from_slice(&head);
        image.extend(lower.repeat(2));
    }
    let weak = |station: &Station| {
        let report = station.backup().unwrap();
        let unit = station.unit();
        unit.file().images[&report.file].weak.clone()
    };
    assert!(weak(&usual(&image)).unwrap().contains("with A16 as"));
    let hidden = 3 * slot + 0x1000..3 * slot + 0x1080;
    image[hidden].copy_from_slice(&code(40, 0x80));
    let station = usual(&image);
    assert_eq!(weak(&station), None);
    let station = usual(&image);
    let is = AddressBit::Low;
    let fault = Fault::AddressLine { line: 16, is };
    station.mock.set_faults(Faults::none().with(fault));
    assert!(weak(&station).unwrap().contains("with A16 as"));
}

#[test]
fn a_size_in_doubt_can_be_accepted_by_name() {
    let mut station = usual(&content(7, 1 << 20));
    let lie = Fault::LyingSfdpDensity {
        size_bytes: 1 << 21,
    };
    station.mock.set_faults(Faults::none().with(lie));
    station.accepted = vec![(
        Acceptable::ChipSize,
        "datasheet and marking say 1 MiB".into(),
    )];
    assert_eq!(end(&station, "accepted"), End::True);
}

#[test]
fn equal_halves_are_held_until_accepted_by_name() {
    let lower = content(9, 1 << 19);
    let mut station = usual(&lower.repeat(2));
    let stop = station.backup().unwrap_err();
    assert_eq!(refusal(&stop), End::Held(Interlock::KnownPart));
    assert!(
        stop.evidence.iter().any(|(_, text)| text.contains("A19")),
        "{stop:?}"
    );
    station.accepted = vec![(
        Acceptable::ChipSize,
        "both slots were filled in the workshop".into(),
    )];
    assert_eq!(end(&station, "equal halves"), End::True);
}

#[test]
fn a_chip_that_takes_four_address_bytes_is_noticed_or_read_right() {
    for (name, image) in images(1 << 20) {
        for at_power_up in [false, true] {
            let end = under(&image, Fault::FourByteMode { at_power_up });
            assert_ne!(
                end,
                End::True,
                "{name}: this part has no command to leave the mode"
            );
        }
    }
    // A part of 16 MiB that has the mode: it is left for now, and entered again at the end.
    let image = images(16 << 20).remove(1).1;
    let station = station(("IS25LP128F", "IS25LP128F"), &image);
    let fault = Fault::FourByteMode { at_power_up: false };
    station.mock.set_faults(Faults::none().with(fault));
    end(&station, "16 MiB in 4-byte mode");
}

#[test]
fn a_sleeping_chip_is_woken_or_refused() {
    let image = content(7, 1 << 20);
    assert_eq!(under(&image, Fault::Asleep { deaf: false }), End::True);
    assert_eq!(
        under(&image, Fault::Asleep { deaf: true }),
        End::Held(Interlock::Contact)
    );
}

#[test]
fn a_busy_chip_is_waited_for_or_refused() {
    let image = content(7, 1 << 20);
    for ms in [1, 700, 50_000] {
        assert_eq!(under(&image, Fault::Busy { ms }), End::True, "{ms} ms");
    }
    let forever = Fault::Busy {
        ms: u64::MAX / 2_000_000,
    };
    assert_eq!(under(&image, forever), End::Stopped(Exit::ChipFault));
}

#[test]
fn lost_and_doubled_bytes_are_noticed() {
    let sizes = [1, 3, 16, 31, 256, 257, 1646, 2048, 3291, 3839];
    for (name, image) in images(256 << 10) {
        let mut unnoticed = Vec::new();
        for every in sizes {
            for fault in [Fault::DroppedByte { every }, Fault::DoubledByte { every }] {
                let what = format!("{fault:?}");
                if under(&image, fault) == End::True {
                    unnoticed.push(what);
                }
            }
        }
        // In sparse images some reach blank bytes only; then what was kept is the truth.
        if name == "usual" || name == "repeated table" {
            assert_eq!(unnoticed, [""; 0], "{name}");
        }
    }
    // Longer than any frame: no fault.
    let image = content(7, 256 << 10);
    assert_eq!(under(&image, Fault::DroppedByte { every: 5000 }), End::True);
}

#[test]
fn a_link_that_moves_too_little_ends_the_read() {
    let image = content(7, 1 << 20);
    for at_batch in [1, 5, 100, 230, 300, 500] {
        let short = Fault::Link {
            at_batch,
            error: Failure::Short,
            lasting: false,
        };
        assert_eq!(
            under(&image, short),
            End::Stopped(Exit::ChipFault),
            "{at_batch}"
        );
        let too_long = Fault::Link {
            at_batch,
            error: Failure::TooLong,
            lasting: false,
        };
        let end = under(&image, too_long);
        assert!(
            at_batch < 230 || end == End::True,
            "{at_batch}: the limit is lowered and the read goes on"
        );
    }
}

#[test]
fn buffers_that_are_not_filled_are_noticed() {
    for (name, image) in images(1 << 20) {
        let all = Fault::StaleBuffer {
            from_frame: 0,
            frames: None,
        };
        assert_eq!(under(&image, all), End::Held(Interlock::Contact), "{name}");
        for from_frame in [208, 230, 380, 480, 600, 700, 930] {
            for frames in [Some(1), Some(7), None] {
                let stale = Fault::StaleBuffer { from_frame, frames };
                let end = under(&image, stale);
                let in_a_pass = (380..650).contains(&from_frame);
                assert!(
                    !in_a_pass || end != End::True,
                    "{name}, {from_frame}, {frames:?}"
                );
            }
        }
    }
}

#[test]
fn reads_that_cannot_be_independent_are_weak_and_say_so() {
    // Nothing tells that this part has 0Bh: the table does not say so, and there is no SFDP.
    let catalogue = norlock::part::Catalogue::builtin().unwrap();
    let part = crate::station::part(&catalogue, "W25X32");
    let image = content(3, part.size_bytes as usize);
    let bench = |station: &Station, [sck_min, sck_max]: [u32; 2]| {
        let limits = norlock::link::Link::limits(&station.mock.link());
        station.mock.set_limits(norlock::link::Limits {
            sck_min: Hertz::mhz(sck_min),
            sck_max: Hertz::mhz(sck_max),
            ..limits
        });
        let mut bench = station.bench();
        // As the person reads it in the datasheet.
        bench.said.supply = Some(norlock::part::SupplyRange {
            from_memory: false,
            ..part.supply
        });
        bench
    };
    let backup = |clocks: [u32; 2]| {
        let station = station((&part.name, &part.markings[0]), &image);
        station.mock.set_sfdp(None);
        let bench = bench(&station, clocks);
        let result = norlock::job::backup(&mut station.unit(), bench, &mut norlock::job::Nobody);
        (station, result.unwrap())
    };
    let write = |station: &Station, clocks: [u32; 2]| {
        let map = crate::station::REGIONS.replace("1MiB", "4MiB");
        let path = station.folder.join("regions.toml");
        station.files.replace(&path, map.as_bytes()).unwrap();
        let mut order = station.order_for("as-found.bin");
        order.target_name = "as-found.bin".into();
        let mut bench = bench(station, clocks);
        let memory = (
            Acceptable::KnownPart,
            "compared with the datasheet".to_owned(),
        );
        let accepted = station.accepted.iter().cloned().chain([memory]);
        bench.accepted = Acceptances::new(accepted.collect());
        norlock::job::write(&mut station.unit(), order, bench, &mut norlock::job::Nobody)
    };
    let (_, report) = backup([1, 10]);
    assert_eq!(report.reads.weak, None);
    let (mut station, report) = backup([10, 10]);
    assert!(station.image(&report.file) == image);
    assert!(report.reads.weak.is_some() && report.reads.third.is_some());
    let record = String::from_utf8(station.image("unit.toml")).unwrap();
    assert!(record.contains("weak: both at"), "{record}");
    // Such a link cannot change a chip at all, as changes go at half of what reads have proven.
    let stop = write(&station, [10, 10]).unwrap_err();
    assert_eq!(refusal(&stop), End::Stopped(Exit::Usage), "{stop:?}");
    assert!(stop.headline.contains("no half of 10 MHz"), "{stop:?}");
    // Writing on it wants it accepted, even where two clocks are to be had later.
    let stop = write(&station, [1, 10]).unwrap_err();
    assert_eq!(refusal(&stop), End::Held(Interlock::TwinRead), "{stop:?}");
    assert!(stop.headline.contains("prove less"), "{stop:?}");
    station.accepted = vec![(Acceptable::WeakReads, "that adapter had one clock".into())];
    write(&station, [1, 10]).unwrap();
}

/// A generated image such as a healthy chip may hold.
fn clean(seed: u64, size: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut image = vec![0xFF; size];
    let mut put = |at: usize, bytes: &[u8]| {
        let end = (at + bytes.len()).min(size);
        image[at..end].copy_from_slice(&bytes[..end - at]);
    };
    match seed % 7 {
        // Code with blank areas between.
        0 => {
            let mut at = random.usize(0..8192);
            while at < size {
                let length = random.usize(1..60_000);
                put(at, &code(random.u64(..), length));
                at += length + random.usize(1..80_000);
            }
        }
        // Two slots of one program, one behind the other or with a gap, and a loader.
        1 => {
            let slot = code(random.u64(..), random.usize(size / 16..size / 4));
            put(0, &code(random.u64(..), random.usize(1..9000)));
            put(size / 4, &slot);
            put([size / 2, size * 3 / 4][random.usize(..2)], &slot);
        }
        // Nearly blank.
        2 => {
            let at = random.usize(..size - 4000);
            put(at, &code(random.u64(..), random.usize(1..4000)));
        }
        // A table over and over in part of the chip.
        3 => {
            let row = code(random.u64(..), 1 << random.usize(2..14));
            let rows = size * random.usize(3..8) / 8 / row.len();
            for row_number in 0..rows {
                put(row_number * row.len(), &row);
            }
        }
        // Text only.
        4 => {
            let mut at = 0;
            while at < size * 7 / 8 {
                let line = format!("t={} level={} mm\n", random.u32(..), random.u16(..));
                put(at, line.as_bytes());
                at += line.len();
            }
        }
        // Small data at odd places.
        5 => {
            for _ in 0..random.usize(1..12) {
                let at = random.usize(..size);
                put(at, &code(random.u64(..), random.usize(1..300)));
            }
        }
        // Cleared areas, settings in two copies, counters.
        _ => {
            put(size / 8, &vec![0; size / 4]);
            let settings = code(random.u64(..), 900);
            put(size / 2, &settings);
            put(size / 2 + 0x1_0000, &settings);
            put(size - 4096, &[0x00, 0x7F]);
        }
    }
    image
}

#[test]
fn two_hundred_clean_images_raise_no_alarm() {
    let (mut alarms, mut of_doubtful_lines) = (Vec::new(), 0);
    for seed in 0..200 {
        let image = clean(seed, 256 << 10);
        let station = station(SMALL, &image);
        match station.backup() {
            Ok(report) => {
                assert!(station.image(&report.file) == image, "image {seed}");
                // A table of rows above 4 KiB and nothing else is the same with a line as without.
                let same =
                    |line: u32| (0..image.len()).all(|at| image[at] == image[at ^ 1 << line]);
                let doubtful = (13..18).any(|line| same(line) && !(12..line).all(same));
                let weak = report.reads.weak;
                assert_eq!(weak.is_some(), doubtful, "{seed}: {weak:?}");
                of_doubtful_lines += usize::from(weak.is_some());
            }
            Err(stop) => alarms.push(format!("{seed}: {} {:?}", stop.headline, stop.evidence)),
        }
    }
    assert_eq!(alarms, [""; 0]);
    assert!((1..20).contains(&of_doubtful_lines), "{of_doubtful_lines}");
}
