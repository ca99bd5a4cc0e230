//! The parts table as the program carries it: what the files of `chips/` say, in a form that is read at once.
//!
//! Reading those files takes longer than all else that a start does. `NORLOCK_WRITE_TABLE=1 cargo test --locked --lib
//! table` makes this form of them anew: JSON, in an LZ4 frame, as it would be a tenth of the program.

use std::io::{self, Read};

use lz4_flex::frame::FrameDecoder;
use serde::Deserialize;

use crate::part::{Catalogue, Part, Refused};

const TABLE: &[u8] = include_bytes!("table.json.lz4");

#[derive(Deserialize)]
struct Table {
    parts: Vec<Part>,
    refused: Vec<Refused>,
}

/// The parts of `chips/`, as [`Catalogue::builtin`] reads them.
pub fn builtin() -> io::Result<Catalogue> {
    let mut text = String::new();
    FrameDecoder::new(TABLE).read_to_string(&mut text)?;
    let table: Table = serde_json::from_str(&text)?;
    Ok(Catalogue::of(table.parts, table.refused))
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use lz4_flex::frame::FrameEncoder;
    use serde::Serialize;
    use serde_json::Value;

    use super::*;

    /// A line for each part, so that a change of one shows as a change of one.
    fn lines<T: Serialize>(all: &[T]) -> String {
        let line = |one| {
            let mut one = serde_json::to_value(one).unwrap();
            strip(&mut one);
            one.to_string()
        };
        all.iter().map(line).collect::<Vec<_>>().join(",\n")
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
        let (parts, refused) = (lines(files.parts()), lines(files.refused()));
        let made = format!("{{\"parts\":[\n{parts}\n],\"refused\":[\n{refused}\n]}}\n");
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/table.json.lz4");
        if std::env::var_os("NORLOCK_WRITE_TABLE").is_some() {
            let mut frame = FrameEncoder::new(Vec::new());
            frame.write_all(made.as_bytes()).unwrap();
            std::fs::write(file, frame.finish().unwrap()).unwrap();
        }
        let mut lies_there = String::new();
        let mut frame = FrameDecoder::new(std::fs::File::open(file).unwrap());
        frame.read_to_string(&mut lies_there).unwrap();
        assert!(
            made == lies_there,
            "src/cli/table.json.lz4 is not of the files of chips/: NORLOCK_WRITE_TABLE=1 writes it anew"
        );
        let carried: Table = serde_json::from_str(&made).unwrap();
        assert_eq!(carried.parts, files.parts());
        assert_eq!(carried.refused, files.refused());
    }
}
