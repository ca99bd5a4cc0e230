//! An ID that no other chip has: each way to it, in the unit file and for `same-unit`.

use norlock::job::{self, Exit, Nobody, Stop};
use norlock::part::Catalogue;

use crate::small::PARTS;
use crate::station::Station;

/// A station with a part, and how its package is marked.
fn station(part: &str, marking: &str) -> Station {
    let mut station = Station::with_part(part, 71);
    station.marking = Some(marking.into());
    station
}

fn kept(station: &Station) -> Option<String> {
    station.unit().file().identity.clone().unwrap().unique_id
}

#[track_caller]
fn held_by_same_unit(ended: Result<job::BackupReport, Stop>) -> Stop {
    let stop = ended.unwrap_err();
    assert_eq!(stop.exit, Exit::Held);
    assert_eq!(stop.held[0].interlock.id(), "same-unit", "{stop:?}");
    stop
}

/// W25Q80DV Rev. J: 4Bh, four bytes, 8 of ID. N25Q032A Rev. G and N25Q256A Rev. W: 9Fh, 10h and two
/// extended bytes before 14 of the factory.
#[test]
fn each_way_to_an_id_tells_units_apart() {
    for (part, marking, length, kind) in [
        ("W25Q80DV", "W25Q80DVSIG", 8_u8, "unique ID"),
        ("N25Q032A13", "N25Q032A13", 14, "factory ID"),
    ] {
        let station = station(part, marking);
        let own: Vec<u8> = (0x41..0x41 + length).collect();
        station.mock.set_unique_id(own.clone());
        let shown = own.iter().map(|byte| format!("{byte:02X}"));
        let shown = shown.collect::<Vec<_>>().join(" ");
        let report = job::id(None, station.bench(), &mut Nobody).unwrap();
        assert_eq!(report.own_id.as_ref(), Some(&shown), "{part}");
        assert_eq!(report.own_id_kind, Some(kind));
        station.backup().unwrap();
        assert_eq!(kept(&station), Some(shown), "{part}");
        station.backup().unwrap();
        let mut other = own;
        other.reverse();
        station.mock.set_unique_id(other);
        let stop = held_by_same_unit(station.backup());
        assert!(stop.held[0].seen.contains(kind), "{stop:?}");
    }
}

/// An open wire, a line held low, and the JEDEC ID over and over, from any of its bytes on: as a part
/// answers that does not know the question.
#[test]
fn what_repeats_is_never_kept_as_an_id() {
    for bytes in [
        vec![0xFF; 8],
        vec![0x00; 8],
        [0xEF, 0x40, 0x14].repeat(3)[..8].to_vec(),
        [0x40, 0x14, 0xEF].repeat(3)[..8].to_vec(),
        vec![0xEF, 0x40, 0x14, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF],
    ] {
        let station = station("W25Q80DV", "W25Q80DVSIG");
        station.mock.set_unique_id(bytes.clone());
        station.backup().unwrap();
        assert_eq!(kept(&station), None, "{bytes:02X?}");
    }
}

/// A way to the ID that nobody read in a document may read the same bytes from every chip: it holds
/// where it differs, and opens only together with the unit's own data.
#[test]
fn an_id_from_memory_holds_and_does_not_open_alone() {
    let text = PARTS.replace("memory = []", "memory = [\"unique_id\"]");
    let table = Catalogue::builtin().unwrap();
    let table = table.with_user_file(&text, "harbour.toml").unwrap();
    let documented = Catalogue::builtin().unwrap();
    let documented = documented.with_user_file(PARTS, "harbour.toml").unwrap();
    for (table, opens) in [(documented, true), (table, false)] {
        let part = table.parts().iter().find(|part| part.name == "HB25Q512");
        let mut station = station("W25Q80DV", "HB25Q512");
        station.mock = norlock::mock::Mock::new(part.unwrap().clone());
        station.mock.set_truth(0xC000, b"unit=gauge-07").unwrap();
        station.catalogue = table;
        station.backup().unwrap();
        assert!(kept(&station).is_some());
        // No region map, so no unit data to compare.
        let again = station.backup();
        assert_eq!(again.is_ok(), opens, "{again:?}");
        if !opens {
            let stop = held_by_same_unit(again);
            assert!(stop.held[0].seen.contains("no unit data"), "{stop:?}");
        }
        station.mock.set_unique_id(vec![9, 8, 7, 6, 5, 4, 3, 2]);
        held_by_same_unit(station.backup());
    }
}

/// S25FL128S, S25FL256S 001-98283 Rev. *I, RDID table: sector architecture and family behind the ID.
#[test]
fn bytes_behind_the_id_are_said_in_words() {
    let mut fl = station("S25FL256S, 64 KiB sectors", "S25FL256S");
    fl.supply_read();
    let report = job::id(None, fl.bench(), &mut Nobody).unwrap();
    assert_eq!(
        report.behind_id.as_deref(),
        Some("sectors of 64 KiB, and of 4 KiB at one end; FL-S family")
    );
    assert_eq!(report.own_id, None);
    let plain = station("W25Q80DV", "W25Q80DVSIG");
    let report = job::id(None, plain.bench(), &mut Nobody).unwrap();
    assert_eq!(report.behind_id, None);
}
