#![allow(
    clippy::single_range_in_vec_init,
    reason = "one range is what is meant"
)]

use proptest::prelude::*;

use super::*;

const KIB: u64 = 1024;

/// A basic table of `density` bytes with these erase types: number, size, opcode.
fn basic(density: u64, types: &[(u32, u32, u32)]) -> Basic {
    let mut dwords = vec![u32::MAX; 9];
    dwords[1] = (density * 8 - 1) as u32;
    (dwords[7], dwords[8]) = (0, 0);
    for (number, size_bytes, opcode) in types {
        let field = size_bytes.ilog2() | opcode << 8;
        dwords[7 + (*number as usize - 1) / 2] |= field << (16 * ((number - 1) % 2));
    }
    Basic::decode(dwords)
}

/// S25HS01GT: 4 KiB by 20h is type 1, 256 KiB by D8h type 4.
fn hybrid() -> Basic {
    basic(128 << 20, &[(1, 4096, 0x20), (4, 256 << 10, 0xD8)])
}

/// The map of S25HS01GT, from the simulation model published for the part, V1.14 (2023).
const HYBRID: [u32; 22] = [
    0x08FF_65FC,
    0x0080_0004,
    0x40FF_65FC,
    0x0080_0002,
    0x04FF_65FD,
    0x0080_0002,
    0xFF02_00FE,
    0x0001_FFF1,
    0x0001_FFF8,
    0x07FB_FFF8,
    0xFF02_01FE,
    0x07FB_FFF8,
    0x0001_FFF8,
    0x0001_FFF1,
    0xFF04_02FE,
    0x0000_FFF1,
    0x0002_FFF8,
    0x07F7_FFF8,
    0x0002_FFF8,
    0x0000_FFF1,
    0xFF00_04FF,
    0x07FF_FFF8,
];

fn decoded() -> SectorMap {
    SectorMap::decode(&HYBRID, &hybrid()).unwrap()
}

/// The answers of S25HS01GT in its registers CFR3 (uniform is bit 3) and CFR1 (split is bit 6, top bit 2).
fn answers(uniform: bool, split: bool, top: bool) -> Vec<Answer> {
    // All bits that no command looks at are ones.
    let cfr1 = u8::from(split) << 6 | u8::from(top) << 2 | 0xBB;
    vec![Ok(u8::from(uniform) << 3 | 0xF7), Ok(cfr1), Ok(cfr1)]
}

#[test]
fn the_map_of_s25hs01gt() {
    let map = decoded();
    let asked: Vec<_> = map
        .commands
        .iter()
        .map(|c| (c.opcode, c.address, c.mask))
        .collect();
    assert_eq!(
        asked,
        [
            (0x65, 0x0080_0004, 0x08),
            (0x65, 0x0080_0002, 0x40),
            (0x65, 0x0080_0002, 0x04)
        ]
    );
    assert!(map.commands.iter().all(|command| {
        command.address_bytes == CommandAddress::Current && command.dummy_clocks.is_none()
    }));
    let sizes = |id: u8| -> Vec<(u64, Vec<u8>)> {
        let map = map.maps.iter().find(|map| map.id == id).unwrap();
        let regions = map.regions.iter();
        regions
            .map(|r| ((r.range.end - r.range.start) / KIB, r.erase_types.clone()))
            .collect()
    };
    assert_eq!(
        sizes(0),
        [(128, vec![1]), (128, vec![4]), (130_816, vec![4])]
    );
    assert_eq!(
        sizes(1),
        [(130_816, vec![4]), (128, vec![4]), (128, vec![1])]
    );
    assert_eq!(
        sizes(2),
        [
            (64, vec![1]),
            (192, vec![4]),
            (130_560, vec![4]),
            (192, vec![4]),
            (64, vec![1])
        ]
    );
    assert_eq!(sizes(4), [(131_072, vec![4])]);
    assert_eq!(map.encode(), HYBRID);
}

#[test]
fn the_first_command_is_the_highest_bit_of_the_id() {
    let (map, basic) = (decoded(), hybrid());
    let chosen = |uniform, split, top| map.layout(&answers(uniform, split, top), &basic);
    for (layout, id) in [
        (chosen(false, false, false), 0),
        (chosen(false, false, true), 1),
        (chosen(false, true, false), 2),
        (chosen(true, false, false), 4),
    ] {
        assert_eq!((layout.maps.as_slice(), layout.doubt), (&[id][..], None));
    }
    let none = chosen(false, true, true);
    assert_eq!(none.maps, [0u8; 0]);
    assert!(none.doubt.unwrap().contains("(ID 03h)"));
    assert!(none.places.iter().all(|(_, places)| places.is_empty()));
}

/// A region of 128 or 192 KiB that is erased by 256 KiB holds no whole block.
#[test]
fn blocks_lie_whole_in_one_region() {
    let (map, basic) = (decoded(), hybrid());
    let (k256, all) = (256 * KIB, 128 << 20);
    let bottom = map.layout(&answers(false, false, false), &basic);
    assert_eq!(bottom.places(1), [0..128 * KIB]);
    assert_eq!(bottom.places(4), [k256..all]);
    let top = map.layout(&answers(false, false, true), &basic);
    assert_eq!(top.places(4), [0..all - k256]);
    assert_eq!(top.places(1), [all - 128 * KIB..all]);
    let split = map.layout(&answers(false, true, false), &basic);
    assert_eq!(split.places(1), [0..64 * KIB, all - 64 * KIB..all]);
    assert_eq!(split.places(4), [k256..all - k256]);
    let uniform = map.layout(&answers(true, false, false), &basic);
    assert_eq!(uniform.places(1), []);
    assert_eq!(uniform.places(4), [0..all]);
}

#[test]
fn what_is_not_known_leaves_what_all_maps_allow() {
    let (map, basic) = (decoded(), hybrid());
    let (k256, all) = (256 * KIB, 128 << 20);
    let unknown = map.layout(&[], &basic);
    assert_eq!(unknown.maps, [0, 1, 2, 4]);
    assert!(!unknown.is_decided());
    assert_eq!(unknown.places(1), []);
    assert_eq!(unknown.places(4), [k256..all - k256]);
    // Known to be neither uniform nor split, so that only top or bottom is open.
    let mut some = answers(false, false, false);
    some[2] = Err("the answer changed".to_owned());
    let partly = map.layout(&some, &basic);
    assert_eq!(partly.maps, [0, 1]);
    assert!(
        partly
            .doubt
            .unwrap()
            .ends_with("not decided: the answer changed.")
    );
}

/// SST26VF032B: types 2 to 4 are 8, 32 and 64 KiB by D8h. Headers from DS20005218E, Table 11-1; the map
/// itself from memory, and it adds up to the part's 4 MiB.
#[test]
fn a_map_without_commands_applies_as_it_is() {
    let basic = basic(
        4 << 20,
        &[
            (1, 4096, 0x20),
            (2, 8192, 0xD8),
            (3, 32768, 0xD8),
            (4, 65536, 0xD8),
        ],
    );
    let table = [
        0xFF04_00FF,
        0x0000_7FF3,
        0x0000_7FF5,
        0x003D_FFF9,
        0x0000_7FF5,
        0x0000_7FF3,
    ];
    let map = SectorMap::decode(&table, &basic).unwrap();
    let layout = map.layout(&[], &basic);
    assert_eq!((layout.maps.as_slice(), &layout.doubt), (&[0][..], &None));
    assert_eq!(layout.places(1), [0..4096 * KIB]);
    assert_eq!(layout.places(2), [0..32 * KIB, 4064 * KIB..4096 * KIB]);
    assert_eq!(
        layout.places(3),
        [32 * KIB..64 * KIB, 4032 * KIB..4064 * KIB]
    );
    assert_eq!(layout.places(4), [64 * KIB..4032 * KIB]);
    assert!(map.share_a_region(1, 2) && !map.share_a_region(2, 3));
}

#[test]
fn maps_that_cannot_be_used_are_refused() {
    let basic = basic(1 << 20, &[(1, 4096, 0x20), (3, 65536, 0xD8)]);
    let refused = |table: &[u32]| SectorMap::decode(table, &basic).unwrap_err();
    let whole = 0x000F_FFF1;
    let command = [0x01FF_65FD, 0];
    assert!(SectorMap::decode(&[0xFF00_00FF, whole], &basic).is_ok());
    for (table, why) in [
        (vec![], "does not mark its last map"),
        (vec![0xFF00_00FE, whole], "does not mark its last map"),
        (vec![0xFF01_00FF, whole], "ends within a map"),
        (vec![0xFFFF_00FF, whole], "ends within a map"),
        (vec![0x01FF_65FD], "ends within a command"),
        (
            vec![0x01FF_65FC, 0, 0xFF00_00FF, whole],
            "does not mark its last command",
        ),
        (
            [&command[..], &command[..], &[0xFF00_00FF, whole]].concat(),
            "has a command behind the last one",
        ),
        (
            [&[0xFF00_00FE, whole][..], &command[..]].concat(),
            "has a command behind the last one",
        ),
        (
            [&command[..], &[0xFF00_00FE, whole, 0xFF00_00FF, whole]].concat(),
            "has two maps with one ID",
        ),
        (
            vec![0xFF00_00FE, whole, 0xFF00_01FF, whole],
            "has several maps and no way to choose",
        ),
        (
            vec![0x00FF_65FD, 0, 0xFF00_00FF, whole],
            "has a command whose answer cannot matter",
        ),
        (
            vec![0xFF00_00FF, 0x000F_FFF0],
            "has a region without an erase type",
        ),
        (
            vec![0xFF00_00FF, 0x000F_FFF3],
            "has a region with erase type 2, which does not exist",
        ),
        (
            vec![0xFF00_00FF, 0x000E_FFF1],
            "has a map of 983040 bytes, which is not the density",
        ),
        // S25FL512S's model: sixteen times the density.
        (
            vec![0xFF00_00FF, 0x3FFF_FFF4],
            "has a map of 1073741824 bytes, which is not the density",
        ),
    ] {
        assert_eq!(refused(&table), why, "{table:08X?}");
    }
    let mut many = [0x01FF_65FC, 0].repeat(8);
    many.extend(command);
    many.extend([0xFF00_00FF, whole]);
    assert_eq!(refused(&many), "has more commands than an ID has bits");
}

#[test]
fn a_command_is_sent_only_where_its_form_is_known() {
    let command = |opcode, address_bytes, address, dummy_clocks| DetectionCommand {
        opcode,
        address_bytes,
        address,
        dummy_clocks,
        mask: 1,
    };
    use AddressBytes as A;
    use CommandAddress as C;
    let sent = [
        (command(0x05, C::None, 0, Some(0)), A::Three, vec![0x05]),
        (
            command(0x65, C::Three, 0x80_0004, Some(8)),
            A::ThreeOrFour,
            vec![0x65, 0x80, 0x00, 0x04, 0x00],
        ),
        (
            command(0x65, C::Four, 0x0102_0304, Some(0)),
            A::Three,
            vec![0x65, 1, 2, 3, 4],
        ),
        (
            command(0x65, C::Current, 2, Some(0)),
            A::Three,
            vec![0x65, 0, 0, 2],
        ),
        (
            command(0x65, C::Current, 2, Some(0)),
            A::Four,
            vec![0x65, 0, 0, 0, 2],
        ),
    ];
    for (command, addresses, frame) in sent {
        assert_eq!(command.frame(0x34, addresses), Ok(frame));
    }
    let refused = [
        (
            command(0x65, C::Current, 2, Some(0)),
            "in the mode the chip is in",
        ),
        (command(0x65, C::Four, 2, None), "by a setting of the chip"),
        (command(0x65, C::Four, 2, Some(4)), "no whole bytes"),
        (
            command(0x65, C::Three, 1 << 24, Some(0)),
            "above three bytes",
        ),
        (command(0x65, C::None, 0, Some(0)), "not known to be a read"),
        (
            command(0x05, C::Three, 0, Some(0)),
            "not known to be a read",
        ),
    ];
    for (command, why) in refused {
        let told = command.frame(0x34, A::ThreeOrFour).unwrap_err();
        assert!(told.contains(why), "{told}");
    }
    // 35h enters QPI on some parts, 15h and 85h write on others.
    for code in (0..=0xFF).filter(|code| ![0x05, 0x65].contains(code)) {
        for address_bytes in [C::None, C::Three, C::Four] {
            assert!(
                command(code, address_bytes, 0, Some(0))
                    .frame(0x34, A::Three)
                    .is_err()
            );
        }
    }
}

fn maps() -> impl Strategy<Value = SectorMap> {
    let command = (any::<u8>(), 0..4usize, any::<u32>(), 0..16u8, 1..=255u8).prop_map(
        |(opcode, form, address, clocks, mask)| DetectionCommand {
            opcode,
            address_bytes: [
                CommandAddress::None,
                CommandAddress::Three,
                CommandAddress::Four,
                CommandAddress::Current,
            ][form],
            address,
            dummy_clocks: (clocks != 15).then_some(clocks),
            mask,
        },
    );
    // Cuts of 128 MiB in units of 4 KiB, with type 1, type 4 or both between them.
    let cuts = prop::collection::btree_set(1..32_768u64, 0..6);
    let types = prop::collection::vec(prop::sample::select(vec![vec![1], vec![4], vec![1, 4]]), 7);
    let regions = (cuts, types).prop_map(|(cuts, types)| {
        let ends: Vec<u64> = cuts
            .into_iter()
            .chain([32_768])
            .map(|cut| cut * 4096)
            .collect();
        let starts = [0].into_iter().chain(ends.clone());
        starts
            .zip(ends.clone())
            .zip(types)
            .map(|((start, end), erase_types)| Region {
                range: start..end,
                erase_types,
            })
            .collect::<Vec<_>>()
    });
    (
        prop::collection::vec(command, 1..=8),
        prop::collection::btree_map(any::<u8>(), regions, 1..5),
    )
        .prop_map(|(commands, maps)| SectorMap {
            commands,
            maps: maps
                .into_iter()
                .map(|(id, regions)| ConfigurationMap { id, regions })
                .collect(),
        })
}

proptest! {
    #[test]
    fn maps_come_back(map in maps()) {
        prop_assert_eq!(SectorMap::decode(&map.encode(), &hybrid()), Ok(map));
    }

    /// What works where some answer is not known works wherever the chip may be.
    #[test]
    fn less_knowledge_never_allows_more(map in maps(), bytes in prop::collection::vec(any::<u8>(), 8), hidden in any::<u8>()) {
        let basic = hybrid();
        let known: Vec<Answer> = bytes.iter().take(map.commands.len()).map(|byte| Ok(*byte)).collect();
        let partly: Vec<Answer> = known.iter().enumerate().map(|(at, answer)| {
            if hidden >> at & 1 == 1 { Err("hidden".to_owned()) } else { answer.clone() }
        }).collect();
        let (whole, less) = (map.layout(&known, &basic), map.layout(&partly, &basic));
        prop_assert!(whole.maps.iter().all(|id| less.maps.contains(id)));
        for (number, places) in &less.places {
            for place in places {
                let inside = whole.places(*number).iter().any(|wide| wide.start <= place.start && place.end <= wide.end);
                prop_assert!(inside || whole.maps.is_empty(), "type {number} in {place:?}");
            }
        }
    }

    #[test]
    fn any_table_is_survived(table in prop::collection::vec(prop_oneof![any::<u32>(), Just(0xFF00_00FE), Just(0x0007_FFF1)], 0..40)) {
        let basic = hybrid();
        if let Ok(map) = SectorMap::decode(&table, &basic) {
            let _ = map.layout(&[Ok(0)], &basic);
        }
    }
}
