//! Values on the command line that need more than a number or a path.

use std::fmt;
use std::ops::Range;
use std::path::PathBuf;
use std::str::FromStr;

use crate::image::{Rest, parse_size};
use crate::jedec::{Address, Millivolts};
use crate::job::Wanted;
use crate::part::SupplyRange;
use crate::unit::Digest;
use crate::unit::offline::{ParseHashError, parse_hash};

/// Why a value was not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseValueError {
    /// Not the kind of text that was wanted.
    #[error("not {wanted}")]
    NotA {
        /// What was wanted, with an example.
        wanted: &'static str,
    },
    /// Not a SHA-256.
    #[error(transparent)]
    Hash(#[from] ParseHashError),
    /// A range whose end does not lie behind its start.
    #[error("the range is empty: its end must lie behind its start")]
    EmptyRange,
}

const fn not_a(wanted: &'static str) -> ParseValueError {
    ParseValueError::NotA { wanted }
}

/// Data lines that are wired: 1, 2 or 4.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wired(pub u8);

impl FromStr for Wired {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "1" => Ok(Self(1)),
            "2" => Ok(Self(2)),
            "4" => Ok(Self(4)),
            _ => Err(not_a("a number of data lines: 1, 2 or 4")),
        }
    }
}

/// Size of a chip: a power of two from 64 KiB to 2 GiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SizeBytes(pub u32);

impl FromStr for SizeBytes {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("a chip's size such as 16MiB or 512KiB");
        let compact: String = text.split_whitespace().collect();
        let digits = compact.trim_end_matches(|c: char| c.is_ascii_alphabetic());
        let scale: u32 = match compact.strip_prefix(digits) {
            Some("KiB") => 1 << 10,
            Some("MiB") => 1 << 20,
            Some("GiB") => 1 << 30,
            _ => return Err(refuse()),
        };
        whole(digits)
            .and_then(|number| number.checked_mul(scale))
            .filter(|bytes| bytes.is_power_of_two() && *bytes >= 64 << 10)
            .map(Self)
            .ok_or_else(refuse)
    }
}

/// A file that a picture goes into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PictureFile {
    /// The file.
    pub file: PathBuf,
    /// Whether it is to be a PNG; else SVG.
    pub is_png: bool,
}

impl FromStr for PictureFile {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let file = PathBuf::from(text);
        let ending = file.extension().map(|ending| ending.to_ascii_lowercase());
        let is_png = match ending.as_deref().and_then(std::ffi::OsStr::to_str) {
            Some("svg") => false,
            Some("png") => true,
            _ => return Err(not_a("a file that ends in .svg or .png")),
        };
        Ok(Self { file, is_png })
    }
}

/// How a JEDEC ID begins, in hexadecimal: `EF40`, `EF 40 18`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdStart(pub Vec<u8>);

impl FromStr for IdStart {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("the bytes of a JEDEC ID such as EF40 or 'EF 40 18'");
        let digits: String = text.split_whitespace().collect();
        let plain = digits.bytes().all(|byte| byte.is_ascii_hexdigit());
        if !plain || digits.len() % 2 != 0 || !(2..=40).contains(&digits.len()) {
            return Err(refuse());
        }
        let starts = (0..digits.len()).step_by(2);
        let bytes = starts.map(|at| {
            digits
                .get(at..at + 2)
                .map(|pair| u8::from_str_radix(pair, 16))
        });
        let bytes: Option<Vec<u8>> = bytes.map(|byte| byte.and_then(Result::ok)).collect();
        bytes.map(Self).ok_or_else(refuse)
    }
}

/// A half-open range of addresses, never empty: `0x530000..0x540000`, `0..256KiB`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AddressRange(pub Range<Address>);

impl FromStr for AddressRange {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("a range such as 0x530000..0x540000 or 0..256KiB");
        let (start, end) = text.split_once("..").ok_or_else(refuse)?;
        let start = address(start).ok_or_else(refuse)?;
        let end = address(end).ok_or_else(refuse)?;
        if start >= end {
            return Err(ParseValueError::EmptyRange);
        }
        Ok(Self(Address(start)..Address(end)))
    }
}

/// What shall be protected: `none`, `all`, or a range as [`AddressRange`] has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProtectedSet(pub Wanted);

impl FromStr for ProtectedSet {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let range = |range: AddressRange| Wanted::Range(range.0.start.0..range.0.end.0);
        match text {
            "none" => Ok(Self(Wanted::Nothing)),
            "all" => Ok(Self(Wanted::Everything)),
            text => match text.parse() {
                Ok(found) => Ok(Self(range(found))),
                Err(ParseValueError::NotA { .. }) => Err(not_a(
                    "none, all or a range such as 0x000000..0x040000 or 0..256KiB",
                )),
                Err(other) => Err(other),
            },
        }
    }
}

/// A SHA-256 of 64 hexadecimal digits; spaces between them do not count.
fn digest(text: &str) -> Result<Digest, ParseValueError> {
    Ok(parse_hash(text)?)
}

/// A supply range as a datasheet prints it: `2.7V-3.6V`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Supply(pub SupplyRange);

impl FromStr for Supply {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("a supply range such as 2.7V-3.6V");
        let (min, max) = text.split_once('-').ok_or_else(refuse)?;
        let min: Millivolts = min.parse().map_err(|_| refuse())?;
        let max: Millivolts = max.parse().map_err(|_| refuse())?;
        if min > max {
            return Err(refuse());
        }
        Ok(Self(SupplyRange {
            min,
            max,
            from_memory: false,
        }))
    }
}

/// A place for a piece: a region of the map, or a place within one, such as `system+0x1000`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PiecePlace {
    /// Region's name in the map.
    pub region: String,
    /// Distance from the region's start, where it is given.
    pub offset: Option<u32>,
}

impl FromStr for PiecePlace {
    type Err = ParseValueError;

    /// No region's name has a `+` in it.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("a region, or a place in one such as system+0x1000 or system+4KiB");
        let (region, offset) = match text.split_once('+') {
            None => (text, None),
            Some((region, offset)) => (region, Some(address(offset).ok_or_else(refuse)?)),
        };
        if region.trim().is_empty() {
            return Err(refuse());
        }
        let region = region.trim().to_owned();
        Ok(Self { region, offset })
    }
}

impl PiecePlace {
    /// Whether it is the same place: without an offset a piece begins at 0.
    pub fn is_at(&self, other: &Self) -> bool {
        self.region == other.region && self.offset.unwrap_or(0) == other.offset.unwrap_or(0)
    }
}

impl fmt::Display for PiecePlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.region)?;
        self.offset
            .map_or(Ok(()), |offset| write!(f, "+0x{offset:X}"))
    }
}

/// A file for a region: `boot=new-boot.bin`, `system+0x1000=more.hex`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionPiece {
    /// Where it goes.
    pub place: PiecePlace,
    /// The piece.
    pub file: PathBuf,
}

impl FromStr for RegionPiece {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (place, file) = assigned(text, "a region and a file such as boot=boot.bin")?;
        let file = PathBuf::from(file);
        let place = place.parse()?;
        Ok(Self { place, file })
    }
}

/// The SHA-256 that a piece must have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionDigest {
    /// The place, as it is given for the piece.
    pub place: PiecePlace,
    /// The digest wanted.
    pub digest: Digest,
}

impl FromStr for RegionDigest {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (place, digits) = assigned(text, "a region and a SHA-256 such as boot=5c1f09e2...")?;
        let digest = digest(digits)?;
        let place = place.parse()?;
        Ok(Self { place, digest })
    }
}

/// What becomes of the rest of a region: `boot=blank`, `system=keep`, `boot-settings=0x00`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionFill {
    /// Region's name in the map.
    pub region: String,
    /// What becomes of it.
    pub rest: Rest,
}

impl FromStr for RegionFill {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wanted = "a region and keep, blank or a byte such as boot=blank or boot=0x00";
        let (region, rest) = assigned(text, wanted)?;
        let byte = |text| hexadecimal(text).and_then(|byte| u8::try_from(byte).ok());
        let rest = match rest {
            "keep" => Rest::Keep,
            "blank" => Rest::Fill(0xFF),
            text => Rest::Fill(byte(text).ok_or(not_a(wanted))?),
        };
        Ok(Self { region, rest })
    }
}

/// Splits `REGION=VALUE`; neither may be empty.
fn assigned<'a>(text: &'a str, wanted: &'static str) -> Result<(String, &'a str), ParseValueError> {
    match text.split_once('=') {
        Some((region, value)) if !region.trim().is_empty() && !value.is_empty() => {
            Ok((region.trim().to_owned(), value))
        }
        _ => Err(not_a(wanted)),
    }
}

/// A number of decimal digits only; `parse` alone would also take a sign.
fn whole(digits: &str) -> Option<u32> {
    let plain = digits.chars().all(|c| c.is_ascii_digit());
    plain.then(|| digits.parse().ok()).flatten()
}

/// An address as a region map has it, but for one of bare digits: 530000 could be meant either way.
fn address(text: &str) -> Option<u32> {
    let text = text.trim();
    let plain = text == "0" || text.starts_with("0x") || text.to_ascii_lowercase().ends_with("ib");
    plain.then(|| parse_size(text).ok()).flatten()
}

/// A number written as 0x and hexadecimal digits. The prefix is required: 530000 alone could be
/// meant either way.
fn hexadecimal(text: &str) -> Option<u32> {
    let digits = text.trim().strip_prefix("0x")?;
    let plain = digits.chars().all(|c| c.is_ascii_hexdigit());
    plain
        .then(|| u32::from_str_radix(digits, 16).ok())
        .flatten()
}

#[cfg(test)]
mod tests;
