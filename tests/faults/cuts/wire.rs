//! The wire of one run: what went over it as a hash, and the moments before its modifying frames.

use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use norlock::jedec::{Hertz, Lanes};
use norlock::link::{Frame, Link, LinkError, Segment};
use norlock::mock::{Mock, MockLink};
use norlock::unit::store::{Fails, Loss, SimulatedStore};

use super::bench::State;
use crate::altered::Altered;

/// Opcodes of erases, programs and status writes of all parts here.
const MODIFYING: [u8; 13] = [
    0x01, 0x02, 0x11, 0x12, 0x20, 0x21, 0x31, 0x32, 0x52, 0x5C, 0xAD, 0xD8, 0xDC,
];

/// A hash over all frames sent, of every run so far: what the host sends, and how much it reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TraceHash(pub u64);

impl TraceHash {
    fn number(&mut self, number: u64) {
        self.0 = (self.0 ^ number)
            .wrapping_mul(0x9E37_79B9_7F4A_7C15)
            .rotate_left(29);
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        let (eights, rest) = bytes.split_at(bytes.len() / 8 * 8);
        for eight in eights.chunks_exact(8) {
            self.number(u64::from_le_bytes(eight.try_into().unwrap()));
        }
        rest.iter().for_each(|byte| self.number(u64::from(*byte)));
    }

    fn batch(&mut self, batch: &[Frame<'_>], sck: Hertz) {
        self.number(u64::from(sck.0));
        for frame in batch {
            self.number(frame.settle.as_nanos() as u64);
            for segment in &frame.segments {
                match segment {
                    Segment::Out(bytes) => self.bytes(bytes),
                    Segment::In(bytes) => self.number(bytes.len() as u64),
                    Segment::Exchange(bytes) => self.bytes(bytes),
                }
            }
        }
    }
}

/// A frame to be sent again.
#[derive(Debug)]
struct Again {
    settle: Duration,
    lanes: Lanes,
    segments: Vec<Part>,
}

#[derive(Debug)]
enum Part {
    Out(Vec<u8>),
    /// So many bytes.
    In(usize),
}

impl Again {
    fn of(frame: &Frame<'_>) -> Self {
        let part = |segment: &Segment<'_>| match segment {
            Segment::Out(bytes) => Part::Out(bytes.to_vec()),
            Segment::In(bytes) => Part::In(bytes.len()),
            Segment::Exchange(_) => panic!("no batch that modifies has an exchange"),
        };
        Self {
            settle: frame.settle,
            lanes: frame.lanes,
            segments: frame.segments.iter().map(part).collect(),
        }
    }
}

fn modifies(frame: &Frame<'_>) -> bool {
    let Some(Segment::Out(bytes)) = frame.segments.first() else {
        return false;
    };
    bytes.first().is_some_and(|code| MODIFYING.contains(code))
}

/// The bench as it stood before a batch with modifying frames.
pub struct Moment {
    state: State,
    trace: TraceHash,
    /// Numbers, in its run, of the modifying frames in the batch.
    pub numbers: std::ops::RangeInclusive<u64>,
    batch: Vec<Again>,
    sck: Hertz,
}

impl Moment {
    /// The same bench, once more, and its trace so far.
    pub fn again(&self) -> (State, TraceHash) {
        (self.state.fork(), self.trace)
    }

    /// Sends the batch on `wire`, where the supply fails in it.
    pub fn send(&self, wire: &Wire) -> Result<(), LinkError> {
        let parts = || self.batch.iter().flat_map(|again| &again.segments);
        let reads = parts().map(|part| match part {
            Part::Out(_) => 0,
            Part::In(length) => *length,
        });
        let mut buffers = vec![0; reads.sum()];
        let mut batch = Vec::new();
        let mut rest = buffers.as_mut_slice();
        for again in &self.batch {
            let mut segments = Vec::new();
            for part in &again.segments {
                segments.push(match part {
                    Part::Out(bytes) => Segment::Out(bytes),
                    Part::In(length) => {
                        let (into, later) = rest.split_at_mut(*length);
                        rest = later;
                        Segment::In(into)
                    }
                });
            }
            batch.push(Frame::new(segments).after(again.settle).on(again.lanes));
        }
        wire.transfer(&mut wire.state.mock.link(), &mut batch, self.sck)
    }
}

/// What was seen of one run.
pub struct Seen {
    pub trace: TraceHash,
    /// Modifying frames so far.
    pub modifying: u64,
    /// Modifying frames after which unit data was not as found, or that the chip did not count.
    pub wrong: u64,
    pub moments: Vec<Moment>,
    dead: bool,
}

/// The simulated link of one run, looked at.
pub struct Wire {
    state: State,
    unit_data: Arc<Vec<u8>>,
    unit_data_at: u32,
    keep_moments: bool,
    dies: Option<Loss>,
    seen: Arc<Mutex<Seen>>,
}

impl Wire {
    /// `dies` is what the files lose if the supply fails: the computer dies with it.
    pub fn new(
        state: &State,
        (unit_data_at, unit_data): (u32, &Arc<Vec<u8>>),
        trace: TraceHash,
        dies: Option<Loss>,
    ) -> Self {
        Self {
            state: state.clone(),
            unit_data: Arc::clone(unit_data),
            unit_data_at,
            keep_moments: false,
            dies,
            seen: Arc::new(Mutex::new(Seen {
                trace,
                modifying: 0,
                wrong: 0,
                moments: Vec::new(),
                dead: false,
            })),
        }
    }

    pub fn keeping_moments(mut self) -> Self {
        self.keep_moments = true;
        self
    }

    pub fn seen(&self) -> Arc<Mutex<Seen>> {
        Arc::clone(&self.seen)
    }

    fn note(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap()
    }

    /// Before a batch goes out.
    fn before(&self, batch: &[Frame<'_>], modifying: u64, sck: Hertz) {
        let mut seen = self.note();
        if self.keep_moments && modifying > 0 {
            let moment = Moment {
                state: self.state.fork(),
                trace: seen.trace,
                numbers: seen.modifying + 1..=seen.modifying + modifying,
                batch: batch.iter().map(Again::of).collect(),
                sck,
            };
            seen.moments.push(moment);
        }
        seen.trace.batch(batch, sck);
    }

    fn after(&self, result: &Result<(), LinkError>, taken: u64, modifying: u64) {
        let mut seen = self.note();
        seen.modifying += taken;
        let kept = self.state.mock.holds(self.unit_data_at, &self.unit_data);
        let counted = result.is_err() || taken == modifying;
        seen.wrong += u64::from(!kept || !counted);
        let cut = matches!(result, Err(LinkError::PowerCut { .. }));
        if let (true, Some(loss), false) = (cut, self.dies, seen.dead) {
            // Nothing that the dead process still does reaches its files.
            seen.dead = true;
            let files: &SimulatedStore = &self.state.files;
            files.crash(loss);
            files.fail_at(files.calls(), 5, Fails::FromThenOn);
        }
    }

    fn transfer(
        &self,
        link: &mut MockLink,
        batch: &mut [Frame<'_>],
        sck: Hertz,
    ) -> Result<(), LinkError> {
        if self.note().dead {
            return link.transfer(batch, sck);
        }
        let modifying = batch.iter().filter(|frame| modifies(frame)).count() as u64;
        self.before(batch, modifying, sck);
        if modifying == 0 {
            // That nothing was changed all the same is seen at the end of the run.
            return link.transfer(batch, sck);
        }
        let mock: &Mock = &self.state.mock;
        let operations = mock.modifying_operations();
        let result = link.transfer(batch, sck);
        let taken = mock.modifying_operations() - operations;
        self.after(&result, taken, modifying);
        result
    }

    /// The link that is looked at.
    pub fn link(self) -> Altered<MockLink> {
        let link = self.state.mock.link();
        Altered::new(link, move |link, batch, sck| {
            self.transfer(link, batch, sck)
        })
    }
}
