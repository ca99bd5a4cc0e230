//! The SFDP decoder against tables that makers print, that makers' simulation models hold, and that
//! chip models of a machine emulator serve. Each file under `tests/data/sfdp` names its source.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use norlock::jedec::sfdp::{Enter4Byte, Exit4Byte, OperationTime, Sfdp, SfdpError, needed_bytes};
use norlock::part::{Catalogue, FourByte, SfdpFacts, identify};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Vector {
    part: String,
    source: String,
    #[serde(default)]
    #[allow(dead_code)]
    note: String,
    space_bytes: usize,
    bytes: String,
    facts: Facts,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Facts {
    revision: String,
    basic_dwords: usize,
    density_bytes: u64,
    address_bytes: String,
    uniform_4k: Option<u8>,
    erase: Vec<Vec<u64>>,
    page_bytes: Option<u32>,
    page_program_us: Option<[u64; 2]>,
    first_byte_us: Option<u64>,
    further_byte_us: Option<u64>,
    chip_erase_ms: Option<[u64; 2]>,
    quad_enable: Option<u8>,
    #[serde(default)]
    enter_4byte: Vec<String>,
    #[serde(default)]
    exit_4byte: Vec<String>,
    #[serde(default)]
    soft_resets: Vec<String>,
    busy: Option<Vec<String>>,
    suspend_opcodes: Option<[u8; 4]>,
    suspend_us: Option<[u64; 4]>,
    power_down: Option<(u8, u8, u64)>,
    #[serde(default)]
    opcodes_4byte: Vec<u8>,
    #[serde(default)]
    erase_4byte: Vec<(u8, u8)>,
    supply_mv: Option<[u32; 2]>,
    raw_tables: Option<Vec<u16>>,
    erase_doubt: Option<String>,
    remarks: usize,
    fast_reads: BTreeMap<String, [u8; 3]>,
}

impl Vector {
    fn space(&self) -> Vec<u8> {
        let mut space = vec![0xFF; self.space_bytes];
        for line in self.bytes.lines().filter(|line| !line.is_empty()) {
            let (at, bytes) = line.split_once(':').unwrap();
            let at = usize::from_str_radix(at, 16).unwrap();
            for (at, byte) in (at..).zip(bytes.split_whitespace()) {
                space[at] = u8::from_str_radix(byte, 16).unwrap();
            }
        }
        space
    }
}

fn vectors() -> Vec<Vector> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/sfdp");
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    files
        .iter()
        .map(|file| {
            toml::from_str(&fs::read_to_string(file).unwrap())
                .unwrap_or_else(|error| panic!("{}: {error}", file.display()))
        })
        .collect()
}

fn us(time: Option<OperationTime>) -> Option<[u64; 2]> {
    time.map(|time| [time.typical.as_micros() as u64, time.max.as_micros() as u64])
}

/// The kebab-case names that a list of enum values has in JSON.
fn names<T: serde::Serialize>(values: &[T]) -> Vec<String> {
    serde_json::from_value(serde_json::to_value(values).unwrap()).unwrap()
}

#[test]
fn every_vector_decodes_to_its_facts() {
    let vectors = vectors();
    assert_eq!(vectors.len(), 10);
    for vector in vectors {
        let (space, facts, part) = (vector.space(), &vector.facts, &vector.part);
        assert!(!vector.source.is_empty(), "{part}");
        let sfdp = Sfdp::parse(&space).unwrap_or_else(|error| panic!("{part}: {error}"));
        array_facts(&sfdp, facts, part);
        mode_facts(&sfdp, facts, part);
        table_facts(&sfdp, facts, part);
    }
}

fn array_facts(sfdp: &Sfdp, facts: &Facts, part: &str) {
    let basic = &sfdp.basic;
    assert_eq!(sfdp.revision.to_string(), facts.revision, "{part}");
    assert_eq!(basic.dwords.len(), facts.basic_dwords, "{part}");
    assert_eq!(basic.density_bytes, Some(facts.density_bytes), "{part}");
    assert_eq!(basic.uniform_4k, facts.uniform_4k, "{part}");
    let erase: Vec<Vec<u64>> = basic
        .erase_types
        .iter()
        .map(|erase| {
            let times = us(erase.time).map(|us| us.map(|us| us / 1000));
            let mut row = vec![erase.size_bytes.into(), erase.opcode.into()];
            row.extend(times.into_iter().flatten());
            row
        })
        .collect();
    assert_eq!(erase, facts.erase, "{part}");
    assert_eq!(basic.page_size_bytes, facts.page_bytes, "{part}");
    assert_eq!(us(basic.page_program), facts.page_program_us, "{part}");
    let chip_ms = us(basic.chip_erase).map(|us| us.map(|us| us / 1000));
    assert_eq!(chip_ms, facts.chip_erase_ms, "{part}");
    if let Some(first) = facts.first_byte_us {
        assert_eq!(us(basic.first_byte).unwrap()[0], first, "{part}");
    }
    if let Some(further) = facts.further_byte_us {
        assert_eq!(us(basic.further_byte).unwrap()[0], further, "{part}");
    }
}

fn mode_facts(sfdp: &Sfdp, facts: &Facts, part: &str) {
    let basic = &sfdp.basic;
    assert_eq!(
        names(&[basic.address_bytes]),
        [facts.address_bytes.as_str()],
        "{part}"
    );
    assert_eq!(names(&basic.enter_4byte), facts.enter_4byte, "{part}");
    assert_eq!(names(&basic.exit_4byte), facts.exit_4byte, "{part}");
    assert_eq!(names(&basic.soft_resets), facts.soft_resets, "{part}");
    assert_eq!(
        basic.quad_enable.map(|quad| quad.0),
        facts.quad_enable,
        "{part}"
    );
    let busy = basic.status_polling.map(|polling| {
        let status = polling.status.then(|| "status".to_owned());
        let flag = polling.flag_status.then(|| "flag-status".to_owned());
        status.into_iter().chain(flag).collect::<Vec<_>>()
    });
    assert_eq!(busy, facts.busy, "{part}");
    let reads: BTreeMap<String, [u8; 3]> = basic
        .fast_reads
        .iter()
        .map(|read| {
            let [a, b, c] = read.lanes;
            let row = [read.opcode, read.mode_clocks, read.wait_states];
            (format!("{a}-{b}-{c}"), row)
        })
        .collect();
    assert_eq!(reads, facts.fast_reads, "{part}");
    let opcodes = basic.suspend.map(|s| {
        [
            s.program_suspend,
            s.program_resume,
            s.erase_suspend,
            s.erase_resume,
        ]
    });
    assert_eq!(opcodes, facts.suspend_opcodes, "{part}");
    if let Some(times) = facts.suspend_us {
        let s = basic.suspend.unwrap();
        let decoded = [
            s.program_latency,
            s.program_interval,
            s.erase_latency,
            s.erase_interval,
        ];
        assert_eq!(decoded, times.map(Duration::from_micros), "{part}");
    }
    let power_down = basic
        .deep_power_down
        .map(|down| (down.enter, down.exit, down.exit_delay.as_micros() as u64));
    assert_eq!(power_down, facts.power_down, "{part}");
}

fn table_facts(sfdp: &Sfdp, facts: &Facts, part: &str) {
    let (opcodes, erase) = sfdp
        .four_byte
        .as_ref()
        .map(|table| (table.opcodes.clone(), table.erase.clone()))
        .unwrap_or_default();
    assert_eq!(opcodes, facts.opcodes_4byte, "{part}");
    assert_eq!(erase, facts.erase_4byte, "{part}");
    let supply = sfdp.vcc.map(|range| [range.min.0, range.max.0]);
    assert_eq!(supply, facts.supply_mv, "{part}");
    if let Some(ids) = &facts.raw_tables {
        let raw: Vec<_> = sfdp.tables.iter().map(|table| table.header.id).collect();
        assert_eq!(&raw, ids, "{part}");
    }
    assert_eq!(sfdp.erase_doubt(), facts.erase_doubt.as_deref(), "{part}");
    assert_eq!(
        sfdp.remarks().len(),
        facts.remarks,
        "{part}: {:?}",
        sfdp.remarks()
    );
}

#[test]
fn a_reader_learns_how_much_to_read() {
    for vector in vectors() {
        let space = vector.space();
        let needed = needed_bytes(&space[..16]).unwrap();
        let needed = needed_bytes(&space[..needed]).unwrap();
        assert!(needed <= space.len(), "{}", vector.part);
        let short = Sfdp::parse(&space[..needed]).unwrap();
        assert_eq!(Ok(short), Sfdp::parse(&space), "{}", vector.part);
    }
}

#[test]
fn a_space_that_repeats_is_cut_where_it_repeats() {
    for vector in vectors() {
        let space = vector.space();
        let twice = [space.clone(), space.clone()].concat();
        assert_eq!(Sfdp::parse(&twice), Sfdp::parse(&space), "{}", vector.part);
    }
}

#[test]
fn every_truncation_and_every_corrupted_byte_is_survived() {
    for vector in vectors() {
        let space = vector.space();
        for end in 0..space.len() {
            let _ = Sfdp::parse(&space[..end]).map(|sfdp| sfdp.fields());
            let _ = needed_bytes(&space[..end]);
        }
        for at in 0..space.len() {
            for value in [0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF] {
                let mut space = space.clone();
                space[at] = value;
                let _ = Sfdp::parse(&space).map(|sfdp| sfdp.fields());
                assert!(needed_bytes(&space).is_none_or(|needed| needed <= 0x1_0000));
            }
        }
    }
}

/// S25FS256S: the published simulation model gives the pointer in DWORDs, 0448h for a table at
/// 1120h. Read as a byte address it lands in FFh.
#[test]
fn a_pointer_in_dwords_ends_in_no_usable_table() {
    let mut space = vec![0xFF; 0x1200];
    space[..8].copy_from_slice(b"SFDP\x00\x01\x01\xFF");
    space[8..16].copy_from_slice(&[0x00, 0x00, 0x01, 0x09, 0x48, 0x04, 0x00, 0xFF]);
    space[16..24].copy_from_slice(&[0x01, 0x00, 0x01, 0x51, 0x00, 0x04, 0x00, 0xFF]);
    assert_eq!(
        Sfdp::parse(&space),
        Err(SfdpError::BasicTableUnusable {
            why: "is blank".to_owned()
        })
    );
}

/// S25FL512S: the table of the published simulation model lies 77h bytes behind where its headers point.
#[test]
fn a_pointer_beside_its_table_ends_in_no_usable_table() {
    let mut space = vec![0xFF; 0x1200];
    space[..8].copy_from_slice(b"SFDP\x06\x01\x05\xFF");
    for (at, minor, dwords) in [(0x08, 0, 9), (0x10, 5, 16), (0x18, 6, 16)] {
        let header = [0x00, minor, 0x01, dwords, 0x20, 0x11, 0x00, 0xFF];
        space[at..at + 8].copy_from_slice(&header);
    }
    space[0x20..0x28].copy_from_slice(&[0x81, 0x00, 0x01, 0x02, 0x60, 0x11, 0x00, 0xFF]);
    space[0x28..0x30].copy_from_slice(&[0x84, 0x00, 0x01, 0x02, 0x68, 0x11, 0x00, 0xFF]);
    space[0x30..0x38].copy_from_slice(&[0x01, 0x01, 0x01, 0x5C, 0x00, 0x10, 0x00, 0x01]);
    space[0x1197..0x119B].copy_from_slice(&[0xE7, 0xFF, 0xF3, 0xFF]);
    assert_eq!(needed_bytes(&space[..0x38]), Some(0x1170));
    assert_eq!(
        Sfdp::parse(&space),
        Err(SfdpError::BasicTableUnusable {
            why: "is blank".to_owned()
        })
    );
}

/// SST26VF032B, DS20005218E Table 11-1, as far as its first page goes; M95P32, TN1355 Rev 2 Table 2.
#[test]
fn headers_alone_say_how_much_to_read() {
    let sst26 = [
        0x53, 0x46, 0x44, 0x50, 0x06, 0x01, 0x02, 0xFF, 0x00, 0x06, 0x01, 0x10, 0x30, 0x00, 0x00,
        0xFF, 0x81, 0x00,
    ];
    let m95p32 = [0x53, 0x46, 0x44, 0x50, 0x08, 0x01, 0x00, 0xFF, 0x00];
    for (bytes, need) in [(&sst26[..], 32), (&m95p32[..], 16)] {
        assert_eq!(needed_bytes(bytes), Some(need));
        let have = bytes.len();
        assert_eq!(Sfdp::parse(bytes), Err(SfdpError::Truncated { have, need }));
    }
}

/// N25Q032A: the printed density is that of a part four times as large (n25q_32mb_3v_65nm Rev. G 9/12,
/// Table 22, page 38), which its ID is not.
#[test]
fn a_misprinted_density_disagrees_with_the_id() {
    let vector = vectors()
        .into_iter()
        .find(|vector| vector.part == "N25Q032A");
    let sfdp = Sfdp::parse(&vector.unwrap().space()).unwrap();
    let catalogue = Catalogue::builtin().unwrap();
    let facts = SfdpFacts::of(&sfdp, None).unwrap();
    let found = identify(&catalogue, &[0x20, 0xBA, 0x16], Some(&facts), None);
    let fields: Vec<_> = found.disagreements.iter().map(|one| one.field).collect();
    assert_eq!(fields, ["size_bytes"], "{:?}", found.disagreements);
}

/// S25HS01GT: its registers are read with an address in the present mode and dummy clocks as it is set,
/// so its map stays undecided, and it is erased where the parts table and all four maps agree.
#[test]
fn a_hybrid_part_is_erased_where_its_maps_agree() {
    let vector = vectors()
        .into_iter()
        .find(|vector| vector.part == "S25HS01GT");
    let sfdp = Sfdp::parse(&vector.unwrap().space()).unwrap();
    let layout = sfdp.erase_layout(&[]).unwrap();
    let facts = SfdpFacts::of(&sfdp, Some(&layout)).unwrap();
    let catalogue = Catalogue::builtin().unwrap();
    let id = [0x34, 0x2B, 0x1B, 0x0F, 0x03, 0x90];
    let found = identify(&catalogue, &id, Some(&facts), Some("S25HS01GT"));
    assert_eq!(found.disagreements, []);
    let types = found.part.unwrap().erase_types;
    let places: Vec<_> = types
        .iter()
        .map(|kind| (kind.opcode, kind.only_in.clone()))
        .collect();
    assert_eq!(places, [(0xD8, Some(0x4_0000..0x7FC_0000))]);
    for command in &sfdp.sector_map.as_ref().unwrap().commands {
        assert!(command.frame(0x34, sfdp.basic.address_bytes).is_err());
    }
}

/// A mode that is entered and not left would stay when norlock is gone.
#[test]
fn a_way_in_counts_only_with_its_way_out() {
    let vector = vectors()
        .into_iter()
        .find(|vector| vector.part == "S25HS01GT");
    let mut sfdp = Sfdp::parse(&vector.unwrap().space()).unwrap();
    sfdp.four_byte = None;
    let mode = |write_enable| FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable,
    };
    let ways = [
        (Enter4Byte::Mode, Exit4Byte::Mode, mode(false)),
        (
            Enter4Byte::WriteEnableMode,
            Exit4Byte::WriteEnableMode,
            mode(true),
        ),
        (
            Enter4Byte::BankRegister,
            Exit4Byte::BankRegister,
            FourByte::BankRegister { extadd: true },
        ),
        (
            Enter4Byte::ExtendedAddress,
            Exit4Byte::ExtendedAddress,
            FourByte::ExtendedRegister,
        ),
    ];
    for (enter, exit, way) in ways {
        let mut told = |enter: &[Enter4Byte], exit: &[Exit4Byte]| {
            sfdp.basic.enter_4byte = enter.to_vec();
            sfdp.basic.exit_4byte = exit.to_vec();
            SfdpFacts::of(&sfdp, None).unwrap().addressing.four_byte
        };
        assert_eq!(told(&[enter], &[exit]), [way]);
        assert_eq!(told(&[enter], &[Exit4Byte::PowerCycle]), []);
        assert_eq!(told(&[Enter4Byte::DedicatedOpcodes], &[exit]), []);
    }
}
