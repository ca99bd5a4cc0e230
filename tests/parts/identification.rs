//! ID, SFDP and marking against the table.

use norlock::jedec::Millivolts;
use norlock::part::{
    Addressing, Catalogue, FourByte, Identification, JedecId, Part, Reach, SfdpErase, SfdpFacts,
    Standing, identify,
};

const ERASE_4_32_64: [(u32, u8); 3] = [(0x1000, 0x20), (0x8000, 0x52), (0x1_0000, 0xD8)];

fn sfdp(density_bytes: u64, page: Option<u32>, erase: &[(u32, u8)]) -> SfdpFacts {
    SfdpFacts {
        density_bytes,
        erase_types: erase
            .iter()
            .map(|&(size_bytes, opcode)| SfdpErase {
                size_bytes,
                opcode,
                opcode_4byte: None,
                time: None,
                reach: Reach::Everywhere,
            })
            .collect(),
        page_size_bytes: page,
        page_program: None,
        chip_erase: None,
        lane_reads: Vec::new(),
        quad_enable: None,
        addressing: Addressing {
            three_byte: true,
            four_byte: Vec::new(),
        },
        supply: None,
    }
}

fn id(bytes: &[u8], facts: Option<&SfdpFacts>, marking: Option<&str>) -> Identification {
    identify(&Catalogue::builtin().unwrap(), bytes, facts, marking)
}

fn erase_list(part: &Part) -> Vec<(u32, u8)> {
    let types = part.erase_types.iter();
    types.map(|e| (e.size_bytes, e.opcode)).collect()
}

/// A part's SFDP facts: name, ID, density, page, erase types.
type RealTable = (
    &'static str,
    &'static [u8],
    u64,
    Option<u32>,
    &'static [(u32, u8)],
);

/// Densities, pages and erase types of SFDP tables: the first four as served by the chip models of a
/// machine emulator (version 10.0.2); GD25Q64C Rev 3.0, GD25Q16C Rev 2.9, PY25Q64HA V1.6 and N25Q032A
/// Rev. G as printed in the data sheets; S25FL064L, S25HS01GT and S25FL512S from simulation models.
const REAL: [RealTable; 11] = [
    (
        "W25Q80BL",
        &[0xEF, 0x40, 0x14],
        1 << 20,
        Some(256),
        &ERASE_4_32_64,
    ),
    (
        "MX25L25635F",
        &[0xC2, 0x20, 0x19],
        32 << 20,
        None,
        &ERASE_4_32_64,
    ),
    (
        "N25Q256A13",
        &[0x20, 0xBA, 0x19],
        32 << 20,
        None,
        &[(0x1000, 0x20), (0x1_0000, 0xD8)],
    ),
    (
        "W25Q256FV",
        &[0xEF, 0x40, 0x19],
        32 << 20,
        None,
        &ERASE_4_32_64,
    ),
    (
        "GD25Q64C",
        &[0xC8, 0x40, 0x17],
        8 << 20,
        None,
        &ERASE_4_32_64,
    ),
    (
        "GD25Q16C",
        &[0xC8, 0x40, 0x15],
        2 << 20,
        None,
        &ERASE_4_32_64,
    ),
    (
        "PY25Q64HA",
        &[0x85, 0x20, 0x17],
        8 << 20,
        None,
        &ERASE_4_32_64,
    ),
    (
        "N25Q032A13",
        &[0x20, 0xBA, 0x16],
        4 << 20,
        None,
        &[(0x1000, 0x20), (0x1_0000, 0xD8)],
    ),
    (
        "S25FL064L",
        &[0x01, 0x60, 0x17],
        8 << 20,
        Some(256),
        &ERASE_4_32_64,
    ),
    (
        "S25HS01GT",
        &[0x34, 0x2B, 0x1B, 0x0F, 0x03, 0x90],
        128 << 20,
        Some(256),
        &[(0x1000, 0x20), (0x4_0000, 0xD8)],
    ),
    (
        "S25FL512S",
        &[0x01, 0x02, 0x20, 0x4D, 0x00, 0x80],
        64 << 20,
        Some(512),
        &[(0x4_0000, 0xD8)],
    ),
];

#[test]
fn the_table_agrees_with_real_sfdp_tables() {
    for (name, bytes, density, page, erase) in REAL {
        let found = id(bytes, Some(&sfdp(density, page, erase)), None);
        assert_eq!(found.standing, Standing::Known, "{name}");
        assert!(found.candidates.iter().any(|c| c == name), "{name}");
        assert_eq!(found.disagreements, [], "{name}");
        let part = found.part.unwrap();
        assert_eq!(u64::from(part.size_bytes), density, "{name}");
        let own = erase_list(&part);
        assert!(
            !own.is_empty() && own.iter().all(|e| erase.contains(e)),
            "{name}"
        );
        if name != "S25HS01GT" {
            assert_eq!(own, erase, "{name}");
        }
    }
}

#[test]
fn parts_that_answer_alike_become_one_safe_part() {
    let found = id(&[0xC2, 0x20, 0x19], None, None);
    assert_eq!(found.candidates.len(), 3);
    let part = found.part.unwrap();
    assert_eq!(part.name, "MX25L25635E or MX25L25635F or MX25L25645G");
    // The E has no dedicated opcodes (maker's command list), so none are used for any of them.
    assert_eq!(
        part.addressing.four_byte,
        [FourByte::Mode {
            enter: 0xB7,
            exit: 0xE9,
            write_enable: false
        }]
    );
    assert!(part.erase_types.iter().all(|e| e.opcode_4byte.is_none()));

    let marked = id(&[0xC2, 0x20, 0x19], None, Some("MX25L25635FMI-10G"));
    assert_eq!(marked.candidates, ["MX25L25635F"]);
    let part = marked.part.unwrap();
    assert!(matches!(
        part.addressing.four_byte.first(),
        Some(FourByte::Dedicated { .. })
    ));
}

/// S25FL256S 001-98283: sectors of 64 or 256 KiB and 3 V or 1.8 V behind three equal bytes.
#[test]
fn three_bytes_that_do_not_settle_the_supply_leave_no_level() {
    let part = id(&[0x01, 0x02, 0x19], None, None).part.unwrap();
    assert!(part.supply.is_empty());
    assert!(!part.supply.includes(Millivolts(3300)) && !part.supply.includes(Millivolts(1800)));
    assert!(part.erase_types.is_empty());
    assert_eq!(part.supply.to_string(), "no level in common");

    let bytes = [0x01, 0x02, 0x19, 0x4D, 0x00, 0x81, 0xFF, 0xFF];
    let part = id(&bytes, None, None).part.unwrap();
    assert!(part.supply.is_low_voltage());
    assert_eq!(part.jedec_id, JedecId(bytes[..6].to_vec()));
}

#[test]
fn the_demo_part_is_known_from_id_and_marking() {
    let facts = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    let found = id(&[0xEF, 0x40, 0x18], Some(&facts), Some("W25Q128JVSIQ"));
    assert_eq!(found.candidates, ["W25Q128JV"]);
    assert_eq!(found.disagreements, []);
    // W25Q128JV Rev. I 2021-08-23, AC table.
    let part = found.part.unwrap();
    assert_eq!(part.page_program.max.as_micros(), 3000);
    let max: Vec<u128> = part
        .erase_types
        .iter()
        .map(|e| e.time.max.as_millis())
        .collect();
    assert_eq!(max, [400, 1600, 2000]);
    assert_eq!(part.chip_erase.unwrap().time.max.as_secs(), 200);
    assert_eq!(part.sck_limit(0x03).0, 50_000_000);
    assert_eq!(part.unique_id.unwrap().length_bytes, 8);
    assert_eq!(part.supply.to_string(), "2.7 to 3.6 V");
    assert!(!part.supply.from_memory);
}

#[test]
fn a_marking_that_contradicts_the_chip_is_said() {
    let found = id(&[0xEF, 0x40, 0x18], None, Some("W25Q128JWSIQ"));
    let marking = found
        .disagreements
        .iter()
        .find(|d| d.field == "jedec_id")
        .unwrap();
    assert!(
        marking.expected.contains("EF 60 18"),
        "{}",
        marking.sentence
    );
    assert!(marking.seen.starts_with("EF 40 18"), "{}", marking.sentence);
    assert_eq!(found.standing, Standing::Known);
    // Also where the table does not know the answer.
    let found = id(&[0x7E, 0x12, 0x34], None, Some("W25Q128JVSIQ"));
    assert_eq!(found.standing, Standing::Unknown);
    assert_eq!(found.disagreements.len(), 1);
    // A marking that says nothing contradicts nothing.
    let facts = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    assert_eq!(
        id(&[0xEF, 0x40, 0x18], Some(&facts), Some("ABC")).disagreements,
        []
    );
}

#[test]
fn sfdp_that_contradicts_the_table_is_said() {
    let bytes = [0xEF, 0x40, 0x18];
    for (facts, field) in [
        (sfdp(8 << 20, Some(256), &ERASE_4_32_64), "size_bytes"),
        (sfdp(16 << 20, Some(512), &ERASE_4_32_64), "page_size_bytes"),
        (sfdp(16 << 20, Some(256), &[(0x1000, 0x20)]), "erase"),
        (
            sfdp(
                16 << 20,
                Some(256),
                &[(0x1000, 0x20), (0x8000, 0x52), (0x4_0000, 0xD8)],
            ),
            "erase",
        ),
    ] {
        let found = id(&bytes, Some(&facts), None);
        let fields: Vec<&str> = found.disagreements.iter().map(|d| d.field).collect();
        assert_eq!(fields, [field]);
    }
    let none = id(&bytes, None, None);
    assert_eq!(none.disagreements[0].field, "has_sfdp");
    assert_eq!(
        none.disagreements[0].sentence,
        "The table and the SFDP differ in whether the part carries SFDP: SFDP in the table, no \
         SFDP here."
    );
    let mut low = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    low.supply = Some(id(&[0xEF, 0x60, 0x18], None, None).part.unwrap().supply);
    assert_eq!(
        id(&bytes, Some(&low), None).disagreements[0].field,
        "supply"
    );
}

/// Both sides of a contradiction, as a person reads them. W25Q128JV Rev. I.
#[test]
fn a_contradiction_tells_what_each_source_says() {
    let (size, page) = (16 << 20, Some(256));
    let mut four = sfdp(size, page, &ERASE_4_32_64);
    four.addressing.three_byte = false;
    let mut low = sfdp(size, page, &ERASE_4_32_64);
    low.supply = Some(norlock::part::SupplyRange {
        min: Millivolts(1650),
        max: Millivolts(1950),
        from_memory: false,
    });
    let odd = [
        (0x1_0000, 0xD8),
        (0x100, 0xDB),
        (0x400, 0xD7),
        (0x1_0000, 0xD8),
    ];
    let own = "4 KiB by 20h, 32 KiB by 52h, 64 KiB by D8h";
    let other = sfdp(8 << 20, page, &ERASE_4_32_64);
    let wide = sfdp(size, Some(512), &ERASE_4_32_64);
    for (facts, field, expected, seen) in [
        (other, "size_bytes", "16777216 bytes", "8388608 bytes"),
        (wide, "page_size_bytes", "256 bytes", "512 bytes"),
        (
            sfdp(size, page, &odd),
            "erase",
            own,
            "256 bytes by DBh, 1 KiB by D7h, 64 KiB by D8h",
        ),
        (sfdp(size, page, &[]), "erase", own, "no erase type"),
        (
            four,
            "addressing",
            "addresses of three bytes",
            "addresses of four bytes only",
        ),
        (low, "supply", "2.7 to 3.6 V", "1.65 to 1.95 V"),
    ] {
        let found = id(&[0xEF, 0x40, 0x18], Some(&facts), Some("W25Q128JVSIQ"));
        let [one] = found.disagreements.as_slice() else {
            panic!("{field}: {:?}", found.disagreements)
        };
        let told = (one.field, one.expected.as_str(), one.seen.as_str());
        assert_eq!(told, (field, expected, seen));
    }
}

#[test]
fn sfdp_may_list_more_erase_types_and_no_other_size_for_an_opcode() {
    for (more, fields) in [
        ((0x1000, 0xD7), vec![]),
        ((0x4_0000, 0xDC), vec![]),
        ((0x4_0000, 0xD8), vec!["erase"]),
    ] {
        let erase = [&ERASE_4_32_64[..], &[more]].concat();
        let facts = sfdp(16 << 20, Some(256), &erase);
        let found = id(&[0xEF, 0x40, 0x18], Some(&facts), Some("W25Q128JVSIQ"));
        let told: Vec<&str> = found.disagreements.iter().map(|d| d.field).collect();
        assert_eq!(told, fields, "{more:X?}");
    }
}

/// GD25Q64C Rev 3.0 and GD25Q64E Rev 1.3 print an SFDP table; the B generation has none (memory).
#[test]
fn absent_sfdp_tells_generations_apart() {
    let without = id(&[0xC8, 0x40, 0x17], None, None);
    assert!(
        !without
            .candidates
            .iter()
            .any(|c| c == "GD25Q64C" || c == "GD25Q64E")
    );
    assert!(without.candidates.iter().any(|c| c == "GD25Q64B"));
    assert_eq!(without.disagreements, []);
    assert_eq!(without.part.unwrap().unique_id, None);
}

#[test]
fn times_are_never_shortened_by_either_source() {
    let mut facts = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    let slow = id(&[0xC2, 0x28, 0x15], None, None)
        .part
        .unwrap()
        .page_program;
    facts.page_program = Some(slow);
    let part = id(&[0xEF, 0x40, 0x18], Some(&facts), None).part.unwrap();
    assert_eq!(part.page_program.max, slow.max);
    for (bytes, name) in [
        ([0xEF, 0x40, 0x18], "W25Q128FV"),
        ([0xC2, 0x20, 0x18], "MX25L12835E"),
    ] {
        let catalogue = Catalogue::builtin().unwrap();
        let one = catalogue.parts().iter().find(|p| p.name == name).unwrap();
        let all = id(&bytes, None, None).part.unwrap();
        for (merged, own) in all.erase_types.iter().zip(&one.erase_types) {
            assert!(merged.time.max >= own.time.max, "{name}");
        }
        assert!(all.sck_limit(0x0B) <= one.sck_limit(0x0B), "{name}");
    }
}

#[test]
fn an_unknown_id_is_described_by_sfdp_or_not_at_all() {
    let bytes = [0x7E, 0x12, 0x34];
    let facts = sfdp(4 << 20, None, &ERASE_4_32_64);
    let found = id(&bytes, Some(&facts), None);
    assert_eq!(found.standing, Standing::SfdpOnly);
    let part = found.part.unwrap();
    assert_eq!((part.size_bytes, part.page_size_bytes), (4 << 20, 1));
    assert_eq!(erase_list(&part), ERASE_4_32_64);
    assert!(!part.supply.is_known());
    assert_eq!(part.supply.to_string(), "not known");
    // What follows is nobody's promise: the unit must be known again where it reads otherwise.
    let with_tail = id(&[0x7E, 0x12, 0x34, 0xFF, 0xFF], Some(&facts), None);
    assert_eq!(with_tail.part.unwrap().jedec_id.0, bytes);

    for density in [0, 3 << 20, 1 << 32, u64::MAX] {
        let found = id(&bytes, Some(&sfdp(density, None, &[])), None);
        assert_eq!(
            (found.standing, found.part),
            (Standing::Unknown, None),
            "{density}"
        );
        assert_eq!(found.disagreements.len(), 1, "{density}");
    }
    let found = id(&bytes, None, None);
    assert_eq!((found.standing, found.part), (Standing::Unknown, None));

    let part = Part::unknown(JedecId(bytes.to_vec()), 4 << 20);
    assert!(part.erase_types.is_empty() && part.chip_erase.is_none());
    assert_eq!(part.sck_max.keys().collect::<Vec<_>>(), [&0x03]);
}

#[test]
fn an_open_or_shorted_line_is_no_part() {
    let facts = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    for bytes in [
        &[0x00; 6][..],
        &[0xFF; 6],
        &[0xFF, 0xFF, 0xFF, 0x00],
        &[],
        &[0xEF, 0x40],
    ] {
        let found = id(bytes, Some(&facts), Some("W25Q128JVSIQ"));
        assert_eq!((found.standing, found.part), (Standing::Unknown, None));
        assert!(found.candidates.is_empty());
    }
}

/// S25HL01GT in the table: 256 KiB by D8h, not in the first and last block. Layout: the sector map of
/// S25HS01GT, from the simulation model published for the part, V1.14 (2023).
#[test]
#[allow(clippy::single_range_in_vec_init)]
fn a_sector_map_in_force_tells_where_erases_work() {
    let id_bytes = [0x34, 0x2A, 0x1B, 0x0F, 0x03, 0x90];
    let (k64, k256, all) = (0x1_0000, 0x4_0000, 1 << 27);
    let with = |small: Reach, large: Reach| {
        let mut facts = sfdp(all.into(), Some(256), &[(0x1000, 0x20), (k256, 0xD8)]);
        facts.erase_types[0].opcode_4byte = Some(0x21);
        facts.erase_types[0].reach = small;
        facts.erase_types[1].reach = large;
        let found = id(&id_bytes, Some(&facts), Some("S25HL01GT"));
        assert_eq!(found.standing, Standing::Known);
        assert_eq!(found.disagreements, []);
        let types = found.part.unwrap().erase_types;
        let place = |kind: norlock::part::EraseType| {
            (
                kind.size_bytes,
                kind.opcode,
                kind.opcode_4byte,
                kind.only_in,
            )
        };
        types.into_iter().map(place).collect::<Vec<_>>()
    };
    let (small, large) = (
        |range| (0x1000, 0x20, Some(0x21), Some(range)),
        |range| (k256, 0xD8, Some(0xDC), range),
    );
    // 4 KiB sectors at both ends: also what the table leaves out.
    assert_eq!(
        with(
            Reach::Mapped(vec![0..k64, all - k64..all]),
            Reach::Mapped(vec![k256..all - k256]),
        ),
        [
            small(0..k64),
            small(all - k64..all),
            large(Some(k256..all - k256))
        ]
    );
    // Uniform: all of it by 256 KiB.
    assert_eq!(
        with(Reach::Mapped(vec![]), Reach::Mapped(vec![0..all])),
        [large(None)]
    );
    // Not decided: where the table and all maps agree.
    assert_eq!(
        with(
            Reach::Undecided(vec![]),
            Reach::Undecided(vec![0..k256 * 2, all / 2..all]),
        ),
        [
            large(Some(k256..k256 * 2)),
            large(Some(all / 2..all - k256))
        ]
    );
    // No sector map: as the table says.
    assert_eq!(
        with(Reach::Everywhere, Reach::Everywhere),
        [large(Some(k256..all - k256))]
    );
}

#[test]
#[allow(clippy::single_range_in_vec_init)]
fn a_part_known_by_sfdp_alone_erases_as_its_map_says() {
    let with = |reach: Reach| {
        let mut facts = sfdp(4 << 20, Some(256), &[(0x1000, 0x20), (0x1_0000, 0xD8)]);
        facts.erase_types[1].reach = reach;
        facts.erase_types[0].reach = Reach::Mapped(vec![]);
        let part = id(&[0x5A, 0x12, 0x34], Some(&facts), None).part.unwrap();
        let types = part.erase_types.into_iter();
        types.map(|kind| kind.only_in).collect::<Vec<_>>()
    };
    let some = vec![0..0x2_0000, 0x10_0000..0x20_0000];
    let expected: Vec<_> = some.iter().cloned().map(Some).collect();
    assert_eq!(with(Reach::Mapped(some.clone())), expected);
    assert_eq!(with(Reach::Mapped(vec![0..4 << 20])), [None]);
    assert_eq!(with(Reach::Undecided(some)), []);
}

/// Whatever is known of a chip beyond three ID bytes, the supply range it is given lies within that of
/// every part that it can still be. The table's collisions: S25FL-S and S25FS-S, SST26VF064B and
/// SST26WF064C, P25Q128H and P25Q128LE, W25Q80BL and DV, and others of one level.
#[test]
fn parts_that_share_an_id_take_the_narrower_supply() {
    let catalogue = Catalogue::builtin().unwrap();
    let short = |part: &Part| part.jedec_id.0[..3].to_vec();
    let (mut groups, mut levels) = (std::collections::BTreeSet::new(), 0);
    for part in catalogue.parts() {
        let range = |part: &Part| (part.supply.min, part.supply.max);
        let mut others = catalogue.parts().iter();
        if !others.any(|other| short(other) == short(part) && range(other) != range(part)) {
            continue;
        }
        groups.insert(short(part));
        let mut told = sfdp(part.size_bytes.into(), None, &[]);
        told.supply = Some(part.supply);
        let mut long = part.jedec_id.0.clone();
        long.resize(20, 0xFF);
        let marking = part.markings[0].as_str();
        for bytes in [&short(part)[..], &part.jedec_id.0, &long] {
            for facts in [None, Some(&told)] {
                for marking in [None, Some(marking)] {
                    let found = identify(&catalogue, bytes, facts, marking);
                    let supply = found.part.unwrap().supply;
                    let within = |name: &String| {
                        let parts = catalogue.parts().iter();
                        let mut named = parts.filter(|part| part.name == *name);
                        supply.is_empty()
                            || named.all(|one| {
                                supply.min >= one.supply.min && supply.max <= one.supply.max
                            })
                    };
                    let what = format!("{bytes:02X?} {supply} {:?}", found.candidates);
                    assert!(found.candidates.iter().all(within), "{what}");
                }
            }
        }
        levels += usize::from(part.supply.is_low_voltage());
    }
    assert!(groups.len() >= 10 && levels >= 10, "{groups:02X?} {levels}");
}

/// S25FL128S/256S 001-98283 Rev. *I page 120 and the S25FS256S model: the sixth byte is 80h or 81h.
/// SST26WF064C DS20005430B, P25Q128LE: only a supply that SFDP tells, or the marking, settles it.
#[test]
fn what_tells_3_v_from_1_8_v_is_used() {
    let (at_3v3, at_1v8) = (Millivolts(3300), Millivolts(1800));
    let supply = |bytes: &[u8], told: Option<(u32, u32)>, marking: Option<&str>| {
        let size = if bytes[1] == 0x26 { 8 << 20 } else { 16 << 20 };
        let facts = told.map(|(min, max)| {
            let mut facts = sfdp(size, None, &[]);
            facts.supply = Some(norlock::part::SupplyRange {
                min: Millivolts(min),
                max: Millivolts(max),
                from_memory: false,
            });
            facts
        });
        id(bytes, facts.as_ref(), marking).part.unwrap().supply
    };
    for (sixth, three, low) in [(0x80, true, false), (0x81, false, true)] {
        for (second, third) in [(0x20, 0x18), (0x02, 0x19), (0x02, 0x20), (0x02, 0x21)] {
            let found = supply(&[0x01, second, third, 0x4D, 0x00, sixth], None, None);
            if (second, sixth) != (0x20, 0x81) {
                let seen = (found.includes(at_3v3), found.includes(at_1v8));
                assert_eq!(seen, (three, low), "{second:02X} {third:02X} {sixth:02X}");
            }
        }
    }
    for id in [[0xBF, 0x26, 0x43], [0x85, 0x60, 0x18]] {
        let unsettled = supply(&id, None, None);
        assert!(!unsettled.includes(at_3v3) && !unsettled.includes(at_1v8));
        let low = supply(&id, Some((1650, 2000)), None);
        assert!(!low.includes(at_3v3), "{id:02X?} {low}");
        let high = supply(&id, Some((2700, 3600)), None);
        assert!(!high.includes(at_1v8), "{id:02X?} {high}");
    }
    assert!(!supply(&[0xBF, 0x26, 0x43], None, Some("SST26WF064C")).includes(at_3v3));
}

/// W25Q128JV Rev. I, AC table: 45 ms and 400 ms at most for 4 KiB. A table that tells other times is
/// another generation's, or another chip's: it is said, and the longer ones are used.
#[test]
fn times_that_differ_are_said() {
    let time = |typical, max| {
        Some(norlock::part::Timing {
            typical: std::time::Duration::from_millis(typical),
            max: std::time::Duration::from_millis(max),
        })
    };
    let mut facts = sfdp(16 << 20, Some(256), &ERASE_4_32_64);
    facts.erase_types[0].time = time(48, 480);
    facts.erase_types[1].time = time(120, 1600);
    let same = id(&[0xEF, 0x40, 0x18], Some(&facts), Some("W25Q128JVSIQ"));
    assert!(same.times.is_empty(), "{:?}", same.times);
    facts.erase_types[0].time = time(200, 3000);
    let found = id(&[0xEF, 0x40, 0x18], Some(&facts), Some("W25Q128JVSIQ"));
    assert_eq!(
        found.times,
        ["erase of 4 KiB: 45 ms, at most 400 ms in the table, 200 ms, at most 3000 ms in SFDP"]
    );
    assert_eq!(found.disagreements, []);
    let part = found.part.unwrap();
    assert_eq!(part.erase_types[0].time.max.as_millis(), 3000);
}

/// SST26VF016B DS20005262D: D8h erases 8, 32 or 64 KiB by the address, so the table has it in five places.
#[test]
fn an_erase_in_several_places_has_its_times_told_once() {
    let erase = [
        (0x1000, 0x20),
        (0x2000, 0xD8),
        (0x8000, 0xD8),
        (0x1_0000, 0xD8),
    ];
    let mut facts = sfdp(2 << 20, Some(256), &erase);
    for kind in &mut facts.erase_types {
        kind.time = Some(norlock::part::Timing {
            typical: std::time::Duration::from_secs(1),
            max: std::time::Duration::from_secs(3),
        });
    }
    let told = id(&[0xBF, 0x26, 0x41], Some(&facts), None).times;
    let sizes: Vec<&str> = told
        .iter()
        .filter_map(|one| one.split(':').next())
        .collect();
    assert_eq!(
        sizes,
        [
            "erase of 4 KiB",
            "erase of 8 KiB",
            "erase of 32 KiB",
            "erase of 64 KiB"
        ]
    );
}

/// W25Q128JV Rev. I, 8.2.27: three bytes; what a chip sends after them is not specified.
#[test]
fn an_id_that_repeats_is_told_once() {
    for after in [[0xEF, 0x40, 0x18], [0xFF; 3], [0x00; 3]] {
        let bytes = [&[0xEF, 0x40, 0x18], after.as_slice(), &after].concat();
        let found = id(&bytes, None, Some("MX25L12835E"));
        let told = &found.disagreements[0].sentence;
        assert!(
            told.contains("the chip answers EF 40 18, which is"),
            "{told}"
        );
    }
    // What goes on otherwise may be a longer ID.
    let found = id(&[0xEF, 0x40, 0x18, 0x01, 0x02], None, Some("MX25L12835E"));
    let told = &found.disagreements[0].sentence;
    assert!(
        told.contains("the chip answers EF 40 18 01 02, which"),
        "{told}"
    );
}
