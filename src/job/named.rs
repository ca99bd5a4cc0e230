//! Names for what reports hold as pairs: a program that reads JSON sees them, and later ones can be added.

use serde::{Serialize, Serializer};

use crate::jedec::Millivolts;

/// Reads, and how many of them were the same.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub(super) struct Reads<T> {
    reads: T,
    same: T,
}

pub(super) fn reads<T: Serialize + Copy, S: Serializer>(
    pair: &(T, T),
    to: S,
) -> Result<S::Ok, S::Error> {
    let (reads, same) = *pair;
    Reads { reads, same }.serialize(to)
}

/// Address lines that the chip has, and how many were seen to arrive.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub(super) struct Lines {
    has: u32,
    arrived: u32,
}

pub(super) fn lines<S: Serializer>(pair: &Option<(u32, u32)>, to: S) -> Result<S::Ok, S::Error> {
    pair.map(|(has, arrived)| Lines { has, arrived })
        .serialize(to)
}

/// A link, with what was asked of it.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub(super) struct Asked<'a, T> {
    name: &'a str,
    /// Level that it drives and supplies, where it is known.
    level: Option<Millivolts>,
    /// Highest SCK asked for.
    sck: T,
}

pub(super) fn asked<T: Serialize + Copy, S: Serializer>(
    link: &(String, Option<Millivolts>, T),
    to: S,
) -> Result<S::Ok, S::Error> {
    let (name, level, sck) = (link.0.as_str(), link.1, link.2);
    Asked { name, level, sck }.serialize(to)
}
