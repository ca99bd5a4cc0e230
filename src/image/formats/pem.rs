//! Text encodings of keys and certificates, RFC 7468. Their content is counted, never kept or shown.

use super::place::{Look, Place, Stop, Stream};
use super::{Checked, Finding, Format};

pub(super) const BEGIN: &[u8] = b"-----BEGIN ";
const END: &[u8] = b"-----END ";
const DASHES: &[u8] = b"-----";
const LABEL_BYTES_MAX: usize = 64;
/// Longer ones are no keys or certificates.
const TEXT_BYTES_MAX: u64 = 256 << 10;
/// Letters of base64 that have to follow before something is taken for such a text.
const LETTERS_MIN: u64 = 16;
const SEQUENCE: u8 = 0x30;

/// What stands between the two lines.
#[derive(Default)]
struct Body {
    letters: u64,
    padding: u64,
    /// Begins with lines such as `Proc-Type: 4,ENCRYPTED`, RFC 1421.
    has_headers: bool,
    /// The first bytes that the letters stand for.
    head: Vec<u8>,
    bits: u32,
    collected: u32,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let mut stream = place.stream(BEGIN.len() as u64, TEXT_BYTES_MAX);
    let Some(label) = label(&mut stream)? else {
        return Ok(None);
    };
    if !matches!(stream.array::<1>()?, Some([b'\r' | b'\n'])) {
        return Ok(None);
    }
    let mut body = Body::default();
    let at_end = match body.read(&mut stream) {
        Err(Stop::Spent) => return Ok(Some(finding(place, &label, None, Checked::TOO_MUCH))),
        at_end => at_end?,
    };
    if body.letters < LETTERS_MIN {
        return Ok(None);
    }
    let mut size_bytes = None;
    let checked = if !at_end {
        match stream.array::<1>()? {
            None if stream.position() >= place.left_bytes() => Checked::Cut,
            _ => fault("text", "base64 up to its last line", "something else"),
        }
    } else if ends_with(&mut stream, &label)? {
        size_bytes = Some(end_of_line(&mut stream)?);
        body.check()
    } else if stream.position() >= place.left_bytes() {
        Checked::Cut
    } else {
        fault("last line", "the label of the first", "another")
    };
    Ok(Some(finding(place, &label, size_bytes, checked)))
}

fn finding(place: &Place<'_>, label: &str, size: Option<u64>, checked: Checked) -> Finding {
    let mut found = Finding::new(place.offset, Format::Pem, size, checked);
    found.detail = label.to_owned();
    found.is_secret = label.contains("PRIVATE KEY");
    found
}

fn fault(what: &'static str, wanted: &str, found: &str) -> Checked {
    Checked::Disagrees {
        what,
        wanted: wanted.to_owned(),
        found: found.to_owned(),
    }
}

/// The label, up to the dashes behind it: capitals, digits and single spaces.
fn label(stream: &mut Stream<'_>) -> Look<Option<String>> {
    let mut label = String::new();
    while label.len() < LABEL_BYTES_MAX {
        let Some([byte]) = stream.array()? else {
            return Ok(None);
        };
        match byte {
            b'A'..=b'Z' | b'0'..=b'9' | b' ' | b'.' | b'/' => label.push(char::from(byte)),
            b'-' if !label.is_empty() => {
                let rest = stream.array::<4>()?;
                let dashes = rest.is_some_and(|rest| DASHES.starts_with(&rest));
                return Ok(dashes.then_some(label));
            }
            _ => return Ok(None),
        }
    }
    Ok(None)
}

/// Whether the last line follows, with the same label.
fn ends_with(stream: &mut Stream<'_>, label: &str) -> Look<bool> {
    for wanted in [END, label.as_bytes(), DASHES].concat() {
        if stream.array()? != Some([wanted]) {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Where the next line begins, if the line ends here.
fn end_of_line(stream: &mut Stream<'_>) -> Look<u64> {
    let mut end = stream.position();
    for wanted in *b"\r\n" {
        match stream.array()? {
            Some([byte]) if byte == wanted => end = stream.position(),
            _ => stream.seek(end),
        }
    }
    Ok(end)
}

impl Body {
    /// Reads up to the dash of the last line; `false` where something else comes first.
    fn read(&mut self, stream: &mut Stream<'_>) -> Look<bool> {
        let mut line_bytes = 0;
        loop {
            let at = stream.position();
            let Some([byte]) = stream.array()? else {
                return Ok(false);
            };
            line_bytes += 1;
            match byte {
                b'\r' | b'\n' => line_bytes = 0,
                b' ' | b'\t' => {}
                b'=' => self.padding += 1,
                b'-' if line_bytes == 1 => {
                    stream.seek(at);
                    return Ok(true);
                }
                // A line with a colon, or one that goes on after a header, is none of base64.
                b':' | b'-' | b',' if self.head.len() < 96 && self.header(stream)? => {
                    line_bytes = 0;
                }
                _ => match sextet(byte).filter(|_| self.padding == 0) {
                    Some(value) => self.letter(value),
                    None => {
                        stream.seek(at);
                        return Ok(false);
                    }
                },
            }
        }
    }

    /// Takes the rest of a header's line, and forgets what was read of it as base64.
    fn header(&mut self, stream: &mut Stream<'_>) -> Look<bool> {
        loop {
            match stream.array()? {
                Some([b'\n']) => break,
                Some([b' '..=b'~' | b'\r']) => {}
                _ => return Ok(false),
            }
        }
        *self = Self {
            has_headers: true,
            ..Self::default()
        };
        Ok(true)
    }

    fn letter(&mut self, value: u8) {
        self.letters += 1;
        if self.head.len() < 96 {
            self.bits = self.bits << 6 | u32::from(value);
            self.collected += 6;
            if self.collected >= 8 {
                self.collected -= 8;
                self.head.push((self.bits >> self.collected) as u8);
                self.bits &= (1 << self.collected) - 1;
            }
        }
    }

    /// The letters come in fours, and are as many as the DER structure within them says.
    fn check(&self) -> Checked {
        if (self.letters + self.padding) % 4 != 0 || self.padding > 2 {
            let letters = format!("{} and {} of padding", self.letters, self.padding);
            return fault("letters", "a multiple of four", &letters);
        }
        let found = self.letters * 6 / 8;
        match der_bytes(&self.head) {
            _ if self.has_headers => Checked::HeaderOnly("its lines are sound; encrypted"),
            None => Checked::HeaderOnly("its lines are sound; content of another kind"),
            Some(wanted) if wanted == found => Checked::Agrees("length"),
            Some(wanted) => fault(
                "length",
                &format!("{wanted} bytes"),
                &format!("{found} bytes"),
            ),
        }
    }
}

/// The value of a letter of base64, RFC 4648, section 4.
fn sextet(letter: u8) -> Option<u8> {
    match letter {
        b'A'..=b'Z' => Some(letter - b'A'),
        b'a'..=b'z' => Some(letter - b'a' + 26),
        b'0'..=b'9' => Some(letter - b'0' + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    }
}

/// How long a DER sequence is by its first bytes, X.690, 8.1.3; `None` where it is none.
pub(super) fn der_bytes(head: &[u8]) -> Option<u64> {
    let (&tag, rest) = head.split_first()?;
    let (&first, rest) = rest.split_first()?;
    if tag != SEQUENCE {
        return None;
    }
    if first < 0x80 {
        return Some(2 + u64::from(first));
    }
    let count = usize::from(first & 0x7F);
    if !(1..=4).contains(&count) {
        return None;
    }
    let bytes = rest.get(..count)?;
    let length = bytes
        .iter()
        .fold(0, |all, byte| all << 8 | u64::from(*byte));
    Some(2 + count as u64 + length)
}
