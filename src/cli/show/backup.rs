//! `backup`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::cli::typed::Typed;
use crate::job::{BackupReport, PassFacts};

/// What was read, how, and where it is kept.
pub fn backup(report: &BackupReport, typed: &Typed) -> Screen {
    let mut screen = Screen::new(format!(
        "Two independent reads agree in all {}. The backup of {} is kept.",
        size(u64::from(report.size_bytes)),
        report.unit
    ));
    let reads = &report.reads;
    screen = screen
        .row("first", pass(&reads.first))
        .row("second", pass(&reads.second));
    if let Some(lanes) = &reads.lanes {
        screen = screen.row("lanes", lanes);
    }
    let floor = reads.first.floor + reads.second.floor;
    let taken = reads.first.time + reads.second.time;
    screen = screen.row(
        "floor",
        format!("{} on this wire; taken {}", seconds(floor), seconds(taken)),
    );
    if let Some(weak) = &reads.weak {
        screen = screen.row("weak", format!("the reads prove less: {weak}"));
    }
    if let Some(doubt) = &report.size_doubt {
        screen = screen.row("accepted", format!("chip-size, although {doubt}"));
    }
    screen = screen
        .row("looks", reads.look.summary())
        .row(
            "file",
            format!(
                "{}/{}, read-only, hashed once more from the medium",
                report.unit, report.file
            ),
        )
        .hash("SHA-256", &report.sha256.0);
    if let Some(before) = &report.before {
        screen = match report.changed.is_empty() {
            true => screen.row("since", format!("nothing changed since {before}")),
            false => report.changed.iter().fold(screen, |screen, region| {
                let differ = match region.bytes {
                    1 => "1 byte differs".to_owned(),
                    bytes => format!("{} bytes differ", count(bytes)),
                };
                screen.row(
                    "since",
                    format!("{}: {differ} from {before}", region.region),
                )
            }),
        };
    }
    if let Some(sck) = report.sck_proven {
        screen = screen.row("SCK", format!("{sck}, as the last contact proved"));
    }
    let stem = report.file.trim_end_matches(".bin");
    screen
        .chip("untouched.")
        .next("Keep this hash away from here: on paper, or on a stick; then unplug it:")
        .next(format!("cp {}/{stem}.* STICK/ && sync", typed.unit()))
        .next("Writing will ask for it.")
}

fn pass(pass: &PassFacts) -> String {
    let way = if pass.downwards {
        "downwards"
    } else {
        "upwards"
    };
    let name = match (pass.lanes, pass.opcode) {
        (4, _) => "quad read",
        (2, _) => "dual read",
        (_, 0x0B) => "fast read",
        _ => "read",
    };
    format!(
        "{}, {name} {:02X}h, {way}, {}",
        pass.sck,
        pass.opcode,
        seconds(pass.time)
    )
}
