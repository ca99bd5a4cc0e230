//! `survey`

use crate::cli::figures::count;
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{AtSck, Diagnosis, Run, SurveyReport, Verdict};

/// Runs of blocks that a screen shows.
const RUNS_SHOWN: usize = 16;
/// Unsteady bits of each.
const BITS_SHOWN: usize = 6;

/// What is wrong with a unit, block by block, and why it is called so.
pub fn survey(report: &SurveyReport, typed: &Typed) -> Screen {
    let mut screen = Screen::new(headline(report));
    screen = staff(screen, report);
    if let Some(text) = not_listed(report) {
        screen = screen.row("bits", text);
    }
    screen = screen.row("SCK", clocks(report));
    for (number, finding) in report.findings.iter().enumerate() {
        let label = match finding.verdict {
            Verdict::WeakCells => "wires",
            _ if number == 0 => "reason",
            verdict => verdict.words(),
        };
        screen = screen.row(label, finding.reason.clone());
    }
    screen = screen.row("image", image(report, typed));
    if !report.torn.is_empty() {
        let blocks = report.torn.len();
        screen = screen.row(
            "left out",
            format!("{blocks} ranges that an interrupted write has begun"),
        );
    }
    if report.had > 0 {
        let had = report.had;
        screen = screen.row("went on", format!("{had} passes were there before"));
    }
    let steps = next(report, typed);
    let screen = screen.chip("untouched.");
    steps.into_iter().fold(screen, Screen::next)
}

fn headline(report: &SurveyReport) -> String {
    let unit = &report.unit;
    let Some(first) = report.findings.first() else {
        return format!(
            "All {} passes over {unit} agree. Every block is steady.",
            report.passes
        );
    };
    let said = sentence(report, first.verdict);
    let others: Vec<&str> = report
        .findings
        .iter()
        .skip(1)
        .map(|finding| finding.verdict.words())
        .collect();
    let judged = report.blocks.iter();
    let steady = judged
        .filter(|run| run.verdict != Verdict::Steady)
        .all(|run| run.verdict == first.verdict);
    match (others.is_empty(), steady && first.verdict.is_of_cells()) {
        (true, true) => format!("{said} The rest is steady."),
        (true, false) => said,
        _ => format!("{said} Also: {}.", others.join(", ")),
    }
}

fn sentence(report: &SurveyReport, verdict: Verdict) -> String {
    let unit = &report.unit;
    let blocks = report.blocks_with(verdict);
    let some = match blocks {
        1 => "One block".to_owned(),
        more => format!("{} blocks", count(more.into())),
    };
    match verdict {
        Verdict::Steady => format!("{unit} is steady."),
        Verdict::WeakCells if blocks == 1 => format!("{some} of {unit} has weak cells."),
        Verdict::WeakCells => format!("{some} of {unit} have weak cells."),
        Verdict::NotBlank => format!("{some} of {unit} read 0 where they should be blank."),
        Verdict::Clock => format!("The reads of {unit} err at higher SCK."),
        Verdict::Noise => format!("The contact of {unit} is noisy."),
        Verdict::StuckBit => format!("A data bit of {unit} does not follow its cells."),
        Verdict::Address => format!("{unit} is read at other addresses than are sent."),
        Verdict::Smaller => format!("The upper half of {unit} repeats the lower."),
        Verdict::Edges => format!("The reads of {unit} err at the ends of frames."),
        Verdict::Command => format!("The reads of {unit} err with one read command."),
        Verdict::Dead => format!("{unit} falls silent for moments."),
        Verdict::Shifted => format!("Bytes are lost or doubled within the reads of {unit}."),
    }
}

fn staff(mut screen: Screen, report: &SurveyReport) -> Screen {
    let shown = || report.blocks.iter().take(RUNS_SHOWN);
    let words = shown().map(|run| run.verdict.words().len()).max();
    let digits = shown().map(|run| count(run.blocks.into()).len()).max();
    let (words, digits) = (words.unwrap_or(0), digits.unwrap_or(0));
    for run in shown() {
        screen = screen.region(run.start, line(run, words, digits));
        for (number, bit) in run.bits.iter().take(BITS_SHOWN).enumerate() {
            let behind = if number == 0 { " passes" } else { "" };
            let text = format!(
                "  bit {}  reads {} in {:>2} of {}{behind}",
                bit.bit, bit.reads, bit.times, report.passes
            );
            screen = screen.within(bit.address, text);
        }
    }
    let more = report.blocks.len().saturating_sub(RUNS_SHOWN);
    match more {
        0 => screen,
        more => screen.row("more", format!("{more} changes are only in the picture")),
    }
}

/// How many unsteady bits there are, where some are listed and others are not.
fn not_listed(report: &SurveyReport) -> Option<String> {
    let runs = report.blocks.iter().take(RUNS_SHOWN);
    let listed: usize = runs.map(|run| run.bits.len().min(BITS_SHOWN)).sum();
    (listed > 0 && (listed as u64) < report.unsteady_bits).then(|| {
        format!(
            "{} are unsteady in all; {listed} of them are listed here",
            count(report.unsteady_bits)
        )
    })
}

fn line(run: &Run, words: usize, digits: usize) -> String {
    let blocks = if run.blocks == 1 { "block" } else { "blocks" };
    let region = run.region.as_ref();
    let region = region.map_or_else(String::new, |name| format!(", in {name}"));
    format!(
        "{:<words$}  {:>digits$} {blocks}{region}",
        run.verdict.words(),
        count(run.blocks.into())
    )
}

/// Passes and wrong readings at each SCK.
fn clocks(report: &SurveyReport) -> String {
    let passes: Vec<String> = report
        .sck
        .iter()
        .map(|one| one.passes.to_string())
        .collect();
    let each = report
        .sck
        .windows(2)
        .all(|two| two[0].passes == two[1].passes);
    let passes = match (each, passes.first()) {
        (true, Some(first)) if report.sck.len() > 1 => format!("{first} passes each"),
        _ => format!("{} passes", joined(&passes)),
    };
    let of = |text: &dyn Fn(&AtSck) -> String| {
        let texts: Vec<String> = report.sck.iter().map(text).collect();
        joined(&texts)
    };
    let clocks = of(&|one| one.sck.to_string());
    // One unit for all, as far as they have the same.
    let clocks = match clocks.matches(" MHz").count() == report.sck.len() {
        true => format!("{} MHz", clocks.replace(" MHz", "")),
        false => clocks,
    };
    let wrong = of(&|one| count(one.wrong));
    let cells = report.verdict() == Verdict::WeakCells;
    let cause = if cells {
        "; the clock is not the cause"
    } else {
        ""
    };
    format!("{passes} at {clocks}: {wrong} minority readings{cause}")
}

fn joined(texts: &[String]) -> String {
    match texts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

fn image(report: &SurveyReport, typed: &Typed) -> String {
    let path = format!("{}/{}/{}", typed.unit(), report.survey, report.best_guess);
    let bits = match (report.toss_ups, report.unsteady_bits) {
        (_, 0) => "no bit is in doubt".to_owned(),
        (0, _) => "no bit is nearly a toss-up".to_owned(),
        (1, _) => "one bit is nearly a toss-up".to_owned(),
        (more, _) => format!("{} bits are nearly toss-ups", count(more)),
    };
    let of = match report.voters == u64::from(report.passes) {
        true => "by majority".to_owned(),
        false => format!("by majority of {} passes at lower SCK", report.voters),
    };
    format!("{path}, {of}; {bits}. Not a backup, and not accepted as one.")
}

fn next(report: &SurveyReport, typed: &Typed) -> Vec<String> {
    let read = "What the verdict means and when to stop: docs/suspect-units.md.";
    let of = |verdict: Verdict| report.blocks.iter().find(|run| run.verdict == verdict);
    let step = match report.findings.first() {
        None => return vec![typed.command("backup")],
        Some(Diagnosis { verdict, .. }) => match verdict {
            Verdict::WeakCells | Verdict::NotBlank => {
                let block = of(*verdict).map_or_else(String::new, |run| format!(" {}", run.start));
                return vec![format!(
                    "If other units carry the same system, compare block{block} with a healthy one: \
                     docs/suspect-units.md."
                )];
            }
            Verdict::Clock => {
                let slow = report
                    .sck
                    .iter()
                    .rev()
                    .take_while(|one| one.wrong == 0)
                    .last();
                let sck = slow.or(report.sck.last()).map(|one| one.sck.to_string());
                let sck = sck.unwrap_or_default().replace(' ', "");
                typed.command(&format!("backup --sck {sck}"))
            }
            Verdict::Noise | Verdict::Dead | Verdict::Address | Verdict::Shifted => {
                format!(
                    "Reseat the clip, shorten the wires, then: {}",
                    typed.command("contact")
                )
            }
            Verdict::Smaller => {
                format!("Read the marking once more, then: {}", typed.command("id"))
            }
            Verdict::StuckBit | Verdict::Edges | Verdict::Command => {
                format!("Try another node or computer: {}", typed.command("survey"))
            }
            Verdict::Steady => typed.command("backup"),
        },
    };
    vec![step, read.to_owned()]
}
