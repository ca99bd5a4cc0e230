//! Looks at a busy chip: which byte of them counts, and what they cost.

use std::sync::atomic::{AtomicUsize, Ordering};

use super::*;

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
    let desk = Desk::new("M25P80");
    desk.mock.set_times(Times::Typical);
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
