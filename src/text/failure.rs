//! Why a value is not what its type wants, in words.

use std::fmt::{self, Display};

use serde::de::{self, Expected, Unexpected};

use super::nearest::perhaps;

/// Why a value could not be made.
#[derive(Debug)]
pub(super) enum Failure {
    /// The fault is told already.
    Told,
    /// A value is missing for which nothing can stand in.
    Unfit,
    /// A table has not this key.
    Missing(&'static str),
    /// What is wrong.
    Wrong(String),
}

impl std::error::Error for Failure {}

impl Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Told | Self::Unfit => f.write_str("told already"),
            Self::Missing(key) => write!(f, "the key '{key}' is missing here"),
            Self::Wrong(text) => f.write_str(text),
        }
    }
}

impl de::Error for Failure {
    fn custom<T: Display>(text: T) -> Self {
        Self::Wrong(text.to_string())
    }

    fn invalid_type(found: Unexpected<'_>, wanted: &dyn Expected) -> Self {
        Self::Wrong(format!("{} is wanted, not {}", kind(wanted), seen(found)))
    }

    fn invalid_value(found: Unexpected<'_>, wanted: &dyn Expected) -> Self {
        Self::Wrong(format!("{} is wanted, not {}", kind(wanted), seen(found)))
    }

    fn invalid_length(length: usize, wanted: &dyn Expected) -> Self {
        let values = if length == 1 { "value" } else { "values" };
        let wanted = kind(wanted);
        Self::Wrong(format!("{wanted} is wanted, not one of {length} {values}"))
    }

    fn unknown_variant(variant: &str, known: &'static [&'static str]) -> Self {
        Self::Wrong(unknown_value(variant, known))
    }

    fn unknown_field(field: &str, known: &'static [&'static str]) -> Self {
        Self::Wrong(unknown_key(field, known))
    }

    fn missing_field(field: &'static str) -> Self {
        Self::Missing(field)
    }
}

/// A key that does not belong here.
pub(super) fn unknown_key(key: &str, known: &[&str]) -> String {
    if known.is_empty() {
        return format!("unknown key '{key}': no key can stand here");
    }
    format!("unknown key '{key}'; {}", perhaps(key, known))
}

/// A value that is none of those that can stand here.
pub(super) fn unknown_value(value: &str, known: &[&str]) -> String {
    format!("unknown value '{value}'; {}", perhaps(value, known))
}

/// What stands in the file.
fn seen(found: Unexpected<'_>) -> String {
    match found {
        Unexpected::Bool(value) => value.to_string(),
        Unexpected::Unsigned(value) => format!("the number {value}"),
        Unexpected::Signed(value) => format!("the number {value}"),
        Unexpected::Float(value) => format!("the number {value}"),
        Unexpected::Str(text) => format!("the text '{text}'"),
        Unexpected::Seq => "a list".into(),
        Unexpected::Map => "a table".into(),
        other => other.to_string(),
    }
}

/// What a type wants, for whoever knows no types.
fn kind(wanted: &dyn Expected) -> String {
    let wanted = wanted.to_string();
    let length = wanted.strip_prefix("an array of length ");
    let words = match wanted.as_str() {
        "u8" => "a whole number from 0 to 255",
        "u32" => "a whole number from 0 to 4294967295",
        "u64" | "usize" => "a whole number from 0 on",
        "i32" => "a whole number",
        "f64" => "a number",
        "a string" | "path string" => "a text in quotes",
        "a boolean" => "true or false",
        "a sequence" => "a list in square brackets",
        "a map" => "a table",
        other if other.starts_with("struct ") => "a table of keys and values",
        other => other,
    };
    match length {
        Some(length) => format!("a list of {length} values"),
        None => words.to_owned(),
    }
}
