//! Pieces as text records: a file that is taken puts its bytes where a plain reading of it says.

use std::collections::BTreeMap;
use std::ops::Range;

use norlock::image::{
    Baseline, Filling, Form, Piece, RegionMap, Rest, TailorError, Tailored, tailor,
};
use norlock::unit::Digest;

const REGION: Range<usize> = 0x8000..0xC000;
const MAP: &str = "size = \"64KiB\"\n[[region]]\nname = \"system\"\nstart = 0x8000\n\
                   end = 0xC000\nholds = \"replaceable\"\n";

/// Reads a piece.
pub fn check(bytes: &[u8]) -> bool {
    let before: Vec<u8> = (0..0x1_0000_u32).map(|at| (at ^ at >> 8) as u8).collect();
    let mut after = Vec::new();
    match made(&before, &bytes.to_vec(), &mut after) {
        Ok(tailored) => {
            let placed = &tailored.regions[0].pieces[0];
            assert_eq!(tailored.sha256, Digest::of(&after).0);
            let wanted = match placed.form {
                Form::Raw => (0..).zip(bytes.iter().copied()).collect(),
                form => plainly(bytes, form),
            };
            assert_eq!(placed.size_bytes, wanted.len() as u64);
            let absolute = wanted.keys().all(|at| REGION.contains(at));
            let shift = if absolute { 0 } else { REGION.start };
            let mut image = before;
            for (at, byte) in wanted {
                image[at + shift] = byte;
            }
            assert!(image == after, "other bytes than the records have");
            placed.form != Form::Raw
        }
        Err(error) => {
            assert!(after.is_empty(), "{error}");
            if let TailorError::Records(error) = error {
                super::assert_inside(bytes, error.line as usize, error.column);
            }
            false
        }
    }
}

fn made(before: &Vec<u8>, piece: &Vec<u8>, out: &mut Vec<u8>) -> Result<Tailored, TailorError> {
    let map = RegionMap::parse("regions.toml", MAP).unwrap();
    let baseline = Baseline {
        content: before,
        recorded_sha256: Digest::of(before).0,
    };
    let piece = Piece {
        file: "piece".into(),
        bytes: piece,
        offset: None,
        sha256: Digest::of(piece).0,
    };
    let filling = Filling {
        region: "system".into(),
        pieces: vec![piece],
        rest: Some(Rest::Keep),
    };
    tailor(&baseline, &map, &[filling], 4096, out)
}

/// The bytes of a file that has no fault, by address.
fn plainly(bytes: &[u8], form: Form) -> BTreeMap<usize, u8> {
    let (mut found, mut base) = (BTreeMap::new(), 0);
    let number = |bytes: &[u8]| {
        bytes
            .iter()
            .fold(0, |sum, byte| sum << 8 | usize::from(*byte))
    };
    for line in String::from_utf8_lossy(bytes).lines() {
        let line = line.trim();
        let mark = if form == Form::IntelHex { 1 } else { 2 };
        let digits = line.get(mark..).unwrap_or_default();
        let record: Vec<u8> = (0..digits.len() / 2)
            .map(|at| u8::from_str_radix(&digits[at * 2..at * 2 + 2], 16).unwrap())
            .collect();
        let data = match (form, line.get(..2), record.get(3)) {
            (Form::IntelHex, _, Some(0)) => Some((base + number(&record[1..3]), 4)),
            (Form::IntelHex, _, Some(kind @ (2 | 4))) => {
                base = number(&record[4..6]) << if *kind == 2 { 4 } else { 16 };
                None
            }
            (Form::SRecord, Some("S1"), _) => Some((number(&record[1..3]), 3)),
            (Form::SRecord, Some("S2"), _) => Some((number(&record[1..4]), 4)),
            (Form::SRecord, Some("S3"), _) => Some((number(&record[1..5]), 5)),
            _ => None,
        };
        let Some((start, head)) = data else { continue };
        for (at, byte) in (start..).zip(&record[head..record.len() - 1]) {
            assert_eq!(found.insert(at, *byte), None, "given twice");
        }
    }
    found
}
