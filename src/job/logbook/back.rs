//! How a unit is brought back: the command, with what a person must fill in.

use maud::{Markup, html};

use super::{Logbook, clean};
use crate::job::word;

/// The value of an option.
enum Value {
    /// As it is typed.
    Typed(String),
    /// To be filled in.
    Blank(&'static str),
}

impl Logbook {
    /// The command that brings the unit back to its first backup.
    pub(super) fn going_back(&self) -> Markup {
        let backups: Vec<&str> = self
            .images
            .iter()
            .map(|image| image.file.as_str())
            .collect();
        if !backups.contains(&"as-found.bin") {
            return html! { p { "There is no backup to go back to." } };
        }
        let whole = |file: &str| self.images.iter().any(|one| one.file == file && one.intact);
        if !whole("as-found.bin") {
            return html! {
                p { "as-found.bin is not as it was recorded, so that nothing here brings the unit back as it came in. "
                    "Put a copy that was kept elsewhere in its place, once " code { "sha256sum" } " gives the hash above." }
            };
        }
        let later = backups
            .iter()
            .filter_map(|file| file.strip_prefix("as-found-")?.strip_suffix(".bin"));
        let later: Vec<&str> = later.collect();
        let accepted = self
            .operations
            .iter()
            .any(|one| !one.acceptances.is_empty());
        html! {
            p {
                "Power off and batteries out; connect in the order of docs/wiring.md. From the folder that holds "
                (clean(&self.unit)) ", this brings back as-found.bin, the unit as it came in:"
            }
            pre { code { (self.command()) } }
            dl { @for (blank, meaning) in self.blanks() { dt { var { (blank) } } dd { (meaning) } } }
            @if !later.is_empty() {
                p { "Later backups: " (later.join(", ")) ", by " code { "--to" } " with that number." }
            }
            @if accepted {
                p { "What was accepted by name has to be accepted again: " code { "--accept NAME --because TEXT" } "." }
            }
            p { "Then prove it: " code { "norlock verify as-found.bin --passes 3" } " with the same unit and bench." }
        }
    }

    /// Each option with its value, which no line break may part where there is room for both.
    fn command(&self) -> Markup {
        html! {
            "norlock restore"
            @for (option, value) in self.options() {
                " " span.pair {
                    (option) " "
                    @match value {
                        Value::Typed(text) => (clean(&text)),
                        Value::Blank(name) => var { (name) },
                    }
                }
            }
        }
    }

    fn options(&self) -> Vec<(&'static str, Value)> {
        use Value::{Blank, Typed};
        let identity = self.identity.as_ref();
        let level = identity.map(|one| one.supply_level.replace(' ', ""));
        let level = level.filter(|level| level.ends_with('V'));
        let marking = identity.and_then(|one| one.marking.as_deref());
        vec![
            ("--unit", Typed(word(&self.unit))),
            ("--to", Typed("1".to_owned())),
            match self.is_simulated() {
                true => ("--mock", Blank("FILE")),
                false => ("--spidev", Blank("NODE")),
            },
            ("--level", level.map_or(Blank("LEVEL"), Typed)),
            ("--power", Blank("SOURCE")),
            (
                "--marking",
                marking.map_or(Blank("MARKING"), |marking| Typed(word(marking))),
            ),
            ("--offline", Blank("STICK")),
        ]
    }

    /// What is to be filled in.
    fn blanks(&self) -> Vec<(&'static str, &'static str)> {
        let meanings = [
            ("FILE", "the bench file of the simulated chip"),
            (
                "NODE",
                "the spidev node that the clip is on, such as /dev/spidev0.0",
            ),
            (
                "LEVEL",
                "the level of signals and supply, such as 3.3V, from the part's datasheet",
            ),
            (
                "SOURCE",
                "clip, board-held-in-reset, external or socket: what feeds the chip",
            ),
            ("MARKING", "what is printed on the chip"),
            (
                "STICK",
                "the folder on another disk that holds the copy of as-found.bin and its hash; or --offline-hash and \
                 the 64 digits from paper",
            ),
        ];
        let options = self.options();
        let wanted = |name: &str| {
            let mut values = options.iter();
            values.any(|(_, value)| matches!(value, Value::Blank(blank) if *blank == name))
        };
        meanings
            .into_iter()
            .filter(|(name, _)| wanted(name))
            .collect()
    }

    fn is_simulated(&self) -> bool {
        let mut links = self
            .operations
            .iter()
            .rev()
            .filter_map(|one| one.conditions.get("link"));
        links.next().is_some_and(|link| link.starts_with("mock:"))
    }
}
