//! Looks at a busy chip: which byte of them counts, and what they cost.

use std::sync::atomic::{AtomicUsize, Ordering};

use super::*;
use crate::part::BusyPoll;

/// A chip that takes over its status with the opcode: the first byte is as of before the settle time. It also
/// counts the batches.
fn latching(link: impl Link + 'static, latches: bool, batches: &Arc<AtomicUsize>) -> Box<dyn Link> {
    let batches = Arc::clone(batches);
    Box::new(Altered::new(link, move |link, batch, sck| {
        batches.fetch_add(1, Ordering::SeqCst);
        for frame in batch {
            let first = frame.segments.first();
            let looks = matches!(first, Some(Segment::Out([0x05]))) && !frame.settle.is_zero();
            let mut before = [0];
            if looks && latches {
                let into = Segment::In(&mut before);
                let asked = Frame::new(vec![Segment::Out(&[0x05]), into]);
                link.transfer(&mut [asked.after(Duration::from_micros(1))], sck)?;
            }
            link.transfer(std::slice::from_mut(frame), sck)?;
            if let (true, Some(Segment::In(bytes))) = (looks && latches, frame.segments.last_mut())
            {
                bytes[0] = before[0];
            }
        }
        Ok(())
    }))
}

/// The settle time lies behind the opcode of the look; whether a chip takes over its status before or behind it no
/// datasheet at hand prints. It costs no message and no ignored word. That the register is put out again and again
/// is in W25Q128JV Rev. I, 8.2, Read Status Register.
#[test]
fn a_status_from_before_the_settle_time_is_not_believed() {
    for name in ["W25Q80DV", "SST25VF016B"] {
        let messages = [false, true].map(|latches| {
            let mut part = part(name);
            part.protected_at_power_up = false;
            let desk = Desk::with(part);
            desk.mock.set_overhead(Duration::ZERO);
            let batches = Arc::default();
            let link = latching(desk.link(), latches, &batches);
            let mut bare = Bare::new(link, Purpose::Write, SCK);
            let look = bare.meet(PATIENCE, &|| false).unwrap();
            let chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
            let mut armed = chip.arm(Allowed).unwrap();
            batches.store(0, Ordering::SeqCst);
            for page in 0..40 {
                let data = pattern(page, 256);
                armed.program(Address(page * 256), &data).unwrap();
                assert!(desk.mock.truth(page * 256..(page + 1) * 256) == data);
            }
            batches.load(Ordering::SeqCst)
        });
        assert!(
            messages[0] >= 40 && messages[0] == messages[1],
            "{name}: {messages:?}"
        );
    }
}

/// Where a message costs much, a little of the chip's time is given for fewer of them.
#[test]
fn dear_messages_are_fewer() {
    let messages = |cost| {
        let desk = Desk::new("W25Q80DV");
        desk.mock.set_times(Times::Drawn);
        let mut armed = desk.armed().with_message(Duration::from_micros(cost));
        let before = desk.mock.counters().batches;
        for page in 0..300 {
            armed
                .program(Address(page * 256), &pattern(page, 256))
                .unwrap();
        }
        desk.mock.counters().batches - before
    };
    let [cheap, dear] = [0, 2000].map(messages);
    assert!(dear >= 300 && dear * 20 < cheap * 19, "{cheap} {dear}");
}

/// A frame with a long settle time cannot be interrupted, and a sleep in one piece not either.
#[test]
fn an_erase_is_slept_through_in_slices_and_no_frame_settles_for_long() {
    // Typical: slept through before the first look. At its maximum: between looks as well.
    slept_through(Times::Typical);
    slept_through(Times::Max);
}

fn slept_through(times: Times) {
    let desk = Desk::new("M25P80");
    desk.mock.set_times(times);
    let (sleeps, settled) = (Arc::new(AtomicUsize::new(0)), Arc::new(Mutex::new(None)));
    let (slept, longest) = (Arc::clone(&sleeps), Arc::clone(&settled));
    let link = Altered::new(desk.link(), move |link, batch, sck| {
        let settle = batch.iter().map(|frame| frame.settle).max();
        let mut longest = longest.lock().unwrap();
        *longest = settle.max(*longest);
        link.transfer(batch, sck)
    });
    let link = link.while_alive(move || slept.fetch_add(1, Ordering::SeqCst) < usize::MAX);
    let mut bare = Bare::new(Box::new(link), Purpose::Write, SCK);
    let look = bare.meet(PATIENCE, &|| false).unwrap();
    let chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
    let mut armed = chip.arm(Allowed).unwrap();
    let block = desk.part.erase_types.last().unwrap();
    assert!(block.time.typical >= Duration::from_millis(500));
    sleeps.store(0, Ordering::SeqCst);
    armed.erase(block, Address(0)).unwrap();
    assert!(sleeps.load(Ordering::SeqCst) >= 3, "{sleeps:?}");
    let settled = settled.lock().unwrap().unwrap();
    assert!(settled <= Duration::from_millis(10), "{settled:?}");
}

/// One look that says ready, and later ones of the same message that say busy: a wire erred, or a chip.
#[test]
fn a_chip_that_is_busy_again_is_waited_for() {
    let desk = Desk::new("W25Q80DV");
    // Slower than it is taken to be, so that it is looked at too soon.
    desk.mock.set_times(Times::Max);
    let met = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&met);
    let link = Altered::new(desk.link(), move |link, batch, sck| {
        link.transfer(batch, sck)?;
        let is_look = |frame: &&mut Frame<'_>| {
            let first = frame.segments.first();
            matches!(first, Some(Segment::Out([0x05]))) && !frame.settle.is_zero()
        };
        let mut looks: Vec<_> = batch.iter_mut().filter(is_look).collect();
        if let [first, _, ..] = looks.as_mut_slice() {
            if let Some(Segment::In(bytes)) = first.segments.last_mut() {
                count.fetch_add(1, Ordering::SeqCst);
                bytes.fill(0);
            }
        }
        Ok(())
    });
    let mut bare = Bare::new(Box::new(link), Purpose::Write, SCK);
    let look = bare.meet(PATIENCE, &|| false).unwrap();
    let chip = bare.into_chip(desk.part.clone(), look.id).unwrap();
    let armed = chip.arm(Allowed).unwrap();
    let mut armed = armed.with_message(Duration::from_millis(2));
    for page in 0..40 {
        let data = pattern(page, 256);
        armed.program(Address(page * 256), &data).unwrap();
        assert!(desk.mock.truth(page * 256..(page + 1) * 256) == data);
    }
    assert!(met.load(Ordering::SeqCst) > 0, "no message had two looks");
}

/// What small blocks take says nothing of large ones.
#[test]
fn each_size_of_erase_is_learnt_by_itself() {
    let looks = |small: u32| {
        let desk = Desk::new("W25Q80DV");
        desk.mock.set_times(Times::Typical);
        let mut armed = desk.armed();
        let kinds = &desk.part.erase_types;
        let [first, .., last] = kinds.as_slice() else {
            panic!("too few erases")
        };
        for block in 0..small {
            armed.erase(first, Address(block * 4096)).unwrap();
        }
        let before = desk.mock.counters().batches;
        armed.erase(last, Address(0)).unwrap();
        desk.mock.counters().batches - before
    };
    assert_eq!(looks(10), looks(0));
}

/// A part of a person's own of whose flag status register only failures are told: WIP says when it is ready.
#[test]
fn a_failure_shows_in_the_flags_of_a_part_that_is_ready_by_wip() {
    let mut part = part("N25Q256A13");
    part.busy = BusyPoll::Status;
    let desk = Desk::with(part).fault(Fault::Protected { status_1: 0x1C });
    let last = Address(desk.part.size_bytes - 1);
    let error = desk.armed().program(last, &[0]).unwrap_err();
    assert!(matches!(error, ChipError::Failed { .. }), "{error:?}");
}
