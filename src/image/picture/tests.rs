use super::*;

fn picture() -> Picture {
    let mut picture = Picture::new("Pegel <b>Süd</b> & \u{1b}[1m", "one\n  two & <three>");
    picture.words(MARGIN, 30, "left   right", true);
    picture.put(Item::Stroke {
        x: 20,
        y: 40,
        width: 90,
        height: 2,
    });
    picture.put(Item::Dot {
        x: 200,
        y: 30,
        radius: 4,
    });
    for (index, hatch) in (0..).zip(HATCHES) {
        picture.put(Item::Area {
            x: 16 + index * 40,
            y: 48,
            width: 32,
            height: 32,
            hatch,
        });
    }
    picture
}

const HATCHES: [Hatch; 8] = [
    Hatch::Empty,
    Hatch::Rising,
    Hatch::Falling,
    Hatch::Crossed,
    Hatch::Level,
    Hatch::Upright,
    Hatch::Squared,
    Hatch::Dotted,
];

/// By an XML parser that was not written here, which refuses what is not well-formed.
#[test]
fn the_svg_is_xml_with_its_text_alternative() {
    let svg = picture().svg();
    let read = roxmltree::Document::parse(&svg).unwrap();
    let root = read.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    let named = |attribute| {
        let id = root.attribute(attribute).unwrap();
        let mut found = read
            .descendants()
            .filter(|node| node.attribute("id") == Some(id));
        let text = found.next().unwrap().text().unwrap().to_owned();
        assert!(found.next().is_none(), "{id} twice");
        text
    };
    assert_eq!(named("aria-labelledby"), "Pegel <b>Süd</b> & \u{FFFD}[1m");
    assert_eq!(named("aria-describedby"), "one\n  two & <three>");
    // Nothing from elsewhere, nothing that runs, no colour but the page's.
    for node in read.descendants().filter(roxmltree::Node::is_element) {
        let name = node.tag_name().name();
        let known = [
            "svg", "title", "desc", "style", "defs", "pattern", "path", "rect", "circle", "text",
        ];
        assert!(known.contains(&name), "{name}");
        for attribute in node.attributes() {
            let (name, value) = (attribute.name(), attribute.value());
            assert!(!name.contains("href") && !name.starts_with("on"), "{name}");
            if ["fill", "stroke"].contains(&name) {
                let own = value == "currentColor" || value == "none" || value.starts_with("url(#");
                assert!(own, "{value}");
            }
        }
    }
    let ids: Vec<&str> = read
        .descendants()
        .filter_map(|node| node.attribute("id"))
        .collect();
    let filled = read.descendants().filter_map(|node| node.attribute("fill"));
    for target in filled.filter_map(|fill| fill.strip_prefix("url(#")?.strip_suffix(')')) {
        assert!(ids.contains(&target), "{target}");
    }
    assert_eq!(ids.len(), 2 + HATCHES.len() - 1);
}

/// By the decoder of the same crate that encodes; `file` and image viewers were asked by hand.
#[cfg(feature = "reports")]
#[test]
fn the_png_is_black_on_white_and_carries_its_text() {
    let picture = picture();
    let bytes = picture.png().unwrap();
    let mut reader = ::png::Decoder::new(std::io::Cursor::new(bytes))
        .read_info()
        .unwrap();
    let mut bits = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut bits).unwrap();
    reader.finish().unwrap();
    let info = reader.info();
    assert_eq!((info.width, info.height), (picture.width, picture.height));
    assert_eq!(info.bit_depth, ::png::BitDepth::One);
    let texts: Vec<(String, String)> = info
        .utf8_text
        .iter()
        .map(|chunk| (chunk.keyword.clone(), chunk.get_text().unwrap()))
        .collect();
    assert_eq!(texts[0], ("Title".to_owned(), picture.title.clone()));
    assert_eq!(
        texts[1],
        ("Description".to_owned(), picture.description.clone())
    );

    let row_bytes = picture.width.div_ceil(8) as usize;
    let ink = |x: u32, y: u32| bits[y as usize * row_bytes + x as usize / 8] & 0x80 >> (x % 8) == 0;
    assert!(!ink(0, 0) && ink(20, 40) && ink(109, 41) && !ink(110, 41) && !ink(20, 42));
    assert!(ink(196, 30) && ink(200, 34) && !ink(195, 30) && !ink(203, 33));
    // Each hatch as its name says.
    let expected: [fn(u32, u32) -> bool; 8] = [
        |_, _| false,
        |x, y| (x + y) % 8 == 0,
        |x, y| x % 8 == y % 8,
        |x, y| (x + y) % 8 == 0 || x % 8 == y % 8,
        |_, y| y % 8 == 4,
        |x, _| x % 8 == 4,
        |x, y| x % 8 == 4 || y % 8 == 4,
        |x, y| (x % 8, y % 8) == (1, 2) || (x % 8, y % 8) == (5, 6),
    ];
    for (index, expected) in (0..).zip(expected) {
        let left = 16 + index * 40;
        for (x, y) in (left + 1..left + 31).flat_map(|x| (49..79).map(move |y| (x, y))) {
            assert_eq!(
                ink(x, y),
                expected(x, y),
                "{:?} {x} {y}",
                HATCHES[index as usize]
            );
        }
        assert!((left..left + 32).all(|x| ink(x, 48) && ink(x, 79)));
    }
    // Some of the words, and nothing beside them.
    let inked = |from: u32, to: u32| {
        (21..39)
            .flat_map(|y| (from..to).map(move |x| (x, y)))
            .filter(|(x, y)| ink(*x, *y))
            .count()
    };
    assert!(inked(16, 52) > 40 && inked(79, 124) > 40);
    assert_eq!((inked(0, 16), inked(52, 79), inked(124, 180)), (0, 0, 0));
}

#[test]
fn columns_stand_where_they_stood() {
    assert_eq!(columns("a b   c"), [(0, "a b"), (6, "c")]);
    assert_eq!(
        columns("    12  ä ö  x "),
        [(4, "12"), (8, "ä ö"), (13, "x")]
    );
    assert_eq!(columns("   "), []);
}
