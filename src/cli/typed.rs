//! How the person named the unit and the link, so that a next step can be typed as it is shown.

use std::path::Path;
use std::sync::LazyLock;

use clap::CommandFactory;

use super::args::{Cli, Command, SizeBytes, Supply};
use crate::image::show_size;
use crate::job;
use crate::unit::Unit;

/// What stands for a unit that was not named.
const NO_UNIT: &str = "FOLDER";

/// The unit, the link and the part as they were typed.
///
/// What was said of the bench is not kept: level, power arrangement, marking and acceptances are to be
/// said anew in each command, by somebody who has looked again.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Typed {
    unit: Option<String>,
    link: Option<String>,
    sck: Option<String>,
    /// Options that say which part it is.
    part: Vec<String>,
    simulated: bool,
}

impl Typed {
    /// What a command line names.
    #[must_use]
    pub fn of(command: &Command) -> Self {
        let option = |name: &str, path: &Path| format!("{name} {}", word(path));
        let link = command.bus().and_then(|bus| {
            let spidev = bus.spidev().map(|path| option("--spidev", path));
            spidev.or_else(|| bus.mock().map(|path| option("--mock", path)))
        });
        let (sck, parts) = match command {
            Command::Worklist(args) => (args.sck, args.parts.as_deref()),
            _ => command
                .bus()
                .map_or((None, None), |bus| (bus.sck, bus.parts.as_deref())),
        };
        let said = command.bus().map_or([None, None], |bus| {
            let supply = bus.supply.map(|Supply(range)| {
                format!("--supply {}-{}", joined(range.min), joined(range.max))
            });
            let size = bus.size.map(|SizeBytes(bytes)| show_size(bytes.into()));
            [supply, size.map(|size| format!("--size {}", joined(size)))]
        });
        let part = parts.map(|path| option("--parts", path));
        let part = part.into_iter().chain(said.into_iter().flatten());
        Self {
            unit: command.unit().map(word),
            link,
            sck: sck.map(|sck| format!("--sck {}", joined(sck))),
            part: part.collect(),
            simulated: false,
        }
    }

    /// The same for a unit whose last operation tells whether its chip is a simulated one.
    #[must_use]
    pub fn of_unit(&self, unit: &Unit) -> Self {
        let operations = unit.file().operations.iter().rev();
        let mut links = operations.filter_map(|one| one.conditions.get("link"));
        Self {
            simulated: links.next().is_some_and(|link| link.starts_with("mock:")),
            ..self.clone()
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

    /// A command for this unit, link and part.
    #[must_use]
    pub fn command(&self, words: &str) -> String {
        format!(
            "norlock {words} {}",
            self.options(words, self.link.as_deref())
        )
    }

    /// A command that changes the chip: where no link is known, its option stands there to be filled in.
    #[must_use]
    pub fn change(&self, words: &str) -> String {
        let blank = match self.simulated {
            true => "--mock FILE",
            false => "--spidev PATH",
        };
        let link = self.link.as_deref().unwrap_or(blank);
        format!("norlock {words} {}", self.options(words, Some(link)))
    }

    /// A next step with the unit, and what goes with it, in the place that was left for them; without a
    /// unit, a command that can do without loses the place.
    #[must_use]
    pub fn fill(&self, step: &str) -> String {
        if self.unit.is_none() {
            let contact = format!("norlock contact --unit {NO_UNIT}");
            return step.replace(&contact, "norlock contact");
        }
        let place = format!("--unit {NO_UNIT}");
        let mut parts = step.split(&place);
        let mut filled = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            let words = filled.rsplit("norlock ").next().unwrap_or_default();
            let options = self.options(words, self.link.as_deref());
            filled.push_str(&options);
            filled.push_str(part);
        }
        filled
    }

    /// What the command that `words` begin with takes of what was typed, and `words` do not say themselves.
    fn options(&self, words: &str, link: Option<&str>) -> String {
        let sck = self.sck.as_deref().filter(|_| !words.contains("--sck"));
        let part = self.part.iter().map(String::as_str);
        let more = link.into_iter().chain(sck).chain(part);
        let more: String = more
            .filter(|option| takes(words, option))
            .map(|option| format!(" {option}"))
            .collect();
        format!("--unit {}{more}", self.unit())
    }
}

/// Whether the command that `words` begin with has this option.
fn takes(words: &str, option: &str) -> bool {
    static KNOWN: LazyLock<clap::Command> = LazyLock::new(Cli::command);
    let first = |text: &str| text.split(' ').next().map(str::to_owned);
    let (name, option) = (first(words), first(option));
    let command = name.and_then(|name| KNOWN.find_subcommand(name));
    let has = |arg: &clap::Arg| arg.get_long().map(|long| format!("--{long}")) == option;
    command.is_some_and(|command| command.get_arguments().any(has))
}

/// A value without spaces, as it is typed.
fn joined(value: impl ToString) -> String {
    value.to_string().replace(' ', "")
}

/// A path as a shell takes it for one word.
pub fn word(path: &Path) -> String {
    job::word(&path.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

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
        assert_eq!(
            known.fill("norlock check --unit FOLDER, then norlock restore --unit FOLDER"),
            "norlock check --unit units/gauge-07, then norlock restore --unit units/gauge-07 \
             --spidev /dev/spidev0.0"
        );
        let own = typed("norlock write t.bin --unit u1 --mock m.toml --parts own.toml --size 1MiB");
        assert_eq!(
            own.fill("norlock worklist t.bin --unit FOLDER; norlock write t.bin --unit FOLDER"),
            "norlock worklist t.bin --unit u1 --parts own.toml; \
             norlock write t.bin --unit u1 --mock m.toml --parts own.toml --size 1MiB"
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

    /// With the person's own parts and clock the next command has to find the same part, as fast. What was
    /// said of the bench is said anew.
    #[test]
    fn what_says_which_part_it_is_goes_on() {
        let own = "--mock m.toml --sck 12.5MHz --parts own.toml --supply 2.7V-3.6V --size 16MiB";
        let known = typed(&format!(
            "norlock id --unit u1 {own} --level 3.3V --power clip --marking X25Q128 \
             --accept known-part --because sure"
        ));
        assert_eq!(
            known.command("backup"),
            format!("norlock backup --unit u1 {own}")
        );
        assert_eq!(typed(&known.command("id")), known);
        let advised = known.command("id --sck 4MHz");
        assert!(
            advised.contains("--sck 4MHz") && !advised.contains("12.5"),
            "{advised}"
        );
        let offline = typed("norlock worklist t.bin --unit u1 --parts own.toml --sck 20MHz");
        assert_eq!(
            offline.change("write t.bin"),
            "norlock write t.bin --unit u1 --spidev PATH --sck 20MHz --parts own.toml"
        );
        let simulated = Typed {
            simulated: true,
            ..offline
        };
        assert!(
            simulated
                .change("restore")
                .contains("--unit u1 --mock FILE --sck")
        );
    }

    #[test]
    fn a_path_stays_one_word() {
        assert_eq!(word(Path::new("units/gauge-07")), "units/gauge-07");
        assert_eq!(word(Path::new("my unit")), "'my unit'");
        assert_eq!(word(Path::new("it's")), "'it'\\''s'");
    }
}
