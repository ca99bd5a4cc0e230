use super::*;
use crate::image::inspect::tests::{logger, noise};

const MAP: &str = "size = '1MiB'\n\
    [[region]]\nname='boot'\nstart=0\nend=0x10000\nholds='replaceable'\n\
    [[region]]\nname='calibration'\nstart=0xE0000\nend=0xF0000\nholds='unit-data'\n";

/// gauge-11: other coefficients, another serial number, other settings, the same software.
fn other_logger() -> Vec<u8> {
    let mut image = logger();
    let table = image[0xE_0000..0xE_0800].to_vec();
    image[0xE_0000..0xE_0800]
        .iter_mut()
        .zip(table)
        .for_each(|(to, from)| *to = from ^ 0x15);
    image[0xF_0012..0xF_0013].copy_from_slice(b"9");
    image[0x1_0014..0x1_0018].copy_from_slice(b"0042");
    image
}

#[test]
fn equal_images_are_equal() {
    let found = compare(&logger(), &logger(), None).unwrap();
    assert_eq!((found.differing_bytes, found.stretches.len()), (0, 1));
    assert_eq!(found.staff(None).lines(), ["  0x000000  |   1 MiB  equal"]);
}

#[test]
fn what_differs_per_unit_is_found_with_every_byte() {
    let (one, two) = (logger(), other_logger());
    let wanted = one.iter().zip(&two).filter(|(a, b)| a != b).count() as u64;
    let found = compare(&one, &two, None).unwrap();
    assert_eq!(found.differing_bytes, wanted);
    let differing: Vec<_> = found
        .differing()
        .map(|one| (one.range.clone(), one.may_be_unit_data))
        .collect();
    assert_eq!(
        differing,
        [
            (0x1_0000..0x1_0100, true),
            (0xE_0000..0xE_0800, true),
            (0xF_0000..0xF_0100, true),
        ]
    );
    let mut end = 0;
    for stretch in &found.stretches {
        assert_eq!(stretch.range.start, end);
        end = stretch.range.end;
    }
    assert_eq!(end, 1 << 20);
}

#[test]
fn other_software_is_too_much_for_unit_data() {
    let (one, mut two) = (logger(), other_logger());
    two[0x2_0000..0x9_0000].copy_from_slice(&noise(9, 0x7_0000));
    two[0xF_0000..0xF_1000].fill(0xFF);
    let found = compare(&one, &two, None).unwrap();
    let differing: Vec<_> = found
        .differing()
        .map(|one| (one.looks, one.may_be_unit_data))
        .collect();
    assert_eq!(differing[1], ([Looks::Packed; 2], false));
    assert_eq!(differing[3], ([Looks::Text, Looks::Blank], false));
}

#[test]
fn the_staff_says_what_differs_and_whose_it_may_be() {
    let map = RegionMap::parse("m", MAP).unwrap();
    let found = compare(&logger(), &other_logger(), Some(&map)).unwrap();
    assert_eq!(
        found.staff(Some(&map)).lines(),
        [
            "  0x000000 -| boot             64 KiB  equal",
            "  0x010000 -| no region     256 bytes  differs: text",
            "            |   3 bytes differ; may be unit data: check this",
            "  0x010100  |              831.75 KiB  equal",
            "  0x0E0000 -| calibration       2 KiB  differs: table",
            "            |   2048 bytes differ; unit data by the map",
            "  0x0E0800  |                  62 KiB  blank in both",
            "  0x0F0000 -| no region     256 bytes  differs: text",
            "            |   1 byte differs; may be unit data: check this",
            "  0x0F0100  |               63.75 KiB  blank in both",
        ]
    );
}

#[test]
fn images_of_two_sizes_are_not_compared() {
    let error = compare(&logger(), &vec![0; 5], None).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
}

#[test]
fn a_thousand_differences_still_fit_a_screen() {
    let one = logger();
    let mut two = one.clone();
    two.iter_mut().step_by(9000).for_each(|byte| *byte ^= 1);
    let found = compare(&one, &two, None).unwrap();
    assert_eq!(found.differing_bytes, 117);
    assert!(
        found.stretches.len() <= SHOWN_MAX + 1,
        "{}",
        found.stretches.len()
    );
}
