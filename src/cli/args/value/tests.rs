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
fn a_hash_may_have_spaces_and_capitals_and_no_digit_less() {
    let digits = "5c1f09e27ab4d83016e9c47d02f3b85a9d60e1c7b4478f2e30a95d16e8c2714b";
    let Ok(Digest(bytes)) = digest(digits) else {
        panic!("no hash")
    };
    assert_eq!((bytes[0], bytes[31]), (0x5c, 0x4b));
    let grouped = "5C1F09E2 7ab4d830 16e9c47d 02f3b85a 9d60e1c7 b4478f2e 30a95d16 e8c2714b";
    assert_eq!(digest(grouped), Ok(Digest(bytes)));
    for (text, count) in [(&digits[1..], 63), (&format!("{digits}00"), 66)] {
        let error = ParseHashError::Count { digits: count };
        assert_eq!(digest(text), Err(error.into()));
    }
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
    let place = |text: &str| {
        let piece: RegionPiece = text.parse().unwrap();
        let file = piece.file.to_str().unwrap().to_owned();
        (piece.place.region, piece.place.offset, file)
    };
    assert_eq!(
        place("boot=a=b.bin"),
        ("boot".into(), None, "a=b.bin".into())
    );
    let c = "c+0x1=.hex".to_owned();
    for (text, offset) in [
        ("0x1000", 0x1000),
        ("4KiB", 4096),
        ("0", 0),
        ("1 MiB", 1 << 20),
    ] {
        let text = format!("boot-2.a+{text}={c}");
        assert_eq!(place(&text), ("boot-2.a".into(), Some(offset), c.clone()));
        let place: PiecePlace = text.split_once('=').unwrap().0.parse().unwrap();
        assert_eq!(place.to_string().parse(), Ok(place));
    }
    let rest = |text: &str| {
        text.parse()
            .map(|fill: RegionFill| (fill.region, fill.rest))
    };
    for (text, wanted) in [
        ("boot-settings=0xFF", Rest::Fill(0xFF)),
        ("boot-settings=blank", Rest::Fill(0xFF)),
        ("boot-settings=0x00", Rest::Fill(0)),
        ("boot-settings=keep", Rest::Keep),
    ] {
        assert_eq!(rest(text), Ok(("boot-settings".into(), wanted)));
    }
    for bad in [
        "",
        "boot",
        "=x",
        "boot=",
        " =x",
        "+0x10=x",
        "boot+=x",
        "boot+10=x",
        "boot+x=x",
        "boot+0x10+0x10=x",
        "boot+0x100000000=x",
    ] {
        assert!(bad.parse::<RegionPiece>().is_err(), "{bad}");
    }
    for bad in [
        "boot=0x100",
        "boot=FF",
        "boot=0x",
        "boot=Keep",
        "boot=erase",
    ] {
        assert!(bad.parse::<RegionFill>().is_err(), "{bad}");
    }
    assert!("boot=5c1f".parse::<RegionDigest>().is_err());
    let digits = "5c1f09e2".repeat(8);
    let digest: RegionDigest = format!("boot+0x10={digits}").parse().unwrap();
    assert_eq!(digest.place.offset, Some(0x10));
}
