//! The pass over the image.

use std::io;

use aho_corasick::AhoCorasick;

use super::place::{Budget, Look, Place, Stop, Window};
use super::{Checked, Finding, Findings};
use super::{
    cramfs, der, devicetree, elf, ext, gzip, jffs2, lz4, lzma, pem, squashfs, ubi, xz, zstd,
};
use crate::image::ReadAt;

/// Findings beyond these are only counted.
pub const FINDINGS_MAX: usize = 4096;

/// Bytes taken at once, those kept from before, and those that follow: a header costs no call then.
const STEP_BYTES: usize = 256 << 10;
const BEHIND_BYTES: usize = 4 << 10;
const AHEAD_BYTES: usize = 4 << 10;
/// What may be spent on one image, in bytes read and hashed.
const BUDGET_UNITS: u64 = 1 << 30;
/// The same for keys alone, so that nothing else can hide one.
const KEY_BUDGET_UNITS: u64 = 1 << 28;

type Reader = fn(&Place<'_>) -> Look<Option<Finding>>;

/// What gives a format away, how far behind its start that stands, and who reads it.
struct Magic {
    bytes: &'static [u8],
    /// More than one where the length before it may take more or less bytes.
    at: &'static [u64],
    reader: Reader,
    /// Keys are looked for within other things too, and paid for apart, so that none is shown by
    /// chance.
    everywhere: bool,
}

impl Magic {
    const fn new(bytes: &'static [u8], reader: Reader) -> Self {
        Self {
            bytes,
            at: &[0],
            reader,
            everywhere: false,
        }
    }

    const fn at(mut self, at: &'static [u64]) -> Self {
        self.at = at;
        self
    }

    const fn everywhere(mut self) -> Self {
        self.everywhere = true;
        self
    }
}

/// All but that of ext, which is too short to be looked for anywhere.
fn magics() -> Vec<Magic> {
    let mut magics = vec![
        Magic::new(&[0xD0, 0x0D, 0xFE, 0xED], devicetree::look),
        Magic::new(&[0x1F, 0x8B, 8], gzip::look),
        Magic::new(b"\xFD7zXZ\0", xz::look),
        Magic::new(&[0x28, 0xB5, 0x2F, 0xFD], zstd::look),
        Magic::new(&[0x04, 0x22, 0x4D, 0x18], lz4::look),
        // The properties that encoders choose by themselves and for code, and the lower half of a
        // dictionary size.
        Magic::new(&[0x5D, 0, 0], lzma::look),
        Magic::new(&[0x6D, 0, 0], lzma::look),
        Magic::new(b"hsqs", squashfs::look),
        Magic::new(b"Compressed ROMFS", cramfs::look).at(&[16]),
        Magic::new(b"UBI#", ubi::look),
        Magic::new(b"\x7FELF", elf::look),
        Magic::new(pem::BEGIN, pem::look).everywhere(),
        Magic::new(der::CERTIFICATE, der::look).at(&[der::CERTIFICATE_AT]),
    ];
    for (key, at) in der::KEYS {
        magics.push(Magic::new(key, der::look).at(at).everywhere());
    }
    let nodes = jffs2::MAGICS.iter();
    magics.extend(nodes.map(|magic| Magic::new(magic, jffs2::look)));
    magics
}

/// File systems begin at a multiple of this.
const SECTOR_BYTES: u64 = 512;
const EXT: Magic = Magic::new(&[0x53, 0xEF], ext::look).at(&[ext::MAGIC_AT]);

/// Looks for open formats in `image`, and has each checked by its own means.
///
/// Reads the image once from end to end, and the places found again. Holds less than 32 MiB. What
/// stands within a thing whose extent is known and checked is not listed.
///
/// # Errors
/// What reading the image comes to.
pub fn find(image: &dyn ReadAt) -> io::Result<Findings> {
    find_within(image, BUDGET_UNITS)
}

fn find_within(image: &dyn ReadAt, units: u64) -> io::Result<Findings> {
    let mut pass = Pass {
        image,
        size_bytes: image.size_bytes()?,
        budget: Budget::new(units),
        key_budget: Budget::new(KEY_BUDGET_UNITS),
        findings: Findings::default(),
        closed_until: 0,
        key_until: 0,
    };
    pass.run()?;
    pass.findings.listed.sort_by_key(|finding| finding.offset);
    Ok(pass.findings)
}

struct Pass<'a> {
    image: &'a dyn ReadAt,
    size_bytes: u64,
    budget: Budget,
    key_budget: Budget,
    findings: Findings,
    /// Up to here a finding has its extent.
    closed_until: u64,
    /// The same of a key.
    key_until: u64,
}

impl Pass<'_> {
    fn run(&mut self) -> io::Result<()> {
        let magics = magics();
        let searcher = AhoCorasick::new(magics.iter().map(|magic| magic.bytes));
        let searcher = searcher.map_err(io::Error::other)?;
        let longest = searcher.max_pattern_len();
        let mut window = Window::default();
        let mut at = 0;
        let mut ext_at = ext::MAGIC_AT % SECTOR_BYTES;
        while at < self.size_bytes {
            self.move_window(&mut window, at)?;
            let start = usize::try_from(at - window.offset).unwrap_or(0);
            let end = (start + STEP_BYTES + longest - 1).min(window.bytes.len());
            let searched = window.bytes.get(start..end).unwrap_or_default();
            let next = at + STEP_BYTES as u64;
            for met in searcher.find_iter(searched) {
                let met_at = at + met.start() as u64;
                let Some(magic) = magics.get(met.pattern().as_usize()) else {
                    continue;
                };
                if met_at < next {
                    self.meet_ext(&window, &mut ext_at, met_at)?;
                    self.meet(&window, met_at, magic)?;
                }
            }
            self.meet_ext(&window, &mut ext_at, next)?;
            at = next;
        }
        Ok(())
    }

    /// Looks at the places from `met_at` to `to` that ext may have its magic number at.
    fn meet_ext(&mut self, window: &Window, met_at: &mut u64, to: u64) -> io::Result<()> {
        while *met_at < to {
            if window.get(*met_at, EXT.bytes.len()) == Some(EXT.bytes) {
                self.meet(window, *met_at, &EXT)?;
            }
            *met_at += SECTOR_BYTES;
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
        for at in magic.at {
            if let Some(offset) = met_at.checked_sub(*at) {
                self.look(window, offset, magic)?;
            }
        }
        Ok(())
    }

    fn look(&mut self, window: &Window, offset: u64, magic: &Magic) -> io::Result<()> {
        let (closed_until, budget) = match magic.everywhere {
            true => (self.key_until, &self.key_budget),
            false => (self.closed_until, &self.budget),
        };
        if offset < closed_until {
            return Ok(());
        }
        let place = Place {
            image: self.image,
            image_size_bytes: self.size_bytes,
            offset,
            window,
            budget,
        };
        let mut found = match (magic.reader)(&place) {
            Ok(Some(found)) => found,
            Ok(None) => return Ok(()),
            Err(Stop::Spent) => {
                self.findings.skipped += 1;
                return Ok(());
            }
            Err(Stop::Image(error)) => return Err(error),
        };
        found.ends_at_blank = match (found.size_bytes, &found.checked) {
            (None, _) | (_, Checked::Cut) => false,
            (Some(size_bytes), _) => match place.is_blank_from(size_bytes) {
                Ok(is_blank) => is_blank,
                Err(Stop::Spent) => false,
                Err(Stop::Image(error)) => return Err(error),
            },
        };
        self.closed_until = self.closed_until.max(found.closed_until());
        if found.is_secret() {
            self.key_until = self.key_until.max(found.closed_until());
        }
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

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::{Compression, write::GzEncoder};

    use super::*;
    use crate::image::formats::Format;

    fn gzip(content: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(content).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn what_may_be_spent_ends_unpacking_but_not_the_pass() {
        let mut image = gzip(&vec![0; 4 << 20]);
        let second = image.len();
        image.extend(gzip(b"gauge-07"));
        let rich = find_within(&image, BUDGET_UNITS).unwrap();
        assert_eq!(rich.listed.len(), 2);
        let poor = find_within(&image, 1 << 20).unwrap();
        assert_eq!(poor.listed.len(), 1);
        assert_eq!(poor.listed[0].checked, Checked::TOO_LONG);
        assert_eq!(poor.listed[0].size_bytes, None);
        assert_eq!((rich.skipped, poor.skipped), (0, 1));
        // A header at hand costs nothing.
        image.truncate(second);
        image.extend(b"\x7FELF\x01\x01\x01");
        image.extend([0; 9]);
        image.extend([2, 0, 40, 0, 1, 0, 0, 0]);
        image.extend([0; 16]);
        image.extend([52, 0, 32, 0, 0, 0, 40, 0, 0, 0, 0, 0]);
        image.resize(image.len() + 64, 0xFF);
        let poor = find_within(&image, 1 << 20).unwrap();
        assert_eq!(poor.listed.len(), 2);
        assert_eq!(poor.listed[1].format, Format::Elf);
    }

    #[test]
    fn a_bomb_hides_no_key_and_an_lzma_stream_that_is_too_long_is_listed() {
        let file = |name: &str| std::fs::read(format!("tests/data/formats/{name}")).unwrap();
        let names = ["tides.lzma", "tides.gz", "gauge.key", "gauge-ec.der"];
        let image = names.map(file).concat();
        let poor = find_within(&image, 120_000).unwrap();
        let formats: Vec<_> = poor.listed.iter().map(|found| found.format).collect();
        assert_eq!(formats, [Format::Lzma, Format::Pem, Format::Der]);
        assert_eq!(
            (&poor.listed[0].checked, poor.skipped),
            (&Checked::TOO_LONG, 1)
        );
        assert!(poor.listed[1].is_secret() && poor.listed[2].is_secret());
    }

    #[test]
    fn more_than_can_be_listed_are_counted() {
        let one = gzip(b"gauge-07");
        let image = one.repeat(FINDINGS_MAX + 3);
        let findings = find(&image).unwrap();
        assert_eq!(findings.listed.len(), FINDINGS_MAX);
        assert_eq!(findings.more, 3);
    }

    #[test]
    fn things_across_the_steps_of_the_pass_are_found_once() {
        let one = gzip(&[0x55; 3000]);
        for before in 0..24 {
            let mut image = vec![0xFF; STEP_BYTES - before];
            let offset = image.len() as u64;
            image.extend(&one);
            let findings = find(&image).unwrap();
            let places: Vec<_> = findings.listed.iter().map(|found| found.offset).collect();
            assert_eq!(places, [offset], "{before} before the step");
        }
    }
}
