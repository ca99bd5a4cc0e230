//! The lines of a file, read in windows, so that memory does not grow with the file.

use std::io;

use crate::image::ReadAt;

/// Bytes read at once.
const WINDOW_BYTES: u64 = 64 * 1024;
/// Longest line that a record can make, and some: 255 bytes as digits, with what stands around them.
const LINE_BYTES_MAX: usize = 600;

/// Where a line stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    /// Bytes before it.
    pub offset: u64,
    /// Its number, from 1.
    pub line: u64,
}

impl Place {
    pub const START: Self = Self { offset: 0, line: 1 };
}

pub(super) struct Lines<'a> {
    file: &'a dyn ReadAt,
    size_bytes: u64,
    next: Place,
    window: Vec<u8>,
    window_at: u64,
}

impl<'a> Lines<'a> {
    pub fn new(file: &'a dyn ReadAt, size_bytes: u64, from: Place) -> Self {
        Self {
            file,
            size_bytes,
            next: from,
            window: Vec::new(),
            window_at: from.offset,
        }
    }

    /// Number of the line that was given last, or the first one's.
    pub fn last(&self) -> u64 {
        self.next.line.saturating_sub(1).max(1)
    }

    /// The next line and where it stands, without white space at its end. One that is longer than a
    /// record can be is cut off there, and no line follows it.
    pub fn next(&mut self) -> io::Result<Option<(Place, &[u8])>> {
        if self.next.offset >= self.size_bytes {
            return Ok(None);
        }
        self.look_ahead()?;
        let place = self.next;
        let start = usize::try_from(place.offset - self.window_at).unwrap_or(usize::MAX);
        let ahead = self.window.get(start..).unwrap_or_default();
        let ahead = ahead.get(..LINE_BYTES_MAX).unwrap_or(ahead);
        let end = ahead.iter().position(|byte| *byte == b'\n');
        let length = end.map_or(ahead.len(), |end| end + 1) as u64;
        self.next = Place {
            offset: match end {
                None if ahead.len() == LINE_BYTES_MAX => self.size_bytes,
                _ => place.offset + length,
            },
            line: place.line + 1,
        };
        let line = ahead.get(..end.unwrap_or(ahead.len()));
        Ok(Some((place, line.unwrap_or_default().trim_ascii_end())))
    }

    /// Reads on where the window does not hold a whole line.
    fn look_ahead(&mut self) -> io::Result<()> {
        let window_end = self.window_at + self.window.len() as u64;
        let enough = self.next.offset + LINE_BYTES_MAX as u64;
        if window_end >= enough.min(self.size_bytes) {
            return Ok(());
        }
        let length = WINDOW_BYTES.min(self.size_bytes - self.next.offset);
        self.window
            .resize(usize::try_from(length).unwrap_or_default(), 0);
        self.window_at = self.next.offset;
        self.file.read_at(self.window_at, &mut self.window)
    }
}
