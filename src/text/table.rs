//! The keys of a table whose type names them.

use serde::de::value::StrDeserializer;
use serde::de::{DeserializeSeed, IntoDeserializer, MapAccess};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::FAULTS_MAX;
use super::failure::{Failure, unknown_key};
use super::nearest::nearest;
use super::stand_in::StandIn;
use super::value::At;

/// Tells each key of the table that is none of `fields`.
///
/// # Errors
/// `Told`, where there is one that was not told before.
pub(super) fn unknown_keys(
    at: At<'_>,
    table: &DeTable<'_>,
    fields: &'static [&'static str],
) -> Result<(), Failure> {
    let mut state = at.state.borrow_mut();
    let mut told = false;
    for key in table.keys() {
        let (word, place) = (key.get_ref().as_ref(), key.span().start);
        let full = state.faults.len() >= FAULTS_MAX;
        if fields.contains(&word) || full || !state.unknown.insert(place) {
            continue;
        }
        told = true;
        state.faults.push((place, unknown_key(word, fields)));
        let absent = fields.iter().copied();
        let absent = absent.filter(|field| !table.contains_key(*field));
        if let Some(meant) = nearest(word, absent) {
            state.misspelt.insert((at.id(), meant));
        }
    }
    if told { Err(Failure::Told) } else { Ok(()) }
}

/// The keys of a table that can be used, and those for which something stands in.
pub(super) struct Fields<'a> {
    found: Vec<(&'static str, Option<At<'a>>)>,
    value: Option<At<'a>>,
}

impl<'a> Fields<'a> {
    pub fn new(at: At<'a>, table: &'a DeTable<'a>, fields: &'static [&'static str]) -> Self {
        let stood = |field| at.state.borrow().stood.contains(&(at.id(), field));
        let used = |value: &'a Spanned<DeValue<'a>>| {
            Some(At::new(value, at.state)).filter(|value| !value.is_absent())
        };
        let mut found: Vec<_> = fields
            .iter()
            .filter_map(|field| match table.get(*field).and_then(used) {
                Some(value) => Some((*field, Some(value))),
                None => stood(*field).then_some((*field, None)),
            })
            .collect();
        found.reverse();
        Self { found, value: None }
    }
}

impl<'de> MapAccess<'de> for Fields<'_> {
    type Error = Failure;

    fn next_key_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Failure> {
        let Some((field, value)) = self.found.pop() else {
            return Ok(None);
        };
        self.value = value;
        let field: StrDeserializer<'_, Failure> = field.into_deserializer();
        seed.deserialize(field).map(Some)
    }

    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Failure> {
        match self.value.take() {
            Some(value) => value.give(seed),
            None => seed.deserialize(StandIn).map_err(|_| Failure::Unfit),
        }
    }
}
