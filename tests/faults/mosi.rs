//! The wire to the chip lies: frames are lost or heard twice, bits of what goes out arrive inverted. No
//! software keeps the one frame from doing harm that a flipped bit made harmful; but a write never ends
//! as done with a wrong chip, and harm is found by the next run and mended by `restore`.
//!
//! No outside source: what arrives is the fault model of `norlock::mock::Fault`.

use norlock::job::{Exit, RestoreOrder, Stop, WriteReport};
use norlock::mock::{Fault, Faults, Flips};

use crate::all;
use crate::small::Small;

/// Frames of an undisturbed write, and the one with which it begins.
fn frames() -> (u64, u64) {
    let small = Small::ready(1);
    let before = small.mock().frames();
    small.write().unwrap();
    (before + 1, small.mock().frames() - before)
}

/// How many runs ended as done, and how many of the others had hurt unit data.
#[derive(Default, Debug)]
struct Ends {
    done: u32,
    stopped: u32,
    hurt: u32,
}

fn run(fault: &Fault, seed: u64, ends: &mut Ends) {
    let small = Small::ready(1);
    let status = small.status();
    small
        .mock()
        .set_faults(Faults::seeded(seed).with(fault.clone()));
    let result = small.write();
    let context = format!("{fault:?} seed {seed}: {result:?}");
    assert_eq!(small.mock().monitor().violations(), 0, "{context}");
    small.power_up();
    let hurt = small.cells()[0xC000..0xE000] != small.found[0xC000..0xE000];
    judge(&small, &result, status, &context);
    ends.hurt += u32::from(hurt);
    match result {
        Ok(_) => ends.done += 1,
        Err(_) => {
            ends.stopped += 1;
            mended(&small, status, hurt, &context);
        }
    }
}

fn judge(small: &Small, result: &Result<WriteReport, Stop>, status: u8, context: &str) {
    match result {
        Ok(_) => {
            assert!(small.cells() == small.target, "done and wrong: {context}");
            assert_eq!(small.status(), status, "{context}");
        }
        Err(stop) if small.unfinished().is_none() => {
            assert!(
                matches!(stop.exit, Exit::Held | Exit::ChipFault),
                "{context}"
            );
        }
        Err(stop) => assert_eq!(stop.exit, Exit::Unfinished, "{context}"),
    }
    assert_eq!(small.station.image("as-found.bin"), small.found);
}

/// The wires are good again: the same command goes on, or says why it does not, and then `restore`
/// goes back.
fn mended(small: &Small, status: u8, hurt: bool, context: &str) {
    if let Err(stop) = small.write() {
        assert!(!stop.held.is_empty(), "{context} then {stop:?}");
        let order = RestoreOrder::default();
        let back = small.restore_as(order);
        back.unwrap_or_else(|stop| panic!("{context} back: {stop:?}"));
        assert!(small.cells() == small.found, "{context}");
    } else {
        assert!(!hurt, "{context}: hurt unit data was gone over");
        assert!(small.cells() == small.target, "{context}");
    }
    assert_eq!(small.status(), status, "{context}");
    assert!(small.unfinished().is_none());
}

/// Some frames of a write in turn, every so many frames where all is asked for.
fn at_frames(quick: u64, every: u64, fault: impl Fn(u64) -> Fault) -> Ends {
    let (first, count) = frames();
    let step = if all() { every } else { count / quick };
    let mut ends = Ends::default();
    for from_frame in (first..first + count).step_by(step.max(1) as usize) {
        run(&fault(from_frame), from_frame, &mut ends);
    }
    ends
}

#[test]
fn a_frame_is_lost_or_heard_twice() {
    for times in [0, 2] {
        for frames in [1, 2, 5] {
            let ends = at_frames(6, 2 * frames - 1, |from_frame| Fault::Heard {
                times,
                opcode: None,
                from_frame,
                frames: Some(frames),
            });
            assert_eq!(ends.hurt, 0, "{times} {frames}: {ends:?}");
            assert!(ends.done > 0, "{times} {frames}: {ends:?}");
        }
    }
}

#[test]
fn one_kind_of_frame_is_lost_from_then_on() {
    for opcode in [0x06, 0x05, 0x04, 0x02, 0x20, 0x52, 0x9F, 0x0B] {
        let ends = at_frames(3, 7, |from_frame| Fault::Heard {
            times: 0,
            opcode: Some(opcode),
            from_frame,
            frames: None,
        });
        assert_eq!(ends.hurt, 0, "{opcode:02X}: {ends:?}");
    }
}

#[test]
fn a_frame_arrives_with_flipped_bits() {
    let mut sum = Ends::default();
    for rate in [0.01, 0.05] {
        let ends = at_frames(15, 1, |from_frame| {
            Fault::Flips(Flips {
                mosi: true,
                rate,
                from_frame,
                frames: Some(1),
                ..Flips::default()
            })
        });
        sum.done += ends.done;
        sum.stopped += ends.stopped;
    }
    assert!(sum.done > 0 && sum.stopped > 0, "{sum:?}");
}

/// The flips begin once the reads before are through, so that they strike what erases and programs.
#[test]
fn bits_flip_all_along_the_writing() {
    let runs = if all() { 1500 } else { 16 };
    let from_frame = first_writing();
    let mut ends = Ends::default();
    for seed in 0..runs {
        let rate = [3e-6, 3e-5, 3e-4, 3e-3][(seed % 4) as usize];
        let fault = Fault::Flips(Flips {
            mosi: true,
            rate,
            fresh: true,
            from_frame,
            ..Flips::default()
        });
        run(&fault, seed, &mut ends);
    }
    assert!(ends.done > 0 && ends.stopped > 0, "{ends:?}");
}

/// The frame with which the writing begins.
fn first_writing() -> u64 {
    let small = Small::ready(1);
    let mut first = 0;
    let mut attendant = crate::small::When::begins("writing", || first = small.mock().frames() + 1);
    small.write_attended(&mut attendant).unwrap();
    drop(attendant);
    first
}
