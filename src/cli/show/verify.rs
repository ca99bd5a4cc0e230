//! `verify`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::image::RegionMap;
use crate::jedec::Address;
use crate::job::{Difference, DifferingBlocks, VerifyReport};

/// Differing bytes, or runs of blocks, that a screen shows.
const SHOWN: usize = 12;

/// Whether the chip holds the image; where it does not, which bits, and in which direction.
pub fn verify(
    report: &VerifyReport,
    image: &str,
    typed: &Typed,
    map: Option<&RegionMap>,
) -> Screen {
    let passes = passes(report);
    let image = &match report.regions.as_slice() {
        [] => image.to_owned(),
        regions => format!("{image} in {}", regions.join(", ")),
    };
    if report.is_equal() && report.unfinished.is_none() {
        return equal(report, image, passes, typed);
    }
    let worst = report.differing.iter().max().copied().unwrap_or(0);
    let differs = match (worst, report.passes_agree) {
        (0, _) => format!("The chip holds {image}, but a write of this unit did not end."),
        (_, true) => format!("The chip differs from {image} in {}.", bytes(worst)),
        (_, false) => {
            let least = report.differing.iter().min().copied().unwrap_or(0);
            let least = match least == worst {
                true => String::new(),
                false => format!("{} to ", count(least)),
            };
            let worst = bytes(worst);
            format!(
                "The passes do not agree: {least}{worst} differ from {image}, not always the same."
            )
        }
    };
    let screen = Screen::new(differs);
    let screen = if report.differences.len() <= SHOWN {
        single(screen, report, map)
    } else {
        by_block(screen, report, map)
    };
    let screen = screen.row("passes", passes).row("means", meaning(report));
    let screen = recorded(screen, report).chip("untouched by this check.");
    if let Some(journal) = &report.unfinished {
        return screen
            .row("journal", format!("{journal} accounts for each block"))
            .next("Give the same write command again; do not power the board. Or go back:")
            .next(typed.change("restore"));
    }
    screen
        .next(match (report.passes_agree, is_another(report)) {
            (true, true) => {
                "If it is to hold another image, such as a backup that was restored, verify that one. If it is to \
                 hold this one, write it."
            }
            (true, false) => {
                "Has the unit run since? Back it up again. If not, give the write command again; if the same bytes \
                 come back, the cells are worn: replace the part."
            }
            (false, _) => {
                "Reseat the clip (docs/wiring.md has the order), lower SCK, and verify again. If the same places \
                 differ again, the cells may be weak: norlock survey tells."
            }
        })
}

/// Whether more differs than cells that fail or a unit that runs would change: a hundredth of the chip (common
/// practice, no source).
fn is_another(report: &VerifyReport) -> bool {
    let worst = report.differing.iter().max().copied().unwrap_or(0);
    worst > u64::from(report.size_bytes) / 100
}

/// At which SCK each pass was made, and whether they agree.
fn passes(report: &VerifyReport) -> String {
    let clocks: Vec<String> = report.sck.iter().map(ToString::to_string).collect();
    let clocks = clocks.join(", ");
    match (report.sck.len(), report.passes_agree) {
        (1, _) => clocks,
        (_, true) => format!("{clocks}; they agree with each other"),
        (_, false) => format!("{clocks}; they do not agree with each other"),
    }
}

fn equal(report: &VerifyReport, image: &str, passes: String, typed: &Typed) -> Screen {
    let times = match report.sck.len() {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        3 => "three times".to_owned(),
        more => format!("{more} times"),
    };
    let compared = size(report.compared_bytes);
    let screen = Screen::new(format!(
        "The chip holds {image}: {compared} compared {times}, 0 bytes differ."
    ));
    let screen = screen
        .row("passes", passes)
        .row("time", seconds(report.time));
    let screen = match &report.lanes {
        Some(lanes) => screen.row("lanes", lanes),
        None => screen,
    };
    let whose = typed.unit_name().unwrap_or("The unit");
    let next = match report.regions.is_empty() {
        true => format!("{whose} may go back on its board, unclipped first."),
        false => {
            "The rest was not looked at: verify without --region before the unit goes back on its board."
                .to_owned()
        }
    };
    recorded(screen, report).chip("untouched.").next(next)
}

/// Says where the unit's record does not have it.
fn recorded(screen: Screen, report: &VerifyReport) -> Screen {
    match &report.unrecorded {
        Some(why) => screen.row("record", format!("not kept in unit.toml: {why}")),
        None => screen,
    }
}

/// Each byte, by region.
fn single(mut screen: Screen, report: &VerifyReport, map: Option<&RegionMap>) -> Screen {
    let mut region = None;
    for (number, difference) in report.differences.iter().enumerate() {
        if number == 0 || difference.region != region {
            region.clone_from(&difference.region);
            screen = begins(screen, region.as_deref(), difference.address, map);
        }
        screen = screen.within(difference.address, format!("  {}", detail(difference)));
    }
    screen
}

/// Runs of erase blocks, by region.
fn by_block(mut screen: Screen, report: &VerifyReport, map: Option<&RegionMap>) -> Screen {
    let mut region = None;
    for (number, run) in report.blocks.iter().take(SHOWN).enumerate() {
        let start = Address(run.range.start);
        if number == 0 || run.region != region {
            region.clone_from(&run.region);
            screen = begins(screen, region.as_deref(), start, map);
        }
        screen = screen.within(start, format!("  {}", of_blocks(run, report.sck.len())));
    }
    let rest: u64 = report.blocks.iter().skip(SHOWN).map(|run| run.bytes).sum();
    match rest {
        0 => screen,
        rest => screen.row(
            "more",
            format!("{} in blocks that are not shown", bytes(rest)),
        ),
    }
}

/// What begins at `start`, with where its region does.
fn begins(screen: Screen, region: Option<&str>, start: Address, map: Option<&RegionMap>) -> Screen {
    let known = region.and_then(|name| map?.region(name));
    let start = known.map_or(start, |region| Address(region.range.start));
    screen.region(start, region.unwrap_or("no region"))
}

/// Size of the run, its bytes, and in which direction its bits differ.
fn of_blocks(run: &DifferingBlocks, passes: usize) -> String {
    let length = u64::from(run.range.end - run.range.start);
    let seen = match run.passes as usize == passes {
        true => String::new(),
        false => format!(", in {} of {passes} passes", run.passes),
    };
    format!(
        "{}: {}; {} bits 0 in place of 1, {} bits 1 in place of 0{seen}",
        size(length),
        bytes(run.bytes),
        count(run.bits_low),
        count(run.bits_high)
    )
}

fn bytes(number: u64) -> String {
    if number == 1 {
        "1 byte".into()
    } else {
        format!("{} bytes", count(number))
    }
}

fn detail(difference: &Difference) -> String {
    let holds = difference
        .holds
        .iter()
        .copied()
        .find(|byte| *byte != difference.wanted)
        .unwrap_or(difference.wanted);
    let wrong = holds ^ difference.wanted;
    let text = format!("holds {holds:02X}, target {:02X}", difference.wanted);
    if wrong.count_ones() != 1 {
        return text;
    }
    let bit = wrong.trailing_zeros();
    let (is, should) = if holds & wrong == 0 { (0, 1) } else { (1, 0) };
    format!("{text}: bit {bit} is {is}, not {should}")
}

/// What the pattern usually means (common practice, no source).
fn meaning(report: &VerifyReport) -> &'static str {
    if report.unfinished.is_some() {
        return "a write was interrupted: the chip holds a mix of two images";
    }
    if !report.passes_agree {
        return "the passes differ from each other: the wires or the clock err, or cells are weak";
    }
    let fell = report.blocks.iter().all(|run| run.bits_high == 0);
    if is_another(report) {
        "the passes agree, and much differs: most likely the chip holds another image"
    } else if fell {
        "bits are 0 where 1 is wanted and do not move with SCK: the cells, not the wires; an erase that fell \
         short leaves this, and so does a unit that has run"
    } else {
        "the passes agree, so this is what the chip holds: another image, or a unit that has run since"
    }
}
