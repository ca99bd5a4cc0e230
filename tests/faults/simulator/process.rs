//! One run of the program: a process that can be killed at any message or call on its files.
//!
//! A killed process runs no destructor. What unwinds here in its place reaches neither chip nor files: from
//! its end on, both refuse.

use std::io;
use std::ops::Range;
use std::panic::resume_unwind;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex};

use norlock::link::{Frame, Link, LinkError, Segment};
use norlock::mock::{Faults, Mock, MockLink};
use norlock::unit::store::Loss;

use crate::altered::Altered;

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

    /// What its fate has for the next message, before it is sent.
    fn strike(&self, mock: &Mock) {
        let number = self.batches.fetch_add(1, SeqCst) + 1;
        if let Some((at, death)) = self.fate.at_batch.filter(|(at, _)| number >= *at) {
            self.note(&at.to_be_bytes());
            self.die(death);
        }
        if let Some((at, faults)) = &self.fate.later {
            if *at == number {
                mock.set_faults(faults.clone());
            }
        }
    }

    fn watch_unit_data(&self, mock: &Mock, modified: bool) {
        if let Some((range, bytes)) = self.fate.unit_data.as_ref().filter(|_| modified) {
            let hurt = mock.truth(range.clone()) != *bytes;
            self.hurt.fetch_add(u64::from(hurt), SeqCst);
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

/// The link of a mortal process.
pub fn mortal(mock: &Mock, process: &Arc<Process>) -> Altered<MockLink> {
    let (mock, alive) = (mock.clone(), Arc::clone(process));
    let process = Arc::clone(process);
    let link = Altered::new(mock.link(), move |link, batch, sck| {
        if process.is_dead() {
            return Err(LinkError::Io(io::ErrorKind::BrokenPipe.into()));
        }
        process.strike(&mock);
        let modifying =
            |frame: &Frame| first_byte(frame).is_some_and(|byte| MODIFYING.contains(&byte));
        let modified = batch.iter().any(modifying);
        process.note_all(batch);
        let sent = link.transfer(batch, sck);
        process.note_all(batch);
        process.note(&[u8::from(sent.is_ok()), sck.0 as u8]);
        process.watch_unit_data(&mock, modified);
        if matches!(sent, Err(LinkError::PowerCut { .. })) {
            process.supply_failed.store(true, SeqCst);
            if let Some(loss) = process.fate.with_supply {
                process.die(Death::Computer(loss, false));
            }
        }
        sent
    });
    link.while_alive(move || !alive.is_dead())
}
