//! The state of all interlocks in one run, and the permit they add up to.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{Acceptable, Acceptances, Interlock};
use crate::chip::{Permission, Sealed};

/// Why an interlock holds, for the person at the bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
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
}

impl Panel {
    /// A panel on which every interlock waits.
    #[must_use]
    pub fn new(accepted: Acceptances) -> Self {
        Self {
            states: BTreeMap::new(),
            accepted,
        }
    }

    /// The states so far, in order.
    pub fn states(&self) -> impl Iterator<Item = (Interlock, &State)> {
        self.states
            .iter()
            .map(|(interlock, state)| (*interlock, state))
    }

    /// The interlocks that hold, in order.
    #[must_use]
    pub fn held(&self) -> Vec<&Held> {
        let held = self.states.values().filter_map(|state| match state {
            State::Held(held) => Some(held),
            _ => None,
        });
        held.collect()
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
        (open, Interlock::ALL.len() - self.states.len())
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
        let (open, _) = self.counts();
        if open == Interlock::ALL.len() {
            Ok(Permit { _made_here: () })
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
        self.states.insert(held.interlock, State::Held(held));
    }

    /// Holds, unless `name` was accepted with a reason. An acceptance shows even where an earlier
    /// check had opened the interlock; what holds stays held.
    pub(super) fn hold_unless(&mut self, name: Acceptable, held: Held) {
        let Some(reason) = self.accepted.reason(name) else {
            return self.hold(held);
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

/// Proof that every interlock is open or accepted by name. Nothing but a [`Panel`] makes one.
///
/// ```compile_fail,E0451
/// let permit = norlock::interlock::Permit { _made_here: () };
/// ```
#[derive(Debug)]
pub struct Permit {
    _made_here: (),
}

impl Sealed for Permit {}
impl Permission for Permit {}

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
            assert_eq!(panel.permit().unwrap_err().counts(), (14, 1));
        }
        let mut panel = Panel::default();
        Interlock::ALL
            .into_iter()
            .for_each(|interlock| panel.open(interlock, "seen"));
        assert!(panel.permit().is_ok());
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
