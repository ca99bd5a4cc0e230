//! The parts table as the program carries it: what the files of `chips/` say, in a form that is read at once.
//!
//! Reading those files takes longer than all else that a start does. `NORLOCK_WRITE_TABLE=1 cargo test --locked --lib
//! table` makes this form of them anew: a line of JSON for each part, an empty one, a line for each that is refused;
//! an LZ4 block of all that, since unpacked it would be a tenth of the program.

use std::io;

use serde::de::DeserializeOwned;

use crate::part::{Catalogue, Part, Refused};

const TABLE: &[u8] = include_bytes!("table.lz4");

/// The parts of `chips/`, as [`Catalogue::builtin`] reads them.
pub fn builtin() -> io::Result<Catalogue> {
    let (parts, refused) = read(&unpacked(TABLE)?)?;
    Ok(Catalogue::of(parts, refused))
}

fn unpacked(table: &[u8]) -> io::Result<String> {
    let text = lz4_flex::decompress_size_prepended(table).map_err(io::Error::other)?;
    String::from_utf8(text).map_err(io::Error::other)
}

fn read(text: &str) -> io::Result<(Vec<Part>, Vec<Refused>)> {
    let (parts, refused) = text.split_once("\n\n").unwrap_or((text, ""));
    Ok((lines(parts)?, lines(refused)?))
}

fn lines<T: DeserializeOwned>(text: &str) -> io::Result<Vec<T>> {
    let lines = serde_json::Deserializer::from_str(text).into_iter();
    Ok(lines.collect::<Result<_, _>>()?)
}

#[cfg(test)]
mod tests {
    use serde::Serialize;
    use serde_json::Value;

    use super::*;

    fn written<T: Serialize>(all: &[T]) -> String {
        let line = |one| {
            let mut one = serde_json::to_value(one).unwrap();
            strip(&mut one);
            one.to_string()
        };
        all.iter().map(line).collect::<Vec<_>>().join("\n")
    }

    /// Takes out what is read as nothing anyway.
    fn strip(value: &mut Value) {
        match value {
            Value::Object(fields) => {
                fields.retain(|_, field| !field.is_null());
                fields.values_mut().for_each(strip);
            }
            Value::Array(members) => members.iter_mut().for_each(strip),
            _ => {}
        }
    }

    #[test]
    fn what_is_carried_is_what_the_files_say() {
        let files = Catalogue::builtin().unwrap();
        let (parts, refused) = (written(files.parts()), written(files.refused()));
        let made = format!("{parts}\n\n{refused}\n");
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/table.lz4");
        if std::env::var_os("NORLOCK_WRITE_TABLE").is_some() {
            std::fs::write(file, lz4_flex::compress_prepend_size(made.as_bytes())).unwrap();
        }
        assert!(
            unpacked(&std::fs::read(file).unwrap()).unwrap() == made,
            "src/cli/table.lz4 is not of the files of chips/: NORLOCK_WRITE_TABLE=1 writes it anew"
        );
        let (parts, refused) = read(&made).unwrap();
        assert_eq!(parts, files.parts());
        assert_eq!(refused, files.refused());
    }
}
