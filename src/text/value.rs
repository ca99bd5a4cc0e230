//! One value of a file, read as what its type wants.

use std::cell::RefCell;
use std::collections::BTreeSet;

use serde::Deserializer;
use serde::de::{DeserializeSeed, IntoDeserializer, Unexpected, Visitor};
use serde_spanned::de::{SpannedDeserializer, is_spanned};
use toml::Spanned;
use toml::de::{DeInteger, DeTable, DeValue};

use super::access::{Chosen, Entries, Members};
use super::failure::{Failure, unknown_value};
use super::nearest::list;
use super::table::{Fields, unknown_keys};

/// A value, by where it lies in memory: the tree does not move while it is read.
pub(super) type Id = usize;

/// What is known of a file from the times it was read before.
#[derive(Debug, Default)]
pub(super) struct State {
    /// Byte and text of each fault.
    pub faults: Vec<(usize, String)>,
    /// Values that cannot be used.
    pub bad: BTreeSet<Id>,
    /// Values that hold a fault.
    pub tainted: BTreeSet<Id>,
    /// Keys of tables for which something has to stand in.
    pub stood: BTreeSet<(Id, &'static str)>,
    /// Keys of tables that are there, misspelt.
    pub misspelt: BTreeSet<(Id, &'static str)>,
    /// Keys that do not belong where they stand, by their place.
    pub unknown: BTreeSet<usize>,
    /// All faults are found: this time nothing that holds one is given.
    pub is_last: bool,
}

impl State {
    /// Grows with whatever was learnt.
    pub fn progress(&self) -> (usize, bool) {
        let learnt = self.bad.len() + self.stood.len() + self.unknown.len();
        (learnt, self.is_last)
    }
}

/// A value at its place.
#[derive(Debug, Clone, Copy)]
pub(super) struct At<'a> {
    pub value: &'a Spanned<DeValue<'a>>,
    pub state: &'a RefCell<State>,
}

impl<'a> At<'a> {
    pub fn new(value: &'a Spanned<DeValue<'a>>, state: &'a RefCell<State>) -> Self {
        Self { value, state }
    }

    pub fn id(self) -> Id {
        std::ptr::from_ref(self.value).addr()
    }

    /// Gives the value; what is wrong with it is told at its place.
    pub fn give<'de, S: DeserializeSeed<'de>>(self, seed: S) -> Result<S::Value, Failure> {
        self.settle(seed.deserialize(self))
    }

    /// Tells why this value failed, unless that is told already.
    pub fn settle<T>(self, result: Result<T, Failure>) -> Result<T, Failure> {
        result.map_err(|failure| {
            let mut state = self.state.borrow_mut();
            let at = self.value.span().start;
            match failure {
                Failure::Told => {}
                Failure::Unfit => {
                    state.bad.insert(self.id());
                }
                Failure::Missing(key) => {
                    let there = self.table().is_some_and(|table| table.contains_key(key));
                    if !there && !state.misspelt.contains(&(self.id(), key)) {
                        state.faults.push((at, Failure::Missing(key).to_string()));
                    }
                    if !state.stood.insert((self.id(), key)) {
                        state.bad.insert(self.id());
                    }
                }
                Failure::Wrong(text) => {
                    // What is wrong with the whole only follows from a fault within.
                    if !state.tainted.contains(&self.id()) {
                        state.faults.push((at, text));
                    }
                    state.bad.insert(self.id());
                }
            }
            state.tainted.insert(self.id());
            Failure::Told
        })
    }

    /// Whether this value is left out of a list or map.
    pub fn is_left_out(self) -> bool {
        let state = self.state.borrow();
        state.bad.contains(&self.id()) || state.is_last && state.tainted.contains(&self.id())
    }

    /// Whether the key with this value is as good as absent. A list stays, without what it holds that is bad.
    pub fn is_absent(self) -> bool {
        let is_list = self.value.get_ref().is_array();
        let bad = || self.state.borrow().bad.contains(&self.id());
        if is_list { bad() } else { self.is_left_out() }
    }

    fn table(self) -> Option<&'a DeTable<'a>> {
        self.value.get_ref().as_table()
    }

    /// A struct, or the settings of a variant: keys that are not its own are faults.
    pub fn fields<'de, V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        let Some(table) = self.table() else {
            return self.deserialize_any(visitor);
        };
        unknown_keys(self, table, fields)?;
        visitor.visit_map(Fields::new(self, table, fields))
    }
}

impl<'de> IntoDeserializer<'de, Failure> for At<'_> {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'de> Deserializer<'de> for At<'_> {
    type Error = Failure;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.get_ref() {
            DeValue::String(text) => visitor.visit_str(text),
            DeValue::Integer(number) => integer(number, visitor),
            DeValue::Float(number) => match number.as_str().parse::<f64>() {
                Ok(found)
                    if found.is_finite()
                        || !number.as_str().contains(|c: char| c.is_ascii_digit()) =>
                {
                    visitor.visit_f64(found)
                }
                _ => Err(Failure::Wrong("this number is too large".into())),
            },
            DeValue::Boolean(value) => visitor.visit_bool(*value),
            DeValue::Datetime(_) => {
                let date = Unexpected::Other("a date without quotes");
                Err(serde::de::Error::invalid_type(date, &visitor))
            }
            DeValue::Array(list) => visitor.visit_seq(Members::new(self, list)),
            DeValue::Table(table) => visitor.visit_map(Entries::new(self, table)),
        }
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_some(self)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_tuple<V: Visitor<'de>>(
        self,
        length: usize,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        match self.value.get_ref() {
            // What is left over would else be lost without a word.
            DeValue::Array(list) if list.len() != length => {
                Err(serde::de::Error::invalid_length(list.len(), &visitor))
            }
            _ => self.deserialize_any(visitor),
        }
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        if is_spanned(name) {
            return visitor.visit_map(SpannedDeserializer::new(self, self.value.span()));
        }
        self.fields(fields, visitor)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        match self.value.get_ref() {
            DeValue::String(name) if variants.contains(&name.as_ref()) => {
                visitor.visit_enum(Chosen::word(name))
            }
            DeValue::String(name) => Err(Failure::Wrong(unknown_value(name, variants))),
            DeValue::Table(table) => visitor.visit_enum(Chosen::only(self, table, variants)?),
            _ => {
                let known = list(variants);
                Err(Failure::Wrong(format!("one of these is wanted: {known}")))
            }
        }
    }

    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_unit()
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf unit unit_struct
        seq tuple_struct map identifier
    }
}

fn integer<'de, V: Visitor<'de>>(number: &DeInteger<'_>, visitor: V) -> Result<V::Value, Failure> {
    let (digits, radix) = (number.as_str(), number.radix());
    if let Ok(number) = i64::from_str_radix(digits, radix) {
        return visitor.visit_i64(number);
    }
    match u64::from_str_radix(digits, radix) {
        Ok(number) => visitor.visit_u64(number),
        Err(_) => Err(Failure::Wrong("this number is too large".into())),
    }
}
