//! Accepting by name what an interlock would otherwise hold, and why.

use clap::{Args, ValueEnum};

/// What may be accepted by name; all other interlocks never yield.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, ValueEnum)]
pub enum AcceptName {
    /// The part is not in the parts table and known by the chip's own tables only.
    KnownPart,
    /// Nothing on the chip proves that it is this unit's.
    SameUnit,
    /// The marking cannot be read.
    UnreadableMarking,
    /// It is not known whether the bench computer boots from this node.
    NotTheHost,
    /// The smallest block that must change also holds unit data.
    SharedBlock,
    /// The region map names no unit data.
    NoUnitData,
    /// The two reads could not be made independent.
    WeakReads,
}

impl AcceptName {
    /// The name as it is typed.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::KnownPart => "known-part",
            Self::SameUnit => "same-unit",
            Self::UnreadableMarking => "unreadable-marking",
            Self::NotTheHost => "not-the-host",
            Self::SharedBlock => "shared-block",
            Self::NoUnitData => "no-unit-data",
            Self::WeakReads => "weak-reads",
        }
    }
}

/// One thing accepted, and the reason that is kept in the unit file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Acceptance {
    /// What is accepted.
    pub name: AcceptName,
    /// Why, in the person's words.
    pub because: String,
}

/// Acceptances.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Acceptances")]
pub struct AcceptArgs {
    /// Accept by name what an interlock would hold; needs a reason.
    #[arg(long, value_name = "NAME")]
    pub accept: Vec<AcceptName>,
    /// The reason, kept in the unit file: one for each acceptance in turn, or one for all.
    #[arg(long, value_name = "TEXT")]
    pub because: Vec<String>,
}

impl AcceptArgs {
    /// Each acceptance with its reason.
    ///
    /// # Errors
    /// What is wrong, in words: a reason missing or empty, too many reasons, a name given twice.
    pub fn paired(&self) -> Result<Vec<Acceptance>, String> {
        let (names, reasons) = (self.accept.len(), self.because.len());
        if reasons != names && !(reasons == 1 && names > 1) {
            return Err(format!(
                "{names} --accept and {reasons} --because: give one reason each, or one for all"
            ));
        }
        if self.because.iter().any(|reason| reason.trim().is_empty()) {
            return Err("an empty --because is no reason".to_owned());
        }
        let twice =
            |(i, name): &(usize, &AcceptName)| self.accept.iter().take(*i).any(|n| n == *name);
        if let Some((_, name)) = self.accept.iter().enumerate().find(twice) {
            return Err(format!("{} is accepted twice", name.as_str()));
        }
        let reasons = self.because.iter().cycle();
        Ok(self.accept.iter().zip(reasons).map(acceptance).collect())
    }
}

fn acceptance((name, because): (&AcceptName, &String)) -> Acceptance {
    Acceptance {
        name: *name,
        because: because.trim().to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use AcceptName::{NoUnitData, WeakReads};

    fn paired(accept: &[AcceptName], because: &[&str]) -> Result<Vec<Acceptance>, String> {
        AcceptArgs {
            accept: accept.to_vec(),
            because: because.iter().map(|&text| text.to_owned()).collect(),
        }
        .paired()
    }

    fn reasons(accept: &[AcceptName], because: &[&str]) -> Vec<String> {
        let pairs = paired(accept, because).unwrap();
        assert!(
            pairs
                .iter()
                .map(|pair| pair.name)
                .eq(accept.iter().copied())
        );
        pairs.into_iter().map(|pair| pair.because).collect()
    }

    #[test]
    fn reasons_belong_in_turn_or_to_all() {
        assert!(reasons(&[], &[]).is_empty());
        assert_eq!(reasons(&[WeakReads], &["one clock"]), ["one clock"]);
        assert_eq!(reasons(&[WeakReads, NoUnitData], &["a", " b "]), ["a", "b"]);
        assert_eq!(
            reasons(&[WeakReads, NoUnitData], &["same"]),
            ["same", "same"]
        );
    }

    #[test]
    fn nothing_is_accepted_without_a_reason() {
        assert!(paired(&[WeakReads], &[]).is_err());
        assert!(paired(&[WeakReads], &["  "]).is_err());
        assert!(paired(&[], &["because"]).is_err());
        assert!(paired(&[WeakReads], &["a", "b"]).is_err());
        let three = [WeakReads, NoUnitData, AcceptName::KnownPart];
        assert!(paired(&three, &["a", "b"]).is_err());
        assert!(paired(&[WeakReads, WeakReads], &["a", "b"]).is_err());
    }

    #[test]
    fn names_are_typed_as_they_are_shown() {
        for name in AcceptName::value_variants() {
            assert_eq!(
                AcceptName::from_str(name.as_str(), false).as_ref(),
                Ok(name)
            );
        }
    }
}
