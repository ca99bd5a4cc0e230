//! Numbers as the screens show them: sizes in KiB and MiB, times in s, hashes in groups of eight.

use std::time::Duration;

const KIB: u64 = 1024;
const MIB: u64 = 1024 * KIB;

/// A size in the largest unit in which it is exact with at most two decimals.
///
/// `16 MiB`, `9.75 MiB`, `2112 KiB`, `1 byte`.
#[must_use]
pub fn size(bytes: u64) -> String {
    for (unit, name) in [(MIB, "MiB"), (KIB, "KiB")] {
        let hundredths = u128::from(bytes) * 100;
        if bytes >= unit && hundredths % u128::from(unit) == 0 {
            return format!(
                "{} {name}",
                without_zeros(hundredths / u128::from(unit), 100)
            );
        }
    }
    match bytes {
        1 => "1 byte".to_owned(),
        bytes => format!("{} bytes", count(bytes)),
    }
}

/// The same with its article: `a 16 MiB`, `an 8 MiB`.
#[must_use]
pub fn a_size(bytes: u64) -> String {
    let size = size(bytes);
    let number = size.split([' ', ',', '.']).next().unwrap_or_default();
    let vowel = number.starts_with('8') || matches!(number, "11" | "18");
    format!("{} {size}", if vowel { "an" } else { "a" })
}

/// How far a read has come: `6 of 16 MiB`, rounded down; in KiB below 4 MiB.
#[must_use]
pub fn size_of(done_bytes: u64, total_bytes: u64) -> String {
    let (unit, name) = if total_bytes >= 4 * MIB {
        (MIB, "MiB")
    } else {
        (KIB, "KiB")
    };
    format!("{} of {} {name}", done_bytes / unit, total_bytes / unit)
}

/// A whole number with a comma between thousands: `27,472`.
#[must_use]
pub fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// A measured time: `71.3 s`; two decimals below one second.
#[must_use]
pub fn seconds(time: Duration) -> String {
    if time < Duration::from_millis(995) {
        format!("{:.2} s", time.as_secs_f64())
    } else {
        format!("{:.1} s", time.as_secs_f64())
    }
}

/// A time as data sheets print it, in the largest unit in which it is whole: `40 s`, `45 ms`, `7 us`.
#[must_use]
pub fn span(time: Duration) -> String {
    match time.as_micros() {
        micros if micros > 0 && micros % 1_000_000 == 0 => format!("{} s", micros / 1_000_000),
        micros if micros > 0 && micros % 1000 == 0 => format!("{} ms", micros / 1000),
        micros => format!("{micros} us"),
    }
}

/// A modelled or expected time in whole seconds, rounded up: `about 8 s`.
#[must_use]
pub fn about_seconds(time: Duration) -> String {
    let whole = time.as_secs() + u64::from(time.subsec_nanos() > 0);
    format!("about {whole} s")
}

/// A SHA-256 in groups of eight digits, four groups a line: two lines.
#[must_use]
pub fn hash_lines(digest: &[u8; 32]) -> Vec<String> {
    let group = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02x}")).collect::<String>();
    let line = |half: &[u8]| half.chunks(4).map(group).collect::<Vec<_>>().join(" ");
    digest.chunks(16).map(line).collect()
}

/// `value / scale` without trailing zeros; `scale` is 100.
fn without_zeros(value: u128, scale: u128) -> String {
    match (value / scale, value % scale) {
        (whole, 0) => whole.to_string(),
        (whole, part) => format!("{whole}.{}", format!("{part:02}").trim_end_matches('0')),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_article_goes_by_how_the_number_is_said() {
        for (mib, shown) in [
            (8, "an 8 MiB"),
            (16, "a 16 MiB"),
            (1, "a 1 MiB"),
            (80, "an 80 MiB"),
        ] {
            assert_eq!(a_size(mib * MIB), shown);
        }
        assert_eq!(a_size(11 * KIB), "an 11 KiB");
        assert_eq!(a_size(112 * KIB), "a 112 KiB");
    }

    #[test]
    fn sizes_take_the_largest_exact_unit() {
        for (bytes, shown) in [
            (0, "0 bytes"),
            (1, "1 byte"),
            (256, "256 bytes"),
            (1000, "1,000 bytes"),
            (1536, "1.5 KiB"),
            (64 * KIB, "64 KiB"),
            (2112 * KIB, "2112 KiB"),
            (9984 * KIB, "9.75 MiB"),
            (16 * MIB, "16 MiB"),
            (16 * MIB - 1, "16,777,215 bytes"),
        ] {
            assert_eq!(size(bytes), shown);
        }
        assert_eq!(size_of(6 * MIB + 7, 16 * MIB), "6 of 16 MiB");
        assert_eq!(size_of(256 * KIB, MIB), "256 of 1024 KiB");
    }

    #[test]
    fn counts_are_grouped() {
        for (number, shown) in [
            (0, "0"),
            (999, "999"),
            (1000, "1,000"),
            (27_472, "27,472"),
            (134_217_728, "134,217,728"),
        ] {
            assert_eq!(count(number), shown);
        }
    }

    #[test]
    fn times_are_in_seconds() {
        assert_eq!(seconds(Duration::from_millis(71_310)), "71.3 s");
        assert_eq!(seconds(Duration::from_millis(994)), "0.99 s");
        assert_eq!(seconds(Duration::from_millis(999)), "1.0 s");
        assert_eq!(seconds(Duration::from_millis(42)), "0.04 s");
        for (micros, shown) in [
            (40_000_000, "40 s"),
            (1_500_000, "1500 ms"),
            (45_000, "45 ms"),
            (2_400, "2400 us"),
            (7, "7 us"),
        ] {
            assert_eq!(span(Duration::from_micros(micros)), shown);
        }
        assert_eq!(about_seconds(Duration::from_millis(7_001)), "about 8 s");
        assert_eq!(about_seconds(Duration::from_secs(7)), "about 7 s");
    }

    // The digest of the empty message: the first of NIST's short messages for FIPS 180-4.
    #[test]
    fn hashes_are_grouped() {
        use sha2::Digest as _;
        let digest: [u8; 32] = sha2::Sha256::digest(b"").into();
        assert_eq!(
            hash_lines(&digest),
            [
                "e3b0c442 98fc1c14 9afbf4c8 996fb924",
                "27ae41e4 649b934c a495991b 7852b855"
            ]
        );
    }
}
