//! What differs between the dumps of two units of one kind, and so may be each unit's own.

use std::io;
use std::ops::Range;

use serde::Serialize;

use super::looks::Counter;
use super::stretches::Piece;
use super::{BLOCK_SIZE_BYTES, CHUNK_BYTES, Looks, PAGE_SIZE_BYTES, SMALL_MAX_BYTES, content};
use crate::image::{Entry, Hatch, Holds, ReadAt, RegionMap, Staff, show_size};

/// Differing bytes this near each other are of one thing.
const NEAR_BYTES: u32 = 4 << 10;
/// Stretches that fit a screen.
const SHOWN_MAX: usize = 40;
/// Blocks that are looked at to say what a stretch looks like.
const LOOKED_AT: u32 = 16;

/// A run of bytes that is equal in both images, or differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Contrast {
    /// Where it lies, half-open; it begins and ends at pages of 256 bytes.
    pub range: Range<u32>,
    /// Bytes that differ; none where it is equal.
    pub differing_bytes: u64,
    /// What it looks like in each image; of an equal stretch only whether it is blank is looked at.
    pub looks: [Looks; 2],
    /// Whether it may be each unit's own, so that no write should change it.
    pub may_be_unit_data: bool,
}

/// What differs between two images of one size.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Comparison {
    /// Size of each.
    pub size_bytes: u32,
    /// Bytes that differ.
    pub differing_bytes: u64,
    /// Both images in address order.
    pub stretches: Vec<Contrast>,
}

/// Compares two images of one size.
///
/// # Errors
/// What reading them says; `InvalidInput` where one is longer than the other, `FileTooLarge` from
/// 4 GiB on.
pub fn compare(
    one: &dyn ReadAt,
    two: &dyn ReadAt,
    map: Option<&RegionMap>,
) -> io::Result<Comparison> {
    let size = u32::try_from(one.size_bytes()?).map_err(|_| io::ErrorKind::FileTooLarge)?;
    if two.size_bytes()? != u64::from(size) {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    let runs = differing_runs(one, two, size)?;
    let mut counter = Counter::new();
    let mut stretches = Vec::new();
    let mut at = 0;
    for (range, differing_bytes) in runs {
        if at < range.start {
            stretches.push(equal(one, at..range.start)?);
        }
        at = range.end;
        let looks = [
            look(&mut counter, one, &range)?,
            look(&mut counter, two, &range)?,
        ];
        let in_map = map.map(|map| map.unit_data_in(range.clone()).next().is_some());
        let may_be_unit_data = in_map.unwrap_or(false) || is_small(&range, looks);
        stretches.push(Contrast {
            range,
            differing_bytes,
            looks,
            may_be_unit_data,
        });
    }
    if at < size {
        stretches.push(equal(one, at..size)?);
    }
    let differing_bytes = stretches.iter().map(|one| one.differing_bytes).sum();
    Ok(Comparison {
        size_bytes: size,
        differing_bytes,
        stretches,
    })
}

/// Small content in both images.
fn is_small(range: &Range<u32>, looks: [Looks; 2]) -> bool {
    let there = !looks.contains(&Looks::Blank);
    there && range.end - range.start <= SMALL_MAX_BYTES
}

fn equal(image: &dyn ReadAt, range: Range<u32>) -> io::Result<Contrast> {
    let mut buffer = vec![0; CHUNK_BYTES];
    let (mut at, mut blank) = (range.start, true);
    while blank && at < range.end {
        buffer.truncate((range.end - at).min(CHUNK_BYTES as u32) as usize);
        image.read_at(at.into(), &mut buffer)?;
        blank = content(&buffer).is_none();
        at += buffer.len() as u32;
    }
    let looks = if blank { Looks::Blank } else { Looks::Mixed };
    Ok(Contrast {
        range,
        differing_bytes: 0,
        looks: [looks; 2],
        may_be_unit_data: false,
    })
}

/// What most of the first blocks of a stretch look like.
fn look(counter: &mut Counter, image: &dyn ReadAt, range: &Range<u32>) -> io::Result<Looks> {
    let mut seen: Option<Piece> = None;
    let mut at = range.start;
    let end = range.end.min(
        range
            .start
            .saturating_add(LOOKED_AT * BLOCK_SIZE_BYTES as u32),
    );
    while at < end {
        let mut block = vec![0; ((end - at) as usize).min(BLOCK_SIZE_BYTES)];
        image.read_at(at.into(), &mut block)?;
        let bytes = content(&block).and_then(|(first, last)| block.get(first..last));
        let counted = counter.look(bytes.unwrap_or(&block));
        let next = at + block.len() as u32;
        let piece = Piece::new(at..next, counted, block.len() as u32, false);
        match &mut seen {
            Some(seen) => seen.join(piece),
            None => seen = Some(piece),
        }
        at = next;
    }
    Ok(seen.map_or(Looks::Blank, |piece| piece.looks()))
}

/// Runs of pages that differ, with how many bytes do; near ones are joined.
fn differing_runs(
    one: &dyn ReadAt,
    two: &dyn ReadAt,
    size: u32,
) -> io::Result<Vec<(Range<u32>, u64)>> {
    let (mut a, mut b) = (vec![0; CHUNK_BYTES], vec![0; CHUNK_BYTES]);
    let (mut runs, mut near, mut at) = (Vec::new(), NEAR_BYTES, 0);
    while at < size {
        let length = (size - at).min(CHUNK_BYTES as u32);
        a.truncate(length as usize);
        b.truncate(length as usize);
        one.read_at(at.into(), &mut a)?;
        two.read_at(at.into(), &mut b)?;
        if a != b {
            let pages = a.chunks(PAGE_SIZE_BYTES).zip(b.chunks(PAGE_SIZE_BYTES));
            for ((a, b), start) in pages.zip((at..).step_by(PAGE_SIZE_BYTES)) {
                let bytes = a.iter().zip(b).filter(|(a, b)| a != b).count() as u64;
                if bytes > 0 {
                    add(&mut runs, start..start + a.len() as u32, bytes, near);
                }
            }
        }
        while runs.len() > SHOWN_MAX / 2 && near < 1 << 30 {
            near *= 2;
            let all = std::mem::take(&mut runs);
            all.into_iter()
                .for_each(|(range, bytes)| add(&mut runs, range, bytes, near));
        }
        at += length;
    }
    Ok(runs)
}

fn add(runs: &mut Vec<(Range<u32>, u64)>, range: Range<u32>, bytes: u64, near: u32) {
    match runs.last_mut() {
        Some((last, sum)) if range.start - last.end < near => {
            last.end = range.end;
            *sum += bytes;
        }
        _ => runs.push((range, bytes)),
    }
}

impl Comparison {
    /// The stretches that differ.
    pub fn differing(&self) -> impl Iterator<Item = &Contrast> {
        self.stretches.iter().filter(|one| one.differing_bytes > 0)
    }

    /// Both images as one staff. `map` gives the labels.
    #[must_use]
    pub fn staff(&self, map: Option<&RegionMap>) -> Staff {
        let mut staff = Staff::new(show_size).ending_at(self.size_bytes);
        let spans = map.map(RegionMap::spans).unwrap_or_default();
        let mut begins: Vec<u32> = spans.iter().map(|span| span.range.start).collect();
        begins.extend(self.stretches.iter().map(|one| one.range.start));
        begins.sort_unstable();
        begins.dedup();
        let ends = begins.iter().skip(1).copied().chain([self.size_bytes]);
        for (start, end) in begins
            .iter()
            .copied()
            .zip(ends)
            .filter(|(start, end)| start < end)
        {
            let Some(one) = self.stretches.iter().find(|one| one.range.contains(&start)) else {
                continue;
            };
            let span = spans.iter().find(|span| span.range.start == start);
            staff.push(Entry {
                address: start,
                label: span.map_or("", |span| span.name()).to_owned(),
                amount: u64::from(end - start),
                columns: vec![one.words()],
                hatch: one.hatch(),
            });
            if one.range.start == start && one.differing_bytes > 0 {
                staff.note(None, &one.note(map));
            }
        }
        staff
    }
}

impl Contrast {
    /// How pictures show it.
    fn hatch(&self) -> Hatch {
        match (self.differing_bytes, self.looks, self.may_be_unit_data) {
            (0, [Looks::Blank, _], _) => Hatch::Empty,
            (0, ..) => Hatch::Dotted,
            (_, _, true) => Hatch::Crossed,
            (_, _, false) => Hatch::Level,
        }
    }

    fn words(&self) -> String {
        match (self.differing_bytes, self.looks) {
            (0, [Looks::Blank, _]) => "blank in both".to_owned(),
            (0, _) => "equal".to_owned(),
            (_, [one, two]) if one == two => format!("differs: {one}"),
            (_, [one, two]) => format!("differs: {one}, {two}"),
        }
    }

    fn note(&self, map: Option<&RegionMap>) -> String {
        let s = if self.differing_bytes == 1 {
            " differs"
        } else {
            "s differ"
        };
        let bytes = format!("{} byte{s}", self.differing_bytes);
        let in_map = map.is_some_and(|map| map.kind_at(self.range.start) == Holds::UnitData);
        match (self.may_be_unit_data, in_map) {
            (_, true) => format!("{bytes}; unit data by the map"),
            (true, false) => format!("{bytes}; may be unit data: check this"),
            (false, false) if self.looks.contains(&Looks::Blank) => {
                format!("{bytes}; one of them has nothing there")
            }
            (false, false) => format!("{bytes}; too much for unit data: perhaps other software"),
        }
    }
}

#[cfg(test)]
#[path = "compare_tests.rs"]
mod tests;
