//! What is read is hashed, compared and filed while the next bytes are on the wire.
//!
//! A pass has two sides. The bus side sends batches, tells the attendant and hears a stop. What is
//! done with the bytes is done beside it, on one thread, in order, with a bounded number of frames between
//! the two: where files fall behind for long, the bus waits, and memory does not grow. Only where the
//! link's time is real ([`Link::takes_time`](crate::link::Link::takes_time)): on a virtual clock both
//! sides take turns, so that a run is the same each time, and each call on files that is made to fail
//! meets the same batches.

use std::ops::{ControlFlow, Range};
use std::panic::resume_unwind;
use std::sync::mpsc::{Receiver, Sender, channel, sync_channel};
use std::thread::{self, Builder};
use std::time::Duration;

use super::{Attendant, Exit, Stop, Task};
use crate::chip::{Chip, ChipError, Order, Pass, PassEnd};
use crate::jedec::Address;
use crate::unit::UnitError;

/// Bytes that may be read and not yet taken: 0.3 s at 50 MHz, in which a disk may be busy elsewhere.
const AHEAD_BYTES: usize = 2 << 20;
/// Bytes that are handed over at once, a frame at the least: to wake the other side takes longer than what
/// it does with a short frame.
const LUMP_BYTES: usize = 32 << 10;

/// Takes the bytes of each frame with their address.
pub(super) type Take<'a> = dyn FnMut(Address, &[u8]) -> Result<(), UnitError> + Send + 'a;

/// Where the bus side hands the bytes of each frame. It breaks off where no more are taken.
type Hand<'a> = dyn FnMut(Address, &[u8]) -> ControlFlow<()> + 'a;

/// Why a pass did not come to its end.
#[derive(Debug)]
pub(super) enum Failed {
    Chip(ChipError),
    File(UnitError),
}

impl From<Failed> for Stop {
    fn from(failed: Failed) -> Self {
        match failed {
            Failed::Chip(error) => error.into(),
            Failed::File(error) => error.into(),
        }
    }
}

/// One pass over some ranges, which are in order of address and do not overlap, as a task of its own.
pub(super) fn run_over(
    chip: &mut Chip,
    pass: &Pass,
    within: &[Range<u32>],
    name: &'static str,
    attendant: &mut dyn Attendant,
    take: &mut Take<'_>,
) -> Result<Duration, Stop> {
    attendant.begins(&Task {
        name,
        total: bytes_of(within),
        bytes: true,
    });
    let Some(time) = read_over(chip, pass, within, 0, attendant, take)? else {
        return Err(Stop::new(
            Exit::Stopped,
            "Stopped while reading.",
            "The same command starts over.",
        ));
    };
    attendant.ends(&format!("{:.1} s", time.as_secs_f64()));
    Ok(time)
}

/// The same within a task that has begun; `None` where the person stopped. `before` counts what the task
/// has read already. The time is that of both sides.
///
/// A file that fails counts before a chip that does: it was about bytes read earlier.
pub(super) fn read_over(
    chip: &mut Chip,
    pass: &Pass,
    within: &[Range<u32>],
    before: u64,
    attendant: &mut dyn Attendant,
    take: &mut Take<'_>,
) -> Result<Option<Duration>, Failed> {
    let mut ranges = within.to_vec();
    if pass.order == Order::Down {
        ranges.reverse();
    }
    let total = bytes_of(within);
    let start = chip.now();
    // A single frame has nothing to overlap with.
    let beside = chip.takes_time() && total > u64::from(pass.frame_bytes);
    let ahead = beside.then(|| AHEAD_BYTES / LUMP_BYTES.max(pass.frame_bytes as usize));
    let end = overlapped(ahead, take, &mut |hand| {
        let mut done = 0;
        let mut each = |address: Address, bytes: &[u8]| {
            hand(address, bytes)?;
            done += bytes.len() as u64;
            attendant.at(before + done, None);
            // Nothing is left to stop behind the last frame.
            match attendant.stop_asked() && done < total {
                true => ControlFlow::Break(()),
                false => ControlFlow::Continue(()),
            }
        };
        for range in &ranges {
            if chip.read_pass(pass, range.clone(), &mut each)? == PassEnd::Stopped {
                return Ok(PassEnd::Stopped);
            }
        }
        Ok(PassEnd::Whole)
    });
    let end = end.map_err(Failed::File)?.map_err(Failed::Chip)?;
    Ok((end == PassEnd::Whole).then(|| chip.now().saturating_sub(start)))
}

fn bytes_of(ranges: &[Range<u32>]) -> u64 {
    let each = ranges.iter().map(|range| range.end - range.start);
    each.map(u64::from).sum()
}

/// Runs `bus`, and `take` on all that it hands over: on a thread beside it, with up to `ahead` lumps
/// between the two, or in turn. Both have ended when it returns; a panic of either goes on.
fn overlapped<T>(
    ahead: Option<usize>,
    take: &mut Take<'_>,
    bus: &mut dyn FnMut(&mut Hand<'_>) -> T,
) -> Result<T, UnitError> {
    let beside = ahead.and_then(|lumps| beside(lumps, take, bus));
    beside.unwrap_or_else(|| in_turn(take, bus))
}

/// Both sides on this thread.
fn in_turn<T>(
    take: &mut Take<'_>,
    bus: &mut dyn FnMut(&mut Hand<'_>) -> T,
) -> Result<T, UnitError> {
    let mut failed = None;
    let done = bus(&mut |address, bytes| match take(address, bytes) {
        Ok(()) => ControlFlow::Continue(()),
        Err(error) => {
            failed = Some(error);
            ControlFlow::Break(())
        }
    });
    failed.map_or(Ok(done), Err)
}

/// Frames in order of reading.
#[derive(Default)]
struct Lump {
    frames: Vec<(Address, usize)>,
    bytes: Vec<u8>,
}

/// Each side on its thread; `None`, with nothing done, where the system gives no other one.
fn beside<T>(
    lumps: usize,
    take: &mut Take<'_>,
    bus: &mut dyn FnMut(&mut Hand<'_>) -> T,
) -> Option<Result<T, UnitError>> {
    thread::scope(|scope| {
        // Made in here: a panic of the bus side drops its ends, which ends the other side.
        let (full, read) = sync_channel(lumps.max(1));
        let (back, empty) = channel::<Lump>();
        let worker = Builder::new().spawn_scoped(scope, move || take_all(&read, &back, take));
        let worker = worker.ok()?;
        let mut lump = Lump::default();
        let done = bus(&mut |address, bytes| {
            lump.frames.push((address, bytes.len()));
            lump.bytes.extend_from_slice(bytes);
            if lump.bytes.len() < LUMP_BYTES {
                return ControlFlow::Continue(());
            }
            let next = empty.try_recv().unwrap_or_default();
            // Where the other side has failed, nobody takes it.
            match full.send(std::mem::replace(&mut lump, next)) {
                Ok(()) => ControlFlow::Continue(()),
                Err(_) => ControlFlow::Break(()),
            }
        });
        let _ = full.send(lump);
        drop(full);
        let taken = worker.join().unwrap_or_else(|panic| resume_unwind(panic));
        Some(taken.map(|()| done))
    })
}

/// Takes all frames that come, and gives what they came in back.
fn take_all(
    read: &Receiver<Lump>,
    back: &Sender<Lump>,
    take: &mut Take<'_>,
) -> Result<(), UnitError> {
    for mut lump in read {
        let mut rest = lump.bytes.as_slice();
        for (address, length) in lump.frames.drain(..) {
            let (bytes, after) = rest.split_at(length);
            take(address, bytes)?;
            rest = after;
        }
        lump.bytes.clear();
        // Once the bus side has ended, nobody needs it.
        let _ = back.send(lump);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::panic::{AssertUnwindSafe, catch_unwind};
    use std::sync::atomic::{AtomicU32, Ordering::SeqCst};
    use std::sync::mpsc::channel;

    use super::*;

    const BOTH: [Option<usize>; 2] = [None, Some(4)];
    /// A frame that is handed over by itself.
    static LONG: [u8; LUMP_BYTES] = [7; LUMP_BYTES];

    /// Hands over long frames, unless no more are taken; how many it handed.
    fn hand_over(frames: u32, hand: &mut Hand<'_>) -> u32 {
        let each = (0..frames).map(|n| hand(Address(n), &LONG));
        each.take_while(ControlFlow::is_continue).count() as u32
    }

    fn fault() -> UnitError {
        UnitError::Name { folder: "a".into() }
    }

    #[test]
    fn all_frames_are_taken_once_and_in_order() {
        for (ahead, length) in BOTH
            .into_iter()
            .flat_map(|ahead| [(ahead, 1000), (ahead, 50_000)])
        {
            let frame = |n: u32| vec![n as u8; length + n as usize % 7];
            let mut taken = Vec::new();
            let mut take = |address: Address, bytes: &[u8]| {
                taken.push((address.0, bytes.to_vec()));
                Ok(())
            };
            let bus = &mut |hand: &mut Hand<'_>| {
                for n in 0..100 {
                    assert!(hand(Address(n), &frame(n)).is_continue());
                }
            };
            overlapped(ahead, &mut take, bus).unwrap();
            let expected: Vec<_> = (0..100).map(|n| (n, frame(n))).collect();
            assert!(taken == expected, "{ahead:?}, {length}");
        }
    }

    #[test]
    fn the_bus_goes_on_while_bytes_are_taken() {
        let (on_the_bus, seen) = channel();
        let mut take = move |address: Address, _: &[u8]| {
            if address == Address(0) {
                // Not before the second frame is read; in turn, that never comes.
                let far = seen.recv_timeout(Duration::from_secs(20));
                assert_eq!(far, Ok("second frame"));
            }
            Ok(())
        };
        let bus = &mut |hand: &mut Hand<'_>| {
            assert_eq!(hand_over(2, hand), 2);
            on_the_bus.send("second frame").unwrap();
        };
        overlapped(Some(4), &mut take, bus).unwrap();
    }

    #[test]
    fn the_bus_waits_where_bytes_are_not_taken() {
        let handed = AtomicU32::new(0);
        let mut most = 0;
        let mut take = |_: Address, _: &[u8]| {
            if most == 0 {
                // Long enough to hand over all, were there no bound.
                thread::sleep(Duration::from_millis(30));
                most = handed.load(SeqCst);
            }
            Ok(())
        };
        let bus = &mut |hand: &mut Hand<'_>| {
            for n in 0..200 {
                assert!(hand(Address(n), &LONG).is_continue());
                handed.fetch_add(1, SeqCst);
            }
        };
        overlapped(Some(4), &mut take, bus).unwrap();
        assert!((1..=5).contains(&most), "{most}");
    }

    #[test]
    fn a_file_that_fails_ends_both_sides() {
        for ahead in BOTH {
            let mut taken = 0;
            let mut take = |_: Address, _: &[u8]| {
                taken += 1;
                if taken == 10 { Err(fault()) } else { Ok(()) }
            };
            let mut handed = 0;
            let result = overlapped(ahead, &mut take, &mut |hand| {
                handed = hand_over(200, hand);
            });
            assert!(matches!(result, Err(UnitError::Name { .. })), "{result:?}");
            assert_eq!(taken, 10);
            // The tenth itself, and what was between the two sides.
            assert!((9..=15).contains(&handed), "{handed}");
        }
    }

    /// Also the last frames, which are not enough to be handed over before.
    #[test]
    fn a_file_that_fails_at_the_end_is_told() {
        for ahead in BOTH {
            let mut take = |_: Address, _: &[u8]| Err(fault());
            let bus = &mut |hand: &mut Hand<'_>| {
                let _ = hand(Address(0), &[1]);
            };
            let result = overlapped(ahead, &mut take, bus);
            assert!(matches!(result, Err(UnitError::Name { .. })), "{result:?}");
        }
    }

    #[test]
    fn a_panic_of_either_side_goes_on() {
        for ahead in BOTH {
            let mut take = |_: Address, _: &[u8]| panic!("the worker");
            let result = catch_unwind(AssertUnwindSafe(|| {
                overlapped(ahead, &mut take, &mut |hand| hand_over(200, hand))
            }));
            assert_eq!(result.unwrap_err().downcast_ref(), Some(&"the worker"));

            let mut taken = 0;
            let mut take = |_: Address, _: &[u8]| {
                taken += 1;
                Ok(())
            };
            let bus = &mut |hand: &mut Hand<'_>| {
                hand_over(3, hand);
                panic!("the bus");
            };
            let result: Result<Result<(), _>, _> =
                catch_unwind(AssertUnwindSafe(|| overlapped(ahead, &mut take, bus)));
            assert_eq!(result.unwrap_err().downcast_ref(), Some(&"the bus"));
            assert_eq!(taken, 3, "the other side has ended as well");
        }
    }
}
