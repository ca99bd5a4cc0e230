//! Addresses, clocks and levels: three numbers that must never be mistaken for one another.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A byte address in the flash array.
///
/// Shown as `0x` and six hexadecimal digits, eight above 16 MiB.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Address(pub u32);

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 > 0xFF_FFFF {
            write!(f, "0x{:08X}", self.0)
        } else {
            write!(f, "0x{:06X}", self.0)
        }
    }
}

/// A serial clock (SCK) frequency in hertz.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Hertz(pub u32);

impl Hertz {
    /// A frequency in whole megahertz, up to 4294.
    ///
    /// # Panics
    /// Above that, where overflow is checked, as in a debug build; elsewhere it gives another frequency.
    #[must_use]
    pub const fn mhz(mhz: u32) -> Self {
        Self(mhz * 1_000_000)
    }
}

impl fmt::Display for Hertz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            hz if hz >= 1_000_000 => decimal(f, hz, 1_000_000, "MHz"),
            hz if hz >= 1_000 => decimal(f, hz, 1_000, "kHz"),
            hz => write!(f, "{hz} Hz"),
        }
    }
}

/// A supply or signal level in millivolts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Millivolts(pub u32);

impl fmt::Display for Millivolts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hundredths = self.0 % 1000 / 10;
        if hundredths % 10 == 0 {
            write!(f, "{}.{} V", self.0 / 1000, hundredths / 10)
        } else {
            write!(f, "{}.{hundredths:02} V", self.0 / 1000)
        }
    }
}

/// Writes `value / unit` with at most three decimals and no trailing zero.
fn decimal(f: &mut fmt::Formatter<'_>, value: u32, unit: u32, name: &str) -> fmt::Result {
    let thousandths = u64::from(value) * 1000 / u64::from(unit);
    let fraction = format!("{:03}", thousandths % 1000);
    match fraction.trim_end_matches('0') {
        "" => write!(f, "{} {name}", thousandths / 1000),
        digits => write!(f, "{}.{digits} {name}", thousandths / 1000),
    }
}

/// Why a text is not a clock or a level.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not {wanted}")]
pub struct ParseQuantityError {
    text: String,
    wanted: &'static str,
}

/// Parses a decimal number with one of `units` behind it into thousandths of the first unit's base.
fn parse(
    text: &str,
    units: &[(&str, u64)],
    wanted: &'static str,
) -> Result<u32, ParseQuantityError> {
    let refuse = || ParseQuantityError {
        text: text.to_owned(),
        wanted,
    };
    let compact: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let split = compact
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(compact.len());
    let (number, unit) = compact.split_at(split);
    let scale = units
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(unit))
        .map(|(_, scale)| *scale)
        .ok_or_else(refuse)?;
    let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
    if whole.is_empty() || fraction.len() > 6 {
        return Err(refuse());
    }
    let whole: u64 = whole.parse().map_err(|_| refuse())?;
    let millionths: u64 = format!("{fraction:0<6}").parse().map_err(|_| refuse())?;
    whole
        .checked_mul(scale)
        .and_then(|value| value.checked_add(millionths * scale / 1_000_000))
        .and_then(|value| u32::try_from(value).ok())
        .filter(|value| *value > 0)
        .ok_or_else(refuse)
}

impl FromStr for Hertz {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let units = [("MHz", 1_000_000), ("kHz", 1_000), ("Hz", 1)];
        parse(text, &units, "a clock such as 20MHz or 400kHz").map(Self)
    }
}

impl FromStr for Millivolts {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse(
            text,
            &[("V", 1_000), ("mV", 1)],
            "a level such as 3.3V or 1.8V",
        )
        .map(Self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_are_read_and_shown() {
        for (text, hz, shown) in [
            ("20MHz", 20_000_000, "20 MHz"),
            ("12.5 MHz", 12_500_000, "12.5 MHz"),
            ("400khz", 400_000, "400 kHz"),
            ("976Hz", 976, "976 Hz"),
        ] {
            let clock: Hertz = text.parse().unwrap();
            assert_eq!((clock, clock.to_string().as_str()), (Hertz(hz), shown));
        }
        for bad in [
            "",
            "20",
            "MHz",
            "-1MHz",
            "0MHz",
            "5000MHz",
            "1.2.3MHz",
            "20 V",
            "99999999999999999999Hz",
        ] {
            assert!(bad.parse::<Hertz>().is_err(), "{bad}");
        }
    }

    #[test]
    fn levels_are_read_and_shown() {
        for (text, mv, shown) in [
            ("3.3V", 3300, "3.3 V"),
            ("1.65v", 1650, "1.65 V"),
            ("1800mV", 1800, "1.8 V"),
        ] {
            let level: Millivolts = text.parse().unwrap();
            assert_eq!((level, level.to_string().as_str()), (Millivolts(mv), shown));
        }
        assert!("3,3V".parse::<Millivolts>().is_err());
    }

    #[test]
    fn addresses_take_eight_digits_above_16_mib() {
        assert_eq!(Address(0x40000).to_string(), "0x040000");
        assert_eq!(Address(0xFF_FFFF).to_string(), "0xFFFFFF");
        assert_eq!(Address(0x100_0000).to_string(), "0x01000000");
    }
}
