//! The worklist as people see it.

use super::*;

const GAUGE: &str = r#"size = "16MiB"
[[region]]
name = "boot"
start = 0
size = "256KiB"
holds = "replaceable"
[[region]]
name = "boot-settings"
start = 0x40000
size = "64KiB"
holds = "replaceable"
[[region]]
name = "system"
start = 0x50000
end = 0xFC0000
holds = "replaceable"
[[region]]
name = "calibration"
start = 0xFC0000
size = "64KiB"
holds = "unit-data"
[[region]]
name = "identity"
start = 0xFD0000
size = "64KiB"
holds = "unit-data"
"#;

/// The conversion of gauge-07: a new boot loader and a smaller system.
fn gauge() -> (Vec<u8>, Vec<u8>) {
    let mut current = vec![0xFF; 16 << 20];
    let mut target = current.clone();
    let fill = |image: &mut Vec<u8>, range: Range<usize>| {
        let mut random = fastrand::Rng::with_seed(range.len() as u64);
        image[range].fill_with(|| random.u8(..0x80));
    };
    for image in [&mut current, &mut target] {
        fill(image, 0x4_0000..0x4_1800);
        fill(image, 0xFC_0000..0xFC_0800);
        fill(image, 0xFD_0000..0xFD_0400);
    }
    fill(&mut current, 0..0x3_C000);
    fill(&mut current, 0x5_0000..0x9D_0000);
    fill(&mut target, 0..0x3_B000);
    fill(&mut target, 0x5_0000..0x5_0000 + 6632 * 1024);
    (current, target)
}

#[test]
fn the_conversion_of_gauge_07_looks_as_in_the_docs() {
    let (current, target) = gauge();
    let types = vec![
        erase(4 << 10, 0x20, 45_000),
        erase(32 << 10, 0x52, 120_000),
        erase(64 << 10, 0xD8, 150_000),
    ];
    let part = part(16 << 20, 256, types);
    let map = RegionMap::parse("regions.toml", GAUGE).unwrap();
    let worklist = planned(&current, &target, &map, &part).unwrap();
    let estimate = worklist.estimate();
    let lines = worklist.summary(&estimate);
    assert_eq!(
        lines,
        [
            "156 of 256 blocks would change, in about 70 s. The unit's",
            "own data stays where it is.",
            "",
            "  0x000000 -| boot             4  erase, program",
            "  0x040000 -| boot-settings    1  left: equal already",
            "  0x050000 -| system         104  erase, program",
            "  0x6D0000  |                 48  erase, stay blank",
            "  0x9D0000  |                 95  left: blank already",
            "  0xFC0000 -| calibration      1  left: unit data",
            "  0xFD0000 -| identity         1  left: unit data",
            "  0xFE0000 -| no region        2  left: as found",
            "",
            "  before     two full reads       about 17.9 s",
            "  erase      156 times 64 KiB     about 23.4 s",
            "  program    27,472 pages         about 14.1 s",
            "  journal    156 steps noted      about  1.2 s",
            "  read back  9.75 MiB             about  6.8 s",
            "  whole read 16 MiB               about  6.7 s",
            "  order      system, then boot downwards: the old boot",
            "             loader stays whole for as long as possible",
        ]
    );
    // 156 x 150 ms + 27472 x (0.3 ms + 265 bytes at 10 MHz) + one read at 20 MHz of 6.71 s.
    assert_eq!(format!("{:.1}", estimate.floor.as_secs_f64()), "44.2");
    // Two reads, the journal, and 9.75 MiB at 20 MHz of 4.09 s.
    let proof = estimate.proof_floor.as_secs_f64();
    assert_eq!(format!("{proof:.1}"), "23.2");
}

#[test]
fn regions_off_the_blocks_and_shared_blocks_are_shown() {
    let (current, target) = differing(0, &[(2115, 1), (2200, 1)]);
    let map = map(&[
        ("boot", 0..2048, "replaceable"),
        ("identity", 2120..2125, "unit-data"),
        ("system", 2125..8192, "replaceable"),
    ]);
    let part = small_part();
    let worklist = planned_after(&current, &target, &map, &part, &[], true).unwrap();
    let lines = worklist.summary(&worklist.estimate());
    assert_eq!(
        lines[..10],
        [
            "2 of 128 blocks would change, in about 0.1 s. One erase",
            "covers unit data as well.",
            "",
            "  0x000000 -| boot       32  left: equal already",
            "  0x000800 -| no region   1  left: as found",
            "  0x000840  |             1  erase, program, shared",
            "  0x000848 -| identity    0  in the block above",
            "  0x00084D -| system      0  in the block above",
            "  0x000880  |             1  erase, program",
            "  0x0008C0  |            93  left: equal already",
        ],
        "{lines:#?}"
    );
}

#[test]
fn programs_without_an_erase_are_shown_as_one_and_a_map_without_unit_data_is_said() {
    let (current, mut target) = differing(0xFF, &[]);
    target[1024..2048].fill(0x5A);
    let map = map(&[
        ("boot", 0..2048, "replaceable"),
        ("system", 2048..8192, "replaceable"),
    ]);
    let worklist = planned(&current, &target, &map, &small_part()).unwrap();
    let lines = worklist.summary(&worklist.estimate());
    assert_eq!(
        lines[..6],
        [
            "1 of 8 blocks would change, in about 0.0 s. The map names no",
            "unit data.",
            "",
            "  0x000000 -| boot    1  left: blank already",
            "  0x000400  |         1  program, no erase",
            "  0x000800 -| system  6  left: blank already",
        ],
        "{lines:#?}"
    );
}

/// The target is blank where something was: an erase, and not one page.
#[test]
fn what_is_not_programmed_has_no_row() {
    let (mut current, target) = differing(0xFF, &[]);
    current[1024..2048].fill(0x5A);
    let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
    let lines = worklist.summary(&worklist.estimate());
    let row = |key: &str| lines.iter().any(|line| line.trim_start().starts_with(key));
    assert!(row("erase") && !row("program"), "{lines:#?}");
}

/// A step covers several blocks of the picture where a region begins within it.
#[test]
fn a_region_that_begins_within_a_step_divides_the_picture() {
    let (current, mut target) = differing(0xFF, &[]);
    target[2048..3072].fill(0x5A);
    let map = map(&[
        ("boot", 0..2560, "replaceable"),
        ("system", 2560..8192, "replaceable"),
    ]);
    let worklist = planned(&current, &target, &map, &small_part()).unwrap();
    assert_eq!((worklist.step_count(), worklist.blocks()), (1, (2, 16)));
    let lines = worklist.summary(&worklist.estimate());
    assert_eq!(
        lines[3..7],
        [
            "  0x000000 -| boot     4  left: blank already",
            "  0x000800  |          1  program, no erase",
            "  0x000A00 -| system   1  program, no erase",
            "  0x000C00  |         10  left: blank already",
        ],
        "{lines:#?}"
    );
}
