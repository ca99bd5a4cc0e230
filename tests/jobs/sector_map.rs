//! A chip whose sector map says where each erase works, as its registers have it.
//!
//! The layout of the table is JESD216's (FF81h); the register is that of S25HS01GT, CFR3, in which bit 3
//! makes the sectors uniform.

use std::ops::Range;

use norlock::image::Rest;
use norlock::jedec::sfdp::{
    CommandAddress, ConfigurationMap, DetectionCommand, Region, Revision, SECTOR_MAP, SectorMap,
    Sfdp, SfdpTable,
};
use norlock::job::{self, Exit, Nobody, PieceOrder, TailorOrder};
use norlock::mock::Mock;
use norlock::part::{EraseType, Standing};
use norlock::unit::Digest;
use norlock::unit::store::Store;

use crate::station::{PART, Station, code, part};

const SIZE: u64 = 1 << 20;
const CFR3: u32 = 0x80_0004;
/// Below here the map with ID 0 erases by 4 KiB only, and above by 64 KiB only.
const BORDER: u64 = 0x1_0000;

fn region(range: Range<u64>, number: u8) -> Region {
    Region {
        range,
        erase_types: vec![number],
    }
}

fn sector_map() -> SectorMap {
    let map = |id, regions| ConfigurationMap { id, regions };
    SectorMap {
        commands: vec![DetectionCommand {
            opcode: 0x65,
            address_bytes: CommandAddress::Three,
            address: CFR3,
            dummy_clocks: Some(8),
            mask: 0x08,
        }],
        maps: vec![
            map(0, vec![region(0..BORDER, 1), region(BORDER..SIZE, 3)]),
            map(1, vec![region(0..SIZE, 3)]),
        ],
    }
}

/// The part's own SFDP with `map` added.
pub fn with_map(station: &Station, map: &SectorMap) -> Vec<u8> {
    let raw = job::sfdp(station.bench(), &mut Nobody).unwrap().raw;
    let mut space = Sfdp::parse(&raw).unwrap().space();
    space.tables.push(SfdpTable {
        id: SECTOR_MAP,
        revision: Revision { major: 1, minor: 0 },
        dwords: map.encode(),
    });
    space.encode().unwrap()
}

/// A station whose chip has the map and erases as it says, with `value` in the register.
fn hybrid(seed: u64, map: &SectorMap, value: u8) -> Station {
    let mut station = Station::new(seed);
    let content = station.cells();
    let space = with_map(&station, map);
    let mut real = part(&station.catalogue, PART);
    let uniform = value & 0x08 != 0;
    real.erase_types = real
        .erase_types
        .into_iter()
        .filter_map(|kind| match kind.size_bytes {
            0x1000 if !uniform => Some(limited(kind, 0..BORDER as u32)),
            0x1_0000 if !uniform => Some(limited(kind, BORDER as u32..SIZE as u32)),
            0x1_0000 => Some(kind),
            _ => None,
        })
        .collect();
    station.mock = Mock::new(real);
    station.mock.set_truth(0, &content).unwrap();
    station.mock.set_sfdp(Some(space));
    station.mock.set_registers([(CFR3, value)].into());
    station
}

fn limited(kind: EraseType, range: Range<u32>) -> EraseType {
    EraseType {
        only_in: Some(range),
        ..kind
    }
}

/// Opcodes and addresses of the erases on the wire.
fn erases(station: &Station) -> Vec<(u8, u32)> {
    let trace = station.trace.lock().unwrap();
    let erases = trace.iter().filter_map(|sent| match sent.out.as_slice() {
        [code @ (0x20 | 0x52 | 0xD8), a, b, c] => {
            Some((*code, u32::from_be_bytes([0, *a, *b, *c])))
        }
        _ => None,
    });
    erases.collect()
}

fn prepared(station: &Station) {
    station.backup().unwrap();
    station.map();
    station.tailor(2000);
}

#[test]
fn each_erase_works_in_its_regions_only() {
    for (value, small_below) in [(0xF7, true), (0x08, false)] {
        let station = hybrid(60, &sector_map(), value);
        prepared(&station);
        station.write().unwrap();
        assert_eq!(station.cells(), station.image("target.bin"), "{value:02X}");
        let erases = erases(&station);
        assert!(erases.len() > 5, "{erases:?}");
        for (code, address) in erases {
            let small = small_below && u64::from(address) < BORDER;
            assert_eq!(code, if small { 0x20 } else { 0xD8 }, "at {address:#x}");
        }
    }
}

/// Dummy clocks as the chip is set: nothing tells how many, so the register is not read.
#[test]
fn an_undecided_map_erases_where_all_maps_agree() {
    let mut map = sector_map();
    map.commands[0].dummy_clocks = None;
    let station = hybrid(61, &map, 0);
    prepared(&station);
    let stop = station.write().unwrap_err();
    assert_eq!(stop.exit, Exit::FileFault, "{stop:?}");
    let told = stop.evidence.iter().any(|(label, text)| {
        label == "means" && text.contains("not decided: 65h takes dummy clocks by a setting")
    });
    assert!(told, "{stop:?}");
    assert_eq!(erases(&station), []);
    let id = job::id(None, station.bench(), &mut Nobody).unwrap();
    assert!(id.sfdp_remarks.join(" ").contains("not decided"), "{id:?}");
    let asked = station
        .trace
        .lock()
        .unwrap()
        .iter()
        .any(|sent| sent.out[0] == 0x65);
    assert!(!asked);

    // Above the border 64 KiB are erased in both maps.
    let path = std::path::PathBuf::from("/bench/system.bin");
    let piece = code(64, 300 << 10);
    station.files.replace(&path, &piece).unwrap();
    let order = TailorOrder {
        region: "system".into(),
        pieces: vec![PieceOrder {
            file: path,
            offset: None,
            sha256: Digest::of(&piece),
        }],
        rest: Some(Rest::Fill(0xFF)),
    };
    job::tailor(
        &mut station.unit(),
        &[order],
        None,
        &station.catalogue,
        true,
    )
    .unwrap();
    station.write().unwrap();
    assert_eq!(station.cells(), station.image("target.bin"));
    assert!(
        erases(&station)
            .iter()
            .all(|(code, at)| *code == 0xD8 && u64::from(*at) >= BORDER)
    );
}

#[test]
fn a_chip_that_no_map_fits_is_not_erased() {
    let mut map = sector_map();
    map.maps.pop();
    let station = hybrid(62, &map, 0x08);
    prepared(&station);
    let stop = station.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.held[0].interlock.id(), "known-part");
    let id = job::id(None, station.bench(), &mut Nobody).unwrap();
    assert!(id.part.unwrap().erase_types.is_empty());
    assert!(
        id.sfdp_remarks.join(" ").contains("No sector map fits"),
        "{:?}",
        id.sfdp_remarks
    );
    assert_eq!(erases(&station), []);
}

#[test]
fn a_part_that_nobody_knows_has_the_erases_of_its_map() {
    for (clocks, places) in [(Some(8), 2), (None, 0)] {
        let mut map = sector_map();
        map.commands[0].dummy_clocks = clocks;
        let mut station = hybrid(63, &map, 0);
        station.mock.set_jedec_id(vec![0x5A, 0x12, 0x34]);
        station.unreadable();
        let id = job::id(None, station.bench(), &mut Nobody).unwrap();
        assert_eq!(id.standing, Standing::SfdpOnly);
        let part = id.part.unwrap();
        assert_eq!(part.erase_types.len(), places, "{:?}", part.erase_types);
        assert!(part.erase_types.iter().all(|kind| kind.only_in.is_some()));
    }
}
