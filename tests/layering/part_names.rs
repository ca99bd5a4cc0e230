//! Facts about parts belong to `chips/`, `src/jedec` and `src/part`: below `chip`, `job` and
//! `worklist` no part is named, in code or in a comment.

use norlock::part::Catalogue;

use super::tokens::{test_items, tokens};
use super::{house, module_path, test_modules};

/// Folders that know no part by its name.
const NAMELESS: [&str; 3] = ["chip", "job", "worklist"];
/// How part numbers begin, by maker, as in the ordering information of the data sheets named in
/// `chips/`; the number alone is what small packages carry.
const SERIES: [&str; 29] = [
    "A25L", "AT25", "AT26", "AT45", "BY25", "EN25", "F25L", "FM25", "GD25", "GPR25", "IS25",
    "KH25", "LE25", "M25P", "M45P", "MT25", "MX25", "MX66", "N25Q", "P25Q", "PY25", "S25F", "S25H",
    "S70F", "SST25", "SST26", "W25", "XM25", "XT25",
];

/// Beginnings of words that name a part: of series, and all names and markings of the table.
fn beginnings() -> Vec<String> {
    let catalogue = Catalogue::builtin().unwrap();
    let first_word = |name: &str| name.split([',', ' ']).next().unwrap().to_owned();
    let of_parts = catalogue.parts().iter().flat_map(|part| {
        let names = part.name.split(" or ").map(first_word);
        names.chain(part.markings.iter().cloned())
    });
    let series = SERIES.iter().map(|name| (*name).to_owned());
    let mut all: Vec<String> = series.chain(of_parts).collect();
    all.sort();
    all.dedup();
    all
}

/// Lines of `text` outside test items that hold a word beginning as a part is named.
fn named(text: &str, beginnings: &[String]) -> Vec<String> {
    let all = tokens(text);
    let tests: Vec<_> = test_items(&all)
        .into_iter()
        .map(|item| all[item.start].line..=all[item.end - 1].line)
        .collect();
    let lines = text.lines().enumerate().map(|(at, line)| (at + 1, line));
    let outside = lines.filter(|(at, _)| !tests.iter().any(|lines| lines.contains(at)));
    let mut found = Vec::new();
    for (at, line) in outside {
        for word in line.split(|c: char| !c.is_ascii_alphanumeric()) {
            let capitals = word.to_ascii_uppercase();
            if beginnings.iter().any(|name| capitals.starts_with(name)) {
                found.push(format!("{at}: {word}"));
            }
        }
    }
    found
}

#[test]
fn no_part_is_named_where_every_part_is_meant() {
    let house = house();
    let read: Vec<_> = house
        .iter()
        .map(|(place, text)| (place.as_str(), tokens(text)))
        .collect();
    let test_modules = test_modules(&read);
    let beginnings = beginnings();
    let (mut found, mut judged) = (Vec::new(), 0);
    for (place, text) in &house {
        let module = module_path(place);
        let nameless = module
            .first()
            .is_some_and(|top| NAMELESS.contains(&top.as_str()));
        if nameless && !test_modules.iter().any(|test| module.starts_with(test)) {
            judged += 1;
            let named = named(text, &beginnings);
            found.extend(named.into_iter().map(|word| format!("{place}:{word}")));
        }
    }
    assert!(judged > 30, "the walk found too little: {judged}");
    assert_eq!(found, Vec::<String>::new());
}

#[test]
fn names_are_found_in_code_and_comments_but_not_in_tests() {
    let beginnings = beginnings();
    let names = |text| named(text, &beginnings);
    assert_eq!(names("// as on the W25Q64JV\nfn f() {}"), ["1: W25Q64JV"]);
    assert_eq!(names("\nlet x = StatusFamily::Sst25;"), ["2: Sst25"]);
    assert_eq!(names("const S: &str = \"25Q128JV\";"), ["1: 25Q128JV"]);
    assert_eq!(names("//! marked cFeonQ64"), ["1: cFeonQ64"]);
    let tests = "#[cfg(test)]\nmod tests {\n    // W25Q64JV\n}\n// 0x25 0xEF4018, Micron";
    assert_eq!(names(tests), Vec::<String>::new());
}
