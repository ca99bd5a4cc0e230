//! `verify`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::job::{Difference, VerifyReport};

/// Differing bytes that a screen shows.
const SHOWN: usize = 12;

/// Whether the chip holds the image; where it does not, which bits, and in which direction.
pub fn verify(report: &VerifyReport, image: &str, unit: Option<&str>) -> Screen {
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
        let whose = unit.unwrap_or("The unit");
        return Screen::new(format!(
            "The chip holds {image}: {} compared {times}, 0 bytes differ.",
            size(u64::from(report.size_bytes))
        ))
        .row("passes", passes)
        .row("time", seconds(report.time))
        .chip("untouched.")
        .next(format!(
            "{whose} may go back on its board, unclipped first."
        ));
    }
    let worst = report.differing.iter().max().copied().unwrap_or(0);
    let mut screen = Screen::new(format!(
        "The chip differs from {image} in {}.",
        bytes(worst)
    ));
    let mut region = None;
    for difference in report.differences.iter().take(SHOWN) {
        if difference.region != region {
            region.clone_from(&difference.region);
            let name = region.clone().unwrap_or_else(|| "no region".into());
            screen = screen.region(difference.address, name);
        }
        screen = screen.within(difference.address, detail(difference));
    }
    if report.differences.len() > SHOWN {
        screen = screen.row(
            "more",
            format!(
                "{} bytes are not shown",
                count(worst.saturating_sub(SHOWN as u64))
            ),
        );
    }
    screen
        .row("passes", passes)
        .row("means", meaning(report))
        .chip("untouched by this check.")
        .next("Give the write command again. If the same bytes come back, the cells are worn: replace the part.")
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
