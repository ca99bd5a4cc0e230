//! Lists and variants of a file.

use std::slice::Iter;

use serde::de::value::BorrowedStrDeserializer;
use serde::de::{DeserializeSeed, Deserializer, EnumAccess, SeqAccess, VariantAccess, Visitor};
use toml::Spanned;
use toml::de::{DeArray, DeString, DeTable, DeValue};

use super::failure::{Failure, unknown_key, unknown_value};
use super::nearest::list;
use super::value::At;

/// The members of a list, without those that are left out.
pub(super) struct Members<'a> {
    at: At<'a>,
    rest: Iter<'a, Spanned<DeValue<'a>>>,
    /// So many more are asked for, with nothing behind them.
    standing_in: usize,
}

impl<'a> Members<'a> {
    pub fn new(at: At<'a>, list: &'a DeArray<'a>) -> Self {
        Self {
            at,
            rest: list.iter(),
            standing_in: 0,
        }
    }

    pub fn nothing(at: At<'a>, standing_in: usize) -> Self {
        Self {
            at,
            rest: Iter::default(),
            standing_in,
        }
    }

    fn next(&mut self) -> Option<At<'a>> {
        let mut members = self.rest.by_ref().map(|value| self.at.beside(value));
        let found = members.find(|member| !member.is_left_out());
        if found.is_none() && self.standing_in > 0 {
            self.standing_in -= 1;
            return Some(self.at.nothing());
        }
        found
    }
}

impl<'a> SeqAccess<'a> for Members<'a> {
    type Error = Failure;

    fn next_element_seed<S: DeserializeSeed<'a>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Failure> {
        self.next().map(|member| member.give(seed)).transpose()
    }
}

/// A variant that was chosen, with its settings where it has been given any.
pub(super) struct Chosen<'a> {
    name: &'a str,
    settings: Option<At<'a>>,
}

impl<'a> Chosen<'a> {
    /// The variant that stands there, as a text or as a table's only key. The first, with nothing behind it, stands
    /// in for one that is missing.
    ///
    /// # Errors
    /// Where none of `variants` stands there, or something beside it.
    pub fn of(at: At<'a>, variants: &'static [&'static str]) -> Result<Self, Failure> {
        match at.value.map(Spanned::get_ref) {
            None => Ok(Self {
                name: variants.first().copied().unwrap_or_default(),
                settings: Some(at),
            }),
            Some(DeValue::String(name)) if variants.contains(&name.as_ref()) => Ok(Self {
                name,
                settings: None,
            }),
            Some(DeValue::String(name)) => Err(Failure::Wrong(unknown_value(name, variants))),
            Some(DeValue::Table(table)) => Self::only(at, table, variants),
            Some(_) => Err(Failure::Wrong(format!(
                "one of these is wanted: {}",
                list(variants)
            ))),
        }
    }

    /// The one that is a table's only key.
    ///
    /// # Errors
    /// Where the table has another number of keys, or one that is no variant.
    fn only(at: At<'a>, table: &'a DeTable<'a>, variants: &[&str]) -> Result<Self, Failure> {
        let mut keys: Vec<_> = table.iter().collect();
        keys.sort_by_key(|(key, _)| key.span().start);
        let known =
            |(key, _): &&(&Spanned<DeString<'_>>, _)| variants.contains(&key.get_ref().as_ref());
        let own = keys.iter().find(known).or(keys.first());
        let Some((name, settings)) = own else {
            let known = list(variants);
            return Err(Failure::Wrong(format!(
                "one of these keys is missing here: {known}"
            )));
        };
        let others = keys.iter().map(|(key, _)| *key).filter(|key| key != name);
        let first = name.get_ref().as_ref();
        let mut wrong: Vec<(usize, String)> = others
            .map(|key| {
                let what = format!(
                    "'{first}' stands here already, and '{}' beside it",
                    key.get_ref()
                );
                (
                    key.span().start,
                    format!("{what}: one of them is too many, or belongs into the other's braces"),
                )
            })
            .collect();
        if !variants.contains(&first) {
            wrong.push((name.span().start, unknown_key(first, variants)));
        }
        if wrong.is_empty() {
            let settings = Some(at.beside(settings));
            return Ok(Self {
                name: first,
                settings,
            });
        }
        let mut state = at.state.borrow_mut();
        state.faults.append(&mut wrong);
        state.bad.insert(at.id());
        Err(Failure::Told)
    }

    /// The settings, where they can be used.
    fn usable(self) -> Result<At<'a>, Failure> {
        let name = self.name;
        let wanted = || Failure::Wrong(format!("'{name}' wants settings: {name} = {{ ... }}"));
        let settings = self.settings.ok_or_else(wanted)?;
        let bad = settings.state.borrow().bad.contains(&settings.id());
        if bad {
            Err(Failure::Unfit)
        } else {
            Ok(settings)
        }
    }
}

impl<'a> EnumAccess<'a> for Chosen<'a> {
    type Error = Failure;
    type Variant = Self;

    fn variant_seed<S: DeserializeSeed<'a>>(self, seed: S) -> Result<(S::Value, Self), Failure> {
        let name: BorrowedStrDeserializer<'a, Failure> = BorrowedStrDeserializer::new(self.name);
        Ok((seed.deserialize(name)?, self))
    }
}

impl<'a> VariantAccess<'a> for Chosen<'a> {
    type Error = Failure;

    fn unit_variant(self) -> Result<(), Failure> {
        let name = self.name;
        match self.settings.and_then(|settings| settings.value) {
            None => Ok(()),
            Some(_) => Err(Failure::Wrong(format!(
                "'{name}' takes no settings: \"{name}\""
            ))),
        }
    }

    fn newtype_variant_seed<S: DeserializeSeed<'a>>(self, seed: S) -> Result<S::Value, Failure> {
        self.usable()?.give(seed)
    }

    fn tuple_variant<V: Visitor<'a>>(self, length: usize, visitor: V) -> Result<V::Value, Failure> {
        let settings = self.usable()?;
        let tuple = settings.deserialize_tuple(length, visitor);
        tuple.map_err(|failure| settings.settle(failure))
    }

    fn struct_variant<V: Visitor<'a>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        let settings = self.usable()?;
        let keys = settings.fields(fields, &visitor);
        let read = keys.and_then(|keys| visitor.visit_map(keys));
        read.map_err(|failure| settings.settle(failure))
    }
}
