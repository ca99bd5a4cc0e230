//! `unit.toml`: what is read can be written, read again and added to.

use std::path::Path;
use std::time::{Duration, UNIX_EPOCH};

use norlock::unit::{Operation, UnitFile};

/// Reads a unit file.
pub fn check(bytes: &[u8]) -> bool {
    match UnitFile::parse(Path::new("unit.toml"), bytes) {
        Ok(mut file) => {
            assert!(
                file.identity
                    .as_ref()
                    .is_none_or(|identity| identity.id().is_some())
            );
            assert_kept(&file);
            let sequence = file.add(
                Operation::default(),
                UNIX_EPOCH + Duration::from_secs(1 << 31),
            );
            assert_eq!(sequence as usize, file.operations.len());
            assert_kept(&file);
            true
        }
        Err(error) => {
            super::assert_told(bytes, &error);
            false
        }
    }
}

fn assert_kept(file: &UnitFile) {
    let text = file.text().unwrap();
    let again = UnitFile::parse(Path::new("written"), text.as_bytes());
    assert_eq!(
        &again.unwrap_or_else(|error| panic!("{error}\n{text}")),
        file,
        "{text}"
    );
}
