//! The state of all interlocks in one run, and the permit they add up to.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::{Acceptable, Acceptances, Interlock};
use crate::chip::{Permission, Sealed};
use crate::link::Scope;

/// Why an interlock holds, for the person at the bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Held {
    /// Which one.
    pub interlock: Interlock,
    /// One sentence.
    pub headline: String,
    /// What was seen.
    pub seen: String,
    /// What that means.
    pub means: String,
    /// What to do next.
    pub next: String,
}

/// The state of one interlock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum State {
    /// Opened by evidence.
    Open {
        /// What was seen.
        evidence: String,
    },
    /// Held by evidence, and accepted by name.
    Accepted {
        /// What was accepted.
        name: Acceptable,
        /// Why, in the person's words.
        reason: String,
        /// What was seen.
        seen: String,
    },
    /// Held.
    Held(Held),
}

/// The interlocks of one run. Those not yet checked wait.
#[derive(Debug, Default)]
pub struct Panel {
    states: BTreeMap<Interlock, State>,
    accepted: Acceptances,
    /// Those that hold and could be accepted.
    acceptable: BTreeSet<Interlock>,
    /// Whether the run is about protection alone, or changes nothing.
    protection: bool,
    reading: bool,
}

impl Panel {
    /// A panel on which every interlock waits.
    #[must_use]
    pub fn new(accepted: Acceptances) -> Self {
        Self {
            accepted,
            ..Self::default()
        }
    }

    /// A panel for a change of protection, which needs [`Interlock::FOR_PROTECTION`] only.
    #[must_use]
    pub fn for_protection(accepted: Acceptances) -> Self {
        Self {
            protection: true,
            ..Self::new(accepted)
        }
    }

    /// A panel for a run that changes nothing: what holds says so in other words.
    #[must_use]
    pub fn for_reading(accepted: Acceptances) -> Self {
        Self {
            reading: true,
            ..Self::new(accepted)
        }
    }

    /// Whether the run changes nothing.
    pub(super) fn is_for_reading(&self) -> bool {
        self.reading
    }

    /// Whether the run is about protection alone.
    pub(super) fn is_for_protection(&self) -> bool {
        self.protection
    }

    /// The states so far, in order.
    pub fn states(&self) -> impl Iterator<Item = (Interlock, &State)> {
        self.states
            .iter()
            .map(|(interlock, state)| (*interlock, state))
    }

    /// The interlocks that hold, in order. For a change of protection those come first that nobody can
    /// accept: it would be in vain to accept the others.
    #[must_use]
    pub fn held(&self) -> Vec<&Held> {
        let held = self.states.values().filter_map(|state| match state {
            State::Held(held) => Some(held),
            _ => None,
        });
        let mut held: Vec<&Held> = held.collect();
        if self.protection {
            held.sort_by_key(|held| self.acceptable.contains(&held.interlock));
        }
        held
    }

    /// Whether any interlock holds.
    #[must_use]
    pub fn is_held(&self) -> bool {
        !self.held().is_empty()
    }

    /// How many are open or accepted, and how many still wait.
    #[must_use]
    pub fn counts(&self) -> (usize, usize) {
        let open = self
            .states
            .values()
            .filter(|state| !matches!(state, State::Held(_)))
            .count();
        let needed: &[Interlock] = match self.protection {
            true => &Interlock::FOR_PROTECTION,
            false => &Interlock::ALL,
        };
        let waits = |one: &&Interlock| !self.states.contains_key(one);
        (open, needed.iter().filter(waits).count())
    }

    /// The reason given for accepting `what`.
    #[must_use]
    pub fn acceptance(&self, what: Acceptable) -> Option<&str> {
        self.accepted.reason(what)
    }

    /// What was accepted in this run.
    #[must_use]
    pub fn acceptances(&self) -> &Acceptances {
        &self.accepted
    }

    /// Turns into the permit that arms a chip.
    ///
    /// # Errors
    /// The panel itself, if any interlock holds or waits.
    pub(crate) fn permit(self) -> Result<Permit, Box<Self>> {
        self.permitted(&Interlock::ALL, Scope::Array)
    }

    /// Turns into the permit that arms a chip for its protection, and never for its array. What has to do
    /// with an image is not asked for.
    ///
    /// # Errors
    /// The panel itself, if any interlock holds, or one of [`Interlock::FOR_PROTECTION`] waits.
    pub(crate) fn permit_protection(self) -> Result<Permit, Box<Self>> {
        self.permitted(&Interlock::FOR_PROTECTION, Scope::Protection)
    }

    fn permitted(self, needed: &[Interlock], scope: Scope) -> Result<Permit, Box<Self>> {
        let known = |interlock: &Interlock| self.states.contains_key(interlock);
        if !self.is_held() && needed.iter().all(known) {
            Ok(Permit { scope })
        } else {
            Err(Box::new(self))
        }
    }

    pub(super) fn open(&mut self, interlock: Interlock, evidence: impl Into<String>) {
        // What holds stays held: a later check of the same interlock cannot open it again.
        let state = State::Open {
            evidence: evidence.into(),
        };
        self.states.entry(interlock).or_insert(state);
    }

    pub(super) fn hold(&mut self, held: Held) {
        self.acceptable.remove(&held.interlock);
        self.states.insert(held.interlock, State::Held(held));
    }

    /// Holds what could be accepted and was not.
    pub(super) fn hold_acceptable(&mut self, held: Held) {
        let interlock = held.interlock;
        // What was held for good before stays so.
        let before = matches!(self.states.get(&interlock), Some(State::Held(_)));
        let for_good = before && !self.acceptable.contains(&interlock);
        self.hold(held);
        if !for_good {
            self.acceptable.insert(interlock);
        }
    }

    /// Holds, unless `name` was accepted with a reason. An acceptance shows even where an earlier
    /// check had opened the interlock; what holds stays held.
    pub(super) fn hold_unless(&mut self, name: Acceptable, held: Held) {
        let Some(reason) = self.accepted.reason(name) else {
            return self.hold_acceptable(held);
        };
        let state = State::Accepted {
            name,
            reason: reason.to_owned(),
            seen: held.seen,
        };
        let before = self.states.get(&held.interlock);
        if !matches!(before, Some(State::Held(_))) {
            self.states.insert(held.interlock, state);
        }
    }
}

/// Proof that every interlock which a change needs is open or accepted by name. Nothing but a [`Panel`]
/// makes one.
///
/// ```compile_fail,E0451
/// let permit = norlock::interlock::Permit { scope: norlock::link::Scope::Array };
/// ```
#[derive(Debug)]
pub struct Permit {
    scope: Scope,
}

impl Sealed for Permit {}
impl Permission for Permit {
    fn scope(&self) -> Scope {
        self.scope
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(interlock: Interlock) -> Held {
        let text = String::new;
        Held {
            interlock,
            headline: text(),
            seen: text(),
            means: text(),
            next: text(),
        }
    }

    #[test]
    fn a_permit_takes_every_interlock() {
        for missing in Interlock::ALL {
            let mut panel = Panel::default();
            for interlock in Interlock::ALL.into_iter().filter(|one| *one != missing) {
                panel.open(interlock, "seen");
            }
            assert_eq!(
                panel.permit().unwrap_err().counts(),
                (Interlock::ALL.len() - 1, 1)
            );
        }
        let mut panel = Panel::default();
        Interlock::ALL
            .into_iter()
            .for_each(|interlock| panel.open(interlock, "seen"));
        assert!(panel.permit().is_ok());
    }

    #[test]
    fn a_permit_for_protection_takes_its_own_and_arms_for_no_more() {
        let mut panel = Panel::default();
        for interlock in Interlock::FOR_PROTECTION {
            panel.open(interlock, "seen");
        }
        let permit = panel.permit_protection().unwrap();
        assert_eq!(permit.scope(), Scope::Protection);
        for missing in Interlock::FOR_PROTECTION {
            let mut panel = Panel::default();
            let others = Interlock::ALL.into_iter().filter(|one| *one != missing);
            others.for_each(|interlock| panel.open(interlock, "seen"));
            let mut panel = *panel.permit_protection().unwrap_err();
            panel.hold(held(missing));
            assert!(panel.permit_protection().is_err(), "{missing}");
        }
        let mut panel = Panel::default();
        let all = Interlock::FOR_PROTECTION.into_iter();
        all.for_each(|interlock| panel.open(interlock, "seen"));
        // What else is known to hold, holds.
        panel.hold(held(Interlock::ImageFits));
        assert!(panel.permit_protection().is_err());
    }

    #[test]
    fn what_holds_cannot_be_opened_again() {
        let mut panel = Panel::default();
        panel.open(Interlock::Contact, "good");
        panel.hold(held(Interlock::Contact));
        panel.open(Interlock::Contact, "good");
        assert_eq!(panel.held().len(), 1);
    }

    #[test]
    fn an_acceptance_needs_its_name_and_a_reason() {
        let accepted =
            |reason: &str| Acceptances::new(vec![(Acceptable::KnownPart, reason.to_owned())]);
        for (accepted, name, holds) in [
            (
                accepted("the datasheet lies open here"),
                Acceptable::KnownPart,
                false,
            ),
            (
                accepted("the datasheet lies open here"),
                Acceptable::SameUnit,
                true,
            ),
            (accepted("  "), Acceptable::KnownPart, true),
            (Acceptances::default(), Acceptable::KnownPart, true),
        ] {
            let mut panel = Panel::new(accepted);
            panel.hold_unless(name, held(Interlock::KnownPart));
            assert_eq!(panel.is_held(), holds);
        }
    }
}
