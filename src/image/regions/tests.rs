use super::*;

/// The map of the tide-gauge loggers.
const GAUGE: &str = r#"size = "16MiB"

[[region]]
name = "boot"
start = 0x000000
size = "256KiB"
holds = "replaceable"

[[region]]
name = "identity"
start = 0xFD0000
end = 0xFE0000
holds = "unit-data"
note = "serial number and addresses"

[[region]]
name = "boot-settings"
start = "0x40000"
size = 0x10000
holds = "keep"
"#;

/// The only fault: line, column and text.
fn problem(text: &str) -> (usize, usize, String) {
    let mut faults = RegionMap::parse("regions.toml", text).unwrap_err().faults;
    assert_eq!(faults.len(), 1, "{faults:?}");
    let fault = faults.remove(0);
    (fault.line, fault.column, fault.text)
}

#[test]
fn a_map_covers_the_whole_chip() {
    let map = RegionMap::parse("regions.toml", GAUGE).unwrap();
    let spans: Vec<_> = map
        .spans()
        .iter()
        .map(|span| (span.name().to_owned(), span.range.clone(), span.holds))
        .collect();
    assert_eq!(
        spans,
        [
            ("boot".into(), 0..0x4_0000, Holds::Replaceable),
            ("boot-settings".into(), 0x4_0000..0x5_0000, Holds::Keep),
            ("no region".into(), 0x5_0000..0xFD_0000, Holds::Keep),
            ("identity".into(), 0xFD_0000..0xFE_0000, Holds::UnitData),
            ("no region".into(), 0xFE_0000..0x100_0000, Holds::Keep),
        ]
    );
    assert_eq!(map.kind_at(0x3_FFFF), Holds::Replaceable);
    assert_eq!(map.kind_at(0x4_0000), Holds::Keep);
    assert_eq!(map.kind_at(0xFD_0000), Holds::UnitData);
    assert_eq!(map.kind_at(0xFF_FFFF), Holds::Keep);
    assert!(map.has_unit_data());
    let common: Vec<_> = map.unit_data_in(0xFC_8000..0xFD_8000).collect();
    assert_eq!(common, vec![0xFD_0000..0xFD_8000; 1]);
    let note = map.region("identity").and_then(|r| r.note.as_deref());
    assert_eq!(note, Some("serial number and addresses"));
}

#[test]
fn a_map_of_one_whole_region_has_no_gap() {
    let text = "size = 4096\n[[region]]\nname='a'\nstart=0\nend=4096\nholds='replaceable'\n";
    let map = RegionMap::parse("m", text).unwrap();
    assert_eq!(map.spans().len(), 1);
    assert_eq!(RegionMap::unmapped(4096).spans().len(), 1);
}

#[test]
fn what_is_wrong_is_told_with_its_place() {
    let (line, column, text) = problem(&GAUGE.replace("note", "remark"));
    assert_eq!((line, column), (14, 1), "{text}");
    assert!(text.contains("remark"), "{text}");

    let (line, column, text) = problem(&GAUGE.replace("\"keep\"", "\"kept\""));
    assert_eq!((line, column), (20, 9), "{text}");

    let (line, column, text) = problem(&GAUGE.replace("0x10000\n", "-1\n"));
    assert_eq!((line, column), (19, 8), "{text}");

    let (line, column, text) = problem(&GAUGE.replace("0x40000", "0x30000"));
    assert_eq!((line, column), (18, 9), "{text}");
    assert_eq!(
        text,
        "regions 'boot' and 'boot-settings' overlap from 0x030000 on"
    );

    let error = RegionMap::parse("regions.toml", "size = 0").unwrap_err();
    let shown = error.to_string();
    assert!(
        shown.starts_with("regions.toml, line 1, column 8: the map's size is 0"),
        "{shown}"
    );
}

#[test]
fn maps_that_cannot_be_are_refused() {
    let one = |name: &str, rest: &str| {
        problem(&format!(
            "size = '1MiB'\n[[region]]\nname = '{name}'\nholds = 'keep'\n{rest}"
        ))
        .2
    };
    let holds = |text: String, words: &str| assert!(text.contains(words), "{text}");
    holds(problem("").2, "'size' is missing");
    holds(problem("size = '1.5MiB'").2, "not a size");
    holds(problem("size = '4096MiB'").2, "not a size");
    for name in ["a b", "", "a=b"] {
        holds(one(name, "start=0\nsize=1"), "is not a name");
    }
    holds(one("a", "start=0"), "wants a size or an end");
    holds(one("a", "start=0\nsize=1\nend=1"), "not both");
    holds(one("a", "start=0\nsize=0"), "has no bytes");
    holds(one("a", "start=9\nend=8"), "has no bytes");
    holds(
        one("a", "start=1\nsize='1MiB'"),
        "ends at 0x100001, past the 1 MiB",
    );
    holds(
        one("a", "start=0xFFFFFFFF\nsize=0xFFFFFFFF"),
        "past the 1 MiB",
    );
    let twice = "start=0\nsize=1\n[[region]]\nname='a'\nholds='keep'\nstart=1\nsize=1";
    holds(one("a", twice), "there is a region 'a' already, in line 3");
}

#[test]
fn regions_off_the_erase_blocks_are_reported() {
    let text = GAUGE.replace("end = 0xFE0000", "end = 0xFD8000");
    let map = RegionMap::parse("regions.toml", &text).unwrap();
    assert!(map.unaligned(4096).is_empty());
    let off = map.unaligned(0x1_0000);
    assert_eq!(off.len(), 1);
    assert_eq!(
        off[0].to_string(),
        "identity (0xFD0000 to 0xFD8000) does not begin and end on a 64 KiB erase block"
    );
    assert!(map.unaligned(0).is_empty());
}
