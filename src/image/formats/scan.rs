//! The pass over the image.

use std::io;

use aho_corasick::{AhoCorasick, AhoCorasickKind, MatchKind};

use super::place::{Budget, Look, Place, Stop, Window};
use super::{Checked, Finding, Findings, devicetree, gzip, squashfs};
use crate::image::ReadAt;

/// Findings beyond these are only counted.
pub const FINDINGS_MAX: usize = 4096;

/// Bytes taken at once, those kept from before, and those that follow: a header costs no call then.
const STEP_BYTES: usize = 256 << 10;
const BEHIND_BYTES: usize = 4 << 10;
const AHEAD_BYTES: usize = 4 << 10;
/// What may be spent on one image, in bytes read and hashed.
const BUDGET_UNITS: u64 = 1 << 30;
/// Padding that may stand between an end and the blank.
const PADDING_BYTES_MAX: usize = 4096;
const BLANK_BYTES_MIN: usize = 16;

type Reader = fn(&Place<'_>) -> Look<Option<Finding>>;

/// What gives a format away, how far behind its start that stands, and who reads it.
struct Magic {
    bytes: &'static [u8],
    at: u64,
    reader: Reader,
}

const fn magic(bytes: &'static [u8], at: u64, reader: Reader) -> Magic {
    Magic { bytes, at, reader }
}

const MAGICS: [Magic; 3] = [
    magic(&[0xD0, 0x0D, 0xFE, 0xED], 0, devicetree::look),
    magic(&[0x1F, 0x8B, 8], 0, gzip::look),
    magic(b"hsqs", 0, squashfs::look),
];

/// Looks for open formats in `image`, and has each checked by its own means.
///
/// Reads the image once from end to end, and the places found again. Holds less than 32 MiB. What
/// stands within a thing whose extent is known and checked is not listed.
///
/// # Errors
/// What reading the image comes to.
pub fn find(image: &dyn ReadAt) -> io::Result<Findings> {
    let mut pass = Pass {
        image,
        size_bytes: image.size_bytes()?,
        budget: Budget::new(BUDGET_UNITS),
        findings: Findings::default(),
        closed_until: 0,
    };
    pass.run()?;
    pass.findings.listed.sort_by_key(|finding| finding.offset);
    Ok(pass.findings)
}

struct Pass<'a> {
    image: &'a dyn ReadAt,
    size_bytes: u64,
    budget: Budget,
    findings: Findings,
    /// Up to here a finding has its extent.
    closed_until: u64,
}

impl Pass<'_> {
    fn run(&mut self) -> io::Result<()> {
        let patterns = MAGICS.iter().map(|magic| magic.bytes);
        let longest = patterns.clone().map(<[u8]>::len).max().unwrap_or(0);
        let searcher = AhoCorasick::builder()
            .match_kind(MatchKind::LeftmostFirst)
            .kind(Some(AhoCorasickKind::DFA))
            .build(patterns)
            .map_err(io::Error::other)?;
        let mut window = Window::default();
        let mut at = 0;
        while at < self.size_bytes {
            self.move_window(&mut window, at)?;
            let start = usize::try_from(at - window.offset).unwrap_or(0);
            let end = (start + STEP_BYTES + longest - 1).min(window.bytes.len());
            let searched = window.bytes.get(start..end).unwrap_or_default();
            for met in searcher.find_iter(searched) {
                let Some(magic) = MAGICS.get(met.pattern().as_usize()) else {
                    continue;
                };
                if met.start() < STEP_BYTES {
                    self.meet(&window, at + met.start() as u64, magic)?;
                }
            }
            at += STEP_BYTES as u64;
        }
        Ok(())
    }

    /// Puts the bytes around the step that begins at `at` into the window.
    fn move_window(&self, window: &mut Window, at: u64) -> io::Result<()> {
        let offset = at.saturating_sub(BEHIND_BYTES as u64);
        let end = (at + (STEP_BYTES + AHEAD_BYTES) as u64).min(self.size_bytes);
        let known = usize::try_from(offset - window.offset).unwrap_or(usize::MAX);
        let known = known.min(window.bytes.len());
        window.bytes.drain(..known);
        let kept = window.bytes.len();
        let length = usize::try_from(end - offset).map_err(io::Error::other)?;
        window.bytes.resize(length, 0);
        window.offset = offset;
        let new = window.bytes.get_mut(kept..).unwrap_or_default();
        self.image.read_at(offset + kept as u64, new)
    }

    /// Has a place looked at whose magic number was met at `met_at`.
    fn meet(&mut self, window: &Window, met_at: u64, magic: &Magic) -> io::Result<()> {
        let Some(offset) = met_at.checked_sub(magic.at) else {
            return Ok(());
        };
        if offset < self.closed_until {
            return Ok(());
        }
        let place = Place {
            image: self.image,
            image_size_bytes: self.size_bytes,
            offset,
            window,
            budget: &self.budget,
        };
        let mut found = match (magic.reader)(&place) {
            Ok(Some(found)) => found,
            Ok(None) | Err(Stop::Spent) => return Ok(()),
            Err(Stop::Image(error)) => return Err(error),
        };
        found.ends_at_blank = ends_at_blank(&place, &found)?;
        self.closed_until = found.closed_until();
        self.list(found);
        Ok(())
    }

    fn list(&mut self, found: Finding) {
        if self.findings.listed.len() < FINDINGS_MAX {
            self.findings.listed.push(found);
        } else {
            self.findings.more += 1;
        }
    }
}

/// Whether nothing but padding stands between the end of `found` and blank bytes, or the image's end.
fn ends_at_blank(place: &Place<'_>, found: &Finding) -> io::Result<bool> {
    let (Some(size_bytes), false) = (found.size_bytes, found.checked == Checked::Cut) else {
        return Ok(false);
    };
    let left = place.left_bytes().saturating_sub(size_bytes);
    let mut after = [0; PADDING_BYTES_MAX + BLANK_BYTES_MIN];
    let length = usize::try_from(left).map_or(after.len(), |left| left.min(after.len()));
    let after = after.get_mut(..length).unwrap_or_default();
    match place.read(size_bytes, after) {
        Ok(_) => {}
        Err(Stop::Spent) => return Ok(false),
        Err(Stop::Image(error)) => return Err(error),
    }
    let padding = after
        .iter()
        .take(PADDING_BYTES_MAX)
        .take_while(|byte| **byte == 0);
    let rest = after.get(padding.count()..).unwrap_or_default();
    Ok(rest.iter().take(BLANK_BYTES_MIN).all(|byte| *byte == 0xFF))
}
