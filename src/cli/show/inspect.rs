//! `inspect`

use std::path::Path;

use crate::cli::args::InspectArgs;
use crate::cli::figures::{count, size};
use crate::cli::screen::Screen;
use crate::cli::typed::word;
use crate::image::formats::Findings;
use crate::image::{Comparison, Doubt, RegionMap, Strings};
use crate::job::{CompareReport, InspectReport};

/// Stands above the last column of the staff.
const HEADING: &str = "bits a byte";
/// From this share on, in percent, differences are no matter of single units.
const OTHER_SOFTWARE_PERCENT: u64 = 25;

/// What an image holds, and whether it looks like a sane dump.
pub fn inspected(report: &InspectReport, map: Option<&RegionMap>, args: &InspectArgs) -> Screen {
    let look = &report.found.look;
    let mut screen = match report.found.doubts.first() {
        None => {
            let percent = look.blank_bytes * 100 / look.size_bytes.max(1);
            Screen::new(format!(
                "A sane dump of {}, {percent} % blank. No mirror, no shift, no stuck bit.",
                size(look.size_bytes)
            ))
        }
        Some(first) => {
            Screen::new(format!("This is no sane dump: {first}.")).row("means", first.means())
        }
    };
    for doubt in report.found.doubts.iter().skip(1) {
        screen = screen
            .row("also", doubt.to_string())
            .row("means", doubt.means());
    }
    screen = without_map(screen, report.has_map);
    if let Some(text) = unlisted(&report.found.findings) {
        screen = screen.row("headers", text);
    }
    if let Some(strings) = &report.strings {
        screen = screen.row("strings", told(strings));
    }
    let lines = report.found.staff(map, report.strings.as_ref()).lines();
    let figures = report
        .found
        .stretches
        .iter()
        .any(|one| one.bits_a_byte > 0.0);
    let ends_in_figure = |line: &&String| line.as_bytes().iter().rev().nth(1) == Some(&b'.');
    if let Some(line) = lines.iter().find(ends_in_figure).filter(|_| figures) {
        screen = screen.line(format!("{HEADING:>0$}", line.len()));
    }
    screen = lines.into_iter().fold(screen, Screen::line);
    match (&args.draft_map, report.sane, report.has_map) {
        (Some(file), ..) => drafted(screen, file),
        (None, false, _) => screen.next(
            "If it was read from a chip, read that anew: norlock contact, then norlock backup.",
        ),
        (None, true, false) if look.size_bytes > 0 => screen.next(format!(
            "norlock inspect {} --draft-map regions.toml",
            word(&args.image)
        )),
        _ => screen,
    }
}

/// What the list of headers leaves out.
fn unlisted(findings: &Findings) -> Option<String> {
    let more = (findings.more > 0).then(|| format!("and {} more not listed", count(findings.more)));
    let skipped = (findings.skipped > 0).then(|| {
        let places = count(findings.skipped);
        format!("places not looked at, since too much else was: {places}")
    });
    let parts: Vec<String> = more.into_iter().chain(skipped).collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

fn told(strings: &Strings) -> String {
    let count = |number: usize| count(number as u64);
    let mut text = match strings.found.len() {
        0 => "none of interest".to_owned(),
        1 => "1 of interest".to_owned(),
        many => format!("{} of interest", count(many)),
    };
    if strings.more > 0 {
        text.push_str(&format!(", {} more not listed", strings.more));
    }
    if strings.withheld > 0 {
        text.push_str(&format!(
            "; {} not shown: unit data or secrets",
            strings.withheld
        ));
    }
    text
}

/// What differs between the images of two units.
pub fn compared(report: &CompareReport, map: Option<&RegionMap>, args: &InspectArgs) -> Screen {
    let [one, two] = &report.images;
    let found = &report.found;
    let whole = size(found.size_bytes.into());
    let mut screen = match found.differing_bytes {
        0 => Screen::new(format!("{one} and {two} are equal in all {whole}.")),
        bytes => Screen::new(format!(
            "{one} and {two} differ in {}.",
            differing(bytes, found)
        )),
    };
    for (image, doubts) in report.images.iter().zip(&report.doubts) {
        screen = doubts.iter().fold(screen, |screen: Screen, doubt: &Doubt| {
            screen.row("doubt", format!("{image} is no sane dump: {doubt}"))
        });
    }
    let percent = found.differing_bytes * 100 / u64::from(found.size_bytes.max(1));
    screen = match percent {
        _ if found.differing_bytes == 0 => {
            screen.row("means", "twice the same dump, or nothing of their own")
        }
        OTHER_SOFTWARE_PERCENT.. => screen.row(
            "means",
            format!("{percent} % differ: they hold other software; compare units with the same"),
        ),
        _ => screen,
    };
    screen = without_map(screen, report.has_map);
    screen = found
        .staff(map)
        .lines()
        .into_iter()
        .fold(screen, Screen::line);
    match &args.draft_map {
        Some(file) => drafted(screen, file),
        None if found.differing_bytes > 0 && !report.has_map => {
            let images = [Some(&args.image), args.other.as_ref()];
            let images: Vec<String> = images
                .into_iter()
                .flatten()
                .map(|path| word(path))
                .collect();
            screen.next(format!(
                "norlock inspect {} --draft-map regions.toml",
                images.join(" ")
            ))
        }
        None => screen,
    }
}

fn differing(bytes: u64, found: &Comparison) -> String {
    let places = found.differing().count();
    let may_be = found.differing().filter(|one| one.may_be_unit_data).count();
    let s = |number: u64| if number == 1 { "" } else { "s" };
    format!(
        "{} byte{} at {places} place{}; {may_be} may be unit data",
        count(bytes),
        s(bytes),
        s(places as u64)
    )
}

fn without_map(screen: Screen, has_map: bool) -> Screen {
    match has_map {
        true => screen,
        false => screen.row("map", "no map, so that regions have no names here"),
    }
}

fn drafted(screen: Screen, file: &Path) -> Screen {
    let file = word(file);
    screen.next(format!(
        "Check each region of {file}, and say 'replaceable' where a write may change it."
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_listed_is_counted() {
        let told = |more, skipped| {
            let listed = Vec::new();
            unlisted(&Findings {
                listed,
                more,
                skipped,
            })
        };
        assert_eq!(told(0, 0), None);
        assert_eq!(told(27_387, 0).unwrap(), "and 27,387 more not listed");
        let both = "and 3 more not listed; places not looked at, since too much else was: 2";
        assert_eq!(told(3, 2).unwrap(), both);
    }
}
