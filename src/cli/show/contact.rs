//! `contact`

use crate::cli::figures::{count, span};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{ContactReport, Evidence, Kind, Rung};

/// The verdict, its evidence, and what to do.
pub fn contact(report: &ContactReport, typed: &Typed) -> Screen {
    match &report.sign {
        Some(sign) if !report.good => {
            let screen = Screen::new("The contact is not good enough.")
                .row("sign", sign.kind.name())
                .row("seen", sign.seen.as_str())
                .row("means", sign.means.as_str())
                .row("look", sign.look.as_str());
            let screen = notes(ladder(screen, report), report);
            let screen = looked_at(screen, report).chip("untouched.");
            go_on(screen.next(sign.kind.next()), report, typed).next(format!(
                "More on {}: docs/suspect-units.md",
                sign.kind.name()
            ))
        }
        _ => good(report, typed),
    }
}

/// An unfinished journal is what the person came with; it is gone on with once the contact is good.
fn go_on(screen: Screen, report: &ContactReport, typed: &Typed) -> Screen {
    if report.unfinished.is_none() {
        return screen;
    }
    let back = typed.change("restore");
    let same = match report.good {
        true => "Give the same write command again, or go back:",
        false => "Once the contact is good, give the same write command again, or go back:",
    };
    screen.next(same).next(back)
}

fn good(report: &ContactReport, typed: &Typed) -> Screen {
    let screen = ladder(
        looked_at(Screen::new(answer(report, typed)), report),
        report,
    );
    let screen = match report
        .rests_on()
        .and_then(|rung| Some((rung, rung.fewer_than_one_in()?)))
    {
        Some((rung, one_in)) => screen.row("proof", claim(rung, one_in)),
        None => screen,
    };
    let reset = report.notes.iter().any(|note| note.kind == Kind::Reset);
    let chip = match reset {
        true => "untouched; what does not outlast the supply is as at power-up.",
        false => "untouched.",
    };
    next(notes(screen, report).chip(chip), report, typed)
}

/// What the ladder is worth, in numbers that can be held against it.
fn claim(rung: &Rung, one_in: u64) -> String {
    format!(
        "no error in {} bits at {}: fewer than 1 in {}, with a confidence of 95 %",
        million(rung.bits),
        rung.sck,
        million(one_in)
    )
}

/// `4.2 million`, or all digits below a million.
fn million(number: u64) -> String {
    match number {
        small if small < 1_000_000 => count(small),
        large => format!(
            "{}.{} million",
            large / 1_000_000,
            large % 1_000_000 / 100_000
        ),
    }
}

fn answer(report: &ContactReport, typed: &Typed) -> String {
    if report.is_of_another() {
        let unit = typed.unit_name().unwrap_or("the unit");
        return format!("The clip is seated, but this chip is not that of {unit}.");
    }
    let proven = report.proven.map(|sck| sck.to_string()).unwrap_or_default();
    let seated = format!("The clip is seated: every read is the same up to {proven}");
    let (_, _, asked) = report.link;
    match (
        asked.filter(|asked| report.proven != Some(*asked)),
        limit(report),
    ) {
        (Some(asked), Some(limit)) => format!("{seated}, {limit}; {asked} was asked."),
        (Some(asked), None) => format!("{seated}, but not up to the {asked} asked."),
        (None, _) => format!("{seated}."),
    }
}

/// Whose limit ended the ladder, where no error did.
fn limit(report: &ContactReport) -> Option<&'static str> {
    let all_right = report.ladder.iter().all(Rung::is_right);
    report.ends_at.filter(|_| all_right)
}

/// Where no SCK was asked for, or the one asked for is not proven, a step below what is leaves some margin.
fn next(screen: Screen, report: &ContactReport, typed: &Typed) -> Screen {
    if report.is_of_another() {
        return screen.next(Kind::AnotherChip.next());
    }
    let (_, _, asked) = report.link;
    let Some(chosen) = report.chosen.filter(|chosen| Some(*chosen) != asked) else {
        return match report.unfinished {
            Some(_) => go_on(screen, report, typed),
            None => screen.next(typed.command("id")),
        };
    };
    let sck = chosen.to_string().replace(' ', "");
    let shorten = match asked.is_none() || limit(report).is_some() {
        true => "",
        false => ", or shorten the wires",
    };
    let screen = screen.next(format!("Use --sck {sck}, one step below{shorten}."));
    match report.unfinished {
        Some(_) => go_on(screen, report, typed),
        None => screen.next(typed.command(&format!("id --sck {sck}"))),
    }
}

fn looked_at(mut screen: Screen, report: &ContactReport) -> Screen {
    let seen = &report.evidence;
    if let Some(id) = &report.jedec_id {
        let part = match (&report.part, report.good) {
            (Some(part), _) => format!(", {part}"),
            (None, true) => ", a part the table does not know".into(),
            (None, false) => String::new(),
        };
        screen = screen.row("JEDEC ID", format!("{id}{part}"));
    } else if report.look.is_some() {
        screen = screen.row("JEDEC ID", "not steady");
    }
    for (label, text) in counted(seen, report) {
        screen = screen.row(label, text);
    }
    let (link, level, asked) = &report.link;
    let level = level.map_or_else(String::new, |level| format!(", declared {level}"));
    let asked = asked.map_or_else(|| "no SCK asked".into(), |asked| format!("{asked} asked"));
    let screen = screen.row("link", format!("{link}{level}, {asked}"));
    match &report.unfinished {
        Some(journal) => screen.row(
            "journal",
            format!("{journal} tells of a write that did not end"),
        ),
        None => screen,
    }
}

fn counted(seen: &Evidence, report: &ContactReport) -> Vec<(&'static str, String)> {
    let same = |(reads, same): (usize, usize)| format!("the same in {same} of {reads} reads");
    let mut rows = Vec::new();
    if seen.ids.0 > 0 {
        rows.push(("ID", same(seen.ids)));
        let status = seen
            .status
            .map_or_else(String::new, |status| format!("{status:02X}, "));
        rows.push(("status", format!("{status}{}", same(seen.statuses))));
    }
    if seen.sfdp.0 > 0 && report.good {
        let answers = if report.sfdp { "answers, " } else { "none, " };
        rows.push(("SFDP", format!("{answers}{}", same(seen.sfdp))));
    }
    if let (reads @ 1.., right) = seen.after_long {
        rows.push((
            "strain",
            format!("the ID is right after {right} of {reads} long reads"),
        ));
    }
    if let Some((all, arriving)) = seen.lines {
        rows.push((
            "MOSI",
            match arriving == all {
                true => format!("all {all} address bits seen to arrive"),
                false => format!(
                    "{arriving} of {all} address bits seen to arrive; of the others this content tells nothing"
                ),
            },
        ));
    }
    rows.push((
        "CS high",
        match seen.idle_changes {
            None => "the link cannot look at MISO then".into(),
            Some(0) => "MISO stands still".into(),
            Some(changes) => format!("MISO changes {} times", count(changes.into())),
        },
    ));
    rows
}

fn notes(screen: Screen, report: &ContactReport) -> Screen {
    report.notes.iter().fold(screen, |screen, note| {
        screen.row(
            "note",
            format!("{}: {}; {}", note.kind.name(), note.seen, note.means),
        )
    })
}

fn ladder(screen: Screen, report: &ContactReport) -> Screen {
    let screen = report.ladder.iter().fold(screen, |screen, rung| {
        let measured = rung.measured.map_or_else(String::new, |measured| {
            format!("; {} measured", measured.shown())
        });
        let wrong = match rung.wrong_bits {
            0 => "none".to_owned(),
            wrong => count(wrong),
        };
        screen.row(
            "SCK",
            format!(
                "{}: {wrong} of {} bits wrong{measured}",
                rung.sck,
                million(rung.bits)
            ),
        )
    });
    let screen = match &report.lanes {
        Some(lanes) => screen.row("lanes", lanes.as_str()),
        None => screen,
    };
    match report.overhead() {
        Some(time) => screen.row(
            "message",
            format!("{} each besides its bits, measured", span(time)),
        ),
        None => screen,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::wrap::COLUMNS;
    use crate::jedec::Hertz;
    use crate::job::{Measured, Sign};

    fn rung(mhz: u32, wrong: u64) -> Rung {
        Rung {
            sck: Hertz::mhz(mhz),
            measured: Some(Measured {
                sck: Hertz(mhz * 999_999),
                moving: false,
                overhead: std::time::Duration::from_micros(30),
            }),
            reads: 192,
            same: 192 - u32::from(wrong > 0),
            bits: 4_212_736,
            wrong_bits: wrong,
        }
    }

    fn report(proven: u32, chosen: u32, asked: impl Into<Option<Hertz>>) -> ContactReport {
        let asked = asked.into();
        ContactReport {
            good: true,
            sign: None,
            notes: Vec::new(),
            jedec_id: Some("EF 40 18".into()),
            part: None,
            ladder: vec![rung(20, 70), rung(10, 0), rung(5, 0)],
            proven: Some(Hertz::mhz(proven)),
            chosen: Some(Hertz(chosen * 1000)),
            sfdp: false,
            look: None,
            evidence: Evidence {
                ids: (256, 256),
                statuses: (16, 16),
                status: Some(0),
                sfdp: (8, 8),
                after_long: (16, 16),
                lines: Some((24, 23)),
                idle_changes: None,
                sample_bytes: 65536,
            },
            ends_at: None,
            lanes: None,
            unfinished: None,
            link: ("mock:clip".into(), None, asked),
            operation: crate::unit::Operation::default(),
        }
    }

    #[test]
    fn an_sck_that_is_not_proven_is_said_first_and_a_lower_one_last() {
        let typed = Typed::default();
        let text = contact(&report(10, 5000, Hertz::mhz(20)), &typed).render(false, COLUMNS);
        assert!(
            text.starts_with(
                "The clip is seated: every read is the same up to 10 MHz,\n\
                 but not up to the 20 MHz asked.\n"
            ),
            "{text}"
        );
        let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for says in [
            "SCK 20 MHz: 70 of 4.2 million bits wrong; 20 MHz measured",
            "proof no error in 4.2 million bits at 5 MHz: fewer than 1 in 1.4 million, with a confidence of 95 %",
            "message 30 us each besides its bits, measured",
            "MOSI 23 of 24 address bits seen to arrive",
            "link mock:clip, 20 MHz asked",
        ] {
            assert!(joined.contains(says), "{says}: {text}");
        }
        assert!(text.ends_with("      norlock id --sck 5MHz --unit FOLDER\n"));
        let low = contact(&report(1, 500, Hertz::mhz(20)), &typed).render(false, COLUMNS);
        assert!(low.contains("--sck 500kHz, one step below"), "{low}");
        assert!(text.lines().all(|line| line.len() <= 60), "{text}");
    }

    #[test]
    fn an_sck_that_is_proven_is_not_argued_with() {
        let proven = report(20, 20_000, Hertz::mhz(20));
        let text = contact(&proven, &Typed::default()).render(false, COLUMNS);
        assert!(text.starts_with("The clip is seated: every read is the same up to 20 MHz.\n"));
        assert!(!text.contains("--sck"), "{text}");
    }

    /// A shorter wire does not help where the part, or the link, goes no further.
    #[test]
    fn a_limit_is_not_blamed_on_the_wires() {
        let mut limited = report(50, 33_000, Hertz::mhz(200));
        limited.ladder = vec![rung(50, 0), rung(33, 0)];
        limited.ends_at = Some("the part's limit");
        let text = contact(&limited, &Typed::default()).render(false, COLUMNS);
        let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            joined.contains("up to 50 MHz, the part's limit; 200 MHz was asked."),
            "{text}"
        );
        assert!(!text.contains("shorten"), "{text}");
        // Wires that fail below the limit are the wires.
        limited.ladder = vec![rung(33, 7), rung(20, 0)];
        let text = contact(&limited, &Typed::default()).render(false, COLUMNS);
        assert!(
            text.contains("shorten") && !text.contains("limit"),
            "{text}"
        );
    }

    #[test]
    fn an_unfinished_write_is_gone_on_with() {
        let unfinished = ContactReport {
            unfinished: Some("gauge-07/journal/write-1".into()),
            ..report(20, 20_000, Hertz::mhz(20))
        };
        let text = contact(&unfinished, &Typed::default()).render(false, COLUMNS);
        assert!(text.contains("journal/write-1 tells of a write"), "{text}");
        assert!(
            text.contains("Next  Give the same write command again"),
            "{text}"
        );
        assert!(!text.contains("norlock id"), "{text}");
    }

    #[test]
    fn where_none_was_asked_for_one_is_named() {
        let free = report(20, 10_000, None);
        let text = contact(&free, &Typed::default()).render(false, COLUMNS);
        assert!(text.starts_with("The clip is seated: every read is the same up to 20 MHz.\n"));
        assert!(
            text.contains("Next  Use --sck 10MHz, one step below.\n"),
            "{text}"
        );
        assert!(text.contains("no SCK asked"), "{text}");
    }

    #[test]
    fn a_bad_contact_says_its_sign_what_it_means_and_what_to_look_at() {
        let sign = Sign {
            kind: Kind::FloatingHold,
            seen: "3 of 18 long reads end dead".into(),
            means: "HOLD# floats".into(),
            look: "Measure HOLD#.".into(),
        };
        let bad = ContactReport {
            good: false,
            sign: Some(sign),
            ..report(20, 10_000, None)
        };
        let text = contact(&bad, &Typed::default()).render(false, COLUMNS);
        assert!(
            text.starts_with("The contact is not good enough.\n\n  sign"),
            "{text}"
        );
        for says in [
            "floating-hold",
            "3 of 18 long",
            "HOLD# floats",
            "Measure HOLD#.",
            "docs/suspect-units.md",
        ] {
            assert!(text.contains(says), "{says}: {text}");
        }
    }
}
