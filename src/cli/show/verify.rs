//! `verify`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::image::RegionMap;
use crate::jedec::Address;
use crate::job::{Difference, VerifyReport};

/// Differing bytes that a screen shows.
const SHOWN: usize = 12;

/// Whether the chip holds the image; where it does not, which bits, and in which direction.
pub fn verify(
    report: &VerifyReport,
    image: &str,
    typed: &Typed,
    map: Option<&RegionMap>,
) -> Screen {
    let clocks: Vec<String> = report.sck.iter().map(ToString::to_string).collect();
    let agree = if report.passes_agree {
        "they agree with each other"
    } else {
        "they do not agree with each other"
    };
    let times = match report.sck.len() {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        3 => "three times".to_owned(),
        more => format!("{more} times"),
    };
    let passes = match report.sck.len() {
        1 => clocks.join(""),
        _ => format!("{}; {agree}", clocks.join(", ")),
    };
    if report.is_equal() {
        let held = format!(
            "The chip holds {image}: {} compared {times}, 0 bytes differ.",
            size(u64::from(report.size_bytes))
        );
        let whose = typed.unit_name().unwrap_or("The unit");
        let screen = Screen::new(held)
            .row("passes", passes)
            .row("time", seconds(report.time));
        return recorded(screen, report).chip("untouched.").next(format!(
            "{whose} may go back on its board, unclipped first."
        ));
    }
    let worst = report.differing.iter().max().copied().unwrap_or(0);
    let differs = format!("The chip differs from {image} in {}.", bytes(worst));
    let mut screen = differing(Screen::new(differs), report, map);
    if report.differences.len() > SHOWN {
        let rest = worst.saturating_sub(SHOWN as u64);
        screen = screen.row("more", format!("{} are not shown", bytes(rest)));
    }
    let screen = screen.row("passes", passes).row("means", meaning(report));
    recorded(screen, report)
        .chip("untouched by this check.")
        .next(if report.passes_agree {
            "Has the unit run since? Back it up again. If not, give the write command again; if the same bytes \
             come back, the cells are worn: replace the part."
        } else {
            "Reseat the clip (docs/wiring.md has the order), lower SCK, and verify again."
        })
}

/// Says where the unit's record does not have it.
fn recorded(screen: Screen, report: &VerifyReport) -> Screen {
    match &report.unrecorded {
        Some(why) => screen.row("record", format!("not kept in unit.toml: {why}")),
        None => screen,
    }
}

/// The first differing bytes, by region.
fn differing(mut screen: Screen, report: &VerifyReport, map: Option<&RegionMap>) -> Screen {
    let mut region = None;
    for (number, difference) in report.differences.iter().take(SHOWN).enumerate() {
        if number == 0 || difference.region != region {
            region.clone_from(&difference.region);
            let known = region.as_deref().and_then(|name| map?.region(name));
            let start = known.map_or(difference.address, |region| Address(region.range.start));
            screen = screen.region(start, region.as_deref().unwrap_or("no region"));
        }
        screen = screen.within(difference.address, format!("  {}", detail(difference)));
    }
    screen
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
    if !report.passes_agree {
        return "the passes differ from each other, so the wires or the clock err: reseat the clip, lower SCK";
    }
    let fell = report
        .differences
        .iter()
        .all(|one| one.holds.iter().all(|holds| holds & !one.wanted == 0));
    if fell {
        "bits are 0 where 1 is wanted and do not move with SCK: the cells, not the wires; an erase that fell \
         short leaves this, and so does a unit that has run"
    } else {
        "the passes agree, so this is what the chip holds: another image, or a unit that has run since"
    }
}
