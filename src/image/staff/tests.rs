use super::picture::SCALE;
use super::*;
use crate::image::picture::{CELL, Item, LINE, MARGIN, Picture};
use crate::image::show_size;

fn entry(address: u32, label: &str, amount: u64, columns: &[&str]) -> Entry {
    Entry {
        address,
        label: label.into(),
        amount,
        columns: columns.iter().map(|c| (*c).to_owned()).collect(),
        hatch: Hatch::Empty,
    }
}

#[test]
fn neighbours_of_one_kind_fold() {
    let mut staff = Staff::new(|n| n.to_string());
    staff.push(entry(0, "boot", 4, &["erase, program"]));
    staff.push(entry(
        0x4_0000,
        "boot-settings",
        1,
        &["left: equal already"],
    ));
    staff.push(entry(0x5_0000, "system", 100, &["erase, program"]));
    staff.push(entry(0x69_0000, "", 4, &["erase, program"]));
    staff.push(entry(0x6D_0000, "", 48, &["erase, stay blank"]));
    staff.push(entry(0xFC_0000, "calibration", 1, &["left: unit data"]));
    assert_eq!(
        staff.lines(),
        [
            "  0x000000 -| boot             4  erase, program",
            "  0x040000 -| boot-settings    1  left: equal already",
            "  0x050000 -| system         104  erase, program",
            "  0x6D0000  |                 48  erase, stay blank",
            "  0xFC0000 -| calibration      1  left: unit data",
        ]
    );
}

#[test]
fn notes_stand_below_their_mark() {
    let mut staff = Staff::new(|bytes| format!("{} KiB", bytes / 1024));
    staff.push(entry(0, "boot", 236 << 10, &["code-like", "6.2"]));
    staff.push(entry(0x3_B000, "", 20 << 10, &["blank"]));
    staff.push(entry(0x5_0000, "system", 2112 << 10, &["packed", "8.0"]));
    staff.note(None, "gzip stream; its length and CRC-32 agree");
    staff.note(Some(0x7_A3C0), "holds 5E, target 7E: bit 5 is 0, not 1");
    assert_eq!(
        staff.lines(),
        [
            "  0x000000 -| boot     236 KiB  code-like  6.2",
            "  0x03B000  |           20 KiB  blank",
            "  0x050000 -| system  2112 KiB  packed     8.0",
            "            |   gzip stream; its length and CRC-32 agree",
            "  0x07A3C0  |   holds 5E, target 7E: bit 5 is 0, not 1",
        ]
    );
}

#[test]
fn nothing_is_wider_than_60_columns() {
    let mut staff = Staff::new(show_size);
    staff.push(entry(
        0,
        "a-name-of-thirty-two-characters.",
        4096,
        &["left: equal already"],
    ));
    staff.push(entry(0x100_0000, "short", 4096, &["left: equal already"]));
    staff.note(None, &"some words and more ".repeat(9));
    let lines = staff.lines();
    assert!(lines.iter().all(|line| line.len() <= 60), "{lines:#?}");
    assert_eq!(lines[0], "    0x000000 -| a-name-of-thirty-two-characters.");
    assert_eq!(lines[1], "              |   4 KiB  left: equal already");
    assert!(lines[2].starts_with("  0x01000000 -| short"));
    assert_eq!(
        lines.last().map(String::as_str),
        Some("              |   some words and more")
    );
}

/// gauge-07 as its region map has it, with a detail and a remark.
fn gauge() -> Staff {
    let mut staff = Staff::new(show_size).ending_at(0x100_0000);
    for (address, label, amount, kind, hatch) in [
        (0, "boot", 256 << 10, "replaceable", Hatch::Rising),
        (0x4_0000, "boot-settings", 64 << 10, "kept", Hatch::Dotted),
        (0x5_0000, "system", 9664 << 10, "replaceable", Hatch::Rising),
        (0x9C_0000, "", 6 << 20, "blank", Hatch::Empty),
        (
            0xFC_0000,
            "calibration",
            64 << 10,
            "unit data",
            Hatch::Crossed,
        ),
        (0xFD_0000, "identity", 64 << 10, "unit data", Hatch::Crossed),
        (0xFE_0000, "no region", 128 << 10, "kept", Hatch::Dotted),
    ] {
        staff.push(Entry {
            hatch,
            ..entry(address, label, amount, &[kind])
        });
        if label == "system" {
            staff.note(None, &"a remark that takes more lines than one ".repeat(3));
            staff.note(Some(0x7_A3C0), "holds 5E, target 7E: bit 5 is 0, not 1");
        }
    }
    staff
}

fn words(picture: &Picture) -> Vec<(u32, u32, &str)> {
    let words = picture.items.iter().filter_map(|item| match item {
        Item::Words { x, y, text, .. } => Some((*x, *y, text.as_str())),
        _ => None,
    });
    words.collect()
}

/// The bands of the staff without the samples of the legend: upper edge, height, hatch.
fn bands(picture: &Picture) -> Vec<(u32, u32, Hatch)> {
    let areas = picture.items.iter().filter_map(|item| match item {
        Item::Area {
            x,
            y,
            height,
            hatch,
            ..
        } if *x > MARGIN => Some((*y, *height, *hatch)),
        _ => None,
    });
    areas.collect()
}

#[test]
fn words_never_meet_words_nor_leave_the_picture() {
    let mut crowded = Staff::new(show_size).ending_at(40 * 16);
    for index in 0..40 {
        let kind = if index % 2 == 0 { "one" } else { "another" };
        crowded.push(entry(index * 16, &format!("r{index}"), 16, &[kind]));
        crowded.note(None, &"many words ".repeat(12));
    }
    for picture in [
        gauge().picture(&"A title of many words ".repeat(7), ""),
        crowded.picture("x", ""),
    ] {
        let words = words(&picture);
        assert!(words.len() > 20);
        for (index, (x, y, text)) in words.iter().enumerate() {
            let end = x + u32::try_from(text.len()).unwrap() * CELL;
            assert!(*x >= MARGIN, "{text}");
            assert!(
                end <= picture.width && y + LINE / 2 <= picture.height,
                "{text}"
            );
            for (other_x, other_y, other) in &words[index + 1..] {
                let apart = y.abs_diff(*other_y) >= LINE || end < *other_x;
                assert!(apart, "{text} {other}: {x} {y} {other_x} {other_y}");
            }
        }
    }
}

#[test]
fn a_larger_band_is_taller_and_each_begins_where_the_one_above_ends() {
    let picture = gauge().picture("gauge-07", "");
    let bands = bands(&picture);
    assert_eq!(bands.len(), 7);
    for pair in bands.windows(2) {
        assert_eq!(pair[0].0 + pair[0].1 - 1, pair[1].0);
    }
    let heights: Vec<u32> = bands.iter().map(|band| band.1).collect();
    // 256 KiB is six doublings of 4 KiB, 64 KiB four, 6 MiB ten and a half.
    assert_eq!((heights[0], heights[1], heights[3]), (57, 45, 81));
    assert!(heights[2] > heights[3] && heights[6] > heights[5]);
    assert_eq!(bands[4].2, Hatch::Crossed);
}

#[test]
fn a_picture_has_the_words_of_the_terminal_beside_each_mark() {
    let staff = gauge();
    let picture = staff.picture("The flash of gauge-07", "Regions.");
    let mut rows: std::collections::BTreeMap<u32, Vec<(u32, &str)>> = Default::default();
    for (x, y, text) in words(&picture) {
        rows.entry(y).or_default().push((x, text));
    }
    let told: Vec<String> = rows
        .values_mut()
        .map(|row| {
            row.sort();
            row.iter()
                .flat_map(|(_, text)| text.split_whitespace())
                .collect::<Vec<_>>()
                .join(" ")
        })
        .collect();
    let plain = |line: &String| {
        let words = line.replace("-|", "").replace(" |", "");
        words.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let lines: Vec<String> = staff.lines().iter().map(plain).collect();
    assert_eq!(told[1..=lines.len()], lines);
    assert_eq!(told[lines.len() + 1], "0x01000000");
    assert_eq!(
        told[lines.len() + 2..],
        ["replaceable", "kept", "blank", "unit data", SCALE]
    );
    assert!(picture.description.starts_with("Regions.\n  "));
    assert!(
        picture
            .description
            .ends_with(staff.lines().last().unwrap().as_str())
    );
}
