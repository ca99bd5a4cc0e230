//! `contact`

use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{ContactReport, Rung};

/// The verdict, the ladder, and what to do.
pub fn contact(report: &ContactReport, typed: &Typed) -> Screen {
    if !report.good {
        let sign = report
            .sign
            .clone()
            .unwrap_or_else(|| "the reads do not agree".into());
        return ladder(
            Screen::new("The contact is not good enough."),
            &report.ladder,
        )
        .row("seen", sign)
        .chip("untouched.")
        .next("Take the supply away, reseat the clip, then run norlock contact again.");
    }
    let mut screen = Screen::new(answer(report));
    if let Some(id) = &report.jedec_id {
        let part = report
            .part
            .as_deref()
            .unwrap_or("a part the table does not know");
        screen = screen.row("JEDEC ID", format!("{id}, {part}"));
    }
    screen = screen.row(
        "SFDP",
        if report.sfdp {
            "answers, twice the same"
        } else {
            "none"
        },
    );
    screen = ladder(screen, &report.ladder);
    if let Some((link, level, sck)) = &report.link {
        let level = level.map_or_else(String::new, |level| format!(", declared {level}"));
        screen = screen.row("link", format!("{link}{level}, {sck} asked"));
    }
    if report.look.as_ref().is_some_and(|look| look.woken) {
        screen = screen.row("woken", "the chip was in deep power-down");
    }
    next(screen.chip("untouched."), report, typed)
}

fn answer(report: &ContactReport) -> String {
    let proven = report.proven.map(|sck| sck.to_string()).unwrap_or_default();
    let asked = report.link.as_ref().map(|(_, _, asked)| *asked);
    match asked.filter(|_| report.advised.is_some()) {
        Some(asked) => format!(
            "The clip is seated: every read is the same up to {proven}, but not up to the {asked} asked."
        ),
        None => format!("The clip is seated: every read is the same up to {proven}."),
    }
}

/// Where the SCK asked for is not proven, a step below what is leaves some margin.
fn next(screen: Screen, report: &ContactReport, typed: &Typed) -> Screen {
    let Some(advised) = report.advised else {
        return screen.next(typed.command("id"));
    };
    let sck = advised.to_string().replace(' ', "");
    screen
        .next(format!(
            "Use --sck {sck}, one step below, or shorten the wires."
        ))
        .next(typed.command(&format!("id --sck {sck}")))
}

fn ladder(screen: Screen, rungs: &[Rung]) -> Screen {
    rungs.iter().fold(screen, |screen, rung| {
        screen.row(
            "SCK",
            format!("{}: {} of {} reads right", rung.sck, rung.same, rung.reads),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jedec::Hertz;

    fn report(proven: u32, advised: Option<u32>) -> ContactReport {
        let rung = |mhz, same| Rung {
            sck: Hertz::mhz(mhz),
            reads: 72,
            same,
        };
        ContactReport {
            good: true,
            sign: None,
            jedec_id: Some("EF 40 18".into()),
            part: None,
            ladder: vec![rung(20, 70), rung(10, 72)],
            proven: Some(Hertz::mhz(proven)),
            advised: advised.map(Hertz),
            sfdp: false,
            look: None,
            link: Some(("mock:clip".into(), None, Hertz::mhz(20))),
        }
    }

    #[test]
    fn an_sck_that_is_not_proven_is_said_first_and_a_lower_one_last() {
        let typed = Typed::default();
        let text = contact(&report(10, Some(5_000_000)), &typed).render(false);
        assert!(
            text.starts_with(
                "The clip is seated: every read is the same up to 10 MHz,\n\
                 but not up to the 20 MHz asked.\n"
            ),
            "{text}"
        );
        assert!(text.contains("SCK       20 MHz: 70 of 72 reads right"));
        assert!(text.ends_with("      norlock id --sck 5MHz --unit FOLDER\n"));
        let low = contact(&report(1, Some(500_000)), &typed).render(false);
        assert!(low.contains("--sck 500kHz, one step below"), "{low}");
    }

    #[test]
    fn an_sck_that_is_proven_is_not_argued_with() {
        let text = contact(&report(20, None), &Typed::default()).render(false);
        assert!(text.starts_with("The clip is seated: every read is the same up to 20 MHz.\n"));
        assert!(!text.contains("--sck"), "{text}");
    }
}
