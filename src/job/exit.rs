//! How the program ends, as a number that scripts may rely on.

use serde::{Serialize, Serializer};

/// The exit code of every command.
///
/// A code at or above [`Exit::Held`] other than [`Exit::Unfinished`] promises that the chip
/// was not changed by this run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Exit {
    /// Done, and what the command states is true.
    True = 0,
    /// Compared and different, nothing found, a bad verdict, another chip than the unit's, or a change of
    /// protection that is in doubt or that the end of the command failed after.
    Different = 1,
    /// The command line was not understood.
    Usage = 2,
    /// Held by an interlock; nothing that changes the chip was sent.
    Held = 3,
    /// Link or chip fault; the chip is untouched.
    ChipFault = 4,
    /// File fault; the chip is untouched.
    FileFault = 5,
    /// The unit has an unfinished journal, whatever stopped this run.
    Unfinished = 6,
    /// Stopped by the person; the chip is untouched.
    Stopped = 130,
}

impl Exit {
    /// All codes, lowest first.
    pub const ALL: [Self; 8] = [
        Self::True,
        Self::Different,
        Self::Usage,
        Self::Held,
        Self::ChipFault,
        Self::FileFault,
        Self::Unfinished,
        Self::Stopped,
    ];

    /// The number that the shell sees.
    #[must_use]
    pub const fn number(self) -> u8 {
        self as u8
    }

    /// What the code says, as in `--help`.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::True => "done and true",
            Self::Different => {
                "different, nothing found, a bad verdict, another unit's chip, or protection in doubt"
            }
            Self::Usage => "the command line was not understood",
            Self::Held => "held by an interlock, nothing touched",
            Self::ChipFault => "link or chip fault, chip untouched",
            Self::FileFault => "file fault, chip untouched",
            Self::Unfinished => "the unit has an unfinished journal",
            Self::Stopped => "stopped by the person, chip untouched",
        }
    }

    /// The table of codes for the end of `--help`.
    #[must_use]
    pub fn table() -> String {
        Self::ALL
            .iter()
            .fold("Exit codes:".to_owned(), |table, code| {
                format!("{table}\n  {:>3}  {}", code.number(), code.meaning())
            })
    }
}

/// Everywhere the number that the shell sees.
impl Serialize for Exit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_u8(self.number())
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Exit {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Exit".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        let numbers = Self::ALL.map(Self::number);
        let meanings = Self::ALL.map(|code| format!("{}: {}", code.number(), code.meaning()));
        schemars::json_schema!({
            "description": format!("The exit code. {}.", meanings.join("; ")),
            "enum": numbers,
        })
    }
}

impl From<Exit> for std::process::ExitCode {
    fn from(code: Exit) -> Self {
        Self::from(code.number())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // No outside source: the numbers are this program's own promise to scripts, except 130, the
    // shells' common practice of 128 + SIGINT (2).
    #[test]
    fn numbers_are_promised() {
        let numbers: Vec<u8> = Exit::ALL.iter().map(|code| code.number()).collect();
        assert_eq!(numbers, [0, 1, 2, 3, 4, 5, 6, 130]);
        assert_eq!(Exit::Held.number(), 3);
        assert_eq!(Exit::Unfinished.number(), 6);
    }

    #[test]
    fn the_table_has_a_line_for_each() {
        let table = Exit::table();
        assert_eq!(table.lines().count(), 1 + Exit::ALL.len());
        assert!(table.contains("\n    3  held by an interlock, nothing touched\n"));
        assert!(table.ends_with("\n  130  stopped by the person, chip untouched"));
    }
}
