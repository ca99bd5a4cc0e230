//! The table against what others say of its parts: SFDP tables wherever there is one, facts of thirty
//! entries as printed, and parts that share an ID, merged.

use std::collections::BTreeMap;
use std::path::PathBuf;

use norlock::jedec::sfdp::Sfdp;
use norlock::part::{
    Addressing, Catalogue, Identification, Part, Reach, SfdpErase, SfdpFacts, identify,
};
use serde::Deserialize;

/// A file of `tests/data/sfdp`, as far as it matters here.
#[derive(Deserialize)]
struct Dump {
    part: Option<String>,
    space_bytes: Option<usize>,
    bytes: Option<String>,
}

impl Dump {
    fn space(&self) -> Option<Vec<u8>> {
        let mut space = vec![0xFF; self.space_bytes?];
        for line in self.bytes.as_ref()?.lines() {
            let Some((at, bytes)) = line.split_once(':') else {
                continue;
            };
            let at = usize::from_str_radix(at, 16).unwrap();
            for (at, byte) in (at..).zip(bytes.split_whitespace()) {
                space[at] = u8::from_str_radix(byte, 16).unwrap();
            }
        }
        Some(space)
    }
}

fn dumps() -> Vec<Dump> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/sfdp");
    let files = std::fs::read_dir(folder).unwrap();
    files
        .map(|entry| std::fs::read_to_string(entry.unwrap().path()).unwrap())
        .map(|text| toml::from_str(&text).unwrap())
        .collect()
}

/// The entries that a dump's part name means: a dump of the W25Q256 is one of its FV or JV.
fn named<'a>(table: &'a Catalogue, name: &str) -> Vec<&'a Part> {
    let parts = table.parts().iter();
    parts.filter(|part| part.name.starts_with(name)).collect()
}

/// What is known to differ: N25Q032A Rev. G prints the density of a 128 Mbit part.
fn misprinted(part: &str) -> &'static [&'static str] {
    match part {
        "N25Q032A" => &["size_bytes"],
        _ => &[],
    }
}

/// Every table that a maker prints or a model serves, whatever is added to the folder: the chip that
/// carries it is found, by its ID alone, as the part it was printed for, and nothing contradicts it.
#[test]
fn every_sfdp_table_agrees_with_its_entry() {
    let table = Catalogue::builtin().unwrap();
    let mut held = 0;
    for dump in dumps() {
        let (Some(name), Some(space)) = (&dump.part, dump.space()) else {
            continue;
        };
        let entries = named(&table, name);
        let Some(sfdp) = Sfdp::parse(&space).ok().filter(|_| !entries.is_empty()) else {
            continue;
        };
        let layout = sfdp.erase_layout(&[]);
        let Some(facts) = SfdpFacts::of(&sfdp, layout.as_ref()) else {
            continue;
        };
        let found = identify(&table, &entries[0].jedec_id.0, Some(&facts), None);
        let fields: Vec<_> = found.disagreements.iter().map(|d| d.field).collect();
        assert_eq!(
            fields,
            misprinted(name),
            "{name}: {:?}",
            found.disagreements
        );
        let is_there = |part: &&&Part| found.candidates.contains(&part.name);
        assert!(
            entries.iter().any(|part| is_there(&part)),
            "{name}: {:?}",
            found.candidates
        );
        for part in entries {
            agrees(part, &facts, !misprinted(name).is_empty());
        }
        held += 1;
    }
    assert!(held >= 10, "only {held} tables were held against an entry");
}

/// What SFDP and an entry both say, field by field.
fn agrees(part: &Part, facts: &SfdpFacts, misprint: bool) {
    let name = &part.name;
    assert_ne!(part.has_sfdp, Some(false), "{name}");
    if !misprint {
        assert_eq!(u64::from(part.size_bytes), facts.density_bytes, "{name}");
    }
    if let Some(page) = facts.page_size_bytes {
        assert_eq!(part.page_size_bytes, page, "{name}");
    }
    if let Some(supply) = facts.supply {
        let (own, told) = (part.supply, supply);
        assert_eq!((own.min, own.max), (told.min, told.max), "{name}");
    }
    assert_eq!(
        part.addressing.three_byte, facts.addressing.three_byte,
        "{name}"
    );
    for erase in &part.erase_types {
        let same = facts
            .erase_types
            .iter()
            .any(|told| told.size_bytes == erase.size_bytes && told.opcode == erase.opcode);
        assert!(same, "{name}: {:02X}h", erase.opcode);
    }
    for told in &facts.erase_types {
        let mut others = part
            .erase_types
            .iter()
            .filter(|own| own.opcode == told.opcode);
        assert!(
            others.all(|own| own.size_bytes == told.size_bytes),
            "{name}"
        );
    }
}

/// Name, JEDEC ID, KiB, supply in mV, largest erase in KiB with typical and maximum in ms, program in us
/// (of a page, or of a byte), MHz with 03h.
type Printed = (
    &'static str,
    [u8; 3],
    u32,
    [u32; 2],
    [u32; 3],
    [u64; 2],
    u32,
);

/// Facts of thirty entries, from the datasheets that the entries name as their sources.
const PRINTED: [Printed; 30] = [
    (
        "XT25F128B",
        [0x0B, 0x40, 0x18],
        16384,
        [2700, 3600],
        [64, 200, 1600],
        [300, 750],
        60,
    ),
    (
        "AT25DF041A",
        [0x1F, 0x44, 0x01],
        512,
        [2700, 3600],
        [64, 400, 950],
        [1200, 5000],
        33,
    ),
    (
        "AT25SF161",
        [0x1F, 0x86, 0x01],
        2048,
        [2500, 3600],
        [64, 500, 3000],
        [700, 2500],
        50,
    ),
    (
        "M25P80",
        [0x20, 0x20, 0x14],
        1024,
        [2700, 3600],
        [64, 600, 3000],
        [640, 5000],
        33,
    ),
    (
        "M25P16",
        [0x20, 0x20, 0x15],
        2048,
        [2700, 3600],
        [64, 600, 3000],
        [640, 5000],
        33,
    ),
    (
        "M25PX16",
        [0x20, 0x71, 0x15],
        2048,
        [2300, 3600],
        [64, 600, 3000],
        [800, 5000],
        33,
    ),
    (
        "M25PE40",
        [0x20, 0x80, 0x13],
        512,
        [2700, 3600],
        [64, 1500, 5000],
        [800, 3000],
        33,
    ),
    (
        "N25Q032A13",
        [0x20, 0xBA, 0x16],
        4096,
        [2700, 3600],
        [64, 700, 3000],
        [500, 5000],
        54,
    ),
    (
        "BY25Q128AS",
        [0x68, 0x40, 0x18],
        16384,
        [2700, 3600],
        [64, 250, 2000],
        [600, 2400],
        55,
    ),
    (
        "PY25Q64HA",
        [0x85, 0x20, 0x17],
        8192,
        [2700, 3600],
        [64, 150, 1000],
        [500, 2400],
        80,
    ),
    (
        "IS25LP032",
        [0x9D, 0x60, 0x16],
        4096,
        [2300, 3600],
        [64, 300, 1500],
        [200, 1000],
        50,
    ),
    (
        "IS25LP064",
        [0x9D, 0x60, 0x17],
        8192,
        [2300, 3600],
        [64, 300, 1500],
        [200, 1000],
        50,
    ),
    (
        "IS25LP128",
        [0x9D, 0x60, 0x18],
        16384,
        [2300, 3600],
        [64, 300, 1500],
        [200, 1000],
        50,
    ),
    (
        "SST25VF016B",
        [0xBF, 0x25, 0x41],
        2048,
        [2700, 3600],
        [64, 18, 25],
        [7, 10],
        25,
    ),
    (
        "SST25VF032B",
        [0xBF, 0x25, 0x4A],
        4096,
        [2700, 3600],
        [64, 18, 25],
        [7, 10],
        25,
    ),
    (
        "SST25VF040B",
        [0xBF, 0x25, 0x8D],
        512,
        [2700, 3600],
        [64, 18, 25],
        [7, 10],
        25,
    ),
    (
        "MX25L6433F",
        [0xC2, 0x20, 0x17],
        8192,
        [2650, 3600],
        [64, 250, 1000],
        [330, 1200],
        50,
    ),
    (
        "MX25L12835E",
        [0xC2, 0x20, 0x18],
        16384,
        [2700, 3600],
        [64, 700, 2000],
        [1400, 5000],
        50,
    ),
    (
        "MX25L12835F",
        [0xC2, 0x20, 0x18],
        16384,
        [2700, 3600],
        [64, 340, 2000],
        [600, 3000],
        50,
    ),
    (
        "GD25B16C",
        [0xC8, 0x40, 0x15],
        2048,
        [2700, 3600],
        [64, 250, 2000],
        [600, 2400],
        80,
    ),
    (
        "GD25Q16C",
        [0xC8, 0x40, 0x15],
        2048,
        [2700, 3600],
        [64, 250, 2000],
        [600, 2400],
        80,
    ),
    (
        "GD25Q32B",
        [0xC8, 0x40, 0x16],
        4096,
        [2700, 3600],
        [64, 400, 1200],
        [700, 2400],
        80,
    ),
    (
        "GD25Q64C",
        [0xC8, 0x40, 0x17],
        8192,
        [2700, 3600],
        [64, 200, 2000],
        [600, 2400],
        80,
    ),
    (
        "GD25Q64E",
        [0xC8, 0x40, 0x17],
        8192,
        [2700, 3600],
        [64, 250, 1600],
        [500, 2400],
        80,
    ),
    (
        "GD25Q127C",
        [0xC8, 0x40, 0x18],
        16384,
        [2700, 3600],
        [64, 300, 1200],
        [500, 2400],
        80,
    ),
    (
        "W25Q80DV",
        [0xEF, 0x40, 0x14],
        1024,
        [2700, 3600],
        [64, 150, 1000],
        [800, 3000],
        50,
    ),
    (
        "W25Q16DV",
        [0xEF, 0x40, 0x15],
        2048,
        [2700, 3600],
        [64, 180, 1000],
        [700, 3000],
        50,
    ),
    (
        "W25Q32FV",
        [0xEF, 0x40, 0x16],
        4096,
        [2700, 3600],
        [64, 150, 2000],
        [700, 3000],
        50,
    ),
    (
        "W25Q32JV",
        [0xEF, 0x40, 0x16],
        4096,
        [2700, 3600],
        [64, 150, 2000],
        [700, 3000],
        50,
    ),
    (
        "W25Q64FV",
        [0xEF, 0x40, 0x17],
        8192,
        [2700, 3600],
        [64, 150, 2000],
        [450, 3000],
        50,
    ),
];

#[test]
fn entries_say_what_is_printed() {
    let table = Catalogue::builtin().unwrap();
    for (name, id, kib, supply, [block_kib, typical, max], program, mhz) in PRINTED {
        let part = table.parts().iter().find(|part| part.name == name).unwrap();
        assert_eq!(part.jedec_id.0, id, "{name}");
        assert_eq!(part.size_bytes, kib << 10, "{name}");
        assert_eq!([part.supply.min.0, part.supply.max.0], supply, "{name}");
        let block = part.erase_types.last().unwrap();
        let times = [block.time.typical, block.time.max].map(|time| time.as_millis());
        assert_eq!(block.size_bytes, block_kib << 10, "{name}");
        assert_eq!(times, [u128::from(typical), u128::from(max)], "{name}");
        let times = [part.page_program.typical, part.page_program.max];
        assert_eq!(
            times.map(|t| t.as_micros()),
            program.map(u128::from),
            "{name}"
        );
        assert_eq!(part.sck_max[&0x03].0, mhz * 1_000_000, "{name}");
        assert!(
            part.is_documented("supply") && part.is_documented("erase_time"),
            "{name}"
        );
    }
}

/// IDs that more than one part answers: those of which the datasheets named in `chips/` tell it.
#[test]
fn known_collisions_are_in_the_table() {
    let groups = by_short_id();
    let shared: Vec<_> = groups.values().filter(|parts| parts.len() > 1).collect();
    assert!(shared.len() >= 46, "{}", shared.len());
    for id in [
        [0x01, 0x02, 0x19],
        [0x01, 0x20, 0x18],
        [0x0B, 0x40, 0x18],
        [0x1F, 0x84, 0x01],
        [0x20, 0xBA, 0x18],
        [0x62, 0x16, 0x13],
        [0x85, 0x60, 0x18],
        [0x9D, 0x60, 0x18],
        [0xBF, 0x26, 0x43],
        [0xC2, 0x20, 0x18],
        [0xC8, 0x40, 0x17],
        [0xEF, 0x40, 0x18],
        [0xEF, 0x60, 0x17],
    ] {
        assert!(groups[id.as_slice()].len() > 1, "{id:02X?}");
    }
}

/// IDs that nobody is sure of decide nothing: the parts are not in the table.
#[test]
fn ids_that_are_not_sure_stay_out() {
    let table = Catalogue::builtin().unwrap();
    for id in [
        [0x5E, 0x50, 0x18],
        [0x20, 0x60, 0x18],
        [0x20, 0x41, 0x17],
        [0x20, 0x41, 0x18],
        [0x8C, 0x30, 0x12],
        [0x8C, 0x25, 0x34],
        [0x8C, 0x41, 0x16],
        [0x8C, 0x41, 0x17],
    ] {
        assert!(table.by_jedec_id(&id).is_empty(), "{id:02X?}");
    }
}

fn by_short_id() -> BTreeMap<Vec<u8>, Vec<Part>> {
    let mut groups: BTreeMap<Vec<u8>, Vec<Part>> = BTreeMap::new();
    for part in Catalogue::builtin().unwrap().parts() {
        let id = part.jedec_id.0[..3].to_vec();
        groups.entry(id).or_default().push(part.clone());
    }
    groups
}

/// What SFDP would say of a part.
fn as_in_sfdp(part: &Part) -> SfdpFacts {
    let erases = part.erase_types.iter().map(|erase| SfdpErase {
        size_bytes: erase.size_bytes,
        opcode: erase.opcode,
        opcode_4byte: erase.opcode_4byte,
        time: None,
        reach: Reach::Everywhere,
    });
    SfdpFacts {
        density_bytes: part.size_bytes.into(),
        erase_types: erases.collect(),
        page_size_bytes: Some(part.page_size_bytes),
        page_program: None,
        chip_erase: None,
        lane_reads: Vec::new(),
        quad_enable: None,
        addressing: Addressing {
            three_byte: part.addressing.three_byte,
            four_byte: Vec::new(),
        },
        supply: None,
    }
}

/// For every ID that several parts share, for a chip without SFDP and for one with the SFDP of each of
/// them: the chip's own part stays possible, and what it is treated as is safe for all that remain.
#[test]
fn what_shares_an_id_is_merged_to_what_is_safe_for_each() {
    let table = Catalogue::builtin().unwrap();
    let mut merged = 0;
    for (id, parts) in by_short_id() {
        let without = identify(&table, &id, None, None);
        safe_for_each(&without, &parts);
        for part in parts.iter().filter(|part| part.has_sfdp != Some(false)) {
            let found = identify(&table, &id, Some(&as_in_sfdp(part)), None);
            let own = found.candidates.contains(&part.name);
            assert!(own || !found.disagreements.is_empty(), "{}", part.name);
            safe_for_each(&found, &parts);
            merged += usize::from(found.candidates.len() > 1);
        }
    }
    assert!(merged > 60, "{merged}");
}

fn safe_for_each(found: &Identification, parts: &[Part]) {
    let merged = found.part.as_ref().unwrap();
    let remain = parts.iter().filter(|p| found.candidates.contains(&p.name));
    for part in remain {
        let name = &part.name;
        assert!(merged.supply.min >= part.supply.min, "{name}");
        assert!(merged.supply.max <= part.supply.max, "{name}");
        assert!(
            !part.supply.from_memory || merged.supply.from_memory,
            "{name}"
        );
        assert!(merged.page_program.max >= part.page_program.max, "{name}");
        assert!(merged.status_write.max >= part.status_write.max, "{name}");
        assert!(merged.page_size_bytes <= part.page_size_bytes, "{name}");
        assert!(merged.size_bytes <= part.size_bytes, "{name}");
        for code in [0x03, 0x0B, 0x3B, 0x6B, 0xBB, 0xEB] {
            assert!(merged.sck_limit(code) <= part.sck_limit(code), "{name}");
        }
        for erase in &merged.erase_types {
            let mut own = part.erase_types.iter();
            let own =
                own.find(|own| own.size_bytes == erase.size_bytes && own.opcode == erase.opcode);
            let own = own.unwrap_or_else(|| panic!("{name}: {:02X}h", erase.opcode));
            assert!(erase.time.max >= own.time.max, "{name}");
            let four = erase.opcode_4byte;
            assert!(four.is_none() || four == own.opcode_4byte, "{name}");
        }
        for way in &merged.addressing.four_byte {
            let same = |own: &norlock::part::FourByte| {
                std::mem::discriminant(own) == std::mem::discriminant(way)
            };
            assert!(part.addressing.four_byte.iter().any(same), "{name}");
        }
        assert!(
            merged.unique_id.is_none() || merged.unique_id == part.unique_id,
            "{name}"
        );
        assert!(
            merged.protected_at_power_up || !part.protected_at_power_up,
            "{name}"
        );
        assert!(
            part.memory
                .iter()
                .all(|field| merged.memory.contains(field)),
            "{name}"
        );
    }
}
