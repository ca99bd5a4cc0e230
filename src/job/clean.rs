//! Cleans text that came from outside before it reaches a terminal or a page.
//!
//! A file name or a marking may hold escape sequences that move the cursor, recolour or hide what a
//! person is about to rely on. They are shown, not obeyed.

use std::borrow::Cow;
use std::fmt::Write as _;

/// `text` with each control character replaced by its code in angle brackets, such as `<1B>`.
///
/// Line ends and tabs are control characters too: a cleaned text stays on its line. Characters that
/// are invisible or reorder the line (U+200B to U+200F, U+2028 to U+202E, U+2060 to U+206F, U+FEFF)
/// are shown the same way.
#[must_use]
pub fn clean(text: &str) -> Cow<'_, str> {
    if !text.chars().any(is_unfit) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().fold(String::new(), |mut out, c| {
        if is_unfit(c) {
            // Writing to a String cannot fail.
            let _ = write!(out, "<{:02X}>", u32::from(c));
        } else {
            out.push(c);
        }
        out
    }))
}

/// A text as a shell takes it for one word.
pub fn word(text: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./:=@%+,".contains(c);
    match !text.is_empty() && text.chars().all(plain) {
        true => text.to_owned(),
        false => format!("'{}'", text.replace('\'', "'\\''")),
    }
}

/// Whether a terminal would act on the character rather than show it.
fn is_unfit(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_text_stays_as_it_is() {
        assert!(matches!(clean("gauge-07/as-found.bin"), Cow::Borrowed(_)));
        assert_eq!(clean("Pegel Süd"), "Pegel Süd");
    }

    // Control sequences: ECMA-48 (5th edition), C0 and C1 sets.
    #[test]
    fn control_characters_are_shown_not_obeyed() {
        assert_eq!(clean("a\x1b[2Jb"), "a<1B>[2Jb");
        assert_eq!(clean("two\nlines\r\t"), "two<0A>lines<0D><09>");
        assert_eq!(clean("\u{9b}31m\u{7f}"), "<9B>31m<7F>");
        assert_eq!(clean("nib.\u{202E}toof"), "nib.<202E>toof");
    }
}
