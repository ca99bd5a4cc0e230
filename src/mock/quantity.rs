//! Quantities in a bench file, written as a person writes them: `"3.3V"`, `"15MHz"`.

use crate::jedec::{Hertz, Millivolts};

/// A quantity whose short form may be rounded.
pub(super) trait Quantity {
    /// The whole value, in the smallest unit.
    fn exact(&self) -> String;
}

impl Quantity for Hertz {
    fn exact(&self) -> String {
        format!("{}Hz", self.0)
    }
}

impl Quantity for Millivolts {
    fn exact(&self) -> String {
        format!("{}mV", self.0)
    }
}

/// For `#[serde(with)]` on an optional quantity.
pub(super) mod optional {
    use std::fmt::Display;
    use std::str::FromStr;

    use serde::{Deserialize, Deserializer, Serializer};

    use super::Quantity;

    pub(in crate::mock) fn serialize<T, S>(
        value: &Option<T>,
        serializer: S,
    ) -> Result<S::Ok, S::Error>
    where
        T: Quantity + Display + FromStr + PartialEq,
        S: Serializer,
    {
        let Some(value) = value else {
            return serializer.serialize_none();
        };
        let short = value.to_string().replace(' ', "");
        if short.parse().is_ok_and(|read: T| read == *value) {
            serializer.serialize_str(&short)
        } else {
            serializer.serialize_str(&value.exact())
        }
    }

    pub(in crate::mock) fn deserialize<'de, T, D>(deserializer: D) -> Result<Option<T>, D::Error>
    where
        T: FromStr<Err: Display>,
        D: Deserializer<'de>,
    {
        let text = String::deserialize(deserializer)?;
        text.parse().map(Some).map_err(serde::de::Error::custom)
    }
}

/// For `#[serde(with)]` on a quantity that has to be there.
pub(super) mod plain {
    use std::fmt::Display;
    use std::str::FromStr;

    use serde::{Deserializer, Serializer};

    use super::{Quantity, optional};

    pub(in crate::mock) fn serialize<T, S>(value: &T, serializer: S) -> Result<S::Ok, S::Error>
    where
        T: Quantity + Display + FromStr + PartialEq + Copy,
        S: Serializer,
    {
        optional::serialize(&Some(*value), serializer)
    }

    pub(in crate::mock) fn deserialize<'de, T, D>(deserializer: D) -> Result<T, D::Error>
    where
        T: FromStr<Err: Display>,
        D: Deserializer<'de>,
    {
        let missing = || serde::de::Error::custom("a quantity with its unit is missing");
        optional::deserialize(deserializer)?.ok_or_else(missing)
    }
}
