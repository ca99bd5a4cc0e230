//! What stands in for a value that is missing, so that the rest of its table can be looked at.

use serde::Deserializer;
use serde::de::value::{MapDeserializer, SeqDeserializer, StrDeserializer};
use serde::de::{self, DeserializeSeed, EnumAccess, IntoDeserializer, VariantAccess, Visitor};
use serde_spanned::de::{SpannedDeserializer, is_spanned};

use super::failure::Failure;

/// Nothing, of whatever type is asked for; refused by types that take no zero and no empty text.
#[derive(Debug, Clone, Copy)]
pub(super) struct StandIn;

impl<'de> IntoDeserializer<'de, Failure> for StandIn {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'de> Deserializer<'de> for StandIn {
    type Error = Failure;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_u64(0)
    }

    fn deserialize_bool<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_bool(false)
    }

    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_str("")
    }

    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_str("")
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_none()
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_seq(SeqDeserializer::new(std::iter::empty::<Self>()))
    }

    fn deserialize_tuple<V: Visitor<'de>>(
        self,
        length: usize,
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_seq(SeqDeserializer::new(std::iter::repeat_n(self, length)))
    }

    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Failure> {
        visitor.visit_map(MapDeserializer::new(std::iter::empty::<(&str, Self)>()))
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        if is_spanned(name) {
            return visitor.visit_map(SpannedDeserializer::new(self, 0..0));
        }
        let entries = fields.iter().map(|field| (*field, self));
        visitor.visit_map(MapDeserializer::new(entries))
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        visitor.visit_enum(First(variants.first().copied().unwrap_or_default()))
    }

    serde::forward_to_deserialize_any! {
        i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char bytes byte_buf unit unit_struct tuple_struct
        identifier ignored_any
    }
}

/// The first of some variants.
struct First(&'static str);

impl<'de> EnumAccess<'de> for First {
    type Error = Failure;
    type Variant = StandIn;

    fn variant_seed<S: DeserializeSeed<'de>>(
        self,
        seed: S,
    ) -> Result<(S::Value, StandIn), Failure> {
        let name: StrDeserializer<'_, Failure> = self.0.into_deserializer();
        Ok((seed.deserialize(name)?, StandIn))
    }
}

impl<'de> VariantAccess<'de> for StandIn {
    type Error = Failure;

    fn unit_variant(self) -> Result<(), Failure> {
        Ok(())
    }

    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<S::Value, Failure> {
        seed.deserialize(self)
    }

    fn tuple_variant<V: Visitor<'de>>(self, _: usize, _: V) -> Result<V::Value, Failure> {
        Err(de::Error::custom("no tuples"))
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Failure> {
        self.deserialize_struct("", fields, visitor)
    }
}
