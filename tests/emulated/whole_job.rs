//! The whole job on chips that nobody here wrote: contact, identify, back up, tailor, write, verify,
//! let the unit run, back up again, and go back to the first.
//!
//! norlock is told nothing about the models but what a person reads on the chip and in its datasheet.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use norlock::interlock::Interlock;
use norlock::jedec::{Hertz, Millivolts, opcode};
use norlock::job::{self, Attendant, ChipState, Exit, Nobody, Stop, Task};
use norlock::link::{Frame, Limits, Link, LinkError, Segment};

use crate::gauge::{Gauge, Opcodes};
use crate::is_skipped;
use crate::models::{self, Model};

/// Models that run at the same time.
const AT_ONCE: usize = 2;

/// All that a reading job may send: ID, status registers, SFDP, the reads, unique ID, wake-up, and the
/// 4-byte mode with its write enable and disable.
const READING: [u8; 21] = [
    0x9F, 0x05, 0x35, 0x15, 0x07, 0x2B, 0x48, 0x70, 0x5A, 0x03, 0x0B, 0x13, 0x0C, 0x4B, 0xAB, 0xFF,
    0x04, 0x06, 0xB7, 0xE9, 0xC8,
];

#[test]
fn convert_run_and_go_back() {
    if is_skipped() {
        return;
    }
    let waiting = Mutex::new(models::chosen().into_iter().collect::<VecDeque<_>>());
    let failed = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                loop {
                    let Some(model) = waiting.lock().unwrap().pop_front() else {
                        return;
                    };
                    let job = std::panic::AssertUnwindSafe(|| judged(&model));
                    let outcome = std::panic::catch_unwind(job);
                    let (fine, line) = outcome.unwrap_or_else(|panic| {
                        (
                            false,
                            format!("{}: FAILED {}", model.name, words_of(&*panic)),
                        )
                    });
                    println!("{line}");
                    if !fine {
                        failed.lock().unwrap().push(line);
                    }
                }
            });
        }
    });
    let failed = failed.into_inner().unwrap();
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// Whether the outcome is one that the model may have, and a line on it.
///
/// A model that is not in the table may be held by an interlock: most often the table of parts does
/// not have it, or it is of another level.
fn judged(model: &Model) -> (bool, String) {
    match whole_job(model) {
        Ok(line) => (true, line),
        Err(stop) => {
            let may_be_held = model.jedec_id.is_none() && stop.exit == Exit::Held;
            let word = if may_be_held { "held" } else { "FAILED" };
            (
                may_be_held,
                format!("{}: {word}: {}", model.name, told(&stop)),
            )
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
    format!(
        "[{:?}] {}{}",
        stop.exit,
        stop.headline,
        rows.collect::<String>()
    )
}

fn whole_job(model: &Model) -> Result<String, Stop> {
    let started = Instant::now();
    let mut gauge = Gauge::new(model, 7);
    let as_found = gauge.layout.as_found(7);
    let mut line = look(&gauge)?;
    let first = gauge.backup()?;
    only_reads(&gauge);
    assert_eq!((first.number, first.file.as_str()), (1, "as-found.bin"));
    assert!(
        gauge.image("as-found.bin") == as_found,
        "{}: backup",
        model.name
    );
    assert_eq!(first.reads.weak, None, "{}", model.name);

    let target = convert(&mut gauge, &as_found)?;
    let erases = erases(&gauge.opcodes());
    let settings = gauge.layout.region("settings");
    gauge.runs(settings.start + 100, b"baud=9600\nunit=gauge-07\n");
    let mut ran = target;
    ran[settings.start + 100..][..24].copy_from_slice(b"baud=9600\nunit=gauge-07\n");

    let second = gauge.backup()?;
    only_reads(&gauge);
    assert!(gauge.image(&second.file) == ran, "{}: second", model.name);
    let changed: Vec<&str> = second
        .changed
        .iter()
        .map(|one| one.region.as_str())
        .collect();
    assert_eq!(
        changed,
        ["boot", "settings", "system", "tail"],
        "{}",
        model.name
    );

    let restored = gauge.restore(1)?;
    assert_eq!(restored.replaced.as_deref(), Some("replaced-1.bin"));
    assert!(
        gauge.image("replaced-1.bin") == ran,
        "{}: replaced",
        model.name
    );
    gauge.opcodes();
    must_verify(&gauge, "as-found.bin")?;
    gauge.must_hold(&as_found, "after the restore");
    let _ = write!(
        line,
        ", erases {erases}, {} frames, {:.1} s",
        gauge.frames(),
        started.elapsed().as_secs_f64()
    );
    Ok(line)
}

/// Contact, ID and SFDP; a line on what they show.
fn look(gauge: &Gauge) -> Result<String, Stop> {
    let model = &gauge.model;
    let contact = job::contact(gauge.bench(), &mut Nobody)?;
    assert!(contact.good, "{}: {:?}", model.name, contact.sign);
    let id = job::id(gauge.bench(), &mut Nobody)?;
    let bytes: Vec<u8> = id.jedec_id.split(' ').map(hex).collect();
    if let Some(expected) = model.jedec_id {
        assert_eq!(bytes, expected, "{}", model.name);
    }
    let has_sfdp = id.sfdp.is_some();
    assert_eq!(
        model.has_sfdp.unwrap_or(has_sfdp),
        has_sfdp,
        "{}",
        model.name
    );
    if has_sfdp {
        let sfdp = job::sfdp(gauge.bench(), &mut Nobody)?;
        assert!(sfdp.raw.starts_with(b"SFDP"), "{}", model.name);
    }
    only_reads(gauge);
    let part = id.part.as_ref().map(|part| part.name.as_str());
    Ok(format!(
        "{}: {} {}, {} KiB, {}, {}",
        model.name,
        id.jedec_id,
        part.unwrap_or("unknown"),
        model.size_bytes >> 10,
        id.addressing.as_deref().unwrap_or("addressing unknown"),
        if has_sfdp { "SFDP" } else { "no SFDP" },
    ))
}

fn hex(byte: &str) -> u8 {
    u8::from_str_radix(byte, 16).unwrap()
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

fn must_verify(gauge: &Gauge, image: &str) -> Result<(), Stop> {
    let verified = gauge.verify(image)?;
    assert!(verified.is_equal() && verified.passes_agree);
    assert_eq!(verified.differing.len(), 2, "passes");
    assert_eq!(verified.unit_data, ["calibration", "identity"]);
    Ok(())
}

/// What went over the wire since the last look can only have read; and 35h, which enters a quad mode
/// on Macronix parts and means nothing on Micron's, went to neither.
fn only_reads(gauge: &Gauge) {
    let (name, sent) = (&gauge.model.name, gauge.opcodes());
    for code in sent.keys() {
        assert!(READING.contains(code), "{name}: {code:02X}h");
    }
    // Write enable is only the way into the 4-byte mode and out of it.
    let mode = [opcode::ENTER_4BYTE, opcode::EXIT_4BYTE].map(|code| times(&sent, code));
    assert!(times(&sent, 0x06) <= mode[0] + mode[1], "{name}: 06h");
    let id = gauge.model.jedec_id.unwrap_or_default();
    if [0xC2, 0x20].contains(&id[0]) {
        assert_eq!(times(&sent, 0x35), 0, "{name}: 35h");
    }
}

fn times(sent: &Opcodes, code: u8) -> u64 {
    sent.get(&code).copied().unwrap_or(0)
}

/// Which erases were sent and how often.
fn erases(sent: &Opcodes) -> String {
    let erases = [0x20, 0x21, 0x52, 0x5C, 0xD8, 0xDC, 0xD7];
    let used = erases.into_iter().filter(|code| times(sent, *code) > 0);
    let words: Vec<String> = used
        .map(|code| format!("{} x {code:02X}h", times(sent, code)))
        .collect();
    words.join(" + ")
}

/// A gauge with a backup and a target; and both images.
fn ready(seed: u64) -> (Gauge, Vec<u8>, Vec<u8>) {
    let gauge = Gauge::new(&models::smallest(), seed);
    let as_found = gauge.layout.as_found(seed);
    let pieces = gauge.layout.pieces(seed + 1);
    let target = gauge.layout.with_pieces(&as_found, &pieces);
    gauge.backup().unwrap();
    gauge.tailor(&pieces).unwrap();
    (gauge, as_found, target)
}

/// Asks to stop once so many blocks are written.
struct StopAfter {
    blocks: u64,
    writing: bool,
    asked: bool,
}

impl Attendant for StopAfter {
    fn begins(&mut self, task: &Task) {
        self.writing = task.name == "writing";
    }

    fn at(&mut self, done: u64, _place: Option<&str>) {
        self.asked |= self.writing && done >= self.blocks;
    }

    fn ends(&mut self, _words: &str) {}

    fn stop_asked(&self) -> bool {
        self.asked
    }
}

#[test]
fn a_stopped_write_goes_on_with_the_same_call() {
    if is_skipped() {
        return;
    }
    let (mut gauge, as_found, target) = ready(20);
    let mut attendant = StopAfter {
        blocks: 1,
        writing: false,
        asked: false,
    };
    let stop = gauge.write_at(gauge.bench(), &mut attendant).unwrap_err();
    assert_eq!(
        (stop.exit, stop.chip),
        (Exit::Unfinished, ChipState::ChangedInPart),
        "{stop:?}"
    );
    let between = gauge.power_off();
    assert!(between != as_found && between != target);
    gauge.must_hold(&between, "while stopped");

    let written = gauge.write().unwrap();
    assert!(written.resumed);
    gauge.must_hold(&target, "after the second call");
    // Nothing is left to do, and nothing is done.
    gauge.opcodes();
    assert_eq!(gauge.write().unwrap().changed, 0);
    only_reads(&gauge);
}

/// The clip comes off between two pages: the link fails, and the chip loses its supply.
struct ComesOff {
    link: Box<dyn Link>,
    programs_left: u32,
}

impl Link for ComesOff {
    fn name(&self) -> &str {
        self.link.name()
    }

    fn level(&self) -> Option<Millivolts> {
        self.link.level()
    }

    fn limits(&self) -> Limits {
        self.link.limits()
    }

    fn transfer(&mut self, batch: &mut [Frame<'_>], sck: Hertz) -> Result<(), LinkError> {
        let programs = batch.iter().any(|frame| {
            let first = frame.segments.first();
            matches!(first, Some(Segment::Out([opcode::PAGE_PROGRAM, ..])))
        });
        self.programs_left = self.programs_left.saturating_sub(u32::from(programs));
        if self.programs_left == 0 {
            return Err(std::io::Error::other("the clip came off").into());
        }
        self.link.transfer(batch, sck)
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    fn wait(&mut self, time: Duration) {
        self.link.wait(time);
    }
}

#[test]
fn a_write_cut_inside_a_block_goes_on_or_back() {
    if is_skipped() {
        return;
    }
    for (programs, go_back) in [(3, false), (1, false), (40, true)] {
        let (mut gauge, as_found, target) = ready(30);
        let comes_off = |link| -> Box<dyn Link> {
            Box::new(ComesOff {
                link,
                programs_left: programs,
            })
        };
        let stop = gauge
            .write_at(gauge.bench_over(comes_off), &mut Nobody)
            .unwrap_err();
        assert_eq!(stop.exit, Exit::Unfinished, "{stop:?}");
        let between = gauge.power_off();
        assert!(between != as_found && between != target);
        gauge.must_hold(&between, "while the clip is off");
        if go_back {
            gauge.restore(1).unwrap();
            gauge.must_hold(&as_found, "after going back");
        } else {
            assert!(gauge.write().unwrap().resumed);
            gauge.must_hold(&target, "after going on");
        }
    }
}

/// A chip marked as a part that has SFDP, and that has none, is not that part. It can be backed up.
#[test]
fn a_marking_that_the_chip_contradicts_keeps_it_from_being_written() {
    if is_skipped() {
        return;
    }
    let model = Model {
        // GD25Q64C, Rev 3.0, 2018-08-01: the part has SFDP, which the model has not.
        marking: "GD25Q64CSIG".into(),
        ..models::without_sfdp()
    };
    let mut gauge = Gauge::new(&model, 50);
    gauge.backup().unwrap();
    gauge.tailor(&gauge.layout.pieces(51)).unwrap();
    let stop = gauge.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.held[0].interlock, Interlock::KnownPart, "{stop:?}");
    only_reads(&gauge);
    gauge.must_hold(&gauge.layout.as_found(50), "after the refusal");
}

#[test]
fn a_write_onto_another_unit_is_refused() {
    if is_skipped() {
        return;
    }
    let (mut gauge, as_found, _) = ready(40);
    let mut other = as_found;
    let at = gauge.layout.region("identity").end - 1;
    other[at] ^= 0x01;
    gauge.runs(at, &[other[at]]);
    gauge.opcodes();
    let stop = gauge.write().unwrap_err();
    assert_eq!(stop.exit, Exit::Held, "{stop:?}");
    assert_eq!(stop.held[0].interlock, Interlock::SameUnit, "{stop:?}");
    assert_eq!(times(&gauge.opcodes(), opcode::WRITE_ENABLE), 0);
    gauge.must_hold(&other, "after the refusal");
}
