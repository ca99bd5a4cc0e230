//! The sequences of one part, and the shortest one that fails.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};

use super::differences::LIST;
use super::operation::Operation;
use super::parts::Subject;
use super::sides::{Sides, model_id, read_id};
use super::step::{Before, Found, Wrong};
use super::strategy::{places, sequences};
use super::theirs::Case;
use super::windows::sample;
use crate::random_bytes;

/// What is made new at once.
const BLOCK_BYTES: u32 = 4096;
/// Time for making a failing sequence shorter.
const SHORTER_MAX: Duration = Duration::from_secs(20);

/// How often each difference was met.
pub type Tally = BTreeMap<&'static str, u64>;

/// What became of one part.
pub struct Outcome {
    pub met: Tally,
    pub failure: Option<String>,
    model: &'static str,
    part: String,
    sequences: u64,
    operations: u64,
    frames: u64,
    took: Duration,
}

impl Outcome {
    /// The run ended in a panic: mostly an emulator that has ended.
    pub fn broken(subject: &Subject, panic: &(dyn std::any::Any + Send)) -> Self {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        let text = text.unwrap_or_default();
        Self {
            met: BTreeMap::new(),
            failure: Some(format!("{}: {text}", subject.model)),
            model: subject.model,
            part: subject.part.name.clone(),
            sequences: 0,
            operations: 0,
            frames: 0,
            took: Duration::ZERO,
        }
    }

    /// Model, part, sequences, operations, differences by kind.
    pub fn line(&self) -> String {
        let mut line = format!(
            "{} = {}: {} sequences, {} operations, {} frames, {:.1} s;",
            self.model,
            self.part,
            self.sequences,
            self.operations,
            self.frames,
            self.took.as_secs_f64()
        );
        for (name, count) in &self.met {
            let _ = write!(line, " {name} {count}");
        }
        if self.failure.is_some() {
            line += " FAILED";
        }
        line
    }
}

/// Runs `cases` sequences on `subject`, drawn from `seed`.
pub fn run(subject: &Subject, cases: u64, seed: u64) -> Outcome {
    let started = Instant::now();
    let folder = tempfile::tempdir().unwrap();
    let backing = folder.path().join("chip.bin");
    let content = content(subject, seed);
    let mut bench = Bench {
        sides: Sides::new(subject, &content, backing),
        met: BTreeMap::new(),
        operations: 0,
    };
    let mut runner = TestRunner::new_with_rng(Config::default(), rng(subject, seed));
    let strategy = sequences(subject);
    let mut failure = None;
    let mut done = 0;
    while done < cases && failure.is_none() {
        let mut tree = strategy.new_tree(&mut runner).unwrap();
        let start = bench.sides.truth(0..subject.size());
        if let Err(wrong) = bench.sequence(&tree.current()) {
            failure = Some(shortest(subject, &start, &mut tree, wrong, seed));
        }
        done += 1;
    }
    if failure.is_none() {
        let at = bench.sides.compare_file();
        failure = at.map(|at| format!("{}: the backing file differs at {at:#x}", subject.model));
    }
    Outcome {
        met: bench.met,
        failure,
        model: subject.model,
        part: subject.part.name.clone(),
        sequences: done,
        operations: bench.operations,
        frames: bench.sides.frames(),
        took: started.elapsed(),
    }
}

/// Random bytes, with blank stretches between them.
fn content(subject: &Subject, seed: u64) -> Vec<u8> {
    let mut bytes = random_bytes(subject.size() as usize, seed ^ 0xD1FF);
    for stretch in bytes.chunks_mut(1024).skip(1).step_by(2) {
        stretch.fill(0xFF);
    }
    bytes
}

fn rng(subject: &Subject, seed: u64) -> TestRng {
    let mut bytes = [0; 32];
    bytes[..8].copy_from_slice(&seed.to_le_bytes());
    for (into, byte) in bytes[8..].iter_mut().zip(subject.model.bytes()) {
        *into = byte;
    }
    TestRng::from_seed(RngAlgorithm::ChaCha, &bytes)
}

/// Makes the sequence as short as it will get while it fails, each time on chips that are made anew.
fn shortest(
    subject: &Subject,
    start: &[u8],
    tree: &mut impl ValueTree<Value = Vec<Operation>>,
    wrong: Wrong,
    seed: u64,
) -> String {
    println!("{}: {}; making it shorter", subject.model, wrong.0);
    let started = Instant::now();
    let whole = tree.current();
    let mut best = None;
    let mut fails = |sequence: &[Operation]| {
        let again = afresh(subject, start, sequence);
        let failed = again.is_err();
        if let Err(wrong) = again {
            best = Some((sequence.to_vec(), wrong));
        }
        failed
    };
    if fails(&whole) {
        let mut more = tree.simplify();
        while more && started.elapsed() < SHORTER_MAX {
            more = if fails(&tree.current()) {
                tree.simplify()
            } else {
                tree.complicate()
            };
        }
    }
    let (sequence, wrong, note) = match best {
        Some((sequence, wrong)) => (sequence, wrong, "shortest sequence"),
        None => (
            whole,
            wrong,
            "does not fail on chips made anew; whole sequence",
        ),
    };
    let mut text = format!("{}: {}\nseed {seed}, {note}:", subject.model, wrong.0);
    for step in sequence {
        let _ = write!(text, "\n  {step:02X?}");
    }
    text
}

fn afresh(subject: &Subject, start: &[u8], sequence: &[Operation]) -> Result<(), Wrong> {
    let folder = tempfile::tempdir().unwrap();
    let backing: PathBuf = folder.path().join("chip.bin");
    let mut bench = Bench {
        sides: Sides::new(subject, start, backing),
        met: BTreeMap::new(),
        operations: 0,
    };
    bench.sequence(sequence)?;
    let differs = bench.sides.compare_file();
    differs.map_or(Ok(()), |at| {
        Err(Wrong(format!("the backing file differs at {at:#x}")))
    })
}

struct Bench<'a> {
    sides: Sides<'a>,
    met: Tally,
    operations: u64,
}

impl Bench<'_> {
    fn sequence(&mut self, sequence: &[Operation]) -> Result<(), Wrong> {
        self.begin()?;
        for (number, operation) in sequence.iter().enumerate() {
            self.step(operation)
                .map_err(|wrong| Wrong(format!("step {}: {}", number + 1, wrong.0)))?;
        }
        self.compare()
    }

    /// A new chip of ours with the same cells; the emulator's is brought to what it is by 99h and
    /// status writes.
    fn begin(&mut self) -> Result<(), Wrong> {
        self.sides.renew_ours();
        self.sides.align_after_reset();
        self.refresh();
        let subject = self.sides.subject;
        let len = subject.id.len().min(subject.part.jedec_id.0.len());
        let ours = self
            .sides
            .ours(&read_id(len))
            .map_err(|error| Wrong(error.to_string()))?;
        let theirs = self.sides.theirs(&read_id(len));
        if ours != theirs || theirs != model_id(self.sides.subject, len) {
            return Err(Wrong(format!("ID {ours:02X?}, the model's {theirs:02X?}")));
        }
        self.step(&Operation::PowerUp)
    }

    /// New content where most addresses are, once it is nearly all erased.
    fn refresh(&mut self) {
        for at in places(self.sides.subject) {
            let block = at & !(BLOCK_BYTES - 1);
            let cells = self.sides.truth(block..block + BLOCK_BYTES);
            let blank = cells.iter().filter(|cell| **cell == 0xFF).count();
            if blank > cells.len() * 3 / 4 {
                let fresh = random_bytes(cells.len(), u64::from(block) ^ 0xF5E5);
                self.sides.mock.set_truth(block, &fresh).unwrap();
                self.sides.rewrite(block..block + BLOCK_BYTES);
            }
        }
    }

    fn step(&mut self, operation: &Operation) -> Result<(), Wrong> {
        self.operations += u64::from(*operation != Operation::PowerUp);
        let (before, found) = self.sides.step(operation)?;
        let subject = self.sides.subject;
        let case = Case::new(subject, operation, &before);
        let foreign = case.must_be_refused();
        if foreign && !found.iter().any(|one| matches!(one, Found::Refused { .. })) {
            return Err(Wrong(format!("{operation:02X?} was not refused by ours")));
        }
        for one in &found {
            let explaining = LIST.iter().filter(|known| (known.explains)(&case, one));
            let names: Vec<&str> = explaining.map(|known| known.name).collect();
            if names.is_empty() {
                return Err(Wrong(told(operation, &before, one)));
            }
            for name in names {
                *self.met.entry(name).or_default() += 1;
            }
        }
        self.mend(&found, case.only_theirs_is_blank());
        Ok(())
    }

    /// Makes the emulator's chip what ours is, so that the sequence can go on.
    fn mend(&mut self, found: &[Found], blank: bool) {
        let mut registers = false;
        let mut cells = Vec::new();
        for one in found {
            match one {
                Found::Cells { at, ours, .. } => cells.push(*at..*at + ours.len() as u32),
                Found::NotKept { bits, .. } => self.sides.clear_failure(*bits),
                Found::WriteEnable { .. }
                | Found::Kept { .. }
                | Found::FourBytes { .. }
                | Found::Upper { .. } => registers = true,
                _ => {}
            }
        }
        if blank {
            self.sides.restart();
        } else {
            for range in cells {
                self.sides.rewrite(range);
                registers = true;
            }
        }
        if registers {
            self.sides.align();
        }
    }

    /// The whole chip if it is small, else the places where address bits turn.
    fn compare(&mut self) -> Result<(), Wrong> {
        for range in sample(self.sides.subject.size()) {
            let ours = self.sides.truth(range.clone());
            let theirs = self.sides.their_cells(range.clone());
            if let Some(at) = ours.iter().zip(&theirs).position(|(a, b)| a != b) {
                let at = range.start as usize + at;
                return Err(Wrong(format!("after the sequence cells differ at {at:#x}")));
            }
        }
        Ok(())
    }
}

/// A difference that is not on the list, in few words.
fn told(operation: &Operation, before: &Before, found: &Found) -> String {
    let what = match found {
        Found::Cells {
            at,
            before,
            ours,
            theirs,
        } => {
            let first = ours
                .iter()
                .zip(theirs)
                .position(|(a, b)| a != b)
                .unwrap_or(0);
            let end = (first + 8).min(ours.len());
            let count = ours.iter().zip(theirs).filter(|(a, b)| a != b).count();
            format!(
                "{count} cells from {:#x} on: before {:02X?}, ours {:02X?}, theirs {:02X?}",
                *at as usize + first,
                &before[first..end],
                &ours[first..end],
                &theirs[first..end]
            )
        }
        other => format!("{other:02X?}"),
    };
    format!("not on the list: {what}\n  after {operation:02X?}\n  from {before:02X?}")
}
