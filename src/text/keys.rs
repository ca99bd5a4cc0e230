//! Tables of a file: those whose type names the keys, those whose keys are free, and what stands in for one.

use serde::de::value::BorrowedStrDeserializer;
use serde::de::{DeserializeSeed, MapAccess};
use serde_spanned::de::SpannedDeserializer;
use toml::de::DeTable;

use super::FAULTS_MAX;
use super::failure::{Failure, unknown_key};
use super::nearest::nearest;
use super::value::At;

/// What a map or a struct is made of. One type for all, so that the compiler makes each `visit_map` once.
pub(super) enum Keys<'a> {
    /// Keys and their values, the last one first.
    Of {
        rest: Vec<(&'a str, At<'a>)>,
        value: Option<At<'a>>,
    },
    /// A value with its place.
    Span(SpannedDeserializer<'a, At<'a>, Failure>),
}

impl<'a> Keys<'a> {
    /// Those of a table whose keys are free, without those that are left out.
    pub fn free(at: At<'a>, table: &'a DeTable<'a>) -> Self {
        let entries = table.iter();
        let entries = entries.map(|(key, value)| (key.get_ref().as_ref(), at.beside(value)));
        Self::of(entries.filter(|(_, value)| !value.is_left_out()).collect())
    }

    /// Those of a table that can be used, and those for which something stands in.
    ///
    /// # Errors
    /// `Told`, where the table has a key that is none of `fields` and was not told before.
    pub fn named(
        at: At<'a>,
        table: &'a DeTable<'a>,
        fields: &'static [&'static str],
    ) -> Result<Self, Failure> {
        unknown_keys(at, table, fields)?;
        let stands_in = |field| at.state.borrow().stood.contains(&(at.id(), field));
        let found = fields.iter().filter_map(|field| {
            let own = table.get(*field).map(|value| at.beside(value));
            match own.filter(|own| !own.is_absent()) {
                Some(own) => Some((*field, own)),
                None => stands_in(*field).then_some((*field, at.nothing())),
            }
        });
        Ok(Self::of(found.collect()))
    }

    /// All of `fields`, with nothing behind them.
    pub fn standing_in(at: At<'a>, fields: &'static [&'static str]) -> Self {
        Self::of(fields.iter().map(|field| (*field, at.nothing())).collect())
    }

    /// The place of a value and the value.
    pub fn spanned(at: At<'a>) -> Self {
        Self::Span(SpannedDeserializer::new(at, at.span()))
    }

    fn of(mut rest: Vec<(&'a str, At<'a>)>) -> Self {
        rest.reverse();
        Self::Of { rest, value: None }
    }
}

impl<'a> MapAccess<'a> for Keys<'a> {
    type Error = Failure;

    fn next_key_seed<S: DeserializeSeed<'a>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Failure> {
        match self {
            Self::Span(span) => span.next_key_seed(seed),
            Self::Of { rest, value } => {
                let Some((key, next)) = rest.pop() else {
                    return Ok(None);
                };
                *value = Some(next);
                let key: BorrowedStrDeserializer<'a, Failure> = BorrowedStrDeserializer::new(key);
                seed.deserialize(key).map(Some)
            }
        }
    }

    fn next_value_seed<S: DeserializeSeed<'a>>(&mut self, seed: S) -> Result<S::Value, Failure> {
        match self {
            Self::Span(span) => span.next_value_seed(seed),
            Self::Of { value, .. } => value.take().ok_or(Failure::Unfit)?.give(seed),
        }
    }
}

/// Tells each key of the table that is none of `fields`.
fn unknown_keys(
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
