//! A shelf file: what is taken can be walked through, and each thing in it has its place.

use std::collections::HashSet;

use norlock::job::ShelfFile;

const FILE: &str = "shelf.toml";

/// Reads a shelf file.
pub fn check(bytes: &[u8]) -> bool {
    match ShelfFile::parse(FILE, bytes) {
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
        Err(error) => {
            super::assert_told(bytes, &error);
            false
        }
    }
}
