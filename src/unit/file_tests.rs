use super::*;

fn full() -> UnitFile {
    let mut file = UnitFile::new("gauge-07");
    file.identity = Some(Identity {
        part: "Winbond W25Q128JV".into(),
        jedec_id: "EF 40 18".into(),
        unique_id: Some("D1 64 5C 1B 0F 2A 33 07".into()),
        size_bytes: 16 << 20,
        supply_level: "3.3 V".into(),
        marking: None,
    });
    let image = RecordedImage {
        sha256: Digest::of(b"image"),
        size_bytes: 16 << 20,
        weak: Some("both at 10 MHz with 03h".into()),
    };
    file.images.insert("as-found.bin".into(), image);
    let operation = Operation {
        command: "write".into(),
        outcome: "156 blocks changed; \"quoted\"\nand on two lines".into(),
        chip: "changed as asked, complete".into(),
        conditions: BTreeMap::from([("sck".into(), "20 MHz".into())]),
        interlocks: BTreeMap::from([
            ("contact".into(), InterlockState::Open),
            ("known-part".into(), InterlockState::Accepted),
        ]),
        acceptances: vec![Acceptance {
            name: "known-part".into(),
            reason: "datasheet at hand".into(),
        }],
    };
    assert_eq!(
        file.add(operation, UNIX_EPOCH + Duration::from_secs(1_767_225_600)),
        1
    );
    assert_eq!(
        file.add(Operation::default(), UNIX_EPOCH + Duration::from_secs(90)),
        2
    );
    file
}

fn parse(text: &str) -> Result<UnitFile, TextError> {
    UnitFile::parse(Path::new("unit.toml"), text.as_bytes())
}

#[test]
fn what_is_written_is_read_back() {
    let file = full();
    let text = file.text().unwrap();
    assert_eq!(parse(&text).unwrap(), file, "{text}");
    assert!(
        text.contains("[[operation]]") && text.contains("[operation.interlocks]"),
        "{text}"
    );
    assert!(text.contains("known-part = \"accepted\""), "{text}");
    assert_eq!(
        parse(&UnitFile::new("x").text().unwrap()).unwrap(),
        UnitFile::new("x")
    );
}

#[test]
fn an_unset_clock_is_said_to_be_unset() {
    let file = full();
    let [first, second] = file.operations.as_slice() else {
        panic!("two operations")
    };
    assert_eq!(
        (first.time.as_str(), first.clock_set),
        ("2026-01-01T00:00:00Z", true)
    );
    assert_eq!(
        (second.time.as_str(), second.clock_set),
        ("1970-01-01T00:01:30Z", false)
    );
    assert!(!is_set(
        UNIX_EPOCH + Duration::from_secs(CLOCK_PLAUSIBLE_S - 1)
    ));
    assert!(is_set(
        humantime::parse_rfc3339("2025-01-01T00:00:00Z").unwrap()
    ));
    assert_eq!(
        rfc3339(UNIX_EPOCH - Duration::from_secs(5)),
        "1970-01-01T00:00:00Z"
    );
    assert_eq!(
        rfc3339(UNIX_EPOCH + Duration::from_secs(1 << 40)),
        "1970-01-01T00:00:00Z"
    );
}

#[test]
fn faults_are_told_with_line_and_column() {
    let text = full().text().unwrap();
    let line_of = |needle: &str| text.lines().position(|l| l.starts_with(needle)).unwrap() + 1;
    for (from, to, line, column) in [
        ("name = ", "nmae = ", line_of("name"), 1),
        ("sck = \"20 MHz\"", "sck = 20", line_of("sck"), 7),
        (
            "contact = \"open\"",
            "contact = \"ajar\"",
            line_of("contact"),
            11,
        ),
        ("format = 1", "format = 2", 2, 10),
        ("sequence = 2", "sequence = 3", text.lines().count() - 5, 12),
        (
            "1970-01-01T00:01:30Z",
            "yesterday",
            text.lines().count() - 4,
            8,
        ),
        ("\"EF 40 18\"", "\"\"", line_of("jedec_id"), 12),
        ("\"EF 40 18\"", "\"EF 40\"", line_of("jedec_id"), 12),
        ("\"EF 40 18\"", "\"EF,40,18\"", line_of("jedec_id"), 12),
        ("\"EF 40 18\"", "\"EF 40  18\"", line_of("jedec_id"), 12),
        ("\"EF 40 18\"", "\"EF 40 +1\"", line_of("jedec_id"), 12),
        (
            "jedec_id = ",
            "colour = 3\njedec_id = ",
            line_of("jedec_id"),
            1,
        ),
    ] {
        let broken = text.replacen(from, to, 1);
        assert_ne!(broken, text);
        match parse(&broken) {
            Err(error) if error.faults.len() == 1 => {
                let fault = &error.faults[0];
                assert_eq!((fault.line, fault.column), (line, column), "{to}: {error}");
            }
            other => panic!("{to}: {other:?}, expected {line}:{column}\n{broken}"),
        }
    }
}

#[test]
fn bytes_that_are_no_text_are_refused() {
    for bad in [
        &b"\xFF\xFE"[..],
        b"",
        b"format",
        b"format = 1\nname = \"x",
        b"\0\0\0",
    ] {
        let refused = UnitFile::parse(Path::new("unit.toml"), bad);
        assert!(refused.is_err(), "{bad:?}");
    }
}
