mod brute_force;
mod measured;
mod properties;
mod screens;

use std::collections::BTreeMap;
use std::time::Duration;

use super::*;
use crate::image::RegionMap;
use crate::jedec::status::StatusFamily;
use crate::jedec::{Hertz, Millivolts};
use crate::part::{
    Addressing, BusyPoll, JedecId, Part, ProgramMethod, Source, SupplyRange, Timing,
};

const SMALL: u32 = 64;
const LARGE: u32 = 1024;
const SIZE: u32 = 8 * LARGE;

fn timing(microseconds: u64) -> Timing {
    Timing {
        typical: Duration::from_micros(microseconds),
        max: Duration::from_micros(microseconds * 10),
    }
}

fn erase(size_bytes: u32, opcode: u8, microseconds: u64) -> EraseType {
    EraseType {
        size_bytes,
        opcode,
        opcode_4byte: None,
        time: timing(microseconds),
        only_in: None,
    }
}

fn part(size_bytes: u32, page_size_bytes: u32, erase_types: Vec<EraseType>) -> Part {
    Part {
        maker: "invented".into(),
        name: "invented".into(),
        markings: Vec::new(),
        jedec_id: JedecId(vec![0, 0, 0]),
        size_bytes,
        supply: SupplyRange {
            min: Millivolts(2700),
            max: Millivolts(3600),
            from_memory: false,
        },
        page_size_bytes,
        program: ProgramMethod::Page,
        page_program: timing(300),
        erase_types,
        chip_erase: None,
        status_write: timing(1000),
        sck_max: BTreeMap::new(),
        lane_reads: Vec::new(),
        quad_enable: None,
        lane_programs: Vec::new(),
        addressing: Addressing {
            three_byte: true,
            four_byte: Vec::new(),
        },
        status: StatusFamily::Basic,
        busy: BusyPoll::Status,
        has_sfdp: None,
        unique_id: None,
        protected_at_power_up: false,
        stacked: false,
        notes: Vec::new(),
        source: Source {
            title: "invented".into(),
            revision: String::new(),
            place: String::new(),
        },
        memory: Vec::new(),
    }
}

/// A 64th of a part with 4, 32 and 64 KiB erases, with their usual relation of times.
fn small_part() -> Part {
    let types = vec![
        erase(SMALL, 0x20, 45_000),
        erase(512, 0x52, 120_000),
        erase(LARGE, 0xD8, 150_000),
    ];
    part(SIZE, 16, types)
}

fn map(regions: &[(&str, Range<u32>, &str)]) -> RegionMap {
    let mut text = format!("size = {SIZE}\n");
    for (name, range, holds) in regions {
        let (start, end) = (range.start, range.end);
        text.push_str(&format!(
            "[[region]]\nname='{name}'\nstart={start}\nend={end}\nholds='{holds}'\n"
        ));
    }
    RegionMap::parse("regions.toml", &text).unwrap()
}

fn plain_map() -> RegionMap {
    map(&[
        ("boot", 0..2048, "replaceable"),
        ("system", 2048..8000, "replaceable"),
    ])
}

fn planned(
    current: &[u8],
    target: &[u8],
    map: &RegionMap,
    part: &Part,
) -> Result<Worklist, WorklistError> {
    planned_after(current, target, map, part, &[], false)
}

fn planned_after(
    current: &[u8],
    target: &[u8],
    map: &RegionMap,
    part: &Part,
    begun: &[Range<u32>],
    accept_shared: bool,
) -> Result<Worklist, WorklistError> {
    plan(&Request {
        current: &current.to_vec(),
        target: &target.to_vec(),
        map,
        part,
        begun,
        pace: PACE,
        accept_shared,
    })
}

fn slice(range: &Range<u32>) -> Range<usize> {
    range.start as usize..range.end as usize
}

/// Does the steps as a chip would: erasing sets all bits of a block, programming only clears bits.
fn apply(worklist: &Worklist, current: &[u8], target: &[u8]) -> Vec<u8> {
    let mut cells = current.to_vec();
    let mut load = Load::default();
    for step in worklist.steps() {
        if let Some(erase) = worklist.erase_type(&step) {
            assert_eq!(erase.size_bytes, step.size_bytes());
            assert_eq!(step.range.start % erase.size_bytes, 0);
            let place = erase.only_in.clone().unwrap_or(0..u32::MAX);
            assert!(place.start <= step.range.start && step.range.end <= place.end);
            cells[slice(&step.range)].fill(0xFF);
        }
        let before = &current[slice(&step.range)];
        let runs = worklist.programs(&step, before, &target[slice(&step.range)]);
        load.programs += operations(worklist, &runs);
        load.bytes += runs.iter().map(|r| r.len() as u32).sum::<u32>();
        load.increments = worklist.load.increments;
        for run in runs {
            assert!(step.range.start <= run.start && run.end <= step.range.end);
            assert!(
                worklist.grain.method == ProgramMethod::AaiWord
                    || run.start / 16 == (run.end - 1) / 16,
                "a run stays within its page"
            );
            for address in slice(&run) {
                cells[address] &= target[address];
            }
        }
    }
    assert_eq!(load, worklist.load);
    cells
}

/// A step's block and how many operations program it.
fn programs(worklist: &Worklist, current: &[u8], target: &[u8]) -> Vec<(Range<u32>, u32)> {
    let each = worklist.steps().map(|step| {
        let place = slice(&step.range);
        let runs = worklist.programs(&step, &current[place.clone()], &target[place]);
        (step.range, operations(worklist, &runs))
    });
    each.collect()
}

/// Operations that the chip sees: one a page, one a byte, or one a word and one a byte beside it.
fn operations(worklist: &Worklist, runs: &[Range<u32>]) -> u32 {
    let word_or_byte = |run: &Range<u32>| {
        let (mut at, mut count) = (run.start, 0);
        while at < run.end {
            let word = at % 2 == 0 && at + 1 < run.end;
            at += if word { 2 } else { 1 };
            count += 1;
        }
        count
    };
    let of_run = |run| match worklist.grain.method {
        ProgramMethod::Page => 1,
        ProgramMethod::Byte => slice(run).len() as u32,
        ProgramMethod::AaiWord => word_or_byte(run),
    };
    runs.iter().map(of_run).sum()
}

fn worklist_erases(worklist: &Worklist) -> impl Iterator<Item = Step> {
    let steps = worklist.steps();
    steps.filter(|step| worklist.erase_type(step).is_some())
}

/// A content of one byte and another that differs at the given addresses.
fn differing(byte: u8, places: &[(usize, u8)]) -> (Vec<u8>, Vec<u8>) {
    let current = vec![byte; SIZE as usize];
    let mut target = current.clone();
    for (place, byte) in places {
        target[*place] = *byte;
    }
    (current, target)
}

#[test]
fn nothing_to_do_is_an_empty_worklist() {
    let (current, target) = differing(0x55, &[]);
    let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
    assert!(worklist.is_empty());
    let lines = worklist.summary(&worklist.estimate());
    assert_eq!(
        lines[0],
        "Nothing would change: the target equals the newest backup."
    );
    assert!(
        lines.iter().all(|line| !line.contains("order")),
        "{lines:#?}"
    );
}

#[test]
fn the_first_and_the_last_byte_are_reached() {
    let (current, target) = differing(0, &[(0, 1), (SIZE as usize - 1, 1)]);
    let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
    let ranges: Vec<_> = worklist.steps().map(|s| s.range.clone()).collect();
    assert_eq!(
        ranges,
        [SIZE - SMALL..SIZE, 0..SMALL],
        "the block at address 0 last"
    );
    assert!(apply(&worklist, &current, &target) == target);
}

#[test]
fn a_whole_chip_takes_the_largest_erases() {
    let (current, target) = (vec![0; SIZE as usize], vec![1; SIZE as usize]);
    let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
    assert_eq!(worklist.step_count(), (SIZE / LARGE) as usize);
    assert!(
        programs(&worklist, &current, &target)
            .iter()
            .all(|(_, pages)| *pages == LARGE / 16)
    );
    let starts: Vec<_> = worklist.steps().map(|s| s.range.start / LARGE).collect();
    assert_eq!(starts, [2, 3, 4, 5, 6, 7, 1, 0]);
}

#[test]
fn clearing_bits_needs_no_erase() {
    let (current, target) = differing(0xF0, &[(70, 0x70), (75, 0x00), (130, 0xE0)]);
    let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
    let steps: Vec<Step> = worklist.steps().collect();
    assert!(steps.iter().all(|step| step.action == Action::Program));
    let runs = worklist.programs(&steps[1], &current[64..128], &target[64..128]);
    assert_eq!(runs.first(), Some(&(70..76)));
    let mut part = small_part();
    part.program = ProgramMethod::AaiWord;
    let worklist = planned(&current, &target, &plain_map(), &part).unwrap();
    assert!(
        worklist
            .steps()
            .all(|step| worklist.erase_type(&step).is_some())
    );
}

#[test]
fn neighbours_that_are_only_programmed_are_one_step() {
    // Blank but for one block: the target fills the second and third large block and a bit more.
    let (current, mut target) = differing(0xFF, &[]);
    target[LARGE as usize..3 * LARGE as usize + 200].fill(0x5A);
    let ranges = |target: &[u8], map: &RegionMap| {
        let worklist = planned(&current, target, map, &small_part()).unwrap();
        assert!(worklist_erases(&worklist).next().is_none());
        assert!(apply(&worklist, &current, target) == target);
        programs(&worklist, &current, target)
    };
    let small = (0..4).map(|i| 3 * LARGE + i * SMALL);
    let mut expected = vec![(2 * LARGE..3 * LARGE, 64)];
    expected.extend(small.map(|start| (start..start + SMALL, 4)));
    expected[4].1 = 1;
    expected.push((LARGE..2 * LARGE, 64));
    assert_eq!(ranges(&target, &plain_map()), expected);

    // Not over a block that stays, and not over unit data: redone after an interruption, the step
    // would erase both.
    target[2 * LARGE as usize..2 * LARGE as usize + 64].fill(0xFF);
    expected.splice(0..1, std::iter::once((2 * LARGE + 512..3 * LARGE, 32)));
    let stays = (1..8).map(|i| (2 * LARGE + i * SMALL..2 * LARGE + (i + 1) * SMALL, 4));
    expected.splice(0..0, stays);
    assert_eq!(ranges(&target, &plain_map()), expected);
    let unit = map(&[("identity", 2 * LARGE + 600..2 * LARGE + 604, "unit-data")]);
    target[2 * LARGE as usize + 600..2 * LARGE as usize + 604].fill(0xFF);
    let found = ranges(&target, &unit);
    let around = |range: &Range<u32>| range.contains(&(2 * LARGE + 600));
    let holding: Vec<_> = found.iter().filter(|(range, _)| around(range)).collect();
    assert_eq!(holding, [&(2 * LARGE + 576..2 * LARGE + 640, 4)]);
}

#[test]
fn a_begun_block_is_rewritten_whole_even_where_it_reads_equal() {
    let (current, target) = differing(0x55, &[]);
    let part = small_part();
    let begun = [LARGE..2 * LARGE, 70..71];
    let worklist = planned_after(&current, &target, &plain_map(), &part, &begun, false).unwrap();
    let steps = programs(&worklist, &current, &target);
    assert_eq!(steps, [(LARGE..2 * LARGE, 64), (64..128, 4)]);
    assert!(worklist_erases(&worklist).count() == 2);
}

#[test]
fn a_sector_map_is_respected() {
    // As on parts with small sectors in the bottom 64 KiB only (common practice, no source).
    let mut part = small_part();
    part.erase_types.remove(1);
    part.erase_types[0].only_in = Some(0..LARGE);
    part.erase_types[1].only_in = Some(LARGE..SIZE);
    let (current, target) = (vec![0; SIZE as usize], vec![1; SIZE as usize]);
    let worklist = planned(&current, &target, &plain_map(), &part).unwrap();
    assert_eq!(worklist.step_count(), 16 + 7);
    assert!(apply(&worklist, &current, &target) == target);

    // One byte above the small sectors takes a whole large block, and its unit data with it.
    let (current, target) = differing(0, &[(5000, 1)]);
    let map = map(&[("identity", 4096..4160, "unit-data")]);
    let error = planned(&current, &target, &map, &part).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the block at 0x001000 (1 KiB) is shared with unit data in 'identity'"
    );
    part.erase_types.pop();
    let error = planned(&current, &target, &map, &part).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the part has no erase for the block at 0x001380"
    );
}

#[test]
fn programming_unit_data_without_an_erase_counts_as_shared() {
    let (current, target) = differing(0xFF, &[(100, 0), (110, 0)]);
    let around = map(&[("identity", 101..110, "unit-data")]);
    assert!(planned(&current, &target, &around, &small_part()).is_ok());
    let touched = map(&[("identity", 101..111, "unit-data")]);
    let error = planned(&current, &target, &touched, &small_part()).unwrap_err();
    assert!(matches!(
        error,
        WorklistError::SharedBlock { blocks: 1, .. }
    ));
    assert!(planned_after(&current, &target, &touched, &small_part(), &[], true).is_ok());
}

/// Of the regions around it, the one is named that shares the block and is the unit's own.
#[test]
fn a_shared_block_is_told_with_the_unit_data_in_it() {
    let (current, target) = differing(0, &[(195, 1)]);
    let around = map(&[
        ("calibration", 128..192, "unit-data"),
        ("system", 192..200, "replaceable"),
        ("identity", 200..210, "unit-data"),
    ]);
    let error = planned(&current, &target, &around, &small_part()).unwrap_err();
    let WorklistError::SharedBlock { range, region, .. } = &error else {
        panic!("{error}");
    };
    assert_eq!((range.clone(), region.as_str()), (192..256, "identity"));
}

/// What a step costs depends on its size, and not on where it lies.
#[test]
fn two_small_blocks_far_up_are_erased_by_themselves() {
    let types = vec![erase(4 << 10, 0x20, 45_000), erase(64 << 10, 0xD8, 150_000)];
    let part = part(16 << 20, 256, types);
    let current = vec![0; 16 << 20];
    let mut target = current.clone();
    let starts = [0xF0_0000, 0xF0_2000];
    starts.iter().for_each(|start| target[*start] = 1);
    let map = RegionMap::unmapped(16 << 20);
    let worklist = planned(&current, &target, &map, &part).unwrap();
    let mut steps: Vec<Range<u32>> = worklist.steps().map(|step| step.range).collect();
    steps.sort_by_key(|range| range.start);
    let wanted = starts.map(|start| start as u32..start as u32 + 4096);
    assert_eq!(steps, wanted);
}

/// Half of each word is there already, so that its other half would be programmed alone; an erase and whole
/// words take less. Never over unit data.
#[test]
fn an_erase_can_take_less_than_single_bytes() {
    let mut part = part(SIZE, 1, vec![erase(SMALL, 0x20, 10)]);
    part.program = ProgramMethod::AaiWord;
    let (mut current, mut target) = differing(0xFF, &[]);
    for pair in 0..SMALL as usize / 2 {
        current[2 * pair] = 0x0F;
        target[2 * pair..2 * pair + 2].copy_from_slice(&[0x0F, 0x5A]);
    }
    let erases = |map: &RegionMap| {
        let worklist = planned(&current, &target, map, &part).unwrap();
        assert!(apply(&worklist, &current, &target) == target);
        worklist_erases(&worklist).count()
    };
    assert_eq!(erases(&plain_map()), 1);
    assert_eq!(erases(&map(&[("identity", 20..21, "unit-data")])), 0);
}

#[test]
fn sizes_and_geometry_must_agree() {
    let (current, target) = differing(0, &[]);
    let error = |current: &[u8], target: &[u8], part: &Part| {
        planned(current, target, &plain_map(), part)
            .unwrap_err()
            .to_string()
    };
    let part = small_part();
    assert_eq!(
        error(&current[1..], &target, &part),
        "the part has 8 KiB, the present content has 8191 bytes"
    );
    assert!(error(&current, &target[1..], &part).contains("the target"));
    let mut other = part.clone();
    other.size_bytes *= 2;
    assert!(error(&current, &target, &other).contains("the region map"));
    for size_bytes in [0, 3, 2 * SIZE] {
        let mut other = part.clone();
        other.erase_types[0].size_bytes = size_bytes;
        assert!(error(&current, &target, &other).contains("erase block"));
    }
    let mut other = part.clone();
    other.page_size_bytes = 0;
    assert!(error(&current, &target, &other).contains("page"));
}

#[test]
fn a_part_without_erase_can_still_be_programmed_where_it_is_blank() {
    let part = part(SIZE, 16, Vec::new());
    let (current, target) = differing(0xFF, &[(5000, 1)]);
    assert_eq!(
        planned(&current, &target, &plain_map(), &part)
            .unwrap()
            .step_count(),
        1
    );
    assert!(matches!(
        planned(&target, &current, &plain_map(), &part),
        Err(WorklistError::NoErase {
            address: Address(4096)
        })
    ));
}

#[test]
fn the_digest_tells_worklists_apart() {
    let (current, target) = differing(0, &[(0, 1)]);
    let (_, other) = differing(0, &[(100, 1)]);
    let plan = |target: &[u8]| {
        planned(&current, target, &plain_map(), &small_part())
            .unwrap()
            .digest()
    };
    assert_eq!(plan(&target), plan(&target));
    assert_ne!(plan(&target), plan(&other));
    assert_ne!(plan(&target), plan(&current));
}

#[test]
fn the_order_is_told_in_words() {
    let order = |places: &[(usize, u8)]| {
        let (current, target) = differing(0, places);
        let map = map(&[
            ("boot", 0..2048, "replaceable"),
            ("system", 2048..4096, "replaceable"),
            ("extras", 4096..8192 - 96, "replaceable"),
            ("identity", 8192 - 96..8192, "unit-data"),
        ]);
        let part = small_part();
        planned_after(&current, &target, &map, &part, &[], true)
            .unwrap()
            .order()
    };
    let whole = "the old boot loader stays whole for as long as possible";
    assert_eq!(order(&[(2048, 1)]), "system");
    assert_eq!(order(&[(3000, 1), (5000, 1)]), "system, extras");
    assert_eq!(order(&[(0, 1)]), format!("boot downwards: {whole}"));
    assert_eq!(
        order(&[(0, 1), (3000, 1)]),
        format!("system, then boot downwards: {whole}")
    );
    assert_eq!(
        order(&[(3000, 1), (8080, 1)]),
        "system, blocks shared with unit data last, each alone"
    );
}

/// Blocks of 64 bytes in the order in which they are done, and the order in words.
fn order_of(regions: &RegionMap, changed: &[u32]) -> (Vec<u32>, String) {
    let places: Vec<_> = changed.iter().map(|block| (block * 64, 1)).collect();
    let places: Vec<_> = places
        .iter()
        .map(|(at, byte)| (*at as usize, *byte))
        .collect();
    let (current, target) = differing(0, &places);
    let worklist = planned_after(&current, &target, regions, &small_part(), &[], true).unwrap();
    let blocks = worklist.steps().map(|step| step.range.start / 64);
    (blocks.collect(), worklist.order())
}

/// Nothing tells norlock where a board starts but address 0: a boot region elsewhere is one of the
/// others, and what begins at 0 still falls last.
#[test]
fn what_begins_at_0_falls_last_whatever_it_is_called() {
    let regions = map(&[
        ("system", 0..2048, "replaceable"),
        ("extras", 2048..4096, "replaceable"),
        ("boot", 4096..8192, "replaceable"),
    ]);
    let (blocks, words) = order_of(&regions, &[0, 3, 40, 70, 100]);
    assert_eq!(blocks, [40, 70, 100, 3, 0]);
    let whole = "the old boot loader stays whole for as long as possible";
    assert_eq!(
        words,
        format!("extras, boot, then system downwards: {whole}")
    );
}

#[test]
fn several_regions_go_upwards_and_shared_blocks_come_alone_at_the_end() {
    let regions = map(&[
        ("boot", 0..1024, "replaceable"),
        ("settings", 1024..2048, "replaceable"),
        ("system", 2048..4100, "replaceable"),
        ("identity", 4100..4120, "unit-data"),
        ("extras", 4120..8192, "replaceable"),
    ]);
    // Block 64 holds the end of system, the unit's identity, and the beginning of extras.
    let (blocks, words) = order_of(&regions, &[0, 5, 20, 40, 64, 90]);
    assert_eq!(blocks, [20, 40, 90, 5, 0, 64]);
    assert_eq!(
        words,
        "other regions upwards, then boot downwards, blocks shared with unit data last, each alone: \
         the old boot loader stays whole for as long as possible"
    );
}

/// Without a map, as in a restore, all counts as what begins at address 0.
#[test]
fn without_a_map_all_goes_downwards() {
    let (blocks, words) = order_of(&RegionMap::unmapped(SIZE), &[0, 3, 40, 100]);
    assert_eq!(blocks, [100, 40, 3, 0]);
    assert!(words.starts_with("no region downwards"), "{words}");
}

const PACE: Pace = Pace {
    first: Hertz(20_000_000),
    second: Hertz(12_000_000),
    read_back: Hertz(12_000_000),
    whole: Hertz(20_000_000),
    modify: Hertz(10_000_000),
    program_lanes: [1, 1],
    address_bytes: 3,
    message: Duration::ZERO,
    message_bytes: Pace::MESSAGE_BYTES,
    sampled_bytes: 0,
    records: Pace::RECORDS,
    begun: Duration::ZERO,
};
