//! `survey`: many passes over a suspect chip, what they say by majority, and what is wrong with it.
//!
//! A pass is kept as soon as it is whole, so that a survey that was interrupted goes on. What is counted
//! is counted from the files when all passes are there (`tally`), judged without the chip but for one
//! question that only short frames answer (`classify`), and voted on (`guess`).

mod chance;
mod classify;
mod guess;
mod plan;
mod readings;
mod report;
mod stretches;
mod tally;
#[cfg(test)]
mod tests;

use std::time::{Duration, SystemTime};

pub use classify::{Diagnosis, Verdict};
pub use guess::Confidence;
pub use report::{AtSck, Run, SurveyReport, UnsteadyBit};

use super::bench::Bench;
use super::connect::{Connected, connect};
use super::overlap::{Failed, read_over};
use super::recognise::{another_chip, other_id, steady_id};
use super::record::{journal_patience, note_refusal, note_times, operation, region_map};
use super::verify::must_be_the_unit;
use super::write::left_begun;
use super::{Attendant, Exit, Stop, Task};
use crate::chip::{Chip, ChipError, Order, ReadCommand};
use crate::interlock::{Panel, Sameness};
use crate::jedec::{Address, Hertz};
use crate::link::Purpose;
use crate::part::Part;
use crate::unit::Unit;
use crate::unit::survey::{
    BEST_GUESS, GUESS_CONDITION, SURVEY_CONDITION, Survey, SurveyFile, SurveyPass, Surveyed,
};
use classify::{Evidence, classify};
use guess::{Guess, vote};
use plan::{Condition, conditions};
use readings::{Readings, Votes};
use stretches::Nature;
use tally::Tally;

/// Passes where none are asked for: eight at each SCK.
pub const SURVEY_PASSES: u32 = 24;
/// Fewest passes: each of three SCK twice, once with each of two commands.
pub const SURVEY_PASSES_MIN: u32 = 6;
/// How often a pass is begun anew after the contact was lost in it.
const TRIES: usize = 3;
/// Largest block that a verdict is about.
const BLOCK_BYTES_MAX: u32 = 64 << 10;
/// Unsteady bits that a picture names for each run of blocks.
const BITS_SHOWN: usize = 16;
/// Bytes of a short frame.
const PROBE_BYTES: usize = 16;
/// Places where an address line is asked for.
const PROBES: u32 = 16;

/// Reads the chip `passes` times, each time otherwise, and judges what differs. Fewer than
/// [`SURVEY_PASSES_MIN`] are taken as that many. Goes on with the unit's last survey where that was interrupted and
/// asked for the same.
///
/// # Errors
/// A [`Stop`]: held before the first clock, by `contact` or `same-unit`; a fault; or the person stopped.
/// Passes that are whole are kept.
///
/// # Examples
/// `gauge` is a simulated bench, and `unit` the unit on it: `examples/gauge/mod.rs` makes both.
/// ```
/// # include!(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/gauge/mod.rs"));
/// # fn main() -> Result<(), Box<dyn Error>> {
/// # let (gauge, mut unit) = Gauge::new()?;
/// use norlock::job::{Nobody, SURVEY_PASSES_MIN, Verdict, survey};
///
/// let report = survey(&mut unit, SURVEY_PASSES_MIN, gauge.bench(), &mut Nobody)?;
/// assert_eq!(report.verdict(), Verdict::Steady);
/// # Ok(())
/// # }
/// ```
pub fn survey(
    unit: &mut Unit,
    passes: u32,
    bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<SurveyReport, Stop> {
    let result = survey_checked(unit, passes.max(SURVEY_PASSES_MIN), bench, attendant);
    result.inspect_err(|stop| note_refusal(unit, "survey", stop))
}

fn survey_checked(
    unit: &mut Unit,
    passes: u32,
    mut bench: Bench,
    attendant: &mut dyn Attendant,
) -> Result<SurveyReport, Stop> {
    let torn = left_begun(Some(unit))?;
    let asked = bench.sck;
    bench.sck = plan::slowest(asked);
    let patience = journal_patience(unit, &bench.catalogue)?;
    let panel = Panel::for_reading(std::mem::take(&mut bench.accepted));
    // No sample of the array speaks for the contact: weak cells may lie anywhere.
    let anywhere = std::slice::from_ref(&(0..u32::MAX));
    let mut connected = connect(panel, bench, Purpose::Read, patience, anywhere, attendant)?;
    must_be_the_unit(&mut connected, Some(unit))?;
    let chip = &mut connected.chip;
    let of = Surveyed {
        jedec_id: chip.part().jedec_id.to_string(),
        unique_id: steady_id(chip)?.map(|(_, id)| id),
        link: connected.seen.link.clone(),
        size_bytes: chip.size_bytes(),
        sck_hz: asked.0,
        passes,
    };
    let mut survey = unit.survey(&of)?;
    must_be_the_surveyed(&mut connected, unit, survey.file())?;
    survey.must_have_room()?;
    let chip = &mut connected.chip;
    let had = survey.file().passes.len() as u32;
    read_all(chip, &mut survey, asked, attendant)?;
    let judged = judge(chip, &survey, torn, attendant)?;
    let block_bytes = block_bytes(chip.part());
    let map = region_map(unit).ok().flatten();
    let map = map.as_ref().map(|(map, _)| map);
    let report = SurveyReport {
        had,
        block_bytes,
        blocks: report::runs(&judged.tally, &judged.findings, map, BITS_SHOWN),
        ..judged.report(unit, &survey, chip)
    };
    let Connected { chip, panel, seen } = connected;
    chip.leave()?;
    let verdict = verdict_words(&report);
    let outcome = format!("{verdict}; best guess kept, which is no backup");
    let mut done = operation("survey", &outcome, "untouched", &seen, &panel);
    let clocks: Vec<String> = report.sck.iter().map(|one| one.sck.to_string()).collect();
    let noted = [
        ("sck", clocks.join(", ")),
        ("passes", passes.to_string()),
        (SURVEY_CONDITION, report.survey.clone()),
        (GUESS_CONDITION, format!("SHA-256 {}", report.sha256)),
    ];
    let noted = noted.map(|(name, text)| (name.to_owned(), text));
    done.conditions.extend(noted);
    note_times(&mut done, report.time, report.floor);
    unit.record(done, SystemTime::now())?;
    let picture = report.staff().svg(
        &format!("{}, {}", report.unit, report.survey),
        "What each block showed in a survey:",
    );
    survey.finish(report.sha256, &picture, verdict)?;
    Ok(report)
}

/// Held by `same-unit` where a survey would go on with another chip than it was begun with: a unit without
/// a backup has no ID in its record.
fn must_be_the_surveyed(
    connected: &mut Connected,
    unit: &Unit,
    file: &SurveyFile,
) -> Result<(), Stop> {
    let expected = file.chip.unique_id.as_deref();
    let Some((kind, seen)) = other_id(&mut connected.chip, expected)? else {
        return Ok(());
    };
    let sameness = Sameness::Id {
        kind,
        expected: expected.unwrap_or_default().to_owned(),
        seen,
    };
    connected.panel.same_unit(unit.name(), &sameness);
    Err(Stop::held(&connected.panel))
}

/// The verdicts, as the record has them.
fn verdict_words(report: &SurveyReport) -> String {
    let words: Vec<&str> = report
        .findings
        .iter()
        .map(|finding| finding.verdict.words())
        .collect();
    match words.is_empty() {
        true => Verdict::Steady.words().to_owned(),
        false => words.join(", "),
    }
}

/// The largest erase that is no larger than 64 KiB.
fn block_bytes(part: &Part) -> u32 {
    let sizes = part.erase_types.iter().map(|kind| kind.size_bytes);
    let fit = sizes.filter(|size| (1..=BLOCK_BYTES_MAX).contains(size));
    fit.max().unwrap_or(BLOCK_BYTES_MAX)
}

/// Reads the passes that are still wanted, as one task.
fn read_all(
    chip: &mut Chip,
    survey: &mut Survey,
    asked: Hertz,
    attendant: &mut dyn Attendant,
) -> Result<(), Stop> {
    let wanted = survey.file().chip.passes;
    let (size, whole) = (u64::from(chip.size_bytes()), 0..chip.size_bytes());
    let whole = std::slice::from_ref(&whole);
    attendant.begins(&Task {
        name: "survey",
        total: size * u64::from(wanted),
        bytes: true,
    });
    let start = chip.now();
    while (survey.file().passes.len() as u32) < wanted {
        let number = survey.file().passes.len() as u32;
        let pass = plan::pass(chip, asked, number);
        let short_bytes = chip.short_frame_bytes(&pass);
        let mut lost = Vec::new();
        let (file, time) = loop {
            let mut file = survey.begin_pass()?;
            let done = size * u64::from(number);
            let mut take = |address: Address, bytes: &[u8]| file.take(u64::from(address.0), bytes);
            match read_over(chip, &pass, whole, done, attendant, &mut take) {
                Ok(Some(time)) => break (file, time),
                Ok(None) => return Err(stopped(number, wanted)),
                Err(Failed::Chip(ChipError::LostContact { seen, .. }))
                    if lost.len() + 1 < TRIES =>
                {
                    lost.push(seen);
                }
                Err(Failed::Chip(error)) => return Err(error.into()),
                Err(Failed::File(error)) => return Err(error.into()),
            }
        };
        let facts = SurveyPass {
            sck_hz: pass.sck.0,
            opcode: pass.command.opcode(),
            downwards: pass.order == Order::Down,
            first_bytes: pass.first_bytes,
            frame_bytes: pass.frame_bytes,
            short_bytes,
            seconds: time.as_secs_f64(),
            lost,
        };
        let expected = survey.file().chip.unique_id.as_deref();
        if let Some((kind, seen)) = other_id(chip, expected)? {
            return Err(another_chip(kind, &seen, expected.unwrap_or_default()));
        }
        survey.keep_pass(file, facts)?;
    }
    let time = chip.now().saturating_sub(start);
    attendant.ends(&format!("{:.1} s", time.as_secs_f64()));
    Ok(())
}

fn stopped(number: u32, wanted: u32) -> Stop {
    let headline = format!("Stopped in pass {} of {wanted}.", number + 1);
    Stop::new(
        Exit::Stopped,
        headline,
        "The same command goes on with this pass; those before are kept.",
    )
}

fn stopped_judging() -> Stop {
    Stop::new(
        Exit::Stopped,
        "Stopped behind the last pass, before the verdict.",
        "The same command judges the passes, which are all kept.",
    )
}

/// What came of all passes.
struct Judged {
    conditions: Vec<Condition>,
    tally: Tally,
    findings: Vec<Diagnosis>,
    guess: Guess,
    torn: Vec<std::ops::Range<u32>>,
}

/// Counts, votes and judges. Where the clock is at fault, those passes alone vote that it spares.
fn judge(
    chip: &mut Chip,
    survey: &Survey,
    torn: Vec<std::ops::Range<u32>>,
    attendant: &mut dyn Attendant,
) -> Result<Judged, Stop> {
    let file = survey.file();
    let size = u64::from(file.chip.size_bytes);
    attendant.begins(&Task {
        name: "judging",
        total: 2 * size,
        bytes: true,
    });
    let start = chip.now();
    let readings = Readings {
        files: survey.open_passes()?,
        size_bytes: file.chip.size_bytes,
        exempt: torn.clone(),
    };
    let conditions = conditions(file);
    let block = block_bytes(chip.part());
    let tally = Tally::of(&readings, &conditions, block, &mut |done| {
        stop_asked(attendant, done.into())
    })?;
    let tally = tally.ok_or_else(stopped_judging)?;
    let nature = Nature::of(&readings, &conditions, &tally)?;
    let lost: Vec<String> = file
        .passes
        .iter()
        .flat_map(|pass| pass.lost.clone())
        .collect();
    let mut evidence = Evidence {
        conditions: &conditions,
        tally: &tally,
        nature: &nature,
        lost: &lost,
        repeats: 0,
        size_bytes: file.chip.size_bytes,
    };
    let mut probe = |line| arrives(chip, line);
    let early = classify(&evidence, &mut probe)?;
    let votes = match evidence.right_level(&early) {
        Some(level) => Votes::up_to(&conditions, level),
        None => Votes::all(&conditions),
    };
    let mut file_of_guess = survey.begin_guess()?;
    let guess = vote(
        &readings,
        &votes,
        block,
        file_of_guess.as_mut(),
        &mut |done| stop_asked(attendant, size + u64::from(done)),
    )?;
    let guess = guess.ok_or_else(stopped_judging)?;
    evidence.repeats = guess.repeats;
    let findings = classify(&evidence, &mut probe)?;
    let time = chip.now().saturating_sub(start);
    attendant.ends(&format!("{:.1} s", time.as_secs_f64()));
    Ok(Judged {
        conditions,
        tally,
        findings,
        guess,
        torn,
    })
}

/// Tells how much is judged, and asks whether to stop.
fn stop_asked(attendant: &mut dyn Attendant, done: u64) -> bool {
    attendant.at(done, None);
    attendant.stop_asked()
}

impl Judged {
    fn report(&self, unit: &Unit, survey: &Survey, chip: &Chip) -> SurveyReport {
        let file = survey.file();
        let seconds: f64 = file.passes.iter().map(|pass| pass.seconds).sum();
        let bits = f64::from(file.chip.size_bytes) * 8.0;
        let floor = file
            .passes
            .iter()
            .map(|pass| bits / f64::from(pass.sck_hz.max(1)));
        SurveyReport {
            unit: unit.name().to_owned(),
            survey: survey.name().to_owned(),
            size_bytes: chip.size_bytes(),
            block_bytes: 0,
            passes: file.chip.passes,
            had: 0,
            findings: self.findings.clone(),
            blocks: Vec::new(),
            sck: self.by_sck(),
            unsteady_bits: self.tally.moved_bits,
            best_guess: BEST_GUESS.to_owned(),
            sha256: self.guess.sha256,
            voters: self.guess.voters,
            toss_ups: self.guess.toss_ups,
            confidence: self.guess.blocks.clone(),
            torn: self.torn.clone(),
            time: Duration::from_secs_f64(seconds),
            floor: Duration::from_secs_f64(floor.sum()),
        }
    }

    /// Passes and wrong readings at each SCK, highest first.
    fn by_sck(&self) -> Vec<AtSck> {
        let top = self.conditions.iter().map(|one| one.level).max();
        let level = |level: usize| {
            let both = self.conditions.iter().zip(&self.tally.passes);
            let own = both.filter(|(condition, _)| condition.level == level);
            let sck = own.clone().map(|(condition, _)| condition.sck).min()?;
            Some(AtSck {
                sck,
                passes: own.clone().count() as u32,
                wrong: own.map(|(_, pass)| pass.bits + pass.stretch_bytes).sum(),
            })
        };
        (0..=top.unwrap_or(0)).rev().filter_map(level).collect()
    }
}

/// Whether an address line arrives: a frame that begins where it is 1 shows what one shows that begins
/// below, where it is 0, and counts on. `None` where no place tells.
fn arrives(chip: &mut Chip, line: u8) -> Result<Option<bool>, Stop> {
    let (bit, size) = (1_u32 << line, chip.size_bytes());
    let sck = Hertz(chip.sck().0).min(chip.sck_for(ReadCommand::Read));
    let (mut told, mut same) = (0, 0);
    let mut long = vec![0; bit as usize + PROBE_BYTES];
    let mut short = [0; PROBE_BYTES];
    for number in 0..PROBES {
        // Multiples of twice the line, spread over the chip.
        let start = (size / PROBES * number) & !(2 * bit - 1);
        chip.read(ReadCommand::Read, sck, Address(start), &mut long)?;
        chip.read(ReadCommand::Read, sck, Address(start + bit), &mut short)?;
        let (head, tail) = long.split_at(bit as usize);
        let moved = long.get(..PROBE_BYTES).unwrap_or(head);
        if moved != tail {
            told += 1;
            same += u32::from(short == *tail);
        }
    }
    Ok((told > 0).then_some(same * 2 > told))
}
