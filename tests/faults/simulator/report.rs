//! What a run of many lives came to.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use norlock::job::Exit;

use super::command::{Claim, Command, Ended};
use super::kinds::{ALL, Kind};

#[derive(Debug, Clone, Default)]
pub struct Report {
    pub lives: u64,
    /// By command and outcome.
    jobs: BTreeMap<(&'static str, &'static str), u64>,
    faults: BTreeMap<Kind, u64>,
    /// Goals by tries without faults that they took at the end.
    quiet: BTreeMap<u32, u64>,
    resumed: u64,
    restored: u64,
    pub wrong: u64,
    pub simulated: Duration,
    /// What of that the person took to mend things.
    pub waited: Duration,
}

impl Report {
    pub fn count(&mut self, command: &Command, ended: &Ended, fired: &[Kind]) {
        let outcome = match ended {
            Ended::Done(Claim::Equals(_, false) | Claim::Contact(false)) => "done: differs or bad",
            Ended::Done(_) => "done",
            Ended::Died(_) => "killed",
            Ended::Stopped(stop) => match stop.exit {
                Exit::Held => "refused",
                Exit::ChipFault => "chip fault",
                Exit::FileFault => "file fault",
                Exit::Unfinished => "unfinished",
                Exit::Stopped => "stopped",
                _ => "in doubt",
            },
        };
        *self.jobs.entry((command.name(), outcome)).or_default() += 1;
        for kind in fired {
            *self.faults.entry(*kind).or_default() += 1;
        }
        if let Ended::Done(Claim::Holds(_, resumed)) = ended {
            self.resumed += u64::from(*resumed);
            self.restored += u64::from(*command != Command::Write);
        }
    }

    pub fn quiet_tries(&mut self, tries: u32) {
        *self.quiet.entry(tries).or_default() += 1;
    }

    pub fn jobs(&self) -> u64 {
        self.jobs.values().sum()
    }

    pub fn faults_of(&self, kind: Kind) -> u64 {
        self.faults.get(&kind).copied().unwrap_or_default()
    }

    fn of_outcome(&self, wanted: &str) -> u64 {
        let jobs = self
            .jobs
            .iter()
            .filter(|((_, outcome), _)| *outcome == wanted);
        jobs.map(|(_, count)| count).sum()
    }

    pub fn add(&mut self, other: &Self) {
        self.lives += other.lives;
        for (key, count) in &other.jobs {
            *self.jobs.entry(*key).or_default() += count;
        }
        for (key, count) in &other.faults {
            *self.faults.entry(*key).or_default() += count;
        }
        for (key, count) in &other.quiet {
            *self.quiet.entry(*key).or_default() += count;
        }
        self.resumed += other.resumed;
        self.restored += other.restored;
        self.wrong += other.wrong;
        self.simulated += other.simulated;
        self.waited += other.waited;
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} jobs in {} lives", self.jobs(), self.lives)?;
        for ((command, outcome), count) in &self.jobs {
            writeln!(f, "  {command:<22} {outcome:<22} {count:>9}")?;
        }
        writeln!(
            f,
            "faults that came to pass: {}",
            self.faults.values().sum::<u64>()
        )?;
        for kind in ALL {
            writeln!(
                f,
                "  {:<45} {:>9}",
                format!("{kind:?}"),
                self.faults_of(kind)
            )?;
        }
        writeln!(
            f,
            "goals by tries without faults, after those with: {:?}",
            self.quiet
        )?;
        let refused = self.of_outcome("refused");
        writeln!(
            f,
            "refused {refused}, resumed {}, restored {}, wrong results {}",
            self.resumed, self.restored, self.wrong
        )
    }
}
