//! The contact is lost at every frame of a write: for a frame or for good, all wires or MISO alone. The
//! run is stopped with words for the bench, or right; and from the first answer on that shows it, no
//! frame goes out that changes the chip, to erase, to program or to put protection back.
//!
//! No outside source: what a lost contact shows is the fault model of `norlock::mock::Fault`.

use norlock::job::{Exit, Stop, WriteReport};
use norlock::link::Sent;
use norlock::mock::{Fault, Faults, Miso};

use crate::all;
use crate::small::{Small, When};

/// Erases, programs and status writes.
const MODIFYING: [u8; 6] = [0x01, 0x02, 0x20, 0x52, 0xD8, 0xC7];
/// BP1 and BP2, which are clear on this chip, protected or not.
const CLEAR: u8 = 0x18;

fn prepared(lift: bool) -> Small {
    let mut small = Small::ready(1);
    if lift {
        let protected = Fault::Protected { status_1: 0x24 };
        small.mock().set_faults(Faults::none().with(protected));
        small.lift_protection = true;
    }
    small.station.trace.lock().unwrap().clear();
    small
}

/// The frames of an undisturbed write at which it begins, begins to write, and reads the whole chip.
fn frames(lift: bool) -> [u64; 3] {
    let [writing, whole] = ["writing", "whole read"].map(|task| {
        let small = prepared(lift);
        let mut frame = 0;
        let mut attendant = When::begins(task, || frame = small.mock().frames());
        small.write_attended(&mut attendant).unwrap();
        drop(attendant);
        frame
    });
    [prepared(lift).mock().frames() + 1, writing, whole]
}

/// Whether an answer of the writing shows that something else than the chip answers.
fn shows_it(frame: &Sent, enabled: bool, reads_back: bool, target: &[u8]) -> bool {
    let read = &frame.read;
    if frame.failed {
        return false;
    }
    match frame.out.as_slice() {
        [0x9F] => !read.starts_with(&[0xEF, 0x7A, 0x10]),
        [0x05] => read[0] & CLEAR != 0 || (enabled && read[0] & 0x03 != 0x02),
        [0x0B, a, b, c, ..] if reads_back => {
            let at = u32::from_be_bytes([0, *a, *b, *c]) as usize;
            read[..] != target[at..at + read.len()]
        }
        _ => false,
    }
}

/// Frames that change the chip, in batches after the first one whose answers show the loss.
fn after_the_sign(trace: &[Sent], writing: usize, target: &[u8]) -> Vec<u8> {
    let frames = trace.get(writing..).unwrap_or_default();
    let (mut sign, mut changed) = (None, false);
    let mut after = Vec::new();
    for (n, frame) in frames.iter().enumerate() {
        if sign.is_some_and(|at| at != frame.at) && MODIFYING.contains(&frame.out[0]) {
            after.push(frame.out[0]);
        }
        let enabled = n > 0 && frames[n - 1].out == [0x06] && frames[n - 1].at == frame.at;
        // While the register is being written its bits may be the old ones, the new, or others.
        let others = frames[..n].iter().rfind(|frame| frame.out != [0x05]);
        let written = frame.out == [0x05] && others.is_some_and(|frame| frame.out[0] == 0x01);
        if written && frame.read != [0xFF] {
            continue;
        }
        if sign.is_none() && shows_it(frame, enabled, changed, target) {
            sign = Some(frame.at);
        }
        changed |= MODIFYING[1..].contains(&frame.out[0]);
    }
    after
}

fn run(fault: &Fault, lift: bool, seed: u64) -> bool {
    let small = prepared(lift);
    let mut faults = Faults::seeded(seed).with(fault.clone());
    if lift {
        faults = faults.with(Fault::Protected { status_1: 0x24 });
    }
    small.mock().set_faults(faults);
    let mut writing = usize::MAX;
    let trace = std::sync::Arc::clone(&small.station.trace);
    let mut attendant = When::ends("second", || writing = trace.lock().unwrap().len());
    let result = small.write_attended(&mut attendant);
    drop(attendant);
    let context = format!("{fault:?} lift {lift} seed {seed}: {result:?}");
    let sent = small.station.trace.lock().unwrap().clone();
    let after = after_the_sign(&sent, writing, &small.target);
    assert!(after.is_empty(), "{after:02X?} after the sign: {context}");
    assert_eq!(small.mock().monitor().violations(), 0, "{context}");
    judge(&small, &result, &context);
    small.power_up();
    small
        .write()
        .unwrap_or_else(|stop| panic!("{context} then {stop:?}"));
    small.check_done(&small.target);
    let found = if lift { 0x24 } else { 0x00 };
    assert_eq!(small.status(), found, "{context}");
    result.is_err()
}

fn judge(small: &Small, result: &Result<WriteReport, Stop>, context: &str) {
    small.check_kept();
    let Err(stop) = result else {
        assert!(small.cells() == small.target, "done and wrong: {context}");
        return;
    };
    let says = format!("{:?} {}", stop.evidence, stop.next);
    let unfinished = small.unfinished();
    assert_eq!(
        stop.exit == Exit::Unfinished,
        unfinished.is_some(),
        "{context}"
    );
    assert!(
        says.contains("clip") || says.contains("norlock contact"),
        "{context}"
    );
    assert!(!says.contains("fault of norlock"), "{context}");
    let hand = unfinished.and_then(|write| write.contents.ok()?.in_hand().first().cloned());
    if let Some(block) = hand {
        let place = format!("Stopped at 0x{:06X}", block.start);
        assert!(stop.headline.starts_with(&place), "{context}");
        assert!(
            says.contains("in hand") && says.contains("Do not power the board"),
            "{context}"
        );
    }
}

/// All wires or MISO alone, what MISO shows, how many frames.
fn kinds() -> Vec<(bool, Miso, Option<u64>)> {
    let mut kinds = Vec::new();
    for miso_only in [false, true] {
        for shows in [Miso::Low, Miso::High, Miso::Noise] {
            for frames in [Some(1), Some(2), Some(5), Some(50), None] {
                kinds.push((miso_only, shows, frames));
            }
        }
    }
    kinds
}

fn lost((miso_only, shows, frames): (bool, Miso, Option<u64>), from_frame: u64) -> Fault {
    if miso_only {
        Fault::Miso {
            shows,
            from_frame,
            frames,
        }
    } else {
        Fault::LooseContact {
            shows,
            from_frame,
            frames,
        }
    }
}

fn everywhere(lift: bool, quick: usize) {
    let [first, writing, last] = frames(lift);
    let before = (first..writing - 8).step_by(23);
    let moments: Vec<u64> = before.chain(writing - 8..last + 8).collect();
    let mut cases = Vec::new();
    for (n, kind) in kinds().into_iter().enumerate() {
        // In the quick tier each kind meets other moments.
        let (skip, step) = if all() {
            (0, 1)
        } else {
            (n, moments.len() / quick)
        };
        let some = moments.iter().skip(skip).step_by(step.max(1));
        cases.extend(some.map(|moment| lost(kind, *moment)));
    }
    let mut stopped = 0;
    for (fault, seed) in cases.iter().zip(1..) {
        stopped += usize::from(run(fault, lift, seed));
    }
    assert!(stopped > cases.len() / 3, "{stopped} of {}", cases.len());
}

#[test]
fn lost_at_every_frame() {
    everywhere(false, 2);
}

#[test]
fn lost_at_every_frame_with_protection_lifted() {
    everywhere(true, 1);
}
