//! How the person named the unit and the link, so that a next step can be typed as it is shown.

use std::path::Path;

use super::args::Command;

/// What stands for a unit that was not named.
const NO_UNIT: &str = "FOLDER";

/// The unit and the link as they were typed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Typed {
    unit: Option<String>,
    link: Option<String>,
}

impl Typed {
    /// What a command line names.
    #[must_use]
    pub fn of(command: &Command) -> Self {
        let link = command.bus().and_then(|bus| {
            let option = |name: &str, path: &Path| format!("{name} {}", word(path));
            let spidev = bus.spidev.as_deref().map(|path| option("--spidev", path));
            spidev.or_else(|| bus.mock.as_deref().map(|path| option("--mock", path)))
        });
        Self {
            unit: command.unit().map(word),
            link,
        }
    }

    /// The unit's folder, or a word in its place.
    #[must_use]
    pub fn unit(&self) -> &str {
        self.unit.as_deref().unwrap_or(NO_UNIT)
    }

    /// The unit's name: the last part of its folder.
    #[must_use]
    pub fn unit_name(&self) -> Option<&str> {
        let unit = self.unit.as_deref()?.trim_end_matches('/');
        unit.rsplit('/').next().filter(|name| !name.is_empty())
    }

    /// A command for this unit on this link.
    #[must_use]
    pub fn command(&self, words: &str) -> String {
        let link = self.link.as_deref().map(|link| format!(" {link}"));
        format!(
            "norlock {words} --unit {}{}",
            self.unit(),
            link.unwrap_or_default()
        )
    }

    /// A command that changes the chip: where no link is known, its option stands there to be filled in.
    #[must_use]
    pub fn change(&self, words: &str) -> String {
        match self.link {
            Some(_) => self.command(words),
            None => format!("{} --spidev PATH", self.command(words)),
        }
    }

    /// A next step with the unit in the place that was left for it, and the link behind it.
    #[must_use]
    pub fn fill(&self, step: &str) -> String {
        match &self.unit {
            Some(unit) => {
                let link = self.link.as_deref().map(|link| format!(" {link}"));
                let known = format!("--unit {unit}{}", link.unwrap_or_default());
                step.replace(&format!("--unit {NO_UNIT}"), &known)
            }
            None => step.to_owned(),
        }
    }
}

/// A path as a shell takes it for one word.
fn word(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || "-_./:=@%+,".contains(c);
    if text.chars().all(plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::Cli;

    fn typed(line: &str) -> Typed {
        Typed::of(&Cli::from_arguments(line.split(' ')).unwrap().command)
    }

    #[test]
    fn next_steps_name_what_was_typed() {
        let known = typed("norlock backup --unit units/gauge-07 --spidev /dev/spidev0.0");
        assert_eq!(
            known.command("id"),
            "norlock id --unit units/gauge-07 --spidev /dev/spidev0.0"
        );
        assert_eq!(
            known.change("write target.bin"),
            known.command("write target.bin")
        );
        assert_eq!(
            known.fill("First: norlock backup --unit FOLDER"),
            "First: norlock backup --unit units/gauge-07 --spidev /dev/spidev0.0"
        );
        let mock = typed("norlock id --mock gauge-07.toml");
        assert_eq!(
            mock.command("backup"),
            "norlock backup --unit FOLDER --mock gauge-07.toml"
        );
        let offline = typed("norlock worklist target.bin --unit gauge-07");
        assert_eq!(
            offline.change("write target.bin"),
            "norlock write target.bin --unit gauge-07 --spidev PATH"
        );
    }

    #[test]
    fn a_path_stays_one_word() {
        assert_eq!(word(Path::new("units/gauge-07")), "units/gauge-07");
        assert_eq!(word(Path::new("my unit")), "'my unit'");
        assert_eq!(word(Path::new("it's")), "'it'\\''s'");
    }
}
