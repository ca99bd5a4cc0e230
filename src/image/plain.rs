//! Whether content is text.

/// Looks at bytes that come in chunks.
#[derive(Debug, Default)]
pub(super) struct TextLook {
    other: bool,
    any: bool,
    /// The beginning of a character that the next chunk ends.
    begun: Vec<u8>,
}

impl TextLook {
    pub fn look(&mut self, bytes: &[u8]) {
        if self.other || bytes.is_empty() {
            return;
        }
        self.any = true;
        if bytes.iter().any(|byte| is_control(*byte)) {
            self.other = true;
            return;
        }
        let mut joined = std::mem::take(&mut self.begun);
        joined.extend_from_slice(bytes);
        if let Err(error) = std::str::from_utf8(&joined) {
            match error.error_len() {
                None => self.begun = joined.split_off(error.valid_up_to()),
                Some(_) => self.other = true,
            }
        }
    }

    /// Whether there was something, and all of it was text: UTF-8 without control characters other than
    /// white space.
    pub fn is_text(&self) -> bool {
        self.any && !self.other && self.begun.is_empty()
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
        // A character that two chunks share.
        assert!(is_text(&[b"n\xC3", b"\xB6rdlich"]));
        for other in [
            &[b"" as &[u8]] as &[&[u8]],
            &[b"text\0"],
            &[b"text\x7F"],
            &[b"text\x1B[2m"],
            &[b"text\xFF\xFF"],
            &[b"cut in a character n\xC3"],
            &[b"n\xC3", b"ordlich"],
            &[b"\0", b"text behind it"],
        ] {
            assert!(!is_text(other), "{other:?}");
        }
    }
}
