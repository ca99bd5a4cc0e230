//! The whole job on chips that nobody here wrote: contact, identify, back up, tailor, write, verify,
//! let the unit run, back up again, and go back to the first.
//!
//! norlock is told nothing about the models but what a person reads on the chip and in its datasheet.

use std::collections::VecDeque;
use std::sync::Mutex;
use std::time::Instant;

use norlock::job::{self, Exit, IdReport, Nobody, Stop};

use crate::gauge::Gauge;
use crate::is_skipped;
use crate::models::{self, Model};
use crate::opcodes::{erases, only_reads};

/// Models that run at the same time.
const AT_ONCE: usize = 2;

/// What came of one model.
enum Outcome {
    /// Converted and taken back, byte for byte.
    Converted,
    /// Held by the interlock that has to hold it, and untouched.
    Refused(String),
    /// Neither.
    Failed(String),
}

/// What one model showed.
struct Row {
    model: Model,
    /// JEDEC ID, size, addressing and SFDP, as norlock tells them.
    seen: String,
    erases: String,
    frames: u64,
    seconds: f32,
    outcome: Outcome,
}

#[test]
fn convert_run_and_go_back() {
    if is_skipped() {
        return;
    }
    let waiting = Mutex::new(models::chosen().into_iter().collect::<VecDeque<_>>());
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                while let Some(model) = next(&waiting) {
                    let row = Row::of(model);
                    println!("{row}");
                    done.lock().unwrap().push(row.outcome);
                }
            });
        }
    });
    let done = done.into_inner().unwrap();
    let count = |of: fn(&Outcome) -> bool| done.iter().filter(|one| of(one)).count();
    let failed = count(|one| matches!(one, Outcome::Failed(_)));
    println!(
        "{} models: {} converted, {} refused, {failed} failed",
        done.len(),
        count(|one| matches!(one, Outcome::Converted)),
        count(|one| matches!(one, Outcome::Refused(_))),
    );
    assert_eq!(failed, 0);
}

/// Does the whole job on one model, which must be converted; gives its row.
pub fn must_convert(model: Model) -> String {
    let row = Row::of(model);
    assert!(matches!(row.outcome, Outcome::Converted), "{row}");
    row.to_string()
}

fn next(waiting: &Mutex<VecDeque<Model>>) -> Option<Model> {
    waiting.lock().unwrap().pop_front()
}

impl Row {
    /// Runs the whole job on a model.
    fn of(model: Model) -> Self {
        let started = Instant::now();
        let mut row = Self {
            model,
            seen: String::new(),
            erases: String::new(),
            frames: 0,
            seconds: 0.0,
            outcome: Outcome::Converted,
        };
        let job = std::panic::AssertUnwindSafe(|| row.run());
        row.outcome = std::panic::catch_unwind(job)
            .unwrap_or_else(|panic| Outcome::Failed(words_of(&*panic)));
        row.seconds = started.elapsed().as_secs_f32();
        row
    }

    fn run(&mut self) -> Outcome {
        let mut gauge = Gauge::new(&self.model, 7);
        let ended = self.convert_and_go_back(&mut gauge);
        self.frames = gauge.frames();
        let stop = match (ended, models::refused_by(&self.model.name)) {
            (Ok(()), None) => return Outcome::Converted,
            (Ok(()), Some(_)) => return Outcome::Failed("converted, and had to be held".into()),
            (Err(stop), expected) => {
                let held = stop.held.first().map(|held| held.interlock);
                if stop.exit != Exit::Held || held != expected {
                    return Outcome::Failed(told(&stop));
                }
                stop
            }
        };
        only_reads(&gauge);
        gauge.must_hold(&gauge.layout.as_found(7), "after the refusal");
        Outcome::Refused(told(&stop))
    }

    fn convert_and_go_back(&mut self, gauge: &mut Gauge) -> Result<(), Stop> {
        let name = self.model.name.clone();
        let as_found = gauge.layout.as_found(7);
        self.seen = look(gauge)?;
        let first = gauge.backup()?;
        only_reads(gauge);
        assert_eq!((first.number, first.file.as_str()), (1, "as-found.bin"));
        assert!(gauge.image("as-found.bin") == as_found, "{name}: backup");
        assert_eq!(first.reads.weak, None, "{name}");

        let target = convert(gauge, &as_found)?;
        self.erases = erases(&gauge.opcodes());
        let ran = let_it_run(gauge, target);

        let second = gauge.backup()?;
        only_reads(gauge);
        assert!(gauge.image(&second.file) == ran, "{name}: second");
        let changed = second.changed.iter().map(|one| one.region.as_str());
        assert_eq!(
            changed.collect::<Vec<_>>(),
            gauge.layout.changing(),
            "{name}"
        );

        let restored = gauge.restore(1)?;
        assert_eq!(restored.replaced.as_deref(), Some("replaced-1.bin"));
        assert!(gauge.image("replaced-1.bin") == ran, "{name}: replaced");
        gauge.opcodes();
        must_verify(gauge, "as-found.bin")?;
        gauge.must_hold(&as_found, "after the restore");
        Ok(())
    }
}

impl std::fmt::Display for Row {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:<13} {:<68} ", self.model.name, self.seen)?;
        write!(f, "{:<22} ", self.erases)?;
        write!(f, "{:>7} frames {:>5.1} s  ", self.frames, self.seconds)?;
        match &self.outcome {
            Outcome::Converted => f.write_str("converted"),
            Outcome::Refused(why) => write!(f, "refused: {why}"),
            Outcome::Failed(why) => write!(f, "FAILED: {why}"),
        }
    }
}

fn words_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().cloned();
    text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()))
        .unwrap_or_default()
}

fn told(stop: &Stop) -> String {
    let rows = stop.evidence.iter();
    let rows = rows.map(|(label, text)| format!(" | {label}: {text}"));
    format!("{}{}", stop.headline, rows.collect::<String>())
}

/// Contact, ID and SFDP; what they show.
fn look(gauge: &Gauge) -> Result<String, Stop> {
    let model = &gauge.model;
    let contact = job::contact(None, gauge.bench(), &mut Nobody)?;
    assert!(contact.good, "{}: {:?}", model.name, contact.sign);
    let id = job::id(None, gauge.bench(), &mut Nobody)?;
    if let Some(expected) = model.jedec_id {
        let bytes: Vec<u8> = id.jedec_id.split(' ').map(hex).collect();
        assert_eq!(bytes, expected, "{}", model.name);
    }
    let has_sfdp = id.sfdp.is_some();
    let expected = model.has_sfdp.unwrap_or(has_sfdp);
    assert_eq!(expected, has_sfdp, "{}", model.name);
    if has_sfdp {
        let sfdp = job::sfdp(gauge.bench(), &mut Nobody)?;
        assert!(sfdp.raw.starts_with(b"SFDP"), "{}", model.name);
    }
    only_reads(gauge);
    Ok(seen(&id, model))
}

fn hex(byte: &str) -> u8 {
    u8::from_str_radix(byte, 16).unwrap()
}

fn seen(id: &IdReport, model: &Model) -> String {
    format!(
        "{:<17} {:>6} KiB  {:<25} {}",
        id.jedec_id,
        model.size_bytes >> 10,
        id.addressing.as_deref().unwrap_or("addressing unknown"),
        if id.sfdp.is_some() { "SFDP" } else { "no SFDP" },
    )
}

/// Tailors, writes and verifies; gives the target, made here a second time without norlock.
fn convert(gauge: &mut Gauge, as_found: &[u8]) -> Result<Vec<u8>, Stop> {
    let name = gauge.model.name.clone();
    let pieces = gauge.layout.pieces(8);
    let target = gauge.layout.with_pieces(as_found, &pieces);
    gauge.tailor(&pieces)?;
    assert!(gauge.image("target.bin") == target, "{name}: target");
    let worklist = gauge.worklist()?;
    assert!(gauge.opcodes().is_empty(), "{name}: no hardware needed");
    let written = gauge.write()?;
    assert!(written.changed > 0 && worklist.steps > 0, "{name}: blocks");
    assert_eq!(written.unit_data, ["calibration", "identity"], "{name}");
    assert!(!written.resumed, "{name}");
    let sent = gauge.opcodes();
    must_verify(gauge, "target.bin")?;
    only_reads(gauge);
    gauge.must_hold(&target, "after the write");
    gauge.put_back(sent);
    Ok(target)
}

/// The unit changes its settings, as a running one does; gives what the chip then holds.
fn let_it_run(gauge: &mut Gauge, mut holds: Vec<u8>) -> Vec<u8> {
    let settings = b"baud=9600\nunit=gauge-07\n";
    let at = gauge.layout.region("settings").start + 100;
    gauge.runs(at, settings);
    holds[at..at + settings.len()].copy_from_slice(settings);
    holds
}

fn must_verify(gauge: &Gauge, image: &str) -> Result<(), Stop> {
    let verified = gauge.verify(image)?;
    assert!(verified.is_equal() && verified.passes_agree);
    assert_eq!(verified.differing.len(), 2, "passes");
    assert_eq!(verified.unit_data, ["calibration", "identity"]);
    Ok(())
}
