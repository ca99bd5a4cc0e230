//! Whether content is text.

/// Looks at bytes that come in chunks.
#[derive(Debug, Default)]
pub(super) struct TextLook {
    other: bool,
    bytes: u64,
    /// Bytes that are no ASCII: of other characters, in whatever encoding.
    high_bytes: u64,
}

impl TextLook {
    pub fn look(&mut self, bytes: &[u8]) {
        self.other |= bytes.iter().any(|byte| is_control(*byte) || *byte == 0xFF);
        self.bytes += bytes.len() as u64;
        self.high_bytes += bytes.iter().filter(|byte| !byte.is_ascii()).count() as u64;
    }

    /// Whether there was something, and all of it was text: no control characters but white space, no
    /// blank flash, and mostly ASCII. Which encoding the rest is in does not matter.
    pub fn is_text(&self) -> bool {
        self.bytes > 0 && !self.other && self.high_bytes * 4 <= self.bytes
    }
}

fn is_control(byte: u8) -> bool {
    byte.is_ascii_control() && !byte.is_ascii_whitespace()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_text(chunks: &[&[u8]]) -> bool {
        let mut look = TextLook::default();
        chunks.iter().for_each(|chunk| look.look(chunk));
        look.is_text()
    }

    #[test]
    fn text_is_told_from_other_content() {
        assert!(is_text(&[b"<html>\r\n\t404 not found\n</html>\x0C"]));
        assert!(is_text(&["gauge at the n\u{f6}rdliche Mole".as_bytes()]));
        // A character that two chunks share, and one in ISO 8859-1.
        assert!(is_text(&[b"n\xC3", b"\xB6rdlich"]));
        assert!(is_text(&[b"n\xF6rdlich"]));
        for other in [
            &[b"" as &[u8]] as &[&[u8]],
            &[b"text\0"],
            &[b"text\x7F"],
            &[b"text\x1B[2m"],
            &[b"text\xFF\xFF"],
            &[b"ab\xC3"],
            &[b"\0", b"text behind it"],
        ] {
            assert!(!is_text(other), "{other:?}");
        }
    }
}
