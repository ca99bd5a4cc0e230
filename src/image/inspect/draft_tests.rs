use proptest::prelude::*;

use super::*;
use crate::image::inspect::tests::{logger, noise};
use crate::image::{Known, RegionMap, compare, inspect};

fn draft(image: &[u8]) -> (String, RegionMap) {
    let text = inspect(&image.to_vec(), &Known::default())
        .unwrap()
        .draft_map("gauge-07.bin", None);
    let map = RegionMap::parse("draft", &text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    (text, map)
}

fn regions(map: &RegionMap) -> Vec<(&str, Range<u32>, Holds)> {
    let regions = map.regions().iter();
    regions
        .map(|one| (one.name.as_str(), one.range.clone(), one.holds))
        .collect()
}

#[test]
fn each_thing_becomes_a_region_on_erase_blocks() {
    let (text, map) = draft(&logger());
    assert_eq!(
        regions(&map),
        [
            ("code-like-000000", 0..0x1_0000, Holds::Keep),
            ("text-010000", 0x1_0000..0x2_0000, Holds::UnitData),
            ("packed-020000", 0x2_0000..0xA_0000, Holds::Keep),
            ("table-0E0000", 0xE_0000..0xF_0000, Holds::UnitData),
            ("text-0F0000", 0xF_0000..0x10_0000, Holds::UnitData),
        ]
    );
    assert_eq!(text.matches("check this").count(), 3);
    assert!(text.contains("fields shaped like network addresses: 1"));
    assert!(text.contains("# 0x020000: 500 KiB, packed\n"), "{text}");
}

#[test]
fn neighbours_in_one_block_are_parted_on_4_kib() {
    let mut image = logger();
    image[0xF_4000..0xF_4100].copy_from_slice(&noise(5, 256));
    let (_, map) = draft(&image);
    let last = &regions(&map)[4..];
    assert_eq!(
        last,
        [
            ("text-0F0000", 0xF_0000..0xF_1000, Holds::UnitData),
            ("packed-0F4000", 0xF_4000..0x10_0000, Holds::UnitData),
        ]
    );
}

#[test]
fn what_differs_between_two_units_is_unit_data_beside_what_may_be_anyway() {
    let one = logger();
    let mut two = one.clone();
    two[0xE_0010..0xE_0400].copy_from_slice(&noise(6, 0x3F0));
    two[0x2_8123] ^= 1;
    let comparison = compare(&one, &two, None).unwrap();
    let found = inspect(&one, &Known::default()).unwrap();
    let text = found.draft_map("gauge-07.bin", Some(&comparison));
    let map = RegionMap::parse("draft", &text).unwrap();
    assert_eq!(
        regions(&map),
        [
            ("code-like-000000", 0..0x1_0000, Holds::Keep),
            ("text-010000", 0x1_0000..0x2_0000, Holds::UnitData),
            ("packed-020000", 0x2_0000..0x2_8000, Holds::Keep),
            ("packed-028000", 0x2_8000..0x2_9000, Holds::UnitData),
            ("packed-029000", 0x2_9000..0xA_0000, Holds::Keep),
            ("table-0E0000", 0xE_0000..0xF_0000, Holds::UnitData),
            ("text-0F0000", 0xF_0000..0x10_0000, Holds::UnitData),
        ]
    );
    assert!(
        text.contains("bytes that differ between the two units: 1\n"),
        "{text}"
    );
}

#[test]
fn equal_dumps_make_nothing_less_unit_data() {
    let one = logger();
    let comparison = compare(&one, &one, None).unwrap();
    let found = inspect(&one, &Known::default()).unwrap();
    let text = found.draft_map("gauge-07.bin", Some(&comparison));
    let map = RegionMap::parse("draft", &text).unwrap();
    assert_eq!(regions(&map), regions(&draft(&one).1));
    assert!(text.contains("# Both dumps are equal"), "{text}");
}

#[test]
fn what_is_too_much_for_unit_data_is_kept() {
    let one = logger();
    let mut two = one.clone();
    two[0x2_0000..0x9_0000].copy_from_slice(&noise(9, 0x7_0000));
    let comparison = compare(&one, &two, None).unwrap();
    let found = inspect(&one, &Known::default()).unwrap();
    let text = found.draft_map("gauge-07.bin", Some(&comparison));
    let map = RegionMap::parse("draft", &text).unwrap();
    assert_eq!(map.kind_at(0x2_0000), Holds::Keep, "{text}");
    assert!(
        text.contains("bytes that differ between the two units: 45"),
        "{text}"
    );
}

#[test]
fn a_name_cannot_end_a_comment() {
    let found = inspect(&logger(), &Known::default()).unwrap();
    let text = found.draft_map("a\n[[region]]\nb", None);
    assert_eq!(RegionMap::parse("draft", &text).unwrap().regions().len(), 5);
}

/// An image of blank, packed, text and zero runs that begin anywhere or at blocks.
fn images() -> impl Strategy<Value = Vec<u8>> {
    let run = (0..4_u8, 1..40_000_usize, any::<bool>(), any::<u64>());
    let size = prop_oneof![Just(1 << 18), Just(1 << 16), 1..200_000_usize];
    (prop::collection::vec(run, 0..12), size).prop_map(|(runs, size)| {
        let mut image = Vec::with_capacity(size);
        for (kind, length, aligned, seed) in runs {
            image.extend(match kind {
                0 => vec![0xFF; length],
                1 => noise(seed, length),
                2 => b"interval_s=0300\n"
                    .iter()
                    .copied()
                    .cycle()
                    .take(length)
                    .collect(),
                _ => vec![0; length],
            });
            if aligned {
                image.resize(image.len().next_multiple_of(4096), 0xFF);
            }
        }
        image.resize(size, 0xFF);
        image
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn a_draft_is_a_map_that_lets_no_write_change_a_byte(image in images(), flip in any::<prop::sample::Index>()) {
        let mut other = image.clone();
        let place = flip.index(image.len());
        other[place] ^= 0x10;
        let comparison = compare(&image, &other, None).unwrap();
        let found = inspect(&image, &Known::default()).unwrap();
        for compared in [None, Some(&comparison)] {
            let text = found.draft_map("x", compared);
            let map = RegionMap::parse("draft", &text).unwrap();
            prop_assert_eq!(map.size_bytes() as usize, image.len());
            for region in map.regions() {
                prop_assert!(region.holds != Holds::Replaceable);
                prop_assert_eq!(region.range.start % 4096, 0);
                prop_assert!(region.range.end % 4096 == 0 || region.range.end == map.size_bytes());
            }
            for (at, byte) in image.iter().enumerate().filter(|(_, byte)| **byte != 0xFF) {
                let mapped = map.regions().iter().any(|one| one.range.contains(&(at as u32)));
                prop_assert!(mapped, "{at:#X} holds {byte:02X} and is in no region\n{text}");
            }
            let own = comparison.differing().all(|one| one.may_be_unit_data);
            if compared.is_some() && own && image[place] != 0xFF {
                prop_assert_eq!(map.kind_at(place as u32), Holds::UnitData);
            }
        }
    }
}
