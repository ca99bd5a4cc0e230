//! Accepting by name what an interlock would otherwise hold, and why.

use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};

use crate::interlock::{Acceptable, Acceptances};

impl ValueEnum for Acceptable {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let help = match self {
            Self::KnownPart => "the part is not in the table, or no document was read for it",
            Self::ChipSize => "the chip may be smaller or larger than it says",
            Self::SameUnit => "nothing on the chip proves that it is this unit's",
            Self::UnreadableMarking => "the marking cannot be read",
            Self::NotTheHost => "it is not known whether the bench computer boots from this node",
            Self::SharedBlock => "the smallest block that must change also holds unit data",
            Self::NoUnitData => "the region map names no unit data",
            Self::WeakReads => "the two reads prove less than they should",
        };
        Some(PossibleValue::new(self.name()).help(help))
    }
}

/// Acceptances.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Acceptances")]
pub struct AcceptArgs {
    /// Accept by name what an interlock would hold; needs a reason.
    #[arg(long, value_name = "NAME")]
    pub accept: Vec<Acceptable>,
    /// The reason, kept in the unit file: one for each acceptance in turn, or one for all.
    #[arg(long, value_name = "TEXT")]
    pub because: Vec<String>,
}

impl AcceptArgs {
    /// Each acceptance with its reason.
    ///
    /// # Errors
    /// What is wrong, in words: a reason missing or empty, too many reasons, a name given twice.
    pub fn paired(&self) -> Result<Acceptances, String> {
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
            |(i, name): &(usize, &Acceptable)| self.accept.iter().take(*i).any(|n| n == *name);
        if let Some((_, name)) = self.accept.iter().enumerate().find(twice) {
            return Err(format!("{} is accepted twice", name.name()));
        }
        let reasons = self.because.iter().cycle();
        let pairs = self
            .accept
            .iter()
            .copied()
            .zip(reasons.map(|reason| reason.trim().to_owned()));
        Ok(Acceptances::new(pairs.collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Acceptable::{NoUnitData, WeakReads};

    fn paired(accept: &[Acceptable], because: &[&str]) -> Result<Acceptances, String> {
        AcceptArgs {
            accept: accept.to_vec(),
            because: because.iter().map(|&text| text.to_owned()).collect(),
        }
        .paired()
    }

    fn reasons(accept: &[Acceptable], because: &[&str]) -> Vec<String> {
        let pairs = paired(accept, because).unwrap();
        assert!(
            pairs
                .iter()
                .map(|(name, _)| name)
                .eq(accept.iter().copied())
        );
        pairs.iter().map(|(_, reason)| reason.to_owned()).collect()
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
        let three = [WeakReads, NoUnitData, Acceptable::KnownPart];
        assert!(paired(&three, &["a", "b"]).is_err());
        assert!(paired(&[WeakReads, WeakReads], &["a", "b"]).is_err());
    }

    #[test]
    fn names_are_typed_as_they_are_shown() {
        for name in Acceptable::value_variants() {
            assert_eq!(Acceptable::from_str(name.name(), false).as_ref(), Ok(name));
        }
    }
}
