//! Open formats within an image: what is listed lies within it, in order, and can be shown.

use norlock::image::formats::{Checked, find};

/// Looks through an image.
pub fn check(image: &[u8]) -> bool {
    let image = image.to_vec();
    let findings = find(&image).unwrap();
    let mut before = 0;
    for found in &findings.listed {
        assert!(found.offset >= before && found.offset < image.len() as u64);
        before = found.offset;
        if let (Checked::Agrees(_), Some(size_bytes)) = (&found.checked, found.size_bytes) {
            assert!(found.offset + size_bytes <= image.len() as u64, "{found:?}");
        }
        let shown = format!("{} {}", found.sentence(), found.detail);
        assert!(
            shown.chars().all(|c| c == ' ' || c.is_ascii_graphic()),
            "{shown:?}"
        );
    }
    !findings.listed.is_empty()
}
