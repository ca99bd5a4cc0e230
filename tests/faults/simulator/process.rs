//! One run of the program: a process that can be killed at any message or call on its files.
//!
//! A killed process runs no destructor. What unwinds here in its place reaches neither chip nor files: from
//! its end on, both refuse.

use std::io;
use std::ops::Range;
use std::panic::resume_unwind;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use norlock::jedec::{Hertz, Millivolts};
use norlock::link::{Frame, Limits, Link, LinkError, Segment};
use norlock::mock::{Faults, Mock, MockLink};
use norlock::unit::store::Loss;

/// What unwinds in place of a process that was killed.
pub struct Killed;

/// Opcodes of erases and programs.
const MODIFYING: [u8; 7] = [0x02, 0x20, 0x52, 0xD8, 0xC7, 0xAD, 0xAF];

/// How a process ends before its time.
#[derive(Debug, Clone, Copy)]
pub enum Death {
    /// SIGKILL: chip and computer live on.
    Killed,
    /// The computer goes down, and its files lose this. `true` where the chip's supply goes with it.
    Computer(Loss, bool),
}

/// What shall happen to a process.
#[derive(Debug, Clone, Default)]
pub struct Fate {
    /// Before this message, counted from 1.
    pub at_batch: Option<(u64, Death)>,
    /// At this step of the store, counted over all of its life.
    pub at_call: Option<(usize, Death)>,
    /// Where the supply is cut: what the files lose, if it is the computer's as well.
    pub with_supply: Option<Loss>,
    /// From this message on these faults are in force.
    pub later: Option<(u64, Faults)>,
    /// Unit data that may not change, and where it lies.
    pub unit_data: Option<(Range<u32>, Vec<u8>)>,
}

#[derive(Default)]
pub struct Process {
    pub fate: Fate,
    pub batches: AtomicU64,
    /// Times that the attendant was told of progress.
    pub looks: AtomicU64,
    pub trace: AtomicU64,
    /// Modifying frames after which unit data was not as before.
    pub hurt: AtomicU64,
    pub died: Mutex<Option<Death>>,
    pub supply_failed: AtomicBool,
    /// A second process was let in.
    pub intruded: AtomicBool,
    dead: AtomicBool,
}

impl Process {
    pub fn new(fate: Fate) -> Arc<Self> {
        Arc::new(Self {
            fate,
            ..Self::default()
        })
    }

    pub fn is_dead(&self) -> bool {
        self.dead.load(SeqCst)
    }

    pub fn die(&self, death: Death) -> ! {
        *self.died.lock().unwrap() = Some(death);
        self.dead.store(true, SeqCst);
        resume_unwind(Box::new(Killed))
    }

    /// Mixes `bytes` into the hash of all that went over the wires.
    fn note(&self, bytes: &[u8]) {
        let mut hash = self.trace.load(SeqCst);
        for chunk in bytes.chunks(8) {
            let mut word = [0; 8];
            word[..chunk.len()].copy_from_slice(chunk);
            hash = (hash.rotate_left(5) ^ u64::from_le_bytes(word))
                .wrapping_mul(0x9E37_79B9_7F4A_7C15);
        }
        self.trace.store(hash, SeqCst);
    }

    fn note_all(&self, batch: &[Frame<'_>]) {
        for segment in batch.iter().flat_map(|frame| &frame.segments) {
            self.note(bytes_of(segment));
        }
    }
}

fn bytes_of<'a>(segment: &'a Segment<'_>) -> &'a [u8] {
    match segment {
        Segment::Out(bytes) => bytes,
        Segment::In(bytes) | Segment::Exchange(bytes) => bytes,
    }
}

fn first_byte(frame: &Frame<'_>) -> Option<u8> {
    bytes_of(frame.segments.first()?).first().copied()
}

/// A link of a mortal process.
pub struct MortalLink {
    pub inner: MockLink,
    pub mock: Mock,
    pub process: Arc<Process>,
}

impl MortalLink {
    fn watch_unit_data(&self, modified: bool) {
        if let Some((range, bytes)) = self.process.fate.unit_data.as_ref().filter(|_| modified) {
            let hurt = self.mock.truth(range.clone()) != *bytes;
            self.process.hurt.fetch_add(u64::from(hurt), SeqCst);
        }
    }
}

impl Link for MortalLink {
    fn name(&self) -> &str {
        self.inner.name()
    }
    fn level(&self) -> Option<Millivolts> {
        self.inner.level()
    }
    fn limits(&self) -> Limits {
        self.inner.limits()
    }
    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let process = Arc::clone(&self.process);
        if process.is_dead() {
            return Err(LinkError::Io(io::ErrorKind::BrokenPipe.into()));
        }
        let number = process.batches.fetch_add(1, SeqCst) + 1;
        if let Some((at, death)) = process.fate.at_batch.filter(|(at, _)| number >= *at) {
            process.note(&at.to_be_bytes());
            process.die(death);
        }
        if let Some((at, faults)) = &process.fate.later {
            if *at == number {
                self.mock.set_faults(faults.clone());
            }
        }
        let modifying =
            |frame: &Frame| first_byte(frame).is_some_and(|byte| MODIFYING.contains(&byte));
        let modified = batch.iter().any(modifying);
        process.note_all(batch);
        let sent = self.inner.transfer(batch, sck);
        process.note_all(batch);
        process.note(&[u8::from(sent.is_ok()), sck.0 as u8]);
        self.watch_unit_data(modified);
        if matches!(sent, Err(LinkError::PowerCut { .. })) {
            process.supply_failed.store(true, SeqCst);
            if let Some(loss) = process.fate.with_supply {
                process.die(Death::Computer(loss, false));
            }
        }
        sent
    }
    fn now(&self) -> Duration {
        self.inner.now()
    }
    fn wait(&mut self, time: Duration) {
        if !self.process.is_dead() {
            self.inner.wait(time);
        }
    }
}
