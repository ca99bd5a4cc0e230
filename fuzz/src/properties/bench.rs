//! The bench file of `--mock`: what is taken is the same when written and read again, and opens.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use norlock::mock::{BenchFile, BenchFileError, Mock};
use norlock::part::{Catalogue, Part};

/// Size of the chip, whatever part the file names.
pub const ARRAY_BYTES: u32 = 8192;

static PART: LazyLock<Part> = LazyLock::new(|| {
    let text = include_str!("../../../tests/parts/valid/plain.toml");
    let catalogue = Catalogue::default()
        .with_user_file(text, "part.toml")
        .unwrap();
    let mut part = catalogue.parts().first().unwrap().clone();
    part.size_bytes = ARRAY_BYTES;
    part.erase_types
        .retain(|erase| erase.size_bytes <= ARRAY_BYTES);
    part
});

/// Reads a bench file.
pub fn check(bytes: &[u8]) -> bool {
    with_chip(bytes, |_| ())
}

/// Reads a bench file, and hands its chip over.
pub fn with_chip(bytes: &[u8], work: fn(&Mock)) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    let Ok(mut file) = toml::from_str::<BenchFile>(text) else {
        refused(text);
        return false;
    };
    // They could be any files of the computer that fuzzes, or none.
    file.cells = PathBuf::from("cells");
    file.sfdp = None;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    Mock::create(&path, &file).unwrap();
    let written = fs::read_to_string(&path).unwrap();
    let again: BenchFile = toml::from_str(&written).unwrap();
    assert_eq!(format!("{again:?}"), format!("{file:?}"), "{written}");
    match open(&path) {
        Ok(mock) => work(&mock),
        // A fault that this part cannot have.
        Err(BenchFileError::Text(error)) => {
            super::assert_told(written.as_bytes(), &error);
            return false;
        }
        Err(error) => panic!("{error}"),
    }
    assert!(
        folder.path().join("cells.state").exists(),
        "the state is lost"
    );
    open(&path).unwrap();
    true
}

fn refused(text: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    fs::write(&path, text).unwrap();
    match open(&path) {
        Err(BenchFileError::Text(error)) => {
            super::assert_told(text.as_bytes(), &error);
        }
        other => panic!("{other:?}"),
    }
}

/// Opens a bench file on a small part, whatever part it names.
pub fn open(path: &Path) -> Result<Mock, BenchFileError> {
    Mock::open(path, &mut |_| Some(PART.clone()))
}
