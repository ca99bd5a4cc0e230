//! The logbook as a page.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::style::{POLICY, STYLE};
use super::{Compared, Interrupted, Logbook, LoggedImage, clean};
use crate::image::{Entry, Hatch, Holds, RegionMap, Staff, show_size};
use crate::jedec::Address;
use crate::unit::{Digest, Identity, InterlockState, Recorded};
use crate::worklist::grouped;

/// Ranges that are named one by one.
const RANGES_SHOWN: usize = 6;

/// The frame that all pages have; `title` is not cleaned yet.
pub fn page(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (clean(title)) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    };
    page.into_string() + "\n"
}

/// A mark on the page's staff: where, and what.
pub fn mark(within: bool, at: &Markup, what: &Markup) -> Markup {
    html! {
        div.mark.within[within] {
            div.at { (at) }
            div.what { (what) }
        }
    }
}

fn region(heading: &str, what: &Markup) -> Markup {
    mark(false, &html! { h2 { (heading) } }, what)
}

/// A text that came from outside.
fn text(text: &str) -> Markup {
    html! { (clean(text)) }
}

impl Logbook {
    /// The page: self-contained HTML, without script, and nothing in it of what a block holds.
    #[must_use]
    pub fn page(&self) -> String {
        let body = html! {
            header { (mark(false, &html! {}, &self.head())) }
            main {
                @if let Some(unfinished) = &self.unfinished { (self.stopped(unfinished)) }
                @if !self.findings.is_empty() { (self.wrong()) }
                (region("Chip", &chip(self.identity.as_ref())))
                (region("Flash", &self.flash()))
                (region("Images", &self.images_lead()))
                @for image in &self.images { (self.image(image)) }
                (region("Done", &self.done_lead()))
                ol { @for operation in &self.operations { li { (operation_mark(operation)) } } }
                (region("Going back", &self.going_back()))
            }
            footer.foot { (mark(true, &html! {}, &self.foot())) }
        };
        page(&format!("Logbook of {}", self.unit), &body)
    }

    fn head(&self) -> Markup {
        let chip = self.identity.as_ref().map_or_else(
            || "Its chip has not been met yet.".to_owned(),
            |one| format!("{}, {}.", one.part, show_size(one.size_bytes.into())),
        );
        let last = self.operations.last().map(|last| {
            format!(
                "Last done: {}, {}.",
                last.command,
                last.outcome.trim_end_matches('.')
            )
        });
        html! {
            h1 { (text(&self.unit)) }
            p.lead { (text(&chip)) @if let Some(last) = &last { " " (text(last)) } }
        }
    }

    fn wrong(&self) -> Markup {
        region(
            "Not as it should be",
            &html! {
                ul { @for finding in &self.findings { li { (text(finding)) } } }
                p { "Compare with the copies kept elsewhere, and write nothing until it is cleared up." }
            },
        )
    }

    fn stopped(&self, unfinished: &Interrupted) -> Markup {
        let what = unfinished.command.unwrap_or("write or restore");
        let blocks = match &unfinished.damage {
            Some(damage) => format!("The journal is damaged: {damage}"),
            None => format!(
                "{} read back, {} in hand: what those hold cannot be told.",
                blocks(unfinished.done),
                blocks(unfinished.in_hand)
            ),
        };
        region(
            "Not ended",
            &html! {
                p.lead { "A " (what) " of this unit did not end. The chip may hold a mix of two images." }
                p { "Do not power the board. Give the same command again, or go back as below." }
                dl { dt { "journal" } dd { (text(&unfinished.journal)) } dt { "blocks" } dd { (text(&blocks)) } }
            },
        )
    }

    fn flash(&self) -> Markup {
        let size_bytes = self.map.as_ref().map(RegionMap::size_bytes);
        let size_bytes = size_bytes.or(self.identity.as_ref().map(|one| one.size_bytes));
        let Some(size_bytes) = size_bytes else {
            return html! { p { "Not known yet." } };
        };
        let unmapped = RegionMap::unmapped(size_bytes);
        let map = self.map.as_ref();
        let title = format!(
            "The flash of {}, {}",
            self.unit,
            show_size(size_bytes.into())
        );
        let svg = staff(map.unwrap_or(&unmapped)).svg(
            &clean(&title),
            "What may be replaced and what is this unit's own.",
        );
        html! {
            @if let Some(fault) = &self.map_fault { p { "Its region map cannot be used. " (text(fault)) } }
            @else if map.is_none() { p { "There is no region map yet." } }
            figure { (PreEscaped(svg)) }
        }
    }

    fn images_lead(&self) -> Markup {
        match self.images.is_empty() {
            true => html! { p { "None was kept yet." } },
            false => html! {
                p.soft { "Hashes are SHA-256, as recorded when an image was kept; " code { "norlock check" } " takes them anew." }
            },
        }
    }

    fn image(&self, image: &LoggedImage) -> Markup {
        let compared = self
            .compared
            .iter()
            .find(|compared| compared.file == image.file);
        mark(
            true,
            &html! { h3 { (text(&image.file)) } },
            &html! {
                (hash(image.sha256))
                p { (show_size(image.size_bytes)) @if let Some(why) = &image.weak { "; its reads prove less: " (text(why)) } }
                @if let Some(compared) = compared { (differences(compared)) }
            },
        )
    }

    fn done_lead(&self) -> Markup {
        match self.operations.is_empty() {
            true => html! { p { "Nothing yet." } },
            false => {
                html! { p.soft { "Oldest first. Numbers hold whatever the clock said; times are UTC." } }
            }
        }
    }

    fn foot(&self) -> Markup {
        html! {
            p.soft {
                "Made by norlock " (env!("CARGO_PKG_VERSION")) " of the folder " (text(&self.unit))
                ", as of operation " (self.operations.len()) ". It holds nothing that the folder does not, and is made anew by "
                code { "norlock logbook" } "."
            }
        }
    }
}

fn blocks(count: usize) -> String {
    match count {
        1 => "1 block".to_owned(),
        count => format!("{count} blocks"),
    }
}

fn chip(identity: Option<&Identity>) -> Markup {
    let Some(identity) = identity else {
        return html! { p { "Not met yet." } };
    };
    let rows = [
        ("part", Some(&identity.part)),
        ("JEDEC ID", Some(&identity.jedec_id)),
        ("unique ID", identity.unique_id.as_ref()),
        ("marking", identity.marking.as_ref()),
        ("level", Some(&identity.supply_level)),
    ];
    html! {
        dl {
            @for (name, value) in rows {
                @if let Some(value) = value { dt { (name) } dd { (text(value)) } }
            }
            dt { "size" } dd { (show_size(identity.size_bytes.into())) }
        }
    }
}

/// The regions as a staff.
fn staff(map: &RegionMap) -> Staff {
    let mut staff = Staff::new(show_size).ending_at(map.size_bytes());
    for span in map.spans() {
        let kind = match span.holds {
            Holds::Replaceable => "replaceable",
            Holds::UnitData => "unit data",
            Holds::Keep => "kept",
        };
        staff.push(Entry {
            address: span.range.start,
            label: span.name().to_owned(),
            amount: u64::from(span.range.end - span.range.start),
            columns: vec![kind.to_owned()],
            hatch: Hatch::from(span.holds),
        });
        let region = span.region.as_deref().and_then(|name| map.region(name));
        if let Some(note) = region.and_then(|region| region.note.as_deref()) {
            staff.note(None, &clean(note));
        }
    }
    staff
}

/// In groups of eight digits.
fn hash(digest: Digest) -> Markup {
    let digits = digest.to_string();
    let digits = digits.as_bytes().chunks(8).map(String::from_utf8_lossy);
    html! { p.mono.hash { @for group in digits { span { (group) } " " } } }
}

fn differences(compared: &Compared) -> Markup {
    let with = &compared.with;
    if let Some(fault) = &compared.fault {
        return html! { p { "It could not be compared with " (with) ". " (text(fault)) } };
    }
    if compared.regions.is_empty() {
        return html! { p { "It equals " (with) "." } };
    }
    html! {
        p { "It differs from " (with) ":" }
        dl {
            @for region in &compared.regions {
                dt { (text(&region.region)) }
                dd {
                    (grouped(region.bytes)) @if region.bytes == 1 { " byte, " } @else { " bytes, " }
                    @for (index, range) in region.ranges.iter().take(RANGES_SHOWN).enumerate() {
                        @if index > 0 { ", " }
                        span.mono { (Address(range.start)) ".." (Address(range.end)) }
                    }
                    @if region.ranges.len() > RANGES_SHOWN {
                        " and " (region.ranges.len() - RANGES_SHOWN) " more ranges"
                    }
                }
            }
        }
    }
}

/// When, as its clock said.
pub fn when(operation: &Recorded) -> String {
    let time = operation.time.trim_end_matches('Z').replace('T', " ");
    match operation.clock_set {
        true => time,
        false => format!("clock not set ({time})"),
    }
}

fn operation_mark(operation: &Recorded) -> Markup {
    let at = html! {
        span.mono { (text(&operation.sequence.to_string())) } br;
        span.soft { (text(&when(operation))) }
    };
    mark(
        true,
        &at,
        &html! {
            h3 { b { (text(&operation.command)) } ": " (text(&operation.outcome)) }
            @if operation.chip != "not met" { p { "Chip: " (text(operation.chip.trim_end_matches('.'))) } }
            @if let Some(times) = times(operation) { p { (times) } }
            (conditions(operation))
            @for (state, words) in [
                (InterlockState::Held, "held"), (InterlockState::Accepted, "accepted"), (InterlockState::Open, "open"),
            ] { (interlocks(operation, state, words)) }
            @for acceptance in &operation.acceptances {
                p { "Accepted by name: " (text(&acceptance.name)) ", because " q { (text(&acceptance.reason)) } }
            }
        },
    )
}

/// What it took against what was modelled.
fn times(operation: &Recorded) -> Option<Markup> {
    let said = |name| operation.conditions.get(name);
    let (taken, modelled) = (said("taken")?, said("modelled")?);
    Some(html! { "Took " (text(taken)) "; modelled about " (text(modelled)) "." })
}

fn conditions(operation: &Recorded) -> Markup {
    let shown = |name: &str| name != "taken" && name != "modelled";
    let rows: Vec<_> = operation
        .conditions
        .iter()
        .filter(|(name, _)| shown(name))
        .collect();
    html! {
        @if !rows.is_empty() {
            dl { @for (name, value) in rows { dt { (text(name)) } dd { (text(value)) } } }
        }
    }
}

fn interlocks(operation: &Recorded, state: InterlockState, words: &str) -> Markup {
    let names = operation
        .interlocks
        .iter()
        .filter(|(_, found)| **found == state);
    let names: Vec<&str> = names.map(|(name, _)| name.as_str()).collect();
    html! {
        @if !names.is_empty() {
            p.soft { "Interlocks " (words) ": " (text(&names.join(", "))) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{Operation, UnitFile};
    use std::time::{Duration, SystemTime};

    /// A board without a clock begins in 1970; its operations keep their order and say so.
    #[test]
    fn a_clock_that_was_not_set_is_said() {
        let mut file = UnitFile::new("gauge-11");
        file.add(
            Operation::default(),
            SystemTime::UNIX_EPOCH + Duration::from_secs(12),
        );
        file.add(
            Operation::default(),
            SystemTime::UNIX_EPOCH + Duration::from_secs(1_773_480_371),
        );
        let shown: Vec<String> = file.operations.iter().map(when).collect();
        assert_eq!(
            shown,
            ["clock not set (1970-01-01 00:00:12)", "2026-03-14 09:26:11"]
        );
    }
}
