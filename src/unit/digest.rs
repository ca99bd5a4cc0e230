//! SHA-256 digests (FIPS 180-4): how an image is named beyond doubt.

use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::Digest as _;

/// A SHA-256 digest. Shown as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

/// Why a text is not 64 hexadecimal digits.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not 64 hexadecimal digits")]
pub struct ParseDigestError(String);

impl Digest {
    /// The digest of `bytes`.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(sha2::Sha256::digest(bytes).into())
    }

    /// The digits in eight groups of eight, as they are shown to a person.
    #[must_use]
    pub fn groups(&self) -> [String; 8] {
        let digits = self.to_string();
        std::array::from_fn(|i| digits.chars().skip(i * 8).take(8).collect())
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Digest {
    type Err = ParseDigestError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || ParseDigestError(text.chars().take(80).collect());
        let digits: Vec<u8> = text
            .chars()
            .map(|c| c.to_digit(16).and_then(|d| u8::try_from(d).ok()))
            .collect::<Option<_>>()
            .ok_or_else(refuse)?;
        let bytes: Vec<u8> = digits
            .chunks_exact(2)
            .filter_map(|pair| match pair {
                [high, low] => Some(high << 4 | low),
                _ => None,
            })
            .collect();
        match <[u8; 32]>::try_from(bytes) {
            Ok(bytes) if digits.len() == 64 => Ok(Self(bytes)),
            _ => Err(refuse()),
        }
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Digest {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Digest".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A SHA-256 in 64 hexadecimal digits.",
            "type": "string",
            "pattern": "^[0-9a-f]{64}$",
        })
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(D::Error::custom)
    }
}

/// Takes bytes as they come and ends in their [`Digest`].
#[derive(Debug, Clone, Default)]
pub struct Hasher(sha2::Sha256);

impl Hasher {
    /// A hasher that has seen nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the next bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// The digest of everything taken.
    #[must_use]
    pub fn finish(self) -> Digest {
        Digest(self.0.finalize().into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standards_example_comes_out() {
        // FIPS 180-4 example computation, message "abc".
        let text = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let mut hasher = Hasher::new();
        hasher.update(b"a");
        hasher.update(b"bc");
        assert_eq!(hasher.finish().to_string(), text);
        assert_eq!(text.parse(), Ok(Digest::of(b"abc")));
        assert_eq!(Digest::of(b"abc").groups()[7], "f20015ad");
    }

    #[test]
    fn other_texts_are_refused() {
        for bad in [
            "",
            "ba78",
            &"g".repeat(64),
            &"0".repeat(63),
            &"0".repeat(65),
        ] {
            assert!(bad.parse::<Digest>().is_err(), "{bad}");
        }
    }
}
