//! Images around files that a tool made.

use std::fs;
use std::io::Read;
use std::path::Path;

use norlock::image::formats::{Finding, find};

/// Where the file stands in the image: no address that a block would have.
pub const OFFSET: usize = 0x3_1234;

/// A file of `tests/data/formats`; one whose name ends with `.packed` is unpacked.
pub fn vector(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/formats");
    let bytes = fs::read(folder.join(name)).unwrap();
    if !name.ends_with(".packed") {
        return bytes;
    }
    let mut unpacked = Vec::new();
    let mut decoder = flate2::read::GzDecoder::new(bytes.as_slice());
    decoder.read_to_end(&mut unpacked).unwrap();
    unpacked
}

/// `content` within a blank image, with random bytes before it.
pub fn image(content: &[u8], offset: usize) -> Vec<u8> {
    let mut image = vec![0xFF; offset];
    fastrand::Rng::with_seed(offset as u64).fill(&mut image[..offset - 0x1000]);
    image.extend(content);
    image.resize(image.len() + 0x8000, 0xFF);
    image
}

/// What is found in an image.
pub fn found(image: &Vec<u8>) -> Vec<Finding> {
    let findings = find(image).unwrap();
    assert_eq!(findings.more, 0);
    findings.listed
}

/// The one thing that is found in an image.
pub fn only(image: &Vec<u8>) -> Finding {
    let mut listed = found(image);
    assert_eq!(listed.len(), 1, "{listed:#?}");
    listed.remove(0)
}
