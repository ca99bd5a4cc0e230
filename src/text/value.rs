//! One value of a file, read as what its type wants.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;

use serde::Deserializer;
use serde::de::{DeserializeSeed, Error, Expected, IntoDeserializer, Unexpected, Visitor};
use serde_spanned::de::is_spanned;
use toml::Spanned;
use toml::de::{DeFloat, DeInteger, DeValue};

use super::access::{Chosen, Members};
use super::failure::Failure;
use super::keys::Keys;

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
    /// Grows whenever a reading learnt what the next one will do otherwise. It cannot grow for ever, so reading ends.
    pub fn progress(&self) -> (usize, bool) {
        let learnt = self.bad.len() + self.stood.len() + self.unknown.len();
        (learnt, self.is_last)
    }
}

/// A value at its place. Without one it is nothing: whatever type is asked for is given its zero or its empty text,
/// in place of a value that is missing, so that the rest of its table can be looked at.
#[derive(Debug, Clone, Copy)]
pub(super) struct At<'a> {
    pub value: Option<&'a Spanned<DeValue<'a>>>,
    pub state: &'a RefCell<State>,
}

impl<'a> At<'a> {
    pub fn new(value: &'a Spanned<DeValue<'a>>, state: &'a RefCell<State>) -> Self {
        let value = Some(value);
        Self { value, state }
    }

    /// Another value of the same file.
    pub fn beside(self, value: &'a Spanned<DeValue<'a>>) -> Self {
        Self::new(value, self.state)
    }

    /// What stands in for a value of the same file. Types that take no zero and no empty text refuse it.
    pub fn nothing(self) -> Self {
        Self {
            value: None,
            state: self.state,
        }
    }

    /// 0 for nothing.
    pub fn id(self) -> Id {
        self.value
            .map_or(0, |value| std::ptr::from_ref(value).addr())
    }

    /// Bytes of the text; none for nothing.
    pub fn span(self) -> Range<usize> {
        self.value.map_or(0..0, Spanned::span)
    }

    /// Gives the value; what is wrong with it is told at its place.
    pub fn give<S: DeserializeSeed<'a>>(self, seed: S) -> Result<S::Value, Failure> {
        seed.deserialize(self)
            .map_err(|failure| self.settle(failure))
    }

    /// Tells why this value failed, unless that is told already.
    pub fn settle(self, failure: Failure) -> Failure {
        let Some(value) = self.value else {
            return Failure::Unfit;
        };
        let mut state = self.state.borrow_mut();
        let at = value.span().start;
        match failure {
            Failure::Told => {}
            Failure::Unfit => {
                state.bad.insert(self.id());
            }
            Failure::Missing(key) => {
                let there = value.get_ref().get(key).is_some();
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
    }

    /// Whether this value is left out of a list or map.
    pub fn is_left_out(self) -> bool {
        let state = self.state.borrow();
        state.bad.contains(&self.id()) || state.is_last && state.tainted.contains(&self.id())
    }

    /// Whether the key with this value is as good as absent. A list stays, without what it holds that is bad.
    pub fn is_absent(self) -> bool {
        let is_list = self.value.is_some_and(|value| value.get_ref().is_array());
        let bad = || self.state.borrow().bad.contains(&self.id());
        if is_list { bad() } else { self.is_left_out() }
    }

    /// The keys of a struct, or of the settings of a variant: others than its own are faults.
    ///
    /// # Errors
    /// Where this is no table, and as [`Keys::named`].
    pub fn fields(
        self,
        fields: &'static [&'static str],
        wanted: &dyn Expected,
    ) -> Result<Keys<'a>, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => Ok(Keys::standing_in(self, fields)),
            Some(DeValue::Table(table)) => Keys::named(self, table, fields),
            Some(other) => Err(unfit(other, wanted)),
        }
    }
}

impl<'a> IntoDeserializer<'a, Failure> for At<'a> {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'a> Deserializer<'a> for At<'a> {
    type Error = Failure;

    fn deserialize_any<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_u64(0),
            Some(DeValue::String(text)) => visitor.visit_str(text),
            Some(DeValue::Integer(number)) => {
                let number = integer(number)?;
                match (i64::try_from(number), u64::try_from(number)) {
                    (Ok(number), _) => visitor.visit_i64(number),
                    (_, Ok(number)) => visitor.visit_u64(number),
                    _ => Err(too_large()),
                }
            }
            Some(DeValue::Float(number)) => visitor.visit_f64(float(number)?),
            Some(DeValue::Boolean(value)) => visitor.visit_bool(*value),
            Some(DeValue::Array(list)) => visitor.visit_seq(Members::new(self, list)),
            Some(DeValue::Table(table)) => visitor.visit_map(Keys::free(self, table)),
            Some(other @ DeValue::Datetime(_)) => Err(unfit(other, &visitor)),
        }
    }

    fn deserialize_bool<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_bool(false),
            Some(DeValue::Boolean(value)) => visitor.visit_bool(*value),
            Some(other) => Err(unfit(other, &visitor)),
        }
    }

    fn deserialize_str<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_str(""),
            Some(DeValue::String(text)) => visitor.visit_str(text),
            Some(other) => Err(unfit(other, &visitor)),
        }
    }

    fn deserialize_string<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        self.deserialize_str(visitor)
    }

    fn deserialize_option<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value {
            None => visitor.visit_none(),
            Some(_) => visitor.visit_some(self),
        }
    }

    fn deserialize_newtype_struct<V: Visitor<'a>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_seq<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_seq(Members::nothing(self, 0)),
            Some(DeValue::Array(list)) => visitor.visit_seq(Members::new(self, list)),
            Some(other) => Err(unfit(other, &visitor)),
        }
    }

    fn deserialize_tuple<V: Visitor<'a>>(
        self,
        length: usize,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_seq(Members::nothing(self, length)),
            // What is left over would else be lost without a word.
            Some(DeValue::Array(list)) if list.len() != length => {
                Err(Failure::invalid_length(list.len(), &visitor))
            }
            _ => self.deserialize_seq(visitor),
        }
    }

    fn deserialize_map<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        match self.value.map(Spanned::get_ref) {
            None => visitor.visit_map(Keys::standing_in(self, &[])),
            Some(DeValue::Table(table)) => visitor.visit_map(Keys::free(self, table)),
            Some(other) => Err(unfit(other, &visitor)),
        }
    }

    fn deserialize_struct<V: Visitor<'a>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        let keys = if is_spanned(name) {
            Keys::spanned(self)
        } else {
            self.fields(fields, &visitor)?
        };
        visitor.visit_map(keys)
    }

    fn deserialize_enum<V: Visitor<'a>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_enum(Chosen::of(self, variants)?)
    }

    fn deserialize_ignored_any<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_unit()
    }

    serde::forward_to_deserialize_any! {
        <W: Visitor<'a>>
        i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char bytes byte_buf unit unit_struct tuple_struct identifier
    }
}

/// A value of another type than is wanted.
fn unfit(value: &DeValue<'_>, wanted: &dyn Expected) -> Failure {
    let found = match value {
        DeValue::String(text) => Unexpected::Str(text),
        DeValue::Integer(number) => match integer(number).map(i64::try_from) {
            Ok(Ok(number)) => Unexpected::Signed(number),
            _ => return too_large(),
        },
        DeValue::Float(number) => match float(number) {
            Ok(number) => Unexpected::Float(number),
            Err(failure) => return failure,
        },
        DeValue::Boolean(value) => Unexpected::Bool(*value),
        DeValue::Datetime(_) => Unexpected::Other("a date without quotes"),
        DeValue::Array(_) => Unexpected::Seq,
        DeValue::Table(_) => Unexpected::Map,
    };
    Failure::invalid_type(found, wanted)
}

fn integer(number: &DeInteger<'_>) -> Result<i128, Failure> {
    i128::from_str_radix(number.as_str(), number.radix()).map_err(|_| too_large())
}

fn float(number: &DeFloat<'_>) -> Result<f64, Failure> {
    let named = !number.as_str().contains(|c: char| c.is_ascii_digit());
    match number.as_str().parse::<f64>() {
        Ok(found) if found.is_finite() || named => Ok(found),
        _ => Err(too_large()),
    }
}

fn too_large() -> Failure {
    Failure::Wrong("this number is too large".into())
}
