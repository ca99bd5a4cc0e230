//! Sizes in KiB and MiB, as people write them and as screens show them.

const KIB: u64 = 1024;
const MIB: u64 = 1024 * KIB;

/// Why a text is not a size.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not a size such as 256KiB, 16MiB, 65536 or 0x10000, below 4 GiB")]
pub struct ParseSizeError {
    text: String,
}

/// Reads a size or an address in bytes: `256KiB`, `16 MiB`, `65536`, `0x10000`, with `_` between
/// digits where that helps the eye.
///
/// # Errors
/// Anything else, fractions and values of 4 GiB and above among it.
pub fn parse_size(text: &str) -> Result<u32, ParseSizeError> {
    let compact: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '_')
        .collect();
    let lower = compact.to_ascii_lowercase();
    let value = match lower.strip_prefix("0x") {
        Some(digits) if is_number(digits, 16) => u64::from_str_radix(digits, 16).ok(),
        Some(_) => None,
        None => decimal(&lower),
    };
    value
        .and_then(|value| u32::try_from(value).ok())
        .ok_or_else(|| ParseSizeError {
            text: text.to_owned(),
        })
}

/// A decimal number, with or without a unit behind it.
fn decimal(text: &str) -> Option<u64> {
    let (digits, unit) = [("kib", KIB), ("mib", MIB), ("b", 1)]
        .iter()
        .find_map(|(name, unit)| Some((text.strip_suffix(name)?, *unit)))
        .unwrap_or((text, 1));
    if !is_number(digits, 10) {
        return None;
    }
    digits.parse::<u64>().ok()?.checked_mul(unit)
}

/// Digits only: the standard parsers would also take a sign.
fn is_number(digits: &str, radix: u32) -> bool {
    !digits.is_empty() && digits.chars().all(|c| c.is_digit(radix))
}

/// Shows a size without loss: in MiB where it is a whole number of quarters, else in KiB likewise,
/// else in bytes.
#[must_use]
pub fn show_size(bytes: u64) -> String {
    for (unit, name) in [(MIB, "MiB"), (KIB, "KiB")] {
        if bytes >= unit && bytes % (unit / 4) == 0 {
            let quarters = ["", ".25", ".5", ".75"];
            let quarter = usize::try_from(bytes % unit / (unit / 4)).unwrap_or(0);
            let fraction = quarters.get(quarter).copied().unwrap_or("");
            return format!("{}{fraction} {name}", bytes / unit);
        }
    }
    match bytes {
        1 => "1 byte".to_owned(),
        _ => format!("{bytes} bytes"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read() {
        for (text, bytes) in [
            ("256KiB", 256 * 1024),
            ("16 MiB", 16 * 1024 * 1024),
            ("16mib", 16 * 1024 * 1024),
            ("65536", 65536),
            ("0x10000", 65536),
            ("0xFC_0000", 0xFC_0000),
            ("0", 0),
            ("0xFFFFFFFF", u32::MAX),
        ] {
            assert_eq!(parse_size(text), Ok(bytes), "{text}");
        }
        for bad in [
            "",
            "KiB",
            "0x",
            "1.5MiB",
            "-1",
            "+1",
            "0x+1",
            "16MB",
            "4096MiB",
            "0x100000000",
            "ten",
            "0x10KiB",
            "99999999999999999999MiB",
        ] {
            assert!(parse_size(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn sizes_are_shown_without_loss() {
        for (bytes, shown) in [
            (0, "0 bytes"),
            (1, "1 byte"),
            (1000, "1000 bytes"),
            (65536, "64 KiB"),
            (65280, "63.75 KiB"),
            (1025, "1025 bytes"),
            (2112 * 1024, "2112 KiB"),
            (16 << 20, "16 MiB"),
            (9984 * 1024, "9.75 MiB"),
        ] {
            assert_eq!(show_size(bytes), shown);
        }
    }
}
