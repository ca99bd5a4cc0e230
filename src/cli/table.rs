//! The parts table as the program carries it: what the files of `chips/` say, in a form that is read at once.
//!
//! Reading those files takes longer than all else that a start does. `NORLOCK_WRITE_TABLE=1 cargo test --locked --lib
//! table` makes this form of them anew: the parts and those that are refused in MessagePack, fields without their names.

use std::io;

use crate::part::{Catalogue, Part, Refused};

const TABLE: &[u8] = include_bytes!("table.msgpack");

/// The parts of `chips/`, as [`Catalogue::builtin`] reads them.
pub fn builtin() -> io::Result<Catalogue> {
    let (parts, refused) = read(TABLE)?;
    Ok(Catalogue::of(parts, refused))
}

fn read(table: &[u8]) -> io::Result<(Vec<Part>, Vec<Refused>)> {
    rmp_serde::from_slice(table).map_err(io::Error::other)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_carried_is_what_the_files_say() {
        let files = Catalogue::builtin().unwrap();
        let made = rmp_serde::to_vec(&(files.parts(), files.refused())).unwrap();
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/table.msgpack");
        if std::env::var_os("NORLOCK_WRITE_TABLE").is_some() {
            std::fs::write(file, &made).unwrap();
        }
        assert!(
            std::fs::read(file).unwrap() == made,
            "src/cli/table.msgpack is not of the files of chips/: NORLOCK_WRITE_TABLE=1 writes it anew"
        );
        let (parts, refused) = read(&made).unwrap();
        assert_eq!(parts, files.parts());
        assert_eq!(refused, files.refused());
    }
}
