//! A shelf file: what is taken can be walked through, and each thing in it has its place.

use std::collections::HashSet;

use norlock::job::ShelfFile;

const FILE: &str = "shelf.toml";

/// Reads a shelf file.
pub fn check(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    match ShelfFile::parse(FILE, text) {
        Ok(shelf) => {
            assert!(!shelf.stages.is_empty() && !shelf.units.is_empty());
            let places = shelf.stages.iter().map(|stage| stage.place);
            for (line, column) in places.chain(shelf.units.iter().map(|unit| unit.place)) {
                super::assert_inside(bytes, line, column);
            }
            let commands: HashSet<_> = shelf.stages.iter().map(|stage| stage.command()).collect();
            assert_eq!(commands.len(), shelf.stages.len());
            assert!(commands.iter().all(|it| ShelfFile::COMMANDS.contains(it)));
            let names: HashSet<_> = shelf.units.iter().map(|unit| unit.name()).collect();
            assert_eq!(names.len(), shelf.units.len());
            assert!(!names.contains(""));
            for (stage, unit) in shelf.stages.iter().zip(&shelf.units) {
                let words = stage.words_for(&unit.name());
                assert_eq!(words.len(), stage.words.len());
            }
            true
        }
        Err(stop) => {
            let (line, column) = place(&stop.headline);
            super::assert_inside(bytes, line, column);
            false
        }
    }
}

/// The place that a headline names: `FILE, line L, column C: …`.
fn place(headline: &str) -> (usize, usize) {
    let mut numbers = headline
        .strip_prefix(FILE)
        .and_then(|rest| rest.strip_prefix(", line "))
        .and_then(|rest| rest.split_once(':'))
        .unwrap_or_else(|| panic!("{headline}"))
        .0
        .split(", column ")
        .map(|number| number.parse().unwrap());
    (numbers.next().unwrap(), numbers.next().unwrap())
}
