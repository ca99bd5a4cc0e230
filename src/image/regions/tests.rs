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

fn problem(text: &str) -> RegionMapError {
    RegionMap::parse("regions.toml", text).unwrap_err()
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
    let error = problem(&GAUGE.replace("note", "remark"));
    assert_eq!((error.line, error.column), (14, 1), "{error}");
    assert!(error.to_string().contains("remark"), "{error}");

    let error = problem(&GAUGE.replace("\"keep\"", "\"kept\""));
    assert_eq!((error.line, error.column), (20, 9), "{error}");

    let error = problem(&GAUGE.replace("0x10000\n", "-1\n"));
    assert_eq!(error.line, 19, "{error}");

    let error = problem(&GAUGE.replace("0x40000", "0x30000"));
    assert_eq!(error.line, 16, "{error}");
    assert_eq!(
        error.problem,
        RegionProblem::Overlap {
            one: "boot".into(),
            other: "boot-settings".into(),
            first: Address(0x3_0000)
        }
    );
    let shown = error.to_string();
    assert!(
        shown.starts_with("regions.toml, line 16, column 1: "),
        "{shown}"
    );
}

#[test]
fn maps_that_cannot_be_are_refused() {
    let one = |name: &str, rest: &str| {
        problem(&format!(
            "size = '1MiB'\n[[region]]\nname = '{name}'\nholds = 'keep'\n{rest}"
        ))
        .problem
    };
    assert_eq!(problem("size = 0").problem, RegionProblem::EmptyMap);
    assert!(matches!(problem("").problem, RegionProblem::Text(_)));
    assert!(matches!(
        problem("size = '1.5MiB'").problem,
        RegionProblem::Text(_)
    ));
    assert!(matches!(
        problem("size = '4096MiB'").problem,
        RegionProblem::Text(_)
    ));
    assert!(matches!(
        one("a b", "start=0\nsize=1"),
        RegionProblem::Name(_)
    ));
    assert!(matches!(one("", "start=0\nsize=1"), RegionProblem::Name(_)));
    assert!(matches!(
        one("a=b", "start=0\nsize=1"),
        RegionProblem::Name(_)
    ));
    assert!(matches!(one("a", "start=0"), RegionProblem::SizeOrEnd(_)));
    assert!(matches!(
        one("a", "start=0\nsize=1\nend=1"),
        RegionProblem::SizeOrEnd(_)
    ));
    assert!(matches!(
        one("a", "start=0\nsize=0"),
        RegionProblem::EmptyRegion(_)
    ));
    assert!(matches!(
        one("a", "start=9\nend=8"),
        RegionProblem::EmptyRegion(_)
    ));
    assert!(matches!(
        one("a", "start=1\nsize='1MiB'"),
        RegionProblem::PastTheEnd {
            end_bytes: 0x10_0001,
            ..
        }
    ));
    assert!(matches!(
        one("a", "start=0xFFFFFFFF\nsize=0xFFFFFFFF"),
        RegionProblem::PastTheEnd { .. }
    ));
    let twice = "start=0\nsize=1\n[[region]]\nname='a'\nholds='keep'\nstart=1\nsize=1";
    assert_eq!(one("a", twice), RegionProblem::NameTwice("a".into()));
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
