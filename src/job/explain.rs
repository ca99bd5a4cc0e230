//! What an error of a layer below means at the bench, and what to do next.

use std::io::ErrorKind;

use super::{Exit, Stop};
use crate::chip::ChipError;
use crate::link::LinkError;
use crate::text::{TextError, TextFault};
use crate::unit::UnitError;
use crate::unit::journal::JournalError;
use crate::unit::store::StoreError;

impl From<LinkError> for Stop {
    fn from(error: LinkError) -> Self {
        let (means, next) = link_meaning(&error);
        let mut stop = Self::new(Exit::ChipFault, sentence(&error), next);
        if let Some(source) = std::error::Error::source(&error) {
            stop = stop.row("seen", source.to_string());
        }
        stop.row("means", means).because(error)
    }
}

fn link_meaning(error: &LinkError) -> (String, String) {
    let (means, next) = match error {
        LinkError::Node { source, node, .. } => return node_meaning(source, node),
        LinkError::InUse { .. } => (
            "another program drives this chip select",
            "End it, then try again.",
        ),
        LinkError::Mode { .. } => (
            "the controller cannot do plain SPI mode 0 on this node",
            "Use another node, or look at what the device tree asks for.",
        ),
        LinkError::TooLong { .. } => (
            "the kernel's buffer for one message is smaller than it says",
            "Try again; the smaller size is used from the start.",
        ),
        LinkError::Short { .. } => (
            "the controller or its driver stopped half way; what was read is not to be trusted",
            "Try again at a lower SCK. If it stays, use another node.",
        ),
        LinkError::Refused { .. } => (
            "usually SCK is below the lowest that the controller can make; one that is too high it lowers by itself",
            "Give a higher --sck. If none is taken, the controller cannot send and receive at once: use another node.",
        ),
        LinkError::Io(_) => (
            "the controller or its driver gave up; the wires cannot cause this",
            "Look at the kernel's log (dmesg), then try again.",
        ),
        LinkError::StillEnabled => (
            "the chip did not hear write disable: MOSI or CS is loose",
            "Reseat the clip (docs/wiring.md has the order), then: norlock contact --unit FOLDER",
        ),
        LinkError::Guard(_) => (
            "norlock was about to send what a reading job must never send; nothing was sent",
            "This is a fault of norlock. Please report it with a --trace file.",
        ),
        LinkError::PowerCut { .. } => (
            "the simulated bench lost its supply",
            "Look at the supply and the clip, then: norlock contact --unit FOLDER",
        ),
        LinkError::Forbidden(_) => (
            "a real chip would have ignored it, or taken it for something else",
            "This is a fault of norlock. Please report it with a --trace file.",
        ),
    };
    (means.to_owned(), next.to_owned())
}

fn node_meaning(source: &std::io::Error, node: &str) -> (String, String) {
    let (means, next) = match source.kind() {
        ErrorKind::NotFound => {
            let nodes = nodes();
            let means = if nodes.is_empty() {
                "there is no spidev node at all: the bus is not enabled, or another kernel driver owns the \
                 chip select"
                    .to_owned()
            } else {
                format!("these nodes exist: {}", nodes.join(", "))
            };
            return (
                means,
                "Enable the bus as the bench computer's documentation says (docs/wiring.md)."
                    .into(),
            );
        }
        ErrorKind::PermissionDenied => return not_in_the_group(node_group(node).as_deref()),
        ErrorKind::ResourceBusy => (
            "another kernel driver owns the chip select, for example a flash driver",
            "Unbind that driver, or take the chip select out of its device tree node.",
        ),
        ErrorKind::InvalidInput => (
            "this is not a spidev node",
            "Name one: --spidev /dev/spidev0.0",
        ),
        _ => (
            "the node answers, but not as spidev does",
            "Look at the kernel's log (dmesg).",
        ),
    };
    (means.to_owned(), next.to_owned())
}

/// Nobody is to join the group root for a node's sake.
fn not_in_the_group(group: Option<&str>) -> (String, String) {
    match group {
        Some(group) if group != "root" => (
            format!("only the group {group} may use the node, and this user is not in it"),
            format!(
                "Add yourself to the group {group} (sudo usermod -aG {group} NAME) and log in again."
            ),
        ),
        group => (
            format!(
                "the node belongs to the group {}",
                group.unwrap_or("of its owner")
            ),
            "Give it a group of its own by a udev rule: docs/wiring.md has one.".to_owned(),
        ),
    }
}

#[cfg(all(feature = "linux", target_os = "linux"))]
fn nodes() -> Vec<String> {
    let nodes = crate::link::list_nodes(std::path::Path::new("/dev"));
    nodes
        .iter()
        .map(|node| node.display().to_string())
        .collect()
}

#[cfg(all(feature = "linux", target_os = "linux"))]
fn node_group(node: &str) -> Option<String> {
    crate::link::Node::look(std::path::Path::new(node))
        .ok()?
        .group
}

#[cfg(not(all(feature = "linux", target_os = "linux")))]
fn nodes() -> Vec<String> {
    Vec::new()
}

#[cfg(not(all(feature = "linux", target_os = "linux")))]
fn node_group(_node: &str) -> Option<String> {
    None
}

impl From<ChipError> for Stop {
    fn from(error: ChipError) -> Self {
        if let ChipError::Link(link) = error {
            return link.into();
        }
        let exit = match error {
            ChipError::Stopped => Exit::Stopped,
            _ => Exit::ChipFault,
        };
        let [means, next] = chip_meaning(&error);
        Self::new(exit, sentence(&error), next)
            .row("means", means)
            .because(error)
    }
}

/// What it means at the bench, and what to do.
fn chip_meaning(error: &ChipError) -> [&'static str; 2] {
    let reseat =
        "Reseat the clip (docs/wiring.md has the order), then: norlock contact --unit FOLDER";
    match error {
        ChipError::Stopped => [
            "nothing was sent but questions",
            "The same command starts over.",
        ],
        ChipError::StillBusy { .. } => [
            "the chip still erases or programs from before, or MISO is stuck",
            "Do not lift the clip. Wait, then run the same command again.",
        ],
        ChipError::UnsteadyRegister { .. } => [
            "the contact changes its mind; nothing is written back from such a read",
            reseat,
        ],
        ChipError::NoAnswer { .. } => ["no chip answers on these wires", reseat],
        ChipError::LostContact { .. } => ["the clip has most likely moved", reseat],
        ChipError::StrangeStatus { .. } => [
            "the clip has most likely moved, if only for a moment",
            reseat,
        ],
        ChipError::WelStuck { .. } => [
            "it was left in a continuous read, MISO is stuck, or MOSI is loose",
            "To see which, and to end a continuous read: norlock contact --unit FOLDER",
        ],
        ChipError::NoWayAbove16Mib { .. } => [
            "reading only the lower 16 MiB would look like a whole backup and not be one",
            "Add the part with its 4-byte opcodes or mode (--parts FILE).",
        ],
        ChipError::AddressMode { .. } => [
            "every byte read would be one place off; MOSI is loose, or this is another part",
            reseat,
        ],
        ChipError::AddressRegister { .. } => [
            "reads and erases would go to another 16 MiB: the chip lost its supply for a moment, MOSI is \
             loose, or the part has no such register; nothing was sent to the wrong place",
            "Measure the supply at the chip and reseat the clip, then: norlock contact --unit FOLDER",
        ],
        ChipError::WriteEnableRefused { .. } => [
            "MOSI is loose, or WP# and a lock keep the chip from being changed",
            reseat,
        ],
        ChipError::TimedOut { .. } | ChipError::Failed { .. } => [
            "the supply sagged, the block is worn, or the contact broke meanwhile",
            "Measure the supply at the clip, then give the same command again.",
        ],
        ChipError::Latched => [
            "what the last block holds is not known, so nothing more is sent that changes the chip",
            reseat,
        ],
        _ => [
            "norlock asked for what this part cannot do; nothing was sent",
            "This is a fault of norlock. Please report it.",
        ],
    }
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Self {
        UnitError::from(error).into()
    }
}

impl From<TextError> for Stop {
    fn from(error: TextError) -> Self {
        let faults = || error.faults.iter();
        let first = faults().next().map(TextFault::to_string);
        let headline = format!("{}, {}", error.file, first.unwrap_or_default());
        let next = match error.faults.len() {
            1 => {
                "Mend the file at that place (docs/files.md says what it may hold), then try again."
            }
            _ => {
                "Mend the file at these places (docs/files.md says what it may hold), then try again."
            }
        };
        let stop = Self::new(Exit::FileFault, sentence(&headline), next);
        let also = faults().skip(1);
        also.fold(stop, |stop, fault| stop.row("also", fault.to_string()))
            .because(error)
    }
}

impl From<UnitError> for Stop {
    fn from(error: UnitError) -> Self {
        let error = match error {
            UnitError::Text(error) => return error.into(),
            error => error,
        };
        let (means, next) = unit_meaning(&error);
        let kept = match &error {
            UnitError::Unnoted { file, sha256, .. } => Some((file.clone(), *sha256)),
            _ => None,
        };
        let stop = fault(error, next);
        let stop = match kept {
            Some((file, sha256)) => stop.kept(&file, sha256),
            None => stop,
        };
        if means.is_empty() {
            stop
        } else {
            stop.row("means", means)
        }
    }
}

/// What an error of a unit folder means, where that is not plain, and what to do next.
fn unit_meaning(error: &UnitError) -> (&'static str, &'static str) {
    let again = "Mend that, then give the same command again; nothing half written was kept.";
    match error {
        UnitError::Store(error) => store_meaning(error),
        UnitError::NotAUnit { .. } => ("", "Name the unit's folder; norlock backup makes one."),
        UnitError::NotEmpty { .. } => (
            "a unit's folder holds what norlock keeps of it and nothing else",
            "Name the unit's own folder, or one that is not there yet.",
        ),
        UnitError::Name { .. } => (
            "the folder's name is the unit's name, on screens and in its record",
            "Name it by letters and digits, such as gauge-07.",
        ),
        UnitError::Renamed { .. } => (
            "two folders of one unit would each tell half of what was done to it",
            "Give the folder back the name that its unit.toml has, then try again.",
        ),
        UnitError::InUse { .. } => ("", "Wait until the other process is done."),
        UnitError::Size { .. } | UnitError::Medium { .. } => (
            "what lies on the disk is not what was read of the chip; no such backup is kept",
            "The disk does not keep what is written to it: use another one.",
        ),
        UnitError::Unnoted { .. } => (
            "the file is right; unit.toml does not have it yet, or still has the one before of that name",
            "Mend that, then see what stands: norlock check --unit FOLDER",
        ),
        UnitError::HashFile { .. } => (
            "whether the image is still as it was cannot be told from it",
            "See what stands: norlock check --unit FOLDER",
        ),
        UnitError::OnlyViewed { .. } | UnitError::Encode(_) => (
            "norlock asked for what cannot be done here; nothing was written",
            "This is a fault of norlock. Please report it.",
        ),
        UnitError::Text(_) => ("", again),
    }
}

fn store_meaning(error: &StoreError) -> (&'static str, &'static str) {
    match error {
        StoreError::Full { .. } => ("", "Free space, or use a folder on a larger disk."),
        StoreError::SyncFailed { .. } | StoreError::AfterSyncFailed { .. } => (
            "what was written last may be lost, and the disk reports that only once",
            "Do not trust this disk. Move the unit folder to another one.",
        ),
        StoreError::InUse { .. } => ("", "Wait until the other process is done."),
        StoreError::Io { .. } => (
            "",
            "Mend that, then give the same command again; nothing half written was kept.",
        ),
    }
}

impl From<JournalError> for Stop {
    fn from(error: JournalError) -> Self {
        let back =
            "The backups do not depend on the journal: norlock restore --unit FOLDER goes back.";
        let (means, next) = match &error {
            JournalError::Store(
                error @ (StoreError::SyncFailed { .. } | StoreError::AfterSyncFailed { .. }),
            ) => store_meaning(error),
            JournalError::Store(_) | JournalError::Unit(_) => (
                "",
                "Mend that, then give the same command again. The backups do not depend on the journal.",
            ),
            JournalError::Unfinished { .. } => {
                ("the chip holds a mix of two images until it is ended", back)
            }
            JournalError::DamagedHeader { .. }
            | JournalError::DamagedRecord { .. }
            | JournalError::Number { .. } => (
                "the journal was changed or damaged; which blocks a write left torn cannot be told from it",
                back,
            ),
            _ => (
                "norlock asked for what this journal cannot hold; it was left as it is",
                "This is a fault of norlock. Please report it. The backups do not depend on the journal: norlock \
                 restore --unit FOLDER goes back.",
            ),
        };
        let stop = fault(error, next);
        if means.is_empty() {
            stop
        } else {
            stop.row("means", means)
        }
    }
}

fn fault(error: impl std::error::Error + Send + Sync + 'static, next: &str) -> Stop {
    let mut stop = Stop::new(Exit::FileFault, sentence(&error), next);
    let mut below = error.source();
    while let Some(source) = below {
        stop = stop.row("seen", source.to_string());
        below = source.source();
    }
    stop.because(error)
}

/// An error's text as a sentence: a capital in front, a full stop behind. A path in front stays as it
/// is.
pub(crate) fn sentence(error: &dyn std::fmt::Display) -> String {
    let text = error.to_string();
    let end = if text.ends_with('.') { "" } else { "." };
    let first_word = text.split(' ').next().unwrap_or_default();
    if first_word.contains(['.', '/', '_', '-', ':']) {
        return format!("{text}{end}");
    }
    let mut letters = text.chars();
    let first = letters
        .next()
        .map(|letter| letter.to_uppercase().to_string())
        .unwrap_or_default();
    format!("{first}{}{end}", letters.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(errno: i32) -> Stop {
        LinkError::Node {
            action: "open",
            node: "/dev/spidev0.0".into(),
            source: std::io::Error::from_raw_os_error(errno),
        }
        .into()
    }

    fn says(stop: &Stop, label: &str) -> String {
        let row = stop.evidence.iter().find(|(name, _)| name == label);
        row.map(|(_, text)| text.clone()).unwrap_or_default()
    }

    // errno(3): EPERM and EACCES mean no permission, EBUSY that somebody has it, ENOENT that it is not
    // there. The numbers are those of Linux, asm-generic/errno-base.h and errno.h.
    #[test]
    fn what_the_system_says_of_a_node_is_explained() {
        for (errno, means) in [
            (13, "group"),
            (1, "group"),
            (16, "another kernel driver owns the chip select"),
            (22, "this is not a spidev node"),
            (25, "not as spidev does"),
        ] {
            let stop = node(errno);
            assert_eq!(stop.exit, Exit::ChipFault);
            assert_eq!(stop.headline, "Cannot open /dev/spidev0.0.");
            assert!(!says(&stop, "seen").is_empty());
            assert!(says(&stop, "means").contains(means), "{errno}: {stop:?}");
        }
    }

    #[test]
    fn the_group_is_named_and_root_is_never_to_be_joined() {
        let (means, next) = not_in_the_group(Some("spi"));
        assert!(means.contains("the group spi") && next.contains("usermod -aG spi"));
        let (means, next) = not_in_the_group(Some("root"));
        assert!(means.contains("root") && next.contains("udev") && !next.contains("usermod"));
    }

    #[test]
    fn a_message_too_long_is_tried_again() {
        let stop = Stop::from(LinkError::TooLong {
            bytes: 8192,
            limit: 4096,
        });
        assert!(stop.headline.contains("8192") && stop.headline.contains("4096"));
        assert!(says(&stop, "means").contains("buffer") && stop.next.starts_with("Try again"));
    }

    #[test]
    fn a_sentence_begins_with_a_capital_unless_a_path_does() {
        for (text, sentence_of_it) in [
            ("no room", "No room."),
            ("gauge-07/unit.toml, line 3", "gauge-07/unit.toml, line 3."),
            ("regions.toml is bad.", "regions.toml is bad."),
            ("", "."),
        ] {
            assert_eq!(sentence(&text), sentence_of_it);
        }
    }
}
