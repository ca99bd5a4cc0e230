//! `backup`

use crate::cli::figures::{count, seconds, size};
use crate::cli::screen::Screen;
use crate::job::{BackupReport, PassFacts};

/// What was read, how, and where it is kept.
pub fn backup(report: &BackupReport) -> Screen {
    let mut screen = Screen::new(format!(
        "Two independent reads agree in all {}. The backup of {} is kept.",
        size(u64::from(report.size_bytes)),
        report.unit
    ));
    let reads = &report.reads;
    screen = screen
        .row("first", pass(&reads.first))
        .row("second", pass(&reads.second));
    let floor = reads.first.floor + reads.second.floor;
    let taken = reads.first.time + reads.second.time;
    screen = screen.row(
        "floor",
        format!("{} on this wire; taken {}", seconds(floor), seconds(taken)),
    );
    if let Some(weak) = &reads.weak {
        screen = screen.row("weak", format!("the reads are not independent: {weak}"));
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
                let bytes = count(region.bytes);
                screen.row(
                    "since",
                    format!("{}: {bytes} bytes differ from {before}", region.region),
                )
            }),
        };
    }
    screen.chip("untouched.").next(format!(
        "Keep this hash away from here: on paper, or copy {0}/{1} to a stick and unplug it, with the image: \
         cp {0}/{1} {0}/{2} STICK/ && sync. Writing will ask for it.",
        report.unit, report.hash_name, report.file
    ))
}

fn pass(pass: &PassFacts) -> String {
    let way = if pass.downwards {
        "downwards"
    } else {
        "upwards"
    };
    let name = if pass.opcode == 0x0B {
        "fast read"
    } else {
        "read"
    };
    format!(
        "{}, {name} {:02X}h, {way}, {}",
        pass.sck,
        pass.opcode,
        seconds(pass.time)
    )
}
