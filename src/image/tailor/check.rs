//! What goes where, checked against the map and the files before anything is made.

use std::ops::Range;

use sha2::{Digest, Sha256};

use super::{
    BASELINE, Filling, Piece, PlacedPiece, Rest, TailorError, each_chunk, first_bytes, read,
    size_of, unread,
};
use crate::image::ReadAt;
use crate::image::plain::TextLook;
use crate::image::records::{Form, HEAD_BYTES, RecordFile, Unusable};
use crate::image::regions::{Holds, Region, RegionMap};
use crate::jedec::Address;

/// A filling that has been checked against the map, its pieces hashed and placed.
pub(super) struct Checked<'a> {
    pub region: &'a Region,
    /// By address; they do not overlap.
    pub pieces: Vec<CheckedPiece<'a>>,
    pub rest: Option<Rest>,
}

/// A piece in its place.
pub(super) struct CheckedPiece<'a> {
    pub placed: PlacedPiece,
    pub bytes: &'a dyn ReadAt,
    pub source: Source<'a>,
    /// Flash address of what has address 0 in the file.
    pub shift: u32,
    file_size_bytes: u64,
}

/// Where a piece's bytes come from.
pub(super) enum Source<'a> {
    Raw,
    Records(RecordFile<'a>),
}

pub(super) fn fillings<'a>(
    baseline: &dyn ReadAt,
    map: &'a RegionMap,
    fillings: &'a [Filling<'a>],
) -> Result<Vec<Checked<'a>>, TailorError> {
    let size = size_of(baseline, BASELINE)?;
    if size != u64::from(map.size_bytes()) {
        return Err(TailorError::MapSize {
            map_bytes: map.size_bytes(),
            baseline_bytes: size,
        });
    }
    let mut checked: Vec<Checked<'a>> = Vec::new();
    for filling in fillings {
        let region = replaceable(map, &filling.region)?;
        if checked.iter().any(|other| other.region.name == region.name) {
            return Err(TailorError::RegionTwice(region.name.clone()));
        }
        let pieces = filling.pieces.iter();
        let pieces = pieces.map(|piece| check_piece(baseline, region, piece));
        let mut pieces = pieces.collect::<Result<Vec<_>, _>>()?;
        pieces.sort_by_key(|piece| piece.placed.range.start);
        fit(region, &pieces, filling.rest)?;
        checked.push(Checked {
            region,
            pieces,
            rest: filling.rest,
        });
    }
    Ok(checked)
}

/// That the pieces' files are still what they were.
pub(super) fn unchanged(checked: &[Checked<'_>]) -> Result<(), TailorError> {
    for piece in checked.iter().flat_map(|checked| &checked.pieces) {
        let (file, size) = (&piece.placed.file, piece.file_size_bytes);
        let mut hash = Sha256::new();
        each_chunk(piece.bytes, 0..size, file, &mut |chunk| hash.update(chunk))?;
        if <[u8; 32]>::from(hash.finalize()) != piece.placed.sha256 {
            return Err(TailorError::ChangedMeanwhile { file: file.clone() });
        }
    }
    Ok(())
}

fn replaceable<'a>(map: &'a RegionMap, name: &str) -> Result<&'a Region, TailorError> {
    let region = map
        .region(name)
        .ok_or_else(|| TailorError::NoSuchRegion(name.to_owned()))?;
    if region.holds == Holds::Replaceable {
        return Ok(region);
    }
    Err(TailorError::NotReplaceable {
        region: region.name.clone(),
        holds: region.holds,
    })
}

fn check_piece<'a>(
    baseline: &dyn ReadAt,
    region: &Region,
    piece: &'a Piece<'a>,
) -> Result<CheckedPiece<'a>, TailorError> {
    let file = &piece.file;
    let size = size_of(piece.bytes, file)?;
    let (mut hash, mut text) = (Sha256::new(), TextLook::default());
    each_chunk(piece.bytes, 0..size, file, &mut |chunk| {
        hash.update(chunk);
        text.look(chunk);
    })?;
    let found = hash.finalize().into();
    if piece.sha256 != found {
        return Err(TailorError::PieceHash {
            file: file.clone(),
            expected: piece.sha256,
            found,
        });
    }
    let (form, records_from) = form_of(piece.bytes, size, file)?;
    if let Some(line) = records_from {
        let file = file.clone();
        return Err(TailorError::RecordsBehind { file, line });
    }
    if form == Form::Raw && text.is_text() && !holds_text(baseline, region)? {
        return Err(TailorError::TextPiece {
            file: file.clone(),
            region: region.name.clone(),
        });
    }
    place(region, piece, form, size)
}

/// How a file is written; and for one that is not, at which line records begin in it all the same.
fn form_of(
    bytes: &dyn ReadAt,
    size_bytes: u64,
    file: &str,
) -> Result<(Form, Option<u64>), TailorError> {
    let mut head = [0; HEAD_BYTES];
    let head = first_bytes(&mut head, size_bytes);
    read(bytes, 0, head, file)?;
    let form = Form::of(head);
    let raw = form == Form::Raw;
    Ok((form, raw.then(|| Form::behind_others(head)).flatten()))
}

/// Whether what the baseline has in a region is text, with blanks and zeros around it.
fn holds_text(baseline: &dyn ReadAt, region: &Region) -> Result<bool, TailorError> {
    let range = u64::from(region.range.start)..u64::from(region.range.end);
    let mut text = TextLook::default();
    each_chunk(baseline, range, BASELINE, &mut |chunk| {
        let content = |byte: &u8| !matches!(byte, 0 | 0xFF);
        let content: Vec<u8> = chunk.iter().copied().filter(content).collect();
        text.look(&content);
    })?;
    Ok(text.is_text())
}

/// Finds the piece's place in its region.
fn place<'a>(
    region: &Region,
    piece: &'a Piece<'a>,
    form: Form,
    file_size_bytes: u64,
) -> Result<CheckedPiece<'a>, TailorError> {
    let begins = begins(region, piece)?;
    let (source, shift, range, size_bytes) = match form {
        Form::Raw => {
            let range = u64::from(begins)..u64::from(begins) + file_size_bytes;
            (Source::Raw, begins, range, file_size_bytes)
        }
        _ => {
            let file = record_file(piece, form, file_size_bytes)?;
            let (shift, range) = place_records(region, piece, begins, &file)?;
            let size_bytes = file.ranges().map(|range| range.end - range.start).sum();
            (Source::Records(file), shift, range, size_bytes)
        }
    };
    if size_bytes == 0 {
        let file = piece.file.clone();
        return Err(TailorError::EmptyPiece { file });
    }
    // Where the flash ends beyond 4 GiB, so does the region, and nothing fits there.
    let end = u32::try_from(range.end).unwrap_or(u32::MAX);
    if range.end > u64::from(region.range.end) {
        return Err(TailorError::PieceTooLarge {
            file: piece.file.clone(),
            piece_bytes: range.end - range.start,
            region: region.name.clone(),
            region_bytes: region.range.end - begins,
            offset: piece.offset,
        });
    }
    let placed = PlacedPiece {
        file: piece.file.clone(),
        form,
        sha256: piece.sha256,
        range: u32::try_from(range.start).unwrap_or(u32::MAX)..end,
        size_bytes,
    };
    Ok(CheckedPiece {
        placed,
        bytes: piece.bytes,
        source,
        shift,
        file_size_bytes,
    })
}

/// Flash address at which a piece begins that has no addresses of its own.
fn begins(region: &Region, piece: &Piece<'_>) -> Result<u32, TailorError> {
    let offset = piece.offset.unwrap_or(0);
    if offset < region.range.end - region.range.start {
        return Ok(region.range.start + offset);
    }
    Err(TailorError::OffsetOutside {
        file: piece.file.clone(),
        offset: Address(offset),
        region: region.name.clone(),
        region_bytes: region.range.end - region.range.start,
    })
}

fn record_file<'a>(
    piece: &'a Piece<'a>,
    form: Form,
    size_bytes: u64,
) -> Result<RecordFile<'a>, TailorError> {
    RecordFile::read(piece.bytes, size_bytes, form, &piece.file).map_err(|error| match error {
        Unusable::Damaged(error) => TailorError::Records(error),
        Unusable::Io(error) => unread(&piece.file, error),
    })
}

/// What to add to the addresses of a file of records, and where its data then lie.
///
/// They are flash addresses if they lie in the region, and count from where the piece begins if the
/// lowest is 0. Both can be true only where that is the same. A place that was given must be the place
/// of the first byte.
fn place_records(
    region: &Region,
    piece: &Piece<'_>,
    begins: u32,
    file: &RecordFile<'_>,
) -> Result<(u32, Range<u64>), TailorError> {
    let mut ranges = file.ranges();
    let Some(first) = ranges.next() else {
        return Ok((0, 0..0));
    };
    let own = first.start..ranges.last().map_or(first.end, |last| last.end);
    let least = match piece.offset {
        Some(_) => begins,
        None => region.range.start,
    };
    let window = u64::from(least)..u64::from(region.range.end);
    let at_its_place = piece.offset.is_none() || own.start == window.start;
    if own.start >= window.start && own.end <= window.end && at_its_place {
        return Ok((0, own));
    }
    if own.start == 0 {
        let base = u64::from(begins);
        return Ok((begins, base..base + own.end));
    }
    let outside = file.outside(&window);
    let (line, address) = outside.unwrap_or((1, u32::try_from(own.start).unwrap_or(u32::MAX)));
    Err(TailorError::RecordsElsewhere {
        file: piece.file.clone(),
        line,
        address: Address(address),
        region: region.name.clone(),
        wanted: Address(least)..Address(region.range.end),
    })
}

/// That no two pieces want the same byte, and that what no piece has is told of.
fn fit(
    region: &Region,
    pieces: &[CheckedPiece<'_>],
    rest: Option<Rest>,
) -> Result<(), TailorError> {
    let mut ranges: Vec<(Range<u64>, &str)> =
        pieces.iter().flat_map(CheckedPiece::ranges).collect();
    ranges.sort_by_key(|(range, _)| range.start);
    let (mut end, mut gap) = (u64::from(region.range.start), None);
    let mut before = (0..0, "");
    for (range, file) in &ranges {
        if range.start < end {
            return Err(TailorError::PiecesOverlap {
                one: before.1.to_owned(),
                one_at: addresses(&before.0),
                other: (*file).to_owned(),
                other_at: addresses(range),
                region: region.name.clone(),
            });
        }
        if range.start > end {
            gap = gap.or(Some(end));
        }
        end = range.end;
        before = (range.clone(), file);
    }
    if end < u64::from(region.range.end) {
        gap = gap.or(Some(end));
    }
    match (gap, rest) {
        (Some(gap), None) => Err(TailorError::NoRule {
            region: region.name.clone(),
            region_bytes: region.range.end - region.range.start,
            pieces_bytes: pieces.iter().map(|piece| piece.placed.size_bytes).sum(),
            first: Address(u32::try_from(gap).unwrap_or(u32::MAX)),
        }),
        _ => Ok(()),
    }
}

fn addresses(range: &Range<u64>) -> Range<Address> {
    let address = |at: u64| Address(u32::try_from(at).unwrap_or(u32::MAX));
    address(range.start)..address(range.end)
}

impl CheckedPiece<'_> {
    /// Flash addresses that it has bytes for, with its name.
    fn ranges(&self) -> Vec<(Range<u64>, &str)> {
        let file = self.placed.file.as_str();
        let shift = u64::from(self.shift);
        match &self.source {
            Source::Raw => {
                let range = &self.placed.range;
                vec![(u64::from(range.start)..u64::from(range.end), file)]
            }
            Source::Records(records) => {
                let ranges = records.ranges();
                let moved = ranges.map(|range| range.start + shift..range.end + shift);
                moved.map(|range| (range, file)).collect()
            }
        }
    }
}
