//! Quantities in a bench file, written as a person writes them: `"3.3V"`, `"15MHz"`.

/// For `#[serde(with)]` on an optional quantity.
pub(super) mod optional {
    use std::fmt::Display;
    use std::str::FromStr;

    use serde::{Deserialize, Deserializer, Serializer};

    pub(in crate::mock) fn serialize<T: Display, S: Serializer>(
        value: &Option<T>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        match value {
            Some(value) => serializer.serialize_str(&value.to_string().replace(' ', "")),
            None => serializer.serialize_none(),
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
