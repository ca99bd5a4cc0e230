//! What a case is called: which run is cut where, what that leaves, and how it goes on.

use std::fmt;
use std::str::FromStr;

use norlock::mock::Torn;
use norlock::unit::store::Loss;

/// The job of one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Job {
    Write,
    Restore,
}

/// The supply fails in the `at`th modifying frame of a run, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cut {
    pub at: u64,
    pub torn: Torn,
    /// What the files lose, as the computer dies in the same moment; `None` is that it lives on.
    pub loss: Option<Loss>,
}

impl Cut {
    /// A cut at which the files lose another thing at the next place, and for the next torn result.
    pub fn turn(at: u64, torn: Torn) -> Self {
        let place = Torn::ALL.iter().position(|one| *one == torn).unwrap();
        let loss = match (at + place as u64) % 3 {
            0 => Loss::Drop,
            1 => Loss::Keep,
            _ => Loss::Tear(at),
        };
        let loss = Some(loss);
        Self { at, torn, loss }
    }
}

/// One case: runs that are cut, one after the other, and one that is not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Case {
    pub geometry: String,
    pub cut: Vec<(Job, Cut)>,
    pub last: Job,
}

const TORN: [(&str, Torn); 6] = [
    ("nothing", Torn::NotStarted),
    ("prefix", Torn::Prefix),
    ("random", Torn::RandomBits),
    ("unstable", Torn::Unstable),
    ("busy", Torn::StillBusy),
    ("done", Torn::Done),
];

impl fmt::Display for Job {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Write => "write",
            Self::Restore => "restore",
        })
    }
}

impl fmt::Display for Cut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let torn = TORN.iter().find(|(_, torn)| *torn == self.torn).unwrap().0;
        let loss = match self.loss {
            None => "alive",
            Some(Loss::Drop) => "drop",
            Some(Loss::Keep) => "keep",
            Some(Loss::Tear(_)) => "tear",
            Some(Loss::Subset(_)) => unreachable!("no cut loses a subset"),
        };
        write!(f, "{}.{torn}.{loss}", self.at)
    }
}

/// Such as `64k:write/7.prefix.drop+write/3.unstable.tear+restore`.
impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", self.geometry)?;
        for (job, cut) in &self.cut {
            write!(f, "{job}/{cut}+")?;
        }
        write!(f, "{}", self.last)
    }
}

fn job(text: &str) -> Option<Job> {
    [Job::Write, Job::Restore]
        .into_iter()
        .find(|job| job.to_string() == text)
}

fn cut(text: &str) -> Option<Cut> {
    let (at, rest) = text.split_once('.')?;
    let (torn, loss) = rest.split_once('.')?;
    let at = at.parse().ok()?;
    let torn = TORN.iter().find(|(name, _)| *name == torn)?.1;
    let loss = match loss {
        "alive" => None,
        "drop" => Some(Loss::Drop),
        "keep" => Some(Loss::Keep),
        "tear" => Some(Loss::Tear(at)),
        _ => return None,
    };
    Some(Cut { at, torn, loss })
}

impl FromStr for Case {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let read = || {
            let (geometry, runs) = text.split_once(':')?;
            let (runs, last) = runs.rsplit_once('+')?;
            let run = |run: &str| {
                let (name, at) = run.split_once('/')?;
                Some((job(name)?, cut(at)?))
            };
            Some(Self {
                geometry: geometry.to_owned(),
                cut: runs.split('+').map(run).collect::<Option<_>>()?,
                last: job(last)?,
            })
        };
        read().ok_or_else(|| format!("{text} is no cut id"))
    }
}

#[test]
fn ids_are_read_as_they_are_shown() {
    let id = "64k:write/7.prefix.drop+restore/31.unstable.tear+write/2.busy.alive+restore";
    let case: Case = id.parse().unwrap();
    assert_eq!(case.to_string(), id);
    assert_eq!(case.cut[1].1.loss, Some(Loss::Tear(31)));
    for wrong in [
        "64k:write",
        "64k:write/7.prefix+write",
        "write/7.prefix.drop+write",
        "",
    ] {
        assert!(wrong.parse::<Case>().is_err(), "{wrong}");
    }
}
