//! Files with the mistakes that people make: each is told at its line and column, all of a file at once.
use std::fmt::Write;
use std::path::Path;
use std::sync::LazyLock;

use super::corpus;
use crate::image::RegionMap;
use crate::job::ShelfFile;
use crate::mock::{BenchFileError, Mock};
use crate::part::Catalogue;
use crate::text::TextError;
use crate::unit::UnitFile;
use crate::unit::survey::SurveyFile;

/// Reads a file of some kind under this name.
type Reader = fn(&str, &[u8]) -> Result<(), TextError>;

const KINDS: [(&str, Reader); 7] = [
    ("regions", |file, bytes| {
        RegionMap::parse(file, bytes).map(drop)
    }),
    ("parts", |file, bytes| {
        TABLE.clone().with_user_file(bytes, file).map(drop)
    }),
    ("bench", |file, bytes| bench(file, bytes, None)),
    ("state", |file, bytes| bench(file, RIGHT_BENCH, Some(bytes))),
    ("unit", |file, bytes| {
        UnitFile::parse(Path::new(file), bytes).map(drop)
    }),
    ("survey", |file, bytes| {
        SurveyFile::parse(Path::new(file), bytes).map(drop)
    }),
    ("shelf", |file, bytes| {
        ShelfFile::parse(file, bytes).map(drop)
    }),
];

static TABLE: LazyLock<Catalogue> = LazyLock::new(|| Catalogue::builtin().unwrap());

const RIGHT_BENCH: &[u8] = b"part = 'W25Q80DV'\ncells = 'cells'\n";

/// Opens a bench file, or one that is right with this state beside its cells.
fn bench(file: &str, bytes: &[u8], state: Option<&[u8]>) -> Result<(), TextError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(file);
    std::fs::write(&path, bytes).unwrap();
    if let Some(state) = state {
        std::fs::write(folder.path().join("cells.state"), state).unwrap();
    }
    let mut find = |name: &str| TABLE.parts().iter().find(|part| part.name == name).cloned();
    match Mock::open(&path, &mut find) {
        Ok(_) => Ok(()),
        Err(BenchFileError::Text(mut error)) => {
            let own = folder.path().display().to_string();
            error.file = error.file.replace(&format!("{own}/"), "");
            Err(error)
        }
        Err(other) => panic!("{other}"),
    }
}

/// The name that a file of this kind is read under, and the name that is told.
fn names(kind: &str) -> (String, String) {
    match kind {
        "state" => ("bench.toml".to_owned(), "cells.state".to_owned()),
        kind => (format!("{kind}.toml"), format!("{kind}.toml")),
    }
}

/// All that is told of the broken files, under what was done to each.
pub fn told() -> String {
    let mut text = String::new();
    for (kind, read) in KINDS {
        for case in corpus::cases(kind).1 {
            let error = read(&names(kind).0, &case.bytes).unwrap_err();
            writeln!(text, "{}: {}", error.file, case.title).unwrap();
            for fault in &error.faults {
                writeln!(text, "  {fault}").unwrap();
            }
        }
    }
    text
}

#[test]
fn each_kind_has_a_file_that_is_right() {
    for (kind, read) in KINDS {
        let (right, _) = corpus::cases(kind);
        read(&names(kind).0, &right).unwrap_or_else(|error| panic!("{error}"));
    }
}

#[test]
fn every_fault_of_every_file_is_told_at_its_place() {
    let (mut number, mut wrong) = (0, Vec::new());
    for (kind, read) in KINDS {
        let (given, name) = names(kind);
        for case in corpus::cases(kind).1 {
            number += 1;
            let told = match read(&given, &case.bytes) {
                Ok(()) => Vec::new(),
                Err(error) => {
                    assert_eq!(error.file, name, "{}", case.title);
                    error.faults
                }
            };
            let is_as_expected = told.len() == case.faults.len()
                && told
                    .iter()
                    .zip(&case.faults)
                    .all(|(told, (line, column, words))| {
                        (told.line, told.column) == (*line, *column)
                            && words
                                .iter()
                                .all(|words| told.to_string().contains(words.as_str()))
                    });
            if !is_as_expected {
                let told: Vec<_> = told.iter().map(ToString::to_string).collect();
                let title = &case.title;
                wrong.push(format!(
                    "{kind}: {title}\n  expected {:?}\n  told     {}",
                    case.faults,
                    told.join("\n           ")
                ));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {number}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
    assert!(number >= 200, "only {number} broken files");
}
