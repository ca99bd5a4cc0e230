//! What each kind of value takes and refuses.

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
fn an_id_begins_with_whole_bytes() {
    for (text, bytes) in [
        ("EF", vec![0xEF]),
        ("ef40", vec![0xEF, 0x40]),
        (" EF 40 18 ", vec![0xEF, 0x40, 0x18]),
    ] {
        assert_eq!(text.parse(), Ok(IdStart(bytes)), "{text}");
    }
    for bad in ["", "E", "EF4", "0xEF", "+1", "EG", &"00".repeat(21)] {
        assert!(bad.parse::<IdStart>().is_err(), "{bad}");
    }
}

#[test]
fn ranges_are_half_open_and_not_empty() {
    let range = Address(0x53_0000)..Address(0x54_0000);
    for same in [
        "0x530000..0x540000",
        "5312KiB..0x54_0000",
        "0x530000 .. 5376 kib",
    ] {
        assert_eq!(same.parse(), Ok(AddressRange(range.clone())), "{same}");
    }
    let first = Address(0)..Address(0x4_0000);
    assert_eq!("0..256KiB".parse(), Ok(AddressRange(first)));
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
        "0..262144",
        "10B..20B",
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
