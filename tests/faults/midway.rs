//! What changes at the bench while a write runs: WP# is pulled low, the chip becomes slower than its
//! datasheet, another chip comes onto the clip; at each block or operation.
//!
//! No outside source: the faults are those of `norlock::mock::Fault`.

use norlock::job::{Attendant, Exit, Stop, Task};
use norlock::mock::{Content, Fault, Faults};

use crate::all;
use crate::small::{Small, When, changed};

/// Does something to the bench before the block with this number.
struct AtBlock<'a> {
    number: u64,
    writing: bool,
    blocks: u64,
    now: Box<dyn FnMut() + 'a>,
}

impl<'a> AtBlock<'a> {
    fn new(number: u64, now: impl FnMut() + 'a) -> Self {
        Self {
            number,
            writing: false,
            blocks: 0,
            now: Box::new(now),
        }
    }
}

impl Attendant for AtBlock<'_> {
    fn begins(&mut self, task: &Task) {
        self.writing = task.name == "writing";
        if self.writing {
            self.blocks = task.total;
        }
    }
    fn at(&mut self, done: u64, place: Option<&str>) {
        if self.writing && place.is_some() && done == self.number {
            (self.now)();
        }
    }
    fn ends(&mut self, _words: &str) {}
    fn stop_asked(&self) -> bool {
        false
    }
}

fn blocks() -> u64 {
    let small = Small::ready(1);
    let mut attendant = AtBlock::new(0, || {});
    small.write_attended(&mut attendant).unwrap();
    assert!(attendant.blocks >= 4, "{}", attendant.blocks);
    attendant.blocks
}

fn says(stop: &Stop) -> String {
    format!("{stop} {:?} {}", stop.evidence, stop.next)
}

/// With protection lifted and the lock bit set: all blocks are written, and it is told that protection
/// is not back. Once the pin is up again the same command puts it back.
#[test]
fn wp_goes_low_at_each_block() {
    for number in 0..blocks() {
        let mut small = Small::ready(1);
        let protected = Fault::Protected { status_1: 0x24 };
        small.mock().set_faults(Faults::none().with(protected));
        small.lift_protection = true;
        let mock = small.mock().clone();
        let mut attendant = AtBlock::new(number, || {
            let pin = Fault::WriteProtectPin { lock_bit: true };
            mock.set_faults(Faults::none().with(pin));
        });
        let stop = small.write_attended(&mut attendant).unwrap_err();
        small.check_stopped(&stop);
        assert!(small.cells() == small.target, "{number}: {stop:?}");
        let text = says(&stop);
        assert!(text.contains("protection is not back"), "{number}: {text}");
        assert!(text.contains("all blocks are written"), "{number}: {text}");
        small.power_up();
        small.write().unwrap();
        small.check_done(&small.target);
        assert_eq!(small.status() & 0x7C, 0x24, "{number}");
    }
}

#[test]
fn the_chip_becomes_too_slow_at_each_block() {
    for number in 0..blocks() {
        let small = Small::ready(1);
        let mut attendant = AtBlock::new(number, || {
            let slow = Fault::Slow { factor: 50.0 };
            small.mock().set_faults(Faults::none().with(slow));
        });
        let stop = small.write_attended(&mut attendant).unwrap_err();
        drop(attendant);
        small.check_stopped(&stop);
        let text = says(&stop);
        assert!(text.contains("was not done after"), "{number}: {text}");
        assert!(text.contains("Stopped at 0x"), "{number}: {text}");
        let hand = small.unfinished().unwrap().contents.unwrap().in_hand();
        assert_eq!(hand.len(), 1, "{number}");
        small.power_up();
        small.write().unwrap();
        small.check_done(&small.target);
    }
}

/// Neither chip counts as done, and the unit's own goes on where it was.
#[test]
fn another_chip_comes_at_each_operation() {
    let small = Small::ready(1);
    small.write().unwrap();
    let operations = small.mock().modifying_operations();
    for after_operation in 0..operations {
        for (n, content) in [Content::Same, Content::Blank, Content::Other]
            .into_iter()
            .enumerate()
        {
            if !all() && after_operation as usize % 3 != n {
                continue;
            }
            let other_kind = (after_operation as usize + n) % 2 == 0;
            let fault = Fault::Swapped {
                after_operation,
                jedec_id: other_kind.then(|| vec![0xC8, 0x40, 0x10]),
                unique_id: Some(vec![1, 2, 3, 4, 5, 6, 7, 8]),
                content,
            };
            let small = Small::ready(1);
            let mut attendant = When::begins("writing", || {
                let faults = Faults::seeded(3).with(fault.clone());
                small.mock().set_faults(faults);
            });
            let stop = small.write_attended(&mut attendant).unwrap_err();
            drop(attendant);
            let untouched = stop.exit == Exit::ChipFault && after_operation == 0;
            let told = (stop.exit, stop.chip) == (Exit::Unfinished, changed(&stop));
            assert!(untouched || told, "{fault:?}: {stop:?}");
            small.check_kept();
            // Given again, the command does nothing to the other chip.
            let before = small.mock().modifying_operations();
            let again = small.write().unwrap_err();
            let after = small.mock().modifying_operations();
            assert_eq!(before, after, "{fault:?}: {again:?}");
            small.check_kept();
        }
    }
}
