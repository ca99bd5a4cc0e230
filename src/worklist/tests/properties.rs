//! Whatever two contents are: what every plan between them must hold to.

use proptest::prelude::*;

use super::*;

/// The modelled time where each block of `size` that differs is erased, programmed and read back.
fn naive_time(current: &[u8], target: &[u8], size: u32, erase: Duration) -> Duration {
    let blocks = current
        .chunks(size as usize)
        .zip(target.chunks(size as usize));
    let changed = blocks.filter(|(old, new)| old != new);
    // A page of 16 bytes with its frame of 10 at 10 MHz; a byte read back at 12 MHz; the journal.
    let page = Duration::from_micros(300) + Duration::from_nanos(26 * 800);
    let besides = Duration::from_nanos(u64::from(size) * 8000 / 12) + Duration::from_millis(8);
    let pages = |new: &[u8]| {
        new.chunks(16)
            .filter(|p| p.iter().any(|b| *b != 0xFF))
            .count()
    };
    changed
        .map(|(_, new)| erase + besides + page * pages(new) as u32)
        .sum()
}

/// Two contents that differ by runs of pages: equal, blank, cleared bits, or anything.
fn contents() -> impl Strategy<Value = (Vec<u8>, Vec<u8>)> {
    let run = (0_u8..6, 1_usize..80, any::<u64>());
    prop::collection::vec(run, 1..60).prop_map(|runs| {
        let (mut current, mut target) = (Vec::new(), Vec::new());
        for (kind, pages, seed) in runs.into_iter().cycle() {
            let mut random = fastrand::Rng::with_seed(seed);
            for _ in 0..pages * 16 {
                let (old, new): (u8, u8) = (random.u8(..), random.u8(..));
                let (old, new) = match kind {
                    0 | 1 => (old, old),
                    2 => (0xFF, 0xFF),
                    3 => (old, old & new),
                    4 => (old, 0xFF),
                    _ => (old, new),
                };
                current.push(old);
                target.push(new);
            }
            if current.len() >= SIZE as usize {
                break;
            }
        }
        current.truncate(SIZE as usize);
        target.truncate(SIZE as usize);
        (current, target)
    })
}

fn begun_blocks() -> impl Strategy<Value = Vec<Range<u32>>> {
    let block = (
        0..SIZE / SMALL,
        prop::sample::select(vec![SMALL, 512, LARGE]),
    );
    let range = block.prop_map(|(index, size)| {
        let start = index * SMALL / size * size;
        start..start + size
    });
    prop::collection::vec(range, 0..4)
}

fn method() -> impl Strategy<Value = ProgramMethod> {
    prop::sample::select(vec![
        ProgramMethod::Page,
        ProgramMethod::Page,
        ProgramMethod::Byte,
        ProgramMethod::AaiWord,
    ])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn the_steps_turn_one_content_into_the_other(
        (current, target) in contents(), begun in begun_blocks(), method in method(),
    ) {
        let mut part = small_part();
        part.program = method;
        let worklist =
            planned_after(&current, &target, &plain_map(), &part, &begun, false).unwrap();
        prop_assert!(apply(&worklist, &current, &target) == target);

        // Torn cells: whatever a begun block really holds, it ends as the target.
        let mut torn = current.clone();
        begun.iter().for_each(|range| torn[slice(range)].fill(0x5A));
        let mut cells = torn.clone();
        for step in worklist.steps() {
            let old = &current[slice(&step.range)];
            if worklist.erase_type(&step).is_some() {
                cells[slice(&step.range)].fill(0xFF);
            }
            for run in worklist.programs(&step, old, &target[slice(&step.range)]) {
                for address in slice(&run) {
                    cells[address] &= target[address];
                }
            }
        }
        prop_assert!(cells == target);
    }

    #[test]
    fn steps_do_not_meet_and_leave_equal_blocks_alone((current, target) in contents()) {
        let worklist = planned(&current, &target, &plain_map(), &small_part()).unwrap();
        let mut ranges: Vec<_> = worklist.steps().map(|s| s.range.clone()).collect();
        ranges.sort_by_key(|range| range.start);
        prop_assert!(ranges.windows(2).all(|pair| pair[0].end <= pair[1].start));
        for step in worklist.steps() {
            prop_assert!(current[slice(&step.range)] != target[slice(&step.range)]);
        }
        prop_assert_eq!(worklist.is_empty(), current == target);
        // Programming joins neighbours, but covers no smallest block that is equal.
        for step in worklist.steps().filter(|s| s.action == Action::Program) {
            for start in (step.range.start..step.range.end).step_by(SMALL as usize) {
                let block = start..start + SMALL;
                prop_assert!(current[slice(&block)] != target[slice(&block)]);
            }
        }
        let (changed, all) = worklist.blocks();
        let headline = worklist.summary(&worklist.estimate()).remove(0);
        let counted = format!("{changed} of {all} blocks");
        prop_assert!(worklist.is_empty() || headline.starts_with(&counted), "{headline}");
    }

    #[test]
    fn with_one_erase_size_equal_blocks_are_never_touched((current, target) in contents()) {
        let part = part(SIZE, 16, vec![erase(SMALL, 0x20, 45_000)]);
        let worklist = planned(&current, &target, &plain_map(), &part).unwrap();
        let differing = current.chunks(64).zip(target.chunks(64)).filter(|(a, b)| a != b);
        prop_assert_eq!(worklist.step_count(), differing.count());
    }

    #[test]
    fn no_plan_takes_longer_than_one_size_of_erase_throughout((current, target) in contents()) {
        let part = small_part();
        let worklist = planned(&current, &target, &plain_map(), &part).unwrap();
        for erase in &part.erase_types {
            let naive = naive_time(&current, &target, erase.size_bytes, erase.time.typical);
            let estimate = worklist.estimate();
            let steps = estimate.total() - estimate.before - estimate.whole_read;
            prop_assert!(steps <= naive + Duration::from_micros(1));
        }
    }

    #[test]
    fn unit_data_on_its_own_blocks_is_never_erased(
        (current, mut target) in contents(), first in 0..SIZE / SMALL, blocks in 1_u32..9,
    ) {
        let end = (first + blocks).min(SIZE / SMALL);
        let unit = first * SMALL..end * SMALL;
        target[slice(&unit)].copy_from_slice(&current[slice(&unit)]);
        let map = map(&[("identity", unit.clone(), "unit-data")]);
        let worklist = planned(&current, &target, &map, &small_part()).unwrap();
        for step in worklist.steps() {
            prop_assert!(!step.shared);
            prop_assert!(step.range.end <= unit.start || unit.end <= step.range.start);
        }
        prop_assert!(apply(&worklist, &current, &target) == target);
    }

    #[test]
    fn unit_data_within_a_block_is_erased_only_where_that_is_accepted(
        (current, mut target) in contents(), start in 0..SIZE - 40, length in 1_u32..40,
    ) {
        let unit = start..start + length;
        target[slice(&unit)].copy_from_slice(&current[slice(&unit)]);
        let map = map(&[("identity", unit.clone(), "unit-data")]);
        let covers = |range: &Range<u32>| range.start < unit.end && unit.start < range.end;
        let accepted =
            planned_after(&current, &target, &map, &small_part(), &[], true).unwrap();
        let mut shared_blocks = 0;
        for step in worklist_erases(&accepted) {
            prop_assert_eq!(step.shared, covers(&step.range));
            prop_assert!(!step.shared || step.size_bytes() == SMALL, "no larger than needed");
            shared_blocks += usize::from(step.shared);
        }
        prop_assert!(apply(&accepted, &current, &target) == target);
        let plain = accepted.steps().take_while(|step| !step.shared).count();
        prop_assert!(accepted.steps().skip(plain).all(|s| s.shared), "shared blocks last");
        match planned(&current, &target, &map, &small_part()) {
            Ok(worklist) => prop_assert_eq!((worklist, shared_blocks), (accepted, 0)),
            Err(WorklistError::SharedBlock { range, region, blocks }) => {
                prop_assert!(covers(&range));
                prop_assert_eq!((region.as_str(), blocks), ("identity", shared_blocks));
            }
            Err(other) => prop_assert!(false, "{other}"),
        }
    }
}
