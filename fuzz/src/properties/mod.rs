//! What must hold for every input. The fuzz targets and `tests/fuzz_seeds.rs` check the same.

pub mod bench;
pub mod chip;
pub mod formats;
pub mod journal;
pub mod parts;
pub mod pieces;
pub mod regions;
pub mod seeds;
pub mod sfdp;
pub mod shelf;
pub mod state;
pub mod survey;
pub mod unit;
pub mod words;

/// Panics where a property does not hold, and tells whether the input was taken.
type Check = fn(&[u8]) -> bool;

/// Each target's name and check.
pub const TARGETS: [(&str, Check); 13] = [
    ("sfdp", sfdp::check),
    ("parts", parts::check),
    ("pieces", pieces::check),
    ("regions", regions::check),
    ("unit", unit::check),
    ("survey", survey::check),
    ("shelf", shelf::check),
    ("bench", bench::check),
    ("chip", chip::check),
    ("state", state::check),
    ("journal", journal::check),
    ("words", words::check),
    ("formats", formats::check),
];

/// All faults of a file lie in it, in order.
fn assert_told(text: &[u8], error: &norlock::text::TextError) {
    assert!(!error.faults.is_empty(), "a refusal without a fault");
    for fault in &error.faults {
        assert_inside(text, fault.line, fault.column);
        assert!(!fault.text.is_empty(), "{error}");
    }
    let places = error.faults.iter().map(|fault| (fault.line, fault.column));
    assert!(places.is_sorted(), "{error}");
}

/// The place of a fault must lie in the text: lines and columns count from 1, and a column may be
/// one past the end of its line.
fn assert_inside(text: &[u8], line: usize, column: usize) {
    let found = text.split(|byte| *byte == b'\n').nth(line.wrapping_sub(1));
    let found = found.unwrap_or_else(|| panic!("line {line} is not in the file"));
    let columns = String::from_utf8_lossy(found).chars().count() + 1;
    assert!(
        (1..=columns).contains(&column),
        "column {column} is not in line {line}"
    );
}
