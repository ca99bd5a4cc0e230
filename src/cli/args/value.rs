//! Values on the command line that need more than a number or a path.

use std::ops::Range;
use std::path::PathBuf;
use std::str::FromStr;

use crate::jedec::{Address, Millivolts};
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

/// A half-open range of addresses, never empty: `0x530000..0x540000`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AddressRange(pub Range<Address>);

impl FromStr for AddressRange {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = || not_a("a range such as 0x530000..0x540000");
        let (start, end) = text.split_once("..").ok_or_else(refuse)?;
        let start = hexadecimal(start).ok_or_else(refuse)?;
        let end = hexadecimal(end).ok_or_else(refuse)?;
        if start >= end {
            return Err(ParseValueError::EmptyRange);
        }
        Ok(Self(Address(start)..Address(end)))
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

/// A hash kept elsewhere: typed from paper, or in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OfflineHash {
    /// The digits themselves.
    Digits(Digest),
    /// A file with a line of digits, or one as coreutils' sha256sum writes it.
    File(PathBuf),
}

impl FromStr for OfflineHash {
    type Err = ParseValueError;

    /// A text of at least 32 characters that are all digits or spaces is a hash, mistyped or not,
    /// and anything else a file's name: a digit left out must not turn into 'no such file'.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let hex = |c: char| c.is_ascii_hexdigit() || c.is_whitespace();
        if text.len() >= 32 && text.chars().all(hex) {
            return digest(text).map(Self::Digits);
        }
        if text.trim().is_empty() {
            return Err(not_a("a hash or a file"));
        }
        Ok(Self::File(PathBuf::from(text)))
    }
}

/// A file for a region: `boot=new-boot.bin`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionPiece {
    /// Region's name in the map.
    pub region: String,
    /// The piece.
    pub file: PathBuf,
}

impl FromStr for RegionPiece {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (region, file) = assigned(text, "a region and a file such as boot=boot.bin")?;
        let file = PathBuf::from(file);
        Ok(Self { region, file })
    }
}

/// The SHA-256 that a region's piece must have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionDigest {
    /// Region's name in the map.
    pub region: String,
    /// The digest wanted.
    pub digest: Digest,
}

impl FromStr for RegionDigest {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (region, digits) = assigned(text, "a region and a SHA-256 such as boot=5c1f09e2...")?;
        let digest = digest(digits)?;
        Ok(Self { region, digest })
    }
}

/// A byte to fill a region with: `boot-settings=0xFF`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionFill {
    /// Region's name in the map.
    pub region: String,
    /// The byte.
    pub byte: u8,
}

impl FromStr for RegionFill {
    type Err = ParseValueError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wanted = "a region and a byte such as boot-settings=0xFF";
        let (region, byte) = assigned(text, wanted)?;
        let byte = hexadecimal(byte).and_then(|byte| u8::try_from(byte).ok());
        let byte = byte.ok_or(not_a(wanted))?;
        Ok(Self { region, byte })
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
mod tests {
    use super::*;

    #[test]
    fn sizes_are_powers_of_two() {
        for (text, bytes) in [
            ("16MiB", 16 << 20),
            ("16 MiB", 16 << 20),
            ("64KiB", 64 << 10),
            ("2GiB", 2 << 30),
        ] {
            assert_eq!(text.parse(), Ok(SizeBytes(bytes)), "{text}");
        }
        for bad in [
            "", "16", "MiB", "16MB", "3MiB", "32KiB", "4GiB", "-1MiB", "+1MiB", "0x10MiB",
        ] {
            assert!(bad.parse::<SizeBytes>().is_err(), "{bad}");
        }
    }

    #[test]
    fn ranges_are_half_open_and_not_empty() {
        let range = Address(0x53_0000)..Address(0x54_0000);
        assert_eq!("0x530000..0x540000".parse(), Ok(AddressRange(range)));
        assert_eq!(
            "0x10..0x10".parse::<AddressRange>(),
            Err(ParseValueError::EmptyRange)
        );
        assert_eq!(
            "0x20..0x10".parse::<AddressRange>(),
            Err(ParseValueError::EmptyRange)
        );
        for bad in [
            "",
            "0x10",
            "..",
            "0x..0x10",
            "10..20",
            "0x0..0x100000000",
            "0x+1..0x10",
            "0x0..=0x10",
        ] {
            assert!(bad.parse::<AddressRange>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_hash_is_told_from_a_file() {
        let digits = "5c1f09e27ab4d83016e9c47d02f3b85a9d60e1c7b4478f2e30a95d16e8c2714b";
        let Ok(OfflineHash::Digits(Digest(bytes))) = digits.parse() else {
            panic!("not digits")
        };
        assert_eq!((bytes[0], bytes[31]), (0x5c, 0x4b));
        let grouped = "5C1F09E2 7ab4d830 16e9c47d 02f3b85a 9d60e1c7 b4478f2e 30a95d16 e8c2714b";
        assert_eq!(digest(grouped), Ok(Digest(bytes)));
        assert_eq!(
            digits[1..].parse::<OfflineHash>(),
            Err(ParseHashError::Count { digits: 63 }.into())
        );
        assert_eq!(
            format!("{digits}00").parse::<OfflineHash>(),
            Err(ParseHashError::Count { digits: 66 }.into())
        );
        for file in ["stick/as-found.sha256", "cafe", "\u{fc}"] {
            assert_eq!(file.parse(), Ok(OfflineHash::File(PathBuf::from(file))));
        }
        assert!(" ".parse::<OfflineHash>().is_err());
    }

    #[test]
    fn a_supply_range_is_read_as_printed() {
        let supply: Supply = "2.7V-3.6V".parse().unwrap();
        assert_eq!(
            (supply.0.min, supply.0.max),
            (Millivolts(2700), Millivolts(3600))
        );
        for bad in ["", "3.3V", "3.6V-2.7V", "2.7-3.6", "2.7V-"] {
            assert!(bad.parse::<Supply>().is_err(), "{bad}");
        }
    }

    #[test]
    fn regions_are_assigned() {
        let piece: RegionPiece = "boot=a=b.bin".parse().unwrap();
        assert_eq!(
            (piece.region.as_str(), piece.file.to_str()),
            ("boot", Some("a=b.bin"))
        );
        let fill: RegionFill = "boot-settings=0xFF".parse().unwrap();
        assert_eq!((fill.region.as_str(), fill.byte), ("boot-settings", 0xFF));
        for bad in ["", "boot", "=x", "boot=", " =x"] {
            assert!(bad.parse::<RegionPiece>().is_err(), "{bad}");
        }
        for bad in ["boot=0x100", "boot=FF", "boot=0x"] {
            assert!(bad.parse::<RegionFill>().is_err(), "{bad}");
        }
        assert!("boot=5c1f".parse::<RegionDigest>().is_err());
    }
}
