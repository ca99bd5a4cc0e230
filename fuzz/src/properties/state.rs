//! The state of a simulated chip beside its cells: what is taken is kept as it was.

use std::fs;
use std::path::Path;

use norlock::mock::{BenchFile, BenchFileError, Mock};

use super::bench::open;
use super::chip::work;

/// Reads a state file, and works on its chip.
pub fn check(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let state = folder.path().join("cells.state");
    Mock::create(&path, &BenchFile::new("any", Path::new("cells"))).unwrap();
    fs::write(&state, text).unwrap();
    match open(&path) {
        Ok(mock) => {
            drop(mock);
            let kept = fs::read_to_string(&state).unwrap();
            drop(open(&path).unwrap());
            assert_eq!(fs::read_to_string(&state).unwrap(), kept);
            let said = |text: &str| toml::from_str::<serde_json::Value>(text).unwrap();
            assert_eq!(said(&kept), said(text));
            let mock = open(&path).unwrap();
            fs::remove_file(&state).unwrap();
            work(&mock);
            drop(mock);
            assert!(state.exists(), "the state is lost");
            open(&path).unwrap();
            true
        }
        Err(BenchFileError::Text(error)) => {
            super::assert_told(bytes, &error);
            false
        }
        Err(error) => panic!("{error}"),
    }
}
