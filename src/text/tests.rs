use std::collections::BTreeMap;

use serde::Deserialize;

use super::nearest::{nearest, perhaps};
use super::*;

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
struct Sheet {
    name: Spanned<String>,
    #[serde(default)]
    member: Vec<Member>,
    #[serde(default)]
    free: BTreeMap<String, u8>,
    pair: Option<[u8; 2]>,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
struct Member {
    number: u8,
    kind: Kind,
    /// Takes no empty text, so that nothing can stand in for it.
    letter: char,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Plain,
    Sized { bytes: u8 },
}

fn read(text: &str) -> (Vec<(usize, usize, String)>, Option<Sheet>) {
    let (reading, sheet) = Reading::of::<Sheet>("a.toml", text.as_bytes());
    let error = reading.end(Some(())).err();
    let faults = error.map(|error| error.faults).unwrap_or_default();
    let faults = faults.into_iter();
    let faults = faults.map(|one| (one.line, one.column, one.text));
    (faults.collect(), sheet)
}

fn places(text: &str) -> Vec<(usize, usize)> {
    let faults = read(text).0.into_iter();
    faults.map(|(line, column, _)| (line, column)).collect()
}

#[test]
fn a_file_without_faults_is_given_whole() {
    let text = "name = 'a'\npair = [1, 2]\n[free]\nx = 1\n[[member]]\nnumber = 1\nkind = 'plain'\n\
                letter = 'a'\n[[member]]\nnumber = 2\nkind = { sized = { bytes = 3 } }\nletter = 'b'\n";
    let (faults, sheet) = read(text);
    assert_eq!(faults, []);
    let sheet = sheet.unwrap();
    assert_eq!(
        (sheet.name.get_ref().as_str(), sheet.name.span()),
        ("a", 7..10)
    );
    assert_eq!((sheet.pair, sheet.free["x"]), (Some([1, 2]), 1));
    assert_eq!(sheet.member[1].kind, Kind::Sized { bytes: 3 });
}

#[test]
fn what_has_a_fault_is_left_out_and_the_rest_is_given() {
    let text = "name = 3\npair = [1, 2, 3]\n[free]\nx = 1\ny = 'z'\n[[member]]\nnumber = 300\n\
                kind = 'plan'\nletter = 7\n[[member]]\nnumber = 2\nkind = { sized = { byte = 3 } }\n\
                letter = 'b'\n[[member]]\nnumber = 3\nkind = 'plain'\nletter = 'c'\n";
    let (faults, sheet) = read(text);
    let told: Vec<_> = faults
        .iter()
        .map(|(line, column, _)| (*line, *column))
        .collect();
    let expected = [(1, 8), (2, 8), (5, 5), (7, 10), (8, 8), (9, 10), (12, 20)];
    assert_eq!(told, expected, "{faults:?}");
    let sheet = sheet.unwrap();
    assert!(sheet.name.span().is_empty(), "nothing stands for the name");
    assert_eq!((sheet.pair, sheet.free.len()), (None, 0));
    assert_eq!(sheet.member.len(), 1);
    assert_eq!(sheet.member[0].number, 3);
}

#[test]
fn a_misspelt_key_is_not_missing_as_well() {
    assert_eq!(places("nmae = 'a'\n"), [(1, 1)]);
    assert_eq!(places("colour = 'a'\n"), [(1, 1), (1, 1)]);
    let member = "name = 'a'\n[[member]]\nnumbr = 1\nkind = 'plain'\nletter = 'a'\n";
    assert_eq!(places(member), [(3, 1)]);
    assert_eq!(places("name = 'a'\n[[member]]\n"), [(2, 1), (2, 1), (2, 1)]);
}

#[test]
fn no_more_is_told_than_a_person_reads() {
    let mut text = "name = 'a'\n".to_owned();
    for number in 0..300 {
        text += &format!("[[member]]\nnumber = {number}.5\nkind = 'plain'\nletter = 'a'\n");
    }
    assert_eq!(read(&text).0.len(), FAULTS_MAX);
}

#[test]
fn a_misspelt_word_is_taken_for_the_one_that_is_most_like_it() {
    let known = ["size_bytes", "supply_mv", "holds", "unit-data", "name"];
    for (word, meant) in [
        ("size", Some("size_bytes")),
        ("Supply-mV", Some("supply_mv")),
        ("hlods", Some("holds")),
        ("unit_data", Some("unit-data")),
        ("nmae", Some("name")),
        ("colour", None),
        ("x", None),
        ("", None),
    ] {
        assert_eq!(nearest(word, known), meant, "{word}");
    }
    assert_eq!(nearest("has_sfdp", ["status", "sfdp"]), Some("sfdp"));
    let known = ["erase_time", "has_sfdp"];
    assert_eq!(nearest("sfdp", known), Some("has_sfdp"));
}

#[test]
fn another_unit_of_time_is_told_with_the_key_that_was_meant() {
    let told = perhaps("status_write_us", &["status_write_ms", "name"]);
    let meant = "did you mean 'status_write_ms', with values in ms and not in us?";
    assert!(told.starts_with(meant), "{told}");
    let told = perhaps("status_wriet_ms", &["status_write_ms", "name"]);
    let meant = "did you mean 'status_write_ms'?";
    assert!(told.starts_with(meant), "{told}");
}
