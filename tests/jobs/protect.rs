//! `protect`: what is shown is what the chip holds, what is set is a row of its part's table, and nothing
//! else changes.
//!
//! The rows and locks themselves are held against the datasheets in `tests/protection_tables.rs`.

use std::ops::Range;

use norlock::interlock::Acceptable;
use norlock::jedec::Hertz;
use norlock::jedec::status::{Protection, StatusLock, VolatileForm};
use norlock::job::{self, ChipState, Exit, Nobody, ProtectOrder, ProtectionReport, Stop, Wanted};
use norlock::link::{Frame, Link, Segment};
use norlock::mock::{Failure, Fault, Faults, Flips, Torn};
use norlock::unit::Digest;

use crate::refusals::{held, refused};
use crate::small::{Small, StopAfter};
use crate::station::{Station, part};

/// One part of each family whose table was read.
const PARTS: [&str; 12] = [
    "AT25SF161",
    "GD25Q16C",
    "GD25Q64C",
    "IS25LP032",
    "M25P16",
    "M25PX16",
    "MT25QL128ABA",
    "MX25R1635F",
    "N25Q032A13",
    "SST25VF016B",
    "SST26VF080A",
    "W25Q32JV",
];

/// A unit with a backup whose chip is this part.
fn unit_with(name: &str) -> Station {
    let mut station = Station::with_part(name, 80);
    let described = part(&station.catalogue, name);
    station.marking = Some(described.markings[0].clone());
    // Most of them have no ID of their own.
    let reason = "gauge-07: the number on its sticker".to_owned();
    station.accepted.push((Acceptable::SameUnit, reason));
    station.supply_read();
    if described.supply.max.0 > 0 && !described.supply.from_memory {
        station.supply = None;
    }
    station
        .backup()
        .unwrap_or_else(|stop| panic!("{name}: {stop:?}"));
    station.trace.lock().unwrap().clear();
    station
}

fn order(wanted: Wanted, until_power_off: bool) -> ProtectOrder {
    ProtectOrder {
        wanted,
        until_power_off,
    }
}

fn set(station: &Station, order: &ProtectOrder) -> Result<ProtectionReport, Stop> {
    job::protect(&mut station.unit(), order, station.bench(), &mut Nobody)
}

/// The order is refused by this interlock, and nothing that changes the chip was sent for it.
fn refuses(station: &Station, order: &ProtectOrder, interlock: &str) -> Stop {
    station.trace.lock().unwrap().clear();
    refused(station, set(station, order), &[interlock])
}

fn look(station: &Station) -> ProtectionReport {
    let unit = station.unit();
    job::protection(Some(&unit), station.bench(), &mut Nobody).unwrap()
}

fn wanted(protection: &Protection) -> Wanted {
    match protection {
        Protection::Range { range } => Wanted::Range(range.clone()),
        _ => Wanted::Nothing,
    }
}

fn ask(station: &Station, opcode: u8) -> u8 {
    let mut byte = [0];
    let out = [opcode];
    let frame = Frame::new(vec![Segment::Out(&out), Segment::In(&mut byte)]);
    let mut link = station.mock.link();
    link.transfer(&mut [frame], Hertz::mhz(1)).unwrap();
    byte[0]
}

/// Whether the chip itself lets the first byte of a block be programmed, past norlock.
fn takes(station: &Station, at: u32) -> bool {
    let before = station.mock.truth(at..at + 1);
    station.mock.set_truth(at, &[0xFF]).unwrap();
    station.mock.monitor().cover(0..u32::MAX);
    let mut program = vec![0x02];
    program.extend(&at.to_be_bytes()[1..]);
    program.push(0x00);
    let mut link = station.mock.link();
    // 50h clears the failure flags where there are any (MT25QL128ABA Rev. I).
    let name = look(station).part;
    let clear: &[u8] = if name.starts_with("Micron") && !name.contains("M25P") {
        &[0x50]
    } else {
        &[0x04]
    };
    for out in [&[0x06][..], &program, &[0x04], clear] {
        link.transfer(&mut [Frame::new(vec![Segment::Out(out)])], Hertz::mhz(1))
            .unwrap();
        link.wait(std::time::Duration::from_secs(1));
    }
    let taken = station.mock.truth(at..at + 1) == [0x00];
    station.mock.set_truth(at, &before).unwrap();
    taken
}

#[test]
fn every_row_can_be_set_by_name_and_is_what_the_chip_then_protects() {
    for name in PARTS {
        let station = unit_with(name);
        let array = Digest::of(&station.cells());
        let offered = look(&station).offered;
        assert!(offered.len() > 3, "{name}: {offered:?}");
        for (row, number) in offered.iter().zip(0..) {
            let report = set(&station, &order(wanted(row), false))
                .unwrap_or_else(|stop| panic!("{name} {row}: {stop:?}"));
            assert_eq!(
                (&report.protection, &look(&station).protection),
                (row, row),
                "{name}"
            );
            let size = report.size_bytes;
            let range = match row {
                Protection::Range { range } => range.clone(),
                _ => 0..0,
            };
            // Both sides of each border, asked of the chip itself, for some of the rows.
            let places = [
                0,
                range.start,
                range.end.saturating_sub(1),
                range.end,
                size - 1,
            ];
            for at in places
                .into_iter()
                .filter(|at| *at < size && number % 5 == 0)
            {
                assert_eq!(
                    takes(&station, at),
                    !range.contains(&at),
                    "{name} {row} {at:X}"
                );
            }
        }
        assert_eq!(Digest::of(&station.cells()), array, "{name}");
        assert_eq!(station.mock.counters().erases, 0, "{name}");
        let trace = station.trace.lock().unwrap();
        let written = trace.iter().map(|sent| sent.out[0]);
        // Page program, erases, one-time and configuration writes of all makers.
        let never = [
            0x02, 0x11, 0x20, 0x42, 0x52, 0x85, 0xA6, 0xB1, 0xC7, 0xD8, 0x2F, 0x8D,
        ];
        let sent: Vec<u8> = written.filter(|code| never.contains(code)).collect();
        assert!(sent.is_empty(), "{name}: {sent:02X?}");
    }
}

#[test]
fn a_change_lasts_or_ends_with_the_supply_as_it_was_asked_for() {
    for name in PARTS {
        let station = unit_with(name);
        let seen = look(&station);
        let all = order(Wanted::Everything, false);
        set(&station, &all).unwrap();
        let none = order(Wanted::Nothing, true);
        match seen.volatile_form {
            None => {
                let stop = refuses(&station, &none, "writable");
                assert!(
                    stop.next.contains("Leave out --until-power-off"),
                    "{stop:?}"
                );
            }
            Some(form) => {
                let report = set(&station, &none).unwrap();
                assert_eq!(report.protection, Protection::None, "{name}");
                assert!(report.change.unwrap().until_power_off);
                station.mock.power_up();
                let now = look(&station).protection;
                let whole = Protection::Range {
                    range: 0..seen.size_bytes,
                };
                assert_eq!(now, whole, "{name} {form:?}");
            }
        }
        let none = order(Wanted::Nothing, false);
        let report = set(&station, &none).unwrap();
        station.mock.power_up();
        let kept = seen.volatile_form != Some(VolatileForm::Always);
        assert_eq!(report.change.unwrap().until_power_off, !kept, "{name}");
        assert_eq!(
            look(&station).protection == Protection::None,
            kept,
            "{name}"
        );
    }
}

/// What is in force may not be what is stored, so a lasting change is written even where the range is right.
#[test]
fn what_is_in_force_only_is_stored_when_that_is_asked_for() {
    let station = unit_with("GD25Q16C");
    let bottom: Range<u32> = 0..0x1_0000;
    let range = || Wanted::Range(bottom.clone());
    set(&station, &order(range(), true)).unwrap();
    let again = set(&station, &order(range(), true)).unwrap();
    assert!(!again.change.unwrap().written);
    let lasting = set(&station, &order(range(), false)).unwrap();
    assert!(lasting.change.unwrap().written);
    station.mock.power_up();
    assert_eq!(
        look(&station).protection,
        Protection::Range { range: bottom }
    );
}

#[test]
fn what_no_row_gives_is_refused_with_the_nearest() {
    let station = unit_with("W25Q32JV");
    let odd = order(Wanted::Range(0x1000..0x3_0000), false);
    let stop = refuses(&station, &odd, "writable");
    assert!(stop.next.contains("0x000000..0x040000"), "{stop:?}");
    assert!(stop.next.contains("0x000000..0x020000"), "{stop:?}");
    // Beyond the chip, and without a table that was read.
    let beyond = order(Wanted::Range(0..0x80_0000), false);
    let stop = refuses(&station, &beyond, "writable");
    assert!(stop.held[0].seen.ends_with("ends at 0x400000"), "{stop:?}");
    // GD25Q64C Rev 3.0, Table 1.0: 64 KiB is no row, 128 KiB and 32 KiB are.
    let station = unit_with("GD25Q64C");
    let bottom = order(Wanted::Range(0..0x1_0000), false);
    let stop = refuses(&station, &bottom, "writable");
    for rows in [
        "covers it: 0x000000..0x020000, ",
        "; within it: 0x000000..0x008000, ",
    ] {
        assert!(stop.next.contains(rows), "{rows}: {stop:?}");
    }
    let station = unit_with("W25Q80DV");
    let report = look(&station);
    assert!(report.offered.is_empty() && report.one_time.is_none());
    let all = order(Wanted::Everything, false);
    refuses(&station, &all, "writable");
}

/// MX25R1635F Rev 1.5, Table 2 and 7: TB is one-time. Set, ranges count from the bottom; it is never written.
#[test]
fn a_one_time_bit_decides_which_rows_there_are() {
    let station = unit_with("MX25R1635F");
    let top = Wanted::Range(0x1F_0000..0x20_0000);
    let bottom = Wanted::Range(0..0x1_0000);
    set(&station, &order(top.clone(), false)).unwrap();
    let stop = refuses(&station, &order(bottom.clone(), false), "writable");
    assert!(
        stop.held[0].seen.contains("with TB set, which is one-time"),
        "{stop:?}"
    );
    let tb = Fault::RegisterBits {
        register: 0x15,
        bits: 0x08,
    };
    station.mock.set_faults(Faults::none().with(tb));
    let report = set(&station, &order(bottom, false)).unwrap();
    assert_eq!(report.protection, Protection::Range { range: 0..0x1_0000 });
    refuses(&station, &order(top, false), "writable");
}

/// W25Q32JV Rev. G, 7.1: QE and LB of SR2, and SRP of SR1, stay as they are.
#[test]
fn all_other_bits_stay_as_they_were_found() {
    let station = unit_with("W25Q32JV");
    let bits = |register, bits| Fault::RegisterBits { register, bits };
    let found = Faults::none().with(bits(0x35, 0x0A)).with(bits(0x05, 0x80));
    station.mock.set_faults(found.with(bits(0x15, 0x60)));
    station.mock.set_faults(Faults::none());
    for wanted in [
        Wanted::Everything,
        Wanted::Range(0x1000..0x40_0000),
        Wanted::Nothing,
    ] {
        let report = set(&station, &order(wanted, false)).unwrap();
        assert_eq!(ask(&station, 0x35) & !0x40, 0x0A, "QE and LB1");
        assert_eq!(
            (ask(&station, 0x05) & 0x83, ask(&station, 0x15)),
            (0x80, 0x60)
        );
        let set: Vec<_> = report
            .one_time
            .unwrap()
            .into_iter()
            .filter(|bit| bit.set == Some(true))
            .collect();
        assert_eq!(set.iter().map(|bit| bit.name).collect::<Vec<_>>(), ["LB1"]);
    }
}

#[test]
fn locks_are_told_and_named_as_the_reason() {
    let station = unit_with("GD25Q16C");
    let all = order(Wanted::Everything, false);
    let srp = |register, bits| Fault::RegisterBits { register, bits };
    // SRP0 with WP# low: nothing tells before it is tried.
    let pin = Fault::WriteProtectPin { lock_bit: true };
    station.mock.set_faults(Faults::none().with(pin));
    assert_eq!(look(&station).lock, Some(StatusLock::WhileWpLow));
    let stop = held(set(&station, &all), &["writable"]);
    assert_eq!(stop.chip, ChipState::NotTaken);
    assert!(
        format!("{stop:?}").contains("locked while WP# is low"),
        "{stop:?}"
    );
    assert!(stop.next.starts_with("Pull WP# up"), "{stop:?}");
    assert_eq!(ask(&station, 0x05), 0x80);
    station.mock.set_faults(Faults::none());
    set(&station, &all).unwrap();
    assert_eq!(ask(&station, 0x05) & 0x80, 0x80, "the lock bit stays");
    // SRP1 with SRP0: for ever.
    station
        .mock
        .set_faults(Faults::none().with(srp(0x35, 0x01)));
    station.trace.lock().unwrap().clear();
    assert_eq!(look(&station).lock, Some(StatusLock::ForEver));
    let none = order(Wanted::Nothing, false);
    let stop = refuses(&station, &none, "writable");
    assert!(format!("{stop:?}").contains("locked for ever"), "{stop:?}");
    // SRP1 alone: until the next power-up.
    let station = unit_with("GD25Q16C");
    station
        .mock
        .set_faults(Faults::none().with(srp(0x35, 0x01)));
    let stop = refuses(&station, &all, "writable");
    assert!(
        format!("{stop:?}").contains("locked until the next power-up"),
        "{stop:?}"
    );
    station.mock.set_faults(Faults::none());
    station.mock.power_up();
    set(&station, &all).unwrap();
}

/// GD25Q64C Rev 3.0 takes SR1 and SR2 by two writes: between them the chip holds neither.
#[test]
fn a_failing_link_never_leaves_a_false_word() {
    let ready = unit_with("GD25Q64C");
    let array = ready.cells();
    let frames = {
        let station = ready.fork();
        set(&station, &order(Wanted::Range(0x1000..0x80_0000), false)).unwrap();
        station.mock.counters().batches
    };
    let (mut untouched, mut doubted, mut closing) = (0, 0, 0);
    for back in 1..80 {
        let station = ready.fork();
        let before = (ask(&station, 0x05), ask(&station, 0x35));
        // The questions above count too, and polls vary: the first lie behind the end.
        let at_batch = (frames + 45).saturating_sub(back);
        let fault = Fault::Link {
            at_batch,
            error: Failure::Errno(5),
            lasting: true,
        };
        station.mock.set_faults(Faults::none().with(fault));
        let result = set(&station, &order(Wanted::Range(0x1000..0x80_0000), false));
        station.mock.set_faults(Faults::none());
        let now = (ask(&station, 0x05), ask(&station, 0x35));
        match result {
            Ok(report) => assert_eq!(report.protection, look(&station).protection),
            Err(stop) if stop.chip == ChipState::ProtectionChanged => {
                assert_eq!(stop.exit, Exit::Different, "{stop:?}");
                assert_eq!(now, (0x64, 0x40), "{stop:?}");
                let last = station.unit().file().operations.last().cloned().unwrap();
                assert!(last.chip.contains("protection"), "{last:?}");
                assert!(last.chip.contains("changed"), "{last:?}");
                closing += 1;
            }
            Err(stop) if stop.chip == ChipState::Untouched => {
                assert_eq!(stop.exit, Exit::ChipFault, "{stop:?}");
                assert_eq!(now, before, "{stop:?}");
                untouched += 1;
            }
            Err(stop) => {
                assert_eq!(
                    (stop.exit, stop.chip),
                    (Exit::Different, ChipState::ProtectionInDoubt)
                );
                doubted += 1;
                let last = station.unit().file().operations.last().cloned().unwrap();
                let found = last.conditions.get("registers found").unwrap();
                assert!(found.starts_with("05h 00"), "{found}");
                assert!(last.chip.contains("in doubt"), "{last:?}");
            }
        }
        assert!(station.cells() == array, "{back}");
    }
    assert!(
        untouched > 3 && doubted > 3 && closing >= 2,
        "{untouched} {doubted} {closing}"
    );
}

/// A change that ends with the supply is gone when the supply dips before it is read back, and WP# has nothing
/// to do with it.
#[test]
fn a_change_that_was_lost_is_not_blamed_on_a_pin() {
    let (mut lost, all) = (0, order(Wanted::Everything, true));
    let calm = unit_with("GD25Q16C");
    set(&calm, &all).unwrap();
    let end = calm.mock.counters().batches;
    for at_batch in end - 12..end {
        let station = unit_with("GD25Q16C");
        let dip = Fault::Dip { at_batch };
        station.mock.set_faults(Faults::none().with(dip));
        let stop = set(&station, &all).err();
        if let Some(stop) = stop.filter(|stop| stop.chip == ChipState::NotTaken) {
            let first = "See how the contact is: norlock contact";
            assert!(stop.next.starts_with(first), "{stop:?}");
            assert!(!format!("{stop:?}").contains("WP#"), "{stop:?}");
            lost += 1;
        }
    }
    assert!(lost > 0);
}

#[test]
fn the_unit_file_has_how_it_was_found_before_anything_is_sent() {
    let station = unit_with("GD25Q16C");
    let cut = Fault::PowerCut {
        at_operation: station.mock.modifying_operations() + 1,
        torn: Torn::NotStarted,
    };
    station.mock.set_faults(Faults::none().with(cut));
    let stop = set(&station, &order(Wanted::Everything, false)).unwrap_err();
    assert_eq!(stop.chip, ChipState::ProtectionInDoubt, "{stop:?}");
    let unit = station.unit();
    let mut operations = unit.file().operations.iter().rev();
    let (last, begun) = (operations.next().unwrap(), operations.next().unwrap());
    assert_eq!(
        (last.command.as_str(), begun.outcome.as_str()),
        ("protect", "begun")
    );
    assert_eq!(
        begun.conditions["registers found"],
        "05h 00, 15h 00, 35h 00"
    );
    assert_eq!(begun.conditions["asked for"], "all");
}

// errno(3): EACCES, as a folder gives that may not be written to.
#[test]
fn why_the_note_could_not_be_kept_is_said() {
    let station = unit_with("GD25Q16C");
    let seen = (0..60).find_map(|step| {
        let mut unit = station.unit();
        let (files, before) = (&station.files, station.mock.modifying_operations());
        files.fail_at(files.calls() + step, 13, norlock::unit::store::Fails::Once);
        let set = order(Wanted::Everything, false);
        let stop = job::protect(&mut unit, &set, station.bench(), &mut Nobody).err()?;
        files.fail_no_more();
        let held = stop.held.first()?;
        assert_eq!(station.mock.modifying_operations(), before, "{stop:?}");
        (held.interlock.id() == "journal-ready").then(|| (held.seen.clone(), held.next.clone()))
    });
    let (seen, next) = seen.unwrap();
    assert!(seen.contains("Permission denied"), "{seen}");
    assert!(next.contains("Allow writing"), "{next}");
}

#[test]
fn another_units_chip_and_an_unfinished_write_are_refused() {
    let station = unit_with("GD25Q16C");
    station
        .mock
        .set_unique_id(vec![1; 8].into_iter().chain(2..10).collect());
    let all = order(Wanted::Everything, false);
    refuses(&station, &all, "same-unit");

    let small = Small::volatile(1);
    small.write_attended(&mut StopAfter::blocks(1)).unwrap_err();
    let stop = job::protect(&mut small.unit(), &all, small.bench(), &mut Nobody).unwrap_err();
    assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
    assert_eq!(small.status(), 0);
    let unit = small.unit();
    let report = job::protection(Some(&unit), small.bench(), &mut Nobody).unwrap();
    let found = report.unfinished.unwrap();
    assert!(found.starts_with("05h "), "{found}");
}

/// A chip of half the size ignores the highest address bit, and its own table is another.
#[test]
fn a_chip_that_may_be_smaller_is_held() {
    let mut station = unit_with("W25Q32JV");
    let fault = Fault::RealSize {
        size_bytes: 2 << 20,
    };
    station.mock.set_faults(Faults::none().with(fault));
    let bottom = order(Wanted::Range(0..0x4_0000), false);
    let stop = refuses(&station, &bottom, "known-part");
    assert!(stop.headline.contains("size"), "{stop:?}");
    let reason = "two copies, the whole of it was read".to_owned();
    station.accepted.push((Acceptable::ChipSize, reason));
    set(&station, &bottom).unwrap();
}

#[test]
fn what_nobody_can_accept_is_named_first() {
    // No table was read, and it has no ID of its own.
    let mut station = unit_with("EN25QH256");
    station.accepted.clear();
    let all = order(Wanted::Everything, false);
    station.trace.lock().unwrap().clear();
    let stop = refused(&station, set(&station, &all), &["writable", "same-unit"]);
    assert!(stop.next.contains("nothing to try"), "{stop:?}");
    assert!(!stop.next.contains("--lift-protection"), "{stop:?}");
    let others = stop.evidence.iter().find(|(label, _)| label == "others");
    assert!(
        others.unwrap().1.ends_with("1 waits for the chip"),
        "{stop:?}"
    );
}

/// Its family can be lifted; that this part takes the same writes was read nowhere.
#[test]
fn a_part_from_memory_is_not_sent_to_a_lift_that_would_be_refused() {
    let station = unit_with("W25Q32FV");
    let stop = refuses(&station, &order(Wanted::Everything, false), "writable");
    assert!(!stop.next.contains("--lift-protection"), "{stop:?}");
}

#[test]
fn a_unit_without_a_backup_is_told_so() {
    let mut station = Station::with_part("W25Q32JV", 80);
    station.marking = Some("W25Q32JVSIQ".to_owned());
    let all = order(Wanted::Everything, false);
    let stop = refuses(&station, &all, "same-unit");
    assert!(stop.next.contains("norlock backup"), "{stop:?}");
    assert!(stop.held[0].means.contains("protection"), "{stop:?}");
}

#[test]
fn a_look_needs_no_unit_and_says_what_the_registers_hold() {
    let station = unit_with("W25Q32JV");
    let bits = Fault::Protected { status_1: 0x64 };
    station.mock.set_faults(Faults::none().with(bits));
    let report = job::protection(None, station.bench(), &mut Nobody).unwrap();
    assert_eq!(report.protection, Protection::Range { range: 0..0x1000 });
    let registers: Vec<(&str, u8)> = report.registers.iter().map(|r| (r.name, r.value)).collect();
    assert_eq!(registers, [("SR1", 0x64), ("SR2", 0), ("SR3", 0)]);
    assert_eq!(report.volatile_form, Some(VolatileForm::Enabled));
    assert!(report.change.is_none() && report.lock.is_none());
}

/// The clip goes to another chip of the kind once the first has said who it is.
#[test]
fn another_chip_that_comes_before_the_first_register_write_is_left_alone() {
    let station = unit_with("GD25Q16C");
    let mut bench = station.bench();
    let (mock, mut asked) = (station.mock.clone(), 0);
    let mut tell = bench.trace.take().unwrap();
    bench.trace = Some(Box::new(move |sent| {
        asked += u32::from(sent.out[0] == 0x4B);
        if asked >= 2 && sent.out[0] == 0x05 {
            mock.set_unique_id((1..17).collect());
        }
        tell(sent);
    }));
    let all = order(Wanted::Everything, false);
    let stop = job::protect(&mut station.unit(), &all, bench, &mut Nobody).unwrap_err();
    assert!(stop.headline.starts_with("Another chip"), "{stop:?}");
    assert_eq!(stop.chip, ChipState::Untouched);
    let trace = station.trace.lock().unwrap();
    let mut codes = trace.iter().map(|sent| sent.out[0]);
    assert!(!codes.any(|code| [0x01, 0x06, 0x50].contains(&code)));
}

/// GD25Q64C Rev 3.0 takes SR1 and SR2 by two writes. One that is lost leaves a range that nobody asked for.
#[test]
fn a_change_that_was_taken_in_part_is_put_back() {
    let station = unit_with("GD25Q64C");
    let before = (ask(&station, 0x05), ask(&station, 0x35));
    let lost = Fault::Heard {
        times: 0,
        opcode: Some(0x31),
        from_frame: 0,
        frames: None,
    };
    station.mock.set_faults(Faults::none().with(lost));
    let range = Wanted::Range(0x1000..0x80_0000);
    let stop = set(&station, &order(range, false)).unwrap_err();
    station.mock.set_faults(Faults::none());
    let now = (ask(&station, 0x05) & !0x02, ask(&station, 0x35));
    assert_eq!((now, stop.chip), (before, ChipState::PutBack), "{stop:?}");
    assert_eq!(stop.exit, Exit::ChipFault);
}

/// The same two writes, and the chip takes no second write enable: the first is there.
#[test]
fn a_second_write_enable_that_is_refused_leaves_the_first_write_in_doubt() {
    let ready = unit_with("GD25Q64C");
    let wanted = order(Wanted::Range(0x1000..0x80_0000), false);
    let station = ready.fork();
    set(&station, &wanted).unwrap();
    let trace = station.trace.lock().unwrap().clone();
    let mut enables = (0..).zip(&trace).filter(|(_, sent)| sent.out[0] == 0x06);
    let (second, _) = enables.nth(1).unwrap();
    let station = ready.fork();
    let lost = Fault::Heard {
        times: 0,
        opcode: Some(0x06),
        from_frame: station.mock.frames() + second,
        frames: None,
    };
    station.mock.set_faults(Faults::none().with(lost));
    let stop = set(&station, &wanted).unwrap_err();
    station.mock.set_faults(Faults::none());
    assert_ne!((ask(&station, 0x05), ask(&station, 0x35)), (0, 0));
    assert_eq!(stop.chip, ChipState::ProtectionInDoubt, "{stop:?}");
}

/// What is there already, until the power goes, needs no register write.
#[test]
fn what_is_in_force_is_not_written_again() {
    let station = unit_with("GD25Q16C");
    let bottom = order(Wanted::Range(0..0x1_0000), true);
    set(&station, &bottom).unwrap();
    station.trace.lock().unwrap().clear();
    assert!(!set(&station, &bottom).unwrap().change.unwrap().written);
    let trace = station.trace.lock().unwrap();
    let mut codes = trace.iter().map(|sent| sent.out[0]);
    assert!(!codes.any(|code| [0x01, 0x06, 0x50].contains(&code)));
}

#[test]
fn a_look_without_a_unit_is_held_by_an_unsteady_contact() {
    let station = unit_with("W25Q32JV");
    let unsteady = Fault::Flips(Flips {
        rate: 0.01,
        fresh: true,
        addresses: Some(0..2048),
        ..Flips::default()
    });
    station.mock.set_faults(Faults::seeded(3).with(unsteady));
    let result = job::protection(None, station.bench(), &mut Nobody);
    refused(&station, result, &["contact"]);
}

#[test]
fn a_look_at_another_unit_s_chip_is_refused() {
    let station = unit_with("GD25Q16C");
    station.mock.set_unique_id((1..17).collect());
    let unit = station.unit();
    let result = job::protection(Some(&unit), station.bench(), &mut Nobody);
    refused(&station, result, &["same-unit"]);
}

/// What a change until power off has found is told until the registers say otherwise, whatever else was done.
#[test]
fn what_ends_with_the_supply_is_told_with_what_was_there_before() {
    let station = unit_with("GD25Q16C");
    let found = Some("05h 00, 15h 00, 35h 00".to_owned());
    let range = || Wanted::Range(0..0x1_0000);
    assert_eq!(look(&station).until_power_off, None);
    set(&station, &order(range(), true)).unwrap();
    assert_eq!(look(&station).until_power_off, found);
    station.backup().unwrap();
    let no_row = Wanted::Range(0x1000..0x1001);
    set(&station, &order(no_row, false)).unwrap_err();
    assert_eq!(look(&station).until_power_off, found);
    station.mock.power_up();
    assert_eq!(look(&station).until_power_off, None);
    set(&station, &order(range(), false)).unwrap();
    assert_eq!(look(&station).until_power_off, None);
}
