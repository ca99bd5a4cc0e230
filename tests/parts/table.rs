//! Every part of the built-in table.

use std::collections::{BTreeMap, BTreeSet};

use norlock::jedec::Millivolts;
use norlock::jedec::opcode::ERASES;
use norlock::jedec::status::StatusFamily;
use norlock::part::{Catalogue, CodeUse, FourByte, Part, Timing, maker_name};

fn parts() -> Vec<Part> {
    Catalogue::builtin().unwrap().parts().to_vec()
}

#[test]
fn the_table_is_broad() {
    let parts = parts();
    let ids: BTreeSet<_> = parts.iter().map(|p| p.jedec_id.0[..3].to_vec()).collect();
    let makers: BTreeSet<_> = parts.iter().map(|p| &p.maker).collect();
    assert!(ids.len() >= 256, "{}", ids.len());
    assert!(makers.len() >= 19, "{}", makers.len());
    let low = parts.iter().filter(|p| p.supply.is_low_voltage()).count();
    let large = parts.iter().filter(|p| p.size_bytes > 16 << 20).count();
    assert!(low >= 50 && large >= 50, "{low} {large}");
}

/// Parts named by the maker whose first ID byte they send: JEP106 through the crate `jep106`, and the
/// bytes that SPI NOR makers send without being registered for them.
#[test]
fn the_first_id_byte_names_the_maker() {
    for part in parts() {
        let name = maker_name(part.jedec_id.0[0]);
        let text = name.name.unwrap_or_else(|| panic!("{}", part.name));
        assert!(text.contains(&part.maker), "{}: {text}", part.name);
        if name.code_use == CodeUse::Registered {
            assert!(name.registered.is_some(), "{}", part.name);
        }
    }
}

/// A maker's letters for the supply. Ordering information of the data sheets named in `chips/`;
/// the letters themselves are common practice, no source.
#[test]
fn names_and_supply_ranges_go_together() {
    for part in parts() {
        let low = part.supply.is_low_voltage();
        let name = part.name.as_str();
        let letters: Option<bool> = match part.maker.as_str() {
            "Winbond" => Some(name.contains("W-") || name.ends_with('W')),
            "GigaDevice" => Some(name.contains("LQ")),
            "Macronix" => Some(name.starts_with("MX25U") || name.starts_with("MX66U")),
            "ISSI" => Some(name.contains("WP") || name.contains("WQ")),
            "Eon" => Some(name.starts_with("EN25S")),
            "Cypress" => Some(name.contains("FS") || name.contains("HS")),
            _ => None,
        };
        assert!(letters.is_none_or(|letters| letters == low), "{name}");
        assert!(
            part.supply.min >= Millivolts(1600) && part.supply.max <= Millivolts(3600),
            "{name}"
        );
    }
}

/// The erase types of a part cover an aligned span without overlap of sizes: each divides the next.
#[test]
fn erase_types_nest_and_hold_whole_pages() {
    for part in parts() {
        assert!(!part.erase_types.is_empty(), "{}", part.name);
        for pair in part.erase_types.windows(2) {
            assert_eq!(pair[1].size_bytes % pair[0].size_bytes, 0, "{}", part.name);
        }
        for erase in &part.erase_types {
            assert_eq!(erase.size_bytes % part.page_size_bytes, 0, "{}", part.name);
            assert_eq!(part.size_bytes % erase.size_bytes, 0, "{}", part.name);
        }
    }
}

/// Where an opcode erases different sizes by address, the places must not overlap (SST26VF064B
/// DS20005119J, memory organization).
#[test]
fn one_opcode_erases_one_size_at_one_place() {
    for part in parts() {
        for (i, a) in part.erase_types.iter().enumerate() {
            for b in part
                .erase_types
                .iter()
                .skip(i + 1)
                .filter(|b| b.opcode == a.opcode)
            {
                let (Some(x), Some(y)) = (&a.only_in, &b.only_in) else {
                    panic!("{}: {:02X}h twice", part.name, a.opcode);
                };
                assert!(x.end <= y.start || y.end <= x.start, "{}", part.name);
            }
        }
    }
    let sst = parts()
        .into_iter()
        .find(|p| p.name == "SST26VF064B")
        .unwrap();
    let places = sst.erase_types.iter().filter(|e| e.opcode == 0xD8);
    let mut places: Vec<_> = places.filter_map(|e| e.only_in.clone()).collect();
    places.sort_by_key(|place| place.start);
    let mut end = 0;
    for place in places {
        assert_eq!(place.start, end);
        end = place.end;
    }
    assert_eq!(end, sst.size_bytes);
}

#[test]
fn parts_that_share_an_id_have_one_size() {
    let parts = parts();
    for a in &parts {
        for b in &parts {
            let same = a.jedec_id.0.iter().zip(&b.jedec_id.0).all(|(x, y)| x == y);
            assert!(
                !same || a.size_bytes == b.size_bytes,
                "{} {}",
                a.name,
                b.name
            );
        }
    }
}

/// Where they do not, a chip whose marking cannot be read has no unique ID to be known by.
#[test]
fn parts_that_share_an_id_have_the_same_unique_id() {
    // Older parts for which none is known, and one whose datasheet was not seen.
    const WITHOUT: [&str; 5] = [
        "AT25SF041",
        "GD25Q32B",
        "GD25Q64B",
        "S25FL216K",
        "XT25F128F",
    ];
    let parts = parts();
    for a in &parts {
        for b in &parts {
            let same = a.jedec_id.0.iter().zip(&b.jedec_id.0).all(|(x, y)| x == y);
            let known = [a, b].map(|part| !WITHOUT.contains(&part.name.as_str()));
            if same && known == [true, true] {
                assert_eq!(a.unique_id, b.unique_id, "{} {}", a.name, b.name);
            }
        }
    }
}

#[test]
fn facts_from_memory_are_marked() {
    for part in parts() {
        let unread = part.source.title == "no document read";
        assert!(!unread || part.supply.from_memory, "{}", part.name);
        assert_eq!(
            part.supply.from_memory,
            !part.is_documented("supply"),
            "{}",
            part.name
        );
    }
}

/// What the emulated chips need, from the data sheets of these parts: size, ways above 16 MiB.
#[test]
fn parts_above_16_mib_say_how_they_are_reached() {
    let parts = parts();
    let ways = |name: &str| -> Vec<FourByte> {
        let part = parts.iter().find(|p| p.name == name).unwrap();
        part.addressing.four_byte.clone()
    };
    // N25Q256A: B7h and E9h want WREN first; no dedicated program or erase opcode (memory).
    assert_eq!(
        ways("N25Q256A13")[0],
        FourByte::Mode {
            enter: 0xB7,
            exit: 0xE9,
            write_enable: true
        }
    );
    // W25Q256FV: dedicated reads only, so the mode comes first; W25Q256JV Rev. I has them all.
    assert!(matches!(
        ways("W25Q256FV")[0],
        FourByte::Mode {
            write_enable: false,
            ..
        }
    ));
    assert!(matches!(ways("W25Q256JV")[0], FourByte::Dedicated { .. }));
    assert!(ways("S25FL256S, 64 KiB sectors").contains(&FourByte::BankRegister { extadd: true }));
    assert!(
        ways("S25FS256S, 64 KiB sectors")
            .iter()
            .all(|w| matches!(w, FourByte::Dedicated { .. }))
    );
}

/// A part is driven or refused, never both, by its ID and by its marking.
#[test]
fn no_part_is_among_those_that_are_refused() {
    let catalogue = Catalogue::builtin().unwrap();
    for part in catalogue.parts() {
        let by_id = catalogue.refused_by_jedec_id(&part.jedec_id.0);
        assert_eq!(by_id, None, "{}", part.name);
        for marking in &part.markings {
            assert_eq!(catalogue.refused_by_marking(marking), None, "{marking}");
        }
    }
    // AT45DB081D: ID from the emulator QEMU 10.0.2, marking common practice, no source.
    let by_id = catalogue.refused_by_jedec_id(&[0x1F, 0x25, 0x00, 0x00]);
    let by_marking = catalogue.refused_by_marking("ATMEL 45DB081D SU");
    assert!(by_id.is_some() && by_id == by_marking);
    assert_eq!(catalogue.refused_by_jedec_id(&[0x1F, 0x25]), None);
    assert_eq!(catalogue.refused_by_marking("45DB0811"), None);
}

/// The guard lets pass no other erase than these; a worklist with another would be refused half way.
#[test]
fn every_erase_is_on_the_list_of_erases() {
    for part in parts() {
        for kind in &part.erase_types {
            for code in std::iter::once(kind.opcode).chain(kind.opcode_4byte) {
                assert!(ERASES.contains(&code), "{}: {code:02X}h", part.name);
            }
        }
    }
}

/// 4Bh is a read of one-time memory on Cypress FL-S and FS-S (001-98283 Rev. *P; the maker's model) and
/// on Micron parts (from memory); Macronix parts have none. Micron's factory bytes stand behind the
/// JEDEC ID (N25Q256A Rev. W, Read ID data-out table).
#[test]
fn no_part_is_asked_for_a_unique_id_by_what_means_something_else() {
    for part in parts() {
        let by = part.unique_id.map(|read| read.opcode);
        let expected: &[Option<u8>] = match (part.maker.as_str(), part.status) {
            ("Macronix", _) | (_, StatusFamily::CypressS | StatusFamily::M25p) => &[None],
            (_, StatusFamily::Micron) => &[None, Some(0x9F)],
            ("XTX", _) => &[None, Some(0x5A)],
            _ => &[None, Some(0x4B)],
        };
        assert!(expected.contains(&by), "{}: {by:02X?}", part.name);
    }
}

/// Lengths as printed: 8 bytes on W25Q128JV Rev. I (8.2.33), 16 on GD25Q64C Rev 3.0, PY25Q64HA V1.6 and
/// XT25F128B Rev 1.2, 14 on N25Q256A Rev. W.
#[test]
fn unique_ids_have_the_printed_length() {
    for (name, length) in [
        ("W25Q128JV", 8),
        ("W25Q256JV", 8),
        ("GD25Q64C", 16),
        ("PY25Q64HA", 16),
        ("XT25F128B", 16),
        ("N25Q256A13", 14),
        ("N25Q032A13", 14),
    ] {
        let part = parts().into_iter().find(|p| p.name == name).unwrap();
        let read = part.unique_id.unwrap();
        assert_eq!(read.length_bytes, length, "{name}");
        assert!(read.is_known_form());
    }
}

/// Where no time is known, no part of the table is given up too soon.
#[test]
fn times_that_nobody_states_are_at_or_above_every_maximum() {
    for part in parts() {
        for erase in &part.erase_types {
            let fallback = Timing::erase_fallback(erase.size_bytes);
            assert!(erase.time.max <= fallback.max, "{}", part.name);
        }
        let page = Timing::PAGE_PROGRAM_FALLBACK;
        assert!(part.page_program.max <= page.max, "{}", part.name);
        let status = Timing::STATUS_WRITE_FALLBACK;
        assert!(part.status_write.max <= status.max, "{}", part.name);
    }
}

/// Of an erase whose time is from memory the table does not say whether somebody remembered it. So: the maximum
/// that stands there most often is the one that stands for none.
#[test]
fn an_erase_time_that_nobody_states_is_written_as_the_safe_one() {
    let mut seen = BTreeMap::<_, BTreeMap<_, usize>>::new();
    for part in parts() {
        for erase in &part.erase_types {
            if !part.is_documented("erase_time") {
                let fallback = Timing::erase_fallback(erase.size_bytes).max;
                let maxima = seen.entry(fallback).or_default();
                *maxima.entry(erase.time.max).or_default() += 1;
            }
        }
    }
    assert_eq!(seen.len(), 3);
    for (fallback, maxima) in seen {
        let most = maxima.iter().max_by_key(|(_, count)| **count);
        assert_eq!(most.map(|(max, _)| *max), Some(fallback), "{maxima:?}");
    }
}
