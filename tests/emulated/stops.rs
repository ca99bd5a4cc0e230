//! What stops a write, and how it goes on: on chips that nobody here wrote.

use norlock::interlock::Interlock;
use norlock::jedec::opcode;
use norlock::job::{Attendant, ChipState, Exit, Nobody, Task};
use norlock::link::{Link, Segment};

use crate::altered::Altered;
use crate::gauge::Gauge;
use crate::is_skipped;
use crate::models::{self, Model};
use crate::opcodes::{only_reads, times};

/// A gauge with a backup and a target; and both images.
fn ready(seed: u64) -> (Gauge, Vec<u8>, Vec<u8>) {
    let gauge = Gauge::new(&models::smallest(), seed);
    let as_found = gauge.layout.as_found(seed);
    let pieces = gauge.layout.pieces(seed + 1);
    let target = gauge.layout.with_pieces(&as_found, &pieces);
    gauge.backup().unwrap();
    gauge.tailor(&pieces).unwrap();
    (gauge, as_found, target)
}

/// Asks to stop once so many blocks are written.
struct StopAfter {
    blocks: u64,
    writing: bool,
    asked: bool,
}

impl Attendant for StopAfter {
    fn begins(&mut self, task: &Task) {
        self.writing = task.name == "writing";
    }

    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.asked |= self.writing && done >= self.blocks;
    }

    fn ends(&mut self, _words: &str) {}

    fn stop_asked(&self) -> bool {
        self.asked
    }
}

#[test]
fn a_stopped_write_goes_on_with_the_same_call() {
    if is_skipped() {
        return;
    }
    let (mut gauge, as_found, target) = ready(20);
    let mut attendant = StopAfter {
        blocks: 1,
        writing: false,
        asked: false,
    };
    let stop = gauge.write_at(gauge.bench(), &mut attendant).unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Unfinished, ChipState::ChangedInPart),
        "{stop:?}"
    );
    let between = gauge.power_off();
    assert!(between != as_found && between != target);
    gauge.must_hold(&between, "while stopped");

    let written = gauge.write().unwrap();
    assert!(written.resumed);
    gauge.must_hold(&target, "after the second call");
    // Nothing is left to do, and nothing is done.
    gauge.opcodes();
    assert_eq!(gauge.write().unwrap().changed, 0);
    only_reads(&gauge);
}

/// The clip comes off before so many programs: the link fails, and the chip loses its supply.
fn comes_off(link: Box<dyn Link>, mut programs_left: u32) -> Box<dyn Link> {
    Box::new(Altered::new(link, move |link, batch, sck| {
        let programs = batch.iter().any(|frame| {
            let first = frame.segments.first();
            matches!(first, Some(Segment::Out([opcode::PAGE_PROGRAM, ..])))
        });
        programs_left = programs_left.saturating_sub(u32::from(programs));
        match programs_left {
            0 => Err(std::io::Error::other("the clip came off").into()),
            _ => link.transfer(batch, sck),
        }
    }))
}

#[test]
fn a_write_cut_inside_a_block_goes_on_or_back() {
    if is_skipped() {
        return;
    }
    for (programs, go_back) in [(3, false), (1, false), (40, true)] {
        let (mut gauge, as_found, target) = ready(30);
        let comes_off = |link| comes_off(link, programs);
        let stop = gauge
            .write_at(gauge.bench_over(comes_off), &mut Nobody)
            .unwrap_err();
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        let between = gauge.power_off();
        assert!(between != as_found && between != target);
        gauge.must_hold(&between, "while the clip is off");
        if go_back {
            gauge.restore(1).unwrap();
            gauge.must_hold(&as_found, "after going back");
        } else {
            assert!(gauge.write().unwrap().resumed);
            gauge.must_hold(&target, "after going on");
        }
    }
}

/// A chip marked as a part that has SFDP, and that has none, is not that part. It can be backed up.
#[test]
fn a_marking_that_the_chip_contradicts_keeps_it_from_being_written() {
    if is_skipped() {
        return;
    }
    let model = Model {
        // GD25Q64C, Rev 3.0, 2018-08-01: the part has SFDP, which the model has not.
        marking: "GD25Q64CSIG".into(),
        ..models::without_sfdp()
    };
    let mut gauge = Gauge::new(&model, 50);
    gauge.backup().unwrap();
    gauge.tailor(&gauge.layout.pieces(51)).unwrap();
    let stop = gauge.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.held[0].interlock, Interlock::KnownPart, "{stop:?}");
    only_reads(&gauge);
    gauge.must_hold(&gauge.layout.as_found(50), "after the refusal");
}

#[test]
fn a_write_onto_another_unit_is_refused() {
    if is_skipped() {
        return;
    }
    let (mut gauge, as_found, _) = ready(40);
    let mut other = as_found;
    let at = gauge.layout.region("identity").end - 1;
    other[at] ^= 0x01;
    gauge.runs(at, &[other[at]]);
    gauge.opcodes();
    let stop = gauge.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.held[0].interlock, Interlock::SameUnit, "{stop:?}");
    assert_eq!(times(&gauge.opcodes(), opcode::WRITE_ENABLE), 0);
    gauge.must_hold(&other, "after the refusal");
}
