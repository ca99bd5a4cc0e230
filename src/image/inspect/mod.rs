//! What is in an image, and whether it looks as a dump of a chip should.
//!
//! One pass over the image, 4 KiB at a time, with memory that does not grow with what it holds but
//! for eight bytes a block. All looks are guesses from statistics; what is said of headers has been
//! checked by the format's own means.

mod compare;
mod doubt;
mod draft;
mod fields;
mod looks;
mod repeats;
mod shown;
mod slip;
mod stretches;
mod strings;

use std::io;
use std::ops::Range;

use serde::Serialize;

use super::examine::{Examination, Examiner};
use super::formats::{self, Findings};
use super::{Holds, ReadAt, RegionMap};
pub use compare::{Comparison, Contrast, compare};
pub use doubt::{Doubt, SizeSource};
use looks::Counter;
pub use looks::Looks;
use slip::{Samples, Starts};
use stretches::{Piece, Stretches};
pub use strings::{FoundString, Strings, strings};

/// Granularity of looks.
const BLOCK_SIZE_BYTES: usize = 4096;
/// Granularity of where blank begins and ends.
const PAGE_SIZE_BYTES: usize = 256;
/// Unit data seldom takes more than this.
const SMALL_MAX_BYTES: u32 = 16 << 10;
/// Headers that begin a stretch; more are only noted.
const HEADERS_MAX: usize = 24;
/// In more than this no fields are looked for.
const FIELDS_IN_BYTES: u32 = 1 << 20;
/// Read at a time.
const CHUNK_BYTES: usize = 64 << 10;

/// A run of bytes that looks alike.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Stretch {
    /// Where it lies, half-open.
    pub range: Range<u32>,
    /// What most of it looks like.
    pub looks: Looks,
    /// Mean over its 4 KiB blocks of Shannon's entropy of their byte values, in bits a byte; of a
    /// block, the bytes between blank ends count.
    pub bits_a_byte: f64,
    /// How often the same bytes stand in it, one behind the other.
    pub times: u32,
    /// Start of an earlier stretch that holds the same bytes.
    pub equals: Option<u32>,
    /// Fields shaped like network addresses; looked for only where unit data is, or may be.
    pub address_fields: u32,
}

impl Stretch {
    /// How long it is.
    #[must_use]
    pub fn length(&self) -> u32 {
        self.range.end - self.range.start
    }
}

/// What an image holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Inspection {
    /// Size, blank share, stuck bits, repeats.
    pub look: Examination,
    /// The whole image in address order, cut where a region begins.
    pub stretches: Vec<Stretch>,
    /// Headers of open formats, and what each format's own checks say.
    pub findings: Findings,
    /// What speaks against the image as a dump of a whole chip; none for a sane one.
    pub doubts: Vec<Doubt>,
}

impl Inspection {
    /// Whether nothing speaks against the image.
    #[must_use]
    pub fn is_sane(&self) -> bool {
        self.doubts.is_empty()
    }
}

/// What is known of an image beside its bytes.
#[derive(Debug, Clone, Default)]
pub struct Known<'a> {
    /// The region map that should fit it.
    pub map: Option<&'a RegionMap>,
    /// Size of the chip that it should be a dump of.
    pub chip_size_bytes: Option<u32>,
    /// Whether the chip itself has told that what repeats is there twice, as a backup has it do. Of an
    /// upper half that repeats the lower one it has not.
    pub repeats_are_real: bool,
}

/// Looks at a whole image.
///
/// # Errors
/// What reading it says; `FileTooLarge` from 4 GiB on.
pub fn inspect(image: &dyn ReadAt, known: &Known<'_>) -> io::Result<Inspection> {
    let size = u32::try_from(image.size_bytes()?).map_err(|_| io::ErrorKind::FileTooLarge)?;
    let findings = formats::find(image)?;
    let mut pass = Pass::new(begins(known.map, &findings));
    each_chunk(image, size, |address, chunk| pass.chunk(address, chunk))?;
    let look = pass.examiner.finish();
    let mut doubts = doubt::of_size(size, known);
    doubts.extend(doubt::of_look(&look, known));
    doubts.extend(doubt::of_headers(&findings, size));
    let slip = pass.starts.finish().map(Doubt::from);
    doubts.extend(slip.or_else(|| doubt::of_header_places(&findings)));
    doubts.extend(pass.samples.finish(image)?.map(Doubt::from));
    let mut stretches: Vec<Stretch> = pass.stretches.finish().iter().map(stretch).collect();
    repeats::note(image, &mut stretches)?;
    note_fields(image, &mut stretches, known.map, &findings)?;
    Ok(Inspection {
        look,
        stretches,
        findings,
        doubts,
    })
}

/// Where a stretch begins whatever the looks: at regions, and at headers that a person would call
/// the start of something.
fn begins(map: Option<&RegionMap>, findings: &Findings) -> Vec<u32> {
    let spans = map.map(RegionMap::spans).unwrap_or_default();
    let offsets = findings.listed.iter().map(|finding| finding.offset);
    let headers = offsets
        .filter(|offset| offset % PAGE_SIZE_BYTES as u64 == 0)
        .filter_map(|offset| u32::try_from(offset).ok());
    let regions = spans.iter().map(|span| span.range.start);
    regions.chain(headers.take(HEADERS_MAX)).collect()
}

/// Counts address-shaped fields where the map has unit data; without a map, in all that is small and
/// stands alone.
fn note_fields(
    image: &dyn ReadAt,
    stretches: &mut [Stretch],
    map: Option<&RegionMap>,
    findings: &Findings,
) -> io::Result<()> {
    let mut blank_before = true;
    for stretch in stretches {
        let alone = std::mem::replace(&mut blank_before, stretch.looks == Looks::Blank);
        let looked_at = match map {
            Some(map) => map.kind_at(stretch.range.start) == Holds::UnitData,
            None => alone && stretch.length() <= SMALL_MAX_BYTES,
        };
        if blank_before || !looked_at || stretch.length() > FIELDS_IN_BYTES {
            continue;
        }
        let mut bytes = vec![0; stretch.length() as usize];
        image.read_at(stretch.range.start.into(), &mut bytes)?;
        blank_findings(&mut bytes, stretch.range.start.into(), findings);
        stretch.address_fields = fields::count(&bytes);
    }
    Ok(())
}

/// What a format's own checks have named holds no fields of ours.
fn blank_findings(bytes: &mut [u8], start: u64, findings: &Findings) {
    let within = |offset: u64| {
        let index = usize::try_from(offset.saturating_sub(start)).unwrap_or(usize::MAX);
        index.min(bytes.len())
    };
    let listed = findings.listed.iter();
    let ranges: Vec<_> = listed
        .filter_map(|one| Some((one.offset, one.offset.saturating_add(one.size_bytes?))))
        .map(|(from, to)| within(from)..within(to))
        .collect();
    for range in ranges {
        if let Some(bytes) = bytes.get_mut(range) {
            bytes.fill(0xFF);
        }
    }
}

fn stretch(piece: &Piece) -> Stretch {
    Stretch {
        range: piece.range.clone(),
        looks: piece.looks(),
        bits_a_byte: piece.bits(),
        times: 1,
        equals: None,
        address_fields: 0,
    }
}

/// Hands the image over in pieces that begin at multiples of their size.
fn each_chunk(image: &dyn ReadAt, size: u32, mut look: impl FnMut(u32, &[u8])) -> io::Result<()> {
    let mut buffer = vec![0; CHUNK_BYTES];
    let mut at = 0;
    while at < size {
        let length = (size - at).min(CHUNK_BYTES as u32);
        buffer.truncate(length as usize);
        image.read_at(u64::from(at), &mut buffer)?;
        look(at, &buffer);
        at += length;
    }
    Ok(())
}

/// All that is gathered while the image goes by.
struct Pass {
    examiner: Examiner,
    counter: Counter,
    starts: Starts,
    samples: Samples,
    stretches: Stretches,
    /// Where something begins, the next one last.
    begins: Vec<u32>,
}

impl Pass {
    fn new(mut begins: Vec<u32>) -> Self {
        begins.sort_unstable_by(|a, b| b.cmp(a));
        begins.dedup();
        Self {
            examiner: Examiner::new(),
            counter: Counter::new(),
            starts: Starts::default(),
            samples: Samples::default(),
            stretches: Stretches::default(),
            begins,
        }
    }

    fn chunk(&mut self, address: u32, chunk: &[u8]) {
        self.examiner.feed(chunk);
        let addresses = (address..).step_by(BLOCK_SIZE_BYTES);
        for (block, address) in chunk.chunks(BLOCK_SIZE_BYTES).zip(addresses) {
            self.starts.block(address, block, content(block));
            self.cut(address, block);
        }
    }

    /// Cuts a block where something begins within it.
    fn cut(&mut self, mut address: u32, mut block: &[u8]) {
        let mut begins = false;
        while let Some(next) = self.begins.last().copied() {
            let Some(before) = next.checked_sub(address).map(|length| length as usize) else {
                self.begins.pop();
                continue;
            };
            let Some((head, rest)) = block
                .split_at_checked(before)
                .filter(|(_, rest)| !rest.is_empty())
            else {
                break;
            };
            self.part(address, head, begins);
            (address, block, begins) = (next, rest, true);
            self.begins.pop();
        }
        self.part(address, block, begins);
    }

    /// Takes a block, or a part of one: blank pages at its ends are stretches of their own.
    fn part(&mut self, address: u32, part: &[u8], begins: bool) {
        if part.is_empty() {
            return;
        }
        let Some((first, end)) = content(part) else {
            self.push(address, part, part, begins);
            return;
        };
        // Counted from the image's pages, wherever the part begins.
        let lead = address as usize % PAGE_SIZE_BYTES;
        let page = |at: usize| (lead + at) / PAGE_SIZE_BYTES * PAGE_SIZE_BYTES;
        let head = page(first).saturating_sub(lead);
        let tail = (page(end - 1) + PAGE_SIZE_BYTES - lead).min(part.len());
        let (head, rest) = part.split_at(head);
        let (body, tail) = rest.split_at(tail - head.len());
        let body_at = address + head.len() as u32;
        self.push(address, head, head, begins);
        let bytes = part.get(first..end).unwrap_or(body);
        let looks = self.push(body_at, body, bytes, begins && head.is_empty());
        self.samples.offer(block_of(address), looks);
        self.push(body_at + body.len() as u32, tail, tail, false);
    }

    /// Takes bytes of one look, which `counted` shows.
    fn push(&mut self, address: u32, bytes: &[u8], counted: &[u8], begins: bool) -> Looks {
        if bytes.is_empty() {
            return Looks::Blank;
        }
        let mut found = self.counter.look(counted);
        if matches!(found.looks, Looks::Filled(_)) && counted.len() < bytes.len() {
            // A lone byte, or a few, at the edge of the blank.
            found.looks = Looks::Mixed;
        }
        let range = address..address + bytes.len() as u32;
        self.stretches
            .push(Piece::new(range, found, counted.len() as u32, begins));
        found.looks
    }
}

fn block_of(address: u32) -> u32 {
    address - address % BLOCK_SIZE_BYTES as u32
}

/// The first and behind the last byte that is not FF; `None` in a blank block.
fn content(block: &[u8]) -> Option<(usize, usize)> {
    const BLANK: [u8; PAGE_SIZE_BYTES] = [0xFF; PAGE_SIZE_BYTES];
    let is_blank = |page: &[u8]| BLANK.get(..page.len()) == Some(page);
    let first_page = block
        .chunks(PAGE_SIZE_BYTES)
        .position(|page| !is_blank(page))?;
    let from = first_page * PAGE_SIZE_BYTES;
    let rest = block.get(from..)?;
    let first = from + rest.iter().position(|byte| *byte != 0xFF)?;
    let last_page = rest
        .chunks(PAGE_SIZE_BYTES)
        .rposition(|page| !is_blank(page))?;
    let upto = (from + (last_page + 1) * PAGE_SIZE_BYTES).min(block.len());
    let last = block.get(..upto)?.iter().rposition(|byte| *byte != 0xFF)?;
    Some((first, last + 1))
}

#[cfg(test)]
mod tests;
