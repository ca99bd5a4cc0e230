//! Where the array really ends: parts that are what they say, and chips that are not.
//!
//! Common practice, no source: a chip ignores address bits above its size and counts round at its end,
//! and a relabelled one answers with the ID and SFDP of a larger or smaller part.

use norlock::interlock::{Acceptable, Interlock};
use norlock::jedec::Hertz;
use norlock::job::{self, Exit, IdReport, Nobody, Stop, Wrap};
use norlock::mock::{Fault, Faults, Flips};
use norlock::part::{Catalogue, FourByte};

use crate::station::{Station, code, content, part};

const MIB: usize = 1 << 20;

/// A station whose chip is a `real` one and answers like `label`, with its SFDP or none.
fn labelled(label: &str, real: &str, image: &[u8], with_sfdp: bool) -> Station {
    let catalogue = Catalogue::builtin().unwrap();
    let label = part(&catalogue, label);
    let mut station = Station::with_part(real, 1);
    station.mock.set_truth(0, image).unwrap();
    station.marking = Some(label.markings[0].clone());
    station.supply_read();
    let mut faults = Faults::none();
    if label.name != real {
        let bytes = label.jedec_id.0.clone();
        faults = faults.with(Fault::LyingId { bytes });
        if with_sfdp {
            let size_bytes = label.size_bytes;
            faults = faults.with(Fault::LyingSfdpDensity { size_bytes });
        }
    }
    if !with_sfdp {
        station.mock.set_sfdp(None);
    }
    station.mock.set_faults(faults);
    station
}

fn id(station: &Station) -> IdReport {
    job::id(None, station.bench(), &mut Nobody).unwrap()
}

#[track_caller]
fn held_by_known_part(stop: &Stop) {
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    let held: Vec<Interlock> = stop.held.iter().map(|held| held.interlock).collect();
    assert_eq!(held, [Interlock::KnownPart], "{stop:?}");
}

/// With 3-byte addresses below and at 16 MiB, and 4-byte ones above.
#[test]
fn a_part_that_is_what_it_says_comes_round_at_its_end() {
    for (name, by) in [
        ("W25Q80DV", "ID, SFDP, address wrap"),
        ("W25Q128JV", "ID, SFDP, address wrap"),
        ("W25Q256JV", "ID, SFDP, address wrap"),
        ("N25Q256A13", "ID, SFDP, address wrap"),
        ("MX25L3205D", "ID, table, address wrap"),
    ] {
        let size = part(&Catalogue::builtin().unwrap(), name).size_bytes as usize;
        let station = labelled(name, name, &content(3, size), true);
        let report = id(&station);
        assert_eq!(report.wrap, Some(Wrap::Agrees), "{name}");
        assert_eq!(report.size_by.join(", "), by, "{name}");
        assert!(report.disagreements.is_empty(), "{name}");
        assert_eq!(report.size_doubt, None, "{name}");
    }
}

#[test]
fn blank_and_repeated_content_settle_nothing() {
    let station = labelled("W25Q80DV", "W25Q80DV", &vec![0xFF; MIB], true);
    assert_eq!(id(&station).wrap, Some(Wrap::Blank));
    let station = labelled("W25Q80DV", "W25Q80DV", &content(3, MIB / 2).repeat(2), true);
    assert_eq!(id(&station).wrap, Some(Wrap::Repeats));
    // Varied in the lower half only: that the upper one is blank tells them apart.
    let mut lower = content(3, MIB);
    lower[MIB / 2..].fill(0xFF);
    let station = labelled("W25Q80DV", "W25Q80DV", &lower, true);
    assert_eq!(id(&station).wrap, Some(Wrap::Agrees));
}

/// A register selects what three bytes mean, so nothing lies beyond the end.
#[test]
fn addresses_that_do_not_reach_settle_nothing() {
    let catalogue = Catalogue::builtin().unwrap();
    let mut large = part(&catalogue, "W25Q256JV");
    large.addressing.four_byte = vec![FourByte::ExtendedRegister];
    let mut station = Station::with_part("W25Q256JV", 1);
    let own = format!(
        "maker = \"Winbond\"\n[[part]]\nname = \"by register\"\nmarkings = [\"BYREGISTER\"]\n\
         jedec_id = [0xEF, 0x7A, 0x19]\nsize_bytes = {}\nsupply_mv = [2700, 3600]\n\
         page_size_bytes = 256\npage_program_us = [400, 3000]\nstatus_write_us = [10000, 15000]\n\
         erase = [{{ size_bytes = 4096, opcode = 0x20, time_ms = [45, 400] }}]\n\
         sck_max = [{{ opcode = 0x03, mhz = 50 }}]\nfour_byte = [{{ by = \"extended-register\" }}]\n\
         status = \"winbond\"\nsource = {{ title = \"made up\", revision = \"1\", place = \"here\" }}\n\
         memory = []\n",
        large.size_bytes
    );
    station.catalogue = station.catalogue.with_user_file(&own, "own").unwrap();
    station.marking = Some("BYREGISTER".into());
    station.mock.set_sfdp(None);
    let bytes = vec![0xEF, 0x7A, 0x19];
    station
        .mock
        .set_faults(Faults::none().with(Fault::LyingId { bytes }));
    let report = id(&station);
    assert_eq!(
        report.addressing.as_deref(),
        Some("3 address bytes and extended register")
    );
    assert_eq!(report.wrap, Some(Wrap::Unclear));
    assert_eq!(report.size_by, ["ID", "table"]);
}

/// A larger chip under a smaller label: nothing but the reading tells, and a backup would be half of it.
#[test]
fn a_larger_chip_than_its_label_holds_known_part() {
    for with_sfdp in [true, false] {
        for (label, real) in [("W25Q80DV", "W25Q16JV"), ("W25Q64JV", "W25Q128JV")] {
            let catalogue = Catalogue::builtin().unwrap();
            let size = part(&catalogue, real).size_bytes as usize;
            let station = labelled(label, real, &code(5, size), with_sfdp);
            let report = id(&station);
            assert_eq!(report.wrap, Some(Wrap::Larger), "{label} {with_sfdp}");
            assert!(!report.size_by.contains(&"address wrap"));
            let told = report.disagreements.join(" ");
            assert!(told.contains("there is more"), "{told}");
            held_by_known_part(&station.backup().unwrap_err());
        }
    }
    // Known otherwise, it opens.
    let mut station = labelled("W25Q80DV", "W25Q16JV", &code(5, 2 * MIB), true);
    // What is accepted for the part says nothing of its size.
    station.accepted = vec![(Acceptable::KnownPart, "its datasheet lies here".into())];
    held_by_known_part(&station.backup().unwrap_err());
    station.accepted = vec![(Acceptable::ChipSize, "only the lower half is wired".into())];
    station.backup().unwrap();
    assert!(station.image("as-found.bin") == station.cells()[..MIB]);
}

/// A smaller chip under a larger label: the upper half is the lower again.
#[test]
fn a_smaller_chip_than_its_label_holds_known_part() {
    let station = labelled("W25Q16JV", "W25Q16JV", &content(5, MIB), true);
    let fault = Fault::RealSize {
        size_bytes: MIB as u32,
    };
    station.mock.set_faults(Faults::none().with(fault));
    let report = id(&station);
    assert_eq!(report.wrap, Some(Wrap::Repeats));
    assert_eq!(report.size_by, ["ID", "SFDP"]);
    assert!(report.disagreements.is_empty());
    let doubt = report.size_doubt.unwrap();
    assert!(
        doubt.contains("the upper half repeats the lower"),
        "{doubt}"
    );
    held_by_known_part(&station.backup().unwrap_err());
}

/// A chip that is exchanged for a larger one with the same label, between backup and write.
#[test]
fn a_write_is_held_too() {
    let station = Station::ready(4);
    let larger = labelled("W25Q80DV", "W25Q16JV", &code(5, 2 * MIB), true);
    let order = station.order();
    let stop = job::write(&mut station.unit(), order, larger.bench(), &mut Nobody).unwrap_err();
    let mut held = stop.held.iter().map(|held| held.interlock);
    assert!(
        held.any(|interlock| interlock == Interlock::KnownPart),
        "{stop:?}"
    );
    assert_eq!(larger.mock.modifying_operations(), 0);
}

#[test]
fn wires_that_err_at_this_clock_make_no_larger_chip() {
    let station = Station::new(96);
    let errs = Flips {
        rate: 0.002,
        above_sck: Some(Hertz::mhz(15)),
        addresses: Some(0..1 << 20),
        ..Flips::default()
    };
    station
        .mock
        .set_faults(Faults::seeded(4).with(Fault::Flips(errs)));
    let mut bench = station.bench();
    bench.sck = Hertz::mhz(20);
    let report = job::id(None, bench, &mut Nobody).unwrap();
    assert_eq!(report.wrap, Some(Wrap::Unclear));
    assert_eq!(report.size_doubt, None);
}
