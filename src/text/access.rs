//! Lists, maps and variants of a file.

use serde::de::value::StrDeserializer;
use serde::de::{
    DeserializeSeed, EnumAccess, IntoDeserializer, MapAccess, SeqAccess, VariantAccess, Visitor,
};
use toml::Spanned;
use toml::de::{DeArray, DeString, DeTable, DeValue};

use super::failure::{Failure, unknown_key};
use super::nearest::list;
use super::value::At;

/// The members of a list, without those that are left out.
pub(super) struct Members<'a> {
    at: At<'a>,
    rest: std::slice::Iter<'a, Spanned<DeValue<'a>>>,
}

impl<'a> Members<'a> {
    pub fn new(at: At<'a>, list: &'a DeArray<'a>) -> Self {
        Self {
            at,
            rest: list.iter(),
        }
    }
}

impl<'de> SeqAccess<'de> for Members<'_> {
    type Error = Failure;

    fn next_element_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Failure> {
        let state = self.at.state;
        let mut members = self.rest.by_ref().map(|value| At::new(value, state));
        match members.find(|member| !member.is_left_out()) {
            Some(member) => member.give(seed).map(Some),
            None => Ok(None),
        }
    }
}

/// The entries of a map whose keys are free, without those that are left out.
pub(super) struct Entries<'a> {
    found: Vec<(&'a Spanned<DeString<'a>>, At<'a>)>,
    value: Option<At<'a>>,
}

impl<'a> Entries<'a> {
    pub fn new(at: At<'a>, table: &'a DeTable<'a>) -> Self {
        let entries = table.iter();
        let entries = entries.map(|(key, value)| (key, At::new(value, at.state)));
        let mut found: Vec<_> = entries.filter(|(_, value)| !value.is_left_out()).collect();
        found.reverse();
        Self { found, value: None }
    }
}

impl<'de> MapAccess<'de> for Entries<'_> {
    type Error = Failure;

    fn next_key_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Failure> {
        let Some((key, value)) = self.found.pop() else {
            return Ok(None);
        };
        self.value = Some(value);
        let key: StrDeserializer<'_, Failure> = key.get_ref().as_ref().into_deserializer();
        seed.deserialize(key).map(Some)
    }

    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Failure> {
        match self.value.take() {
            Some(value) => value.give(seed),
            None => Err(Failure::Unfit),
        }
    }
}

/// A variant that was chosen, with its settings where it has been given any.
pub(super) struct Chosen<'a> {
    name: &'a str,
    settings: Option<At<'a>>,
}

impl<'a> Chosen<'a> {
    /// One that stands there as a text.
    pub fn word(name: &'a str) -> Self {
        Self {
            name,
            settings: None,
        }
    }

    /// The one that is a table's only key.
    ///
    /// # Errors
    /// Where the table has another number of keys, or one that is no variant.
    pub fn only(at: At<'a>, table: &'a DeTable<'a>, variants: &[&str]) -> Result<Self, Failure> {
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
            let settings = Some(At::new(settings, at.state));
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

impl<'de> EnumAccess<'de> for Chosen<'_> {
    type Error = Failure;
    type Variant = Self;

    fn variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<(S::Value, Self), Failure> {
        let name: StrDeserializer<'_, Failure> = self.name.into_deserializer();
        Ok((seed.deserialize(name)?, self))
    }
}

impl<'de> VariantAccess<'de> for Chosen<'_> {
    type Error = Failure;

    fn unit_variant(self) -> Result<(), Failure> {
        let name = self.name;
        match self.settings {
            None => Ok(()),
            Some(_) => Err(Failure::Wrong(format!(
                "'{name}' takes no settings: \"{name}\""
            ))),
        }
    }

    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<S::Value, Failure> {
        self.usable()?.give(seed)
    }

    fn tuple_variant<V: Visitor<'de>>(
        self,
        length: usize,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        let settings = self.usable()?;
        settings.settle(serde::Deserializer::deserialize_tuple(
            settings, length, visitor,
        ))
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        let settings = self.usable()?;
        settings.settle(settings.fields(fields, visitor))
    }
}
