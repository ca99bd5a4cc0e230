//! A first region map for an image that has none yet: where regions may begin, and why.
//!
//! It is a starting point for a person. Nothing in it may be replaced: what looks like unit data is
//! `unit-data`, all else is `keep`, so that a map left as drafted lets no write change a byte.

use std::fmt::Write;
use std::ops::Range;

use super::{Comparison, Inspection, Looks, SMALL_MAX_BYTES, Stretch};
use crate::image::formats::Finding;
use crate::image::{Holds, show_size};
use crate::jedec::Address;

/// Regions begin and end at multiples of this, where two do not share one such block.
const BLOCK_BYTES: u32 = 64 << 10;
/// Where they do: the smallest erase block that is common.
const SMALLEST_BYTES: u32 = 4 << 10;
/// A stretch from this length on may be a region of its own, though nothing separates it.
const OWN_MIN_BYTES: u32 = 64 << 10;

/// Headers that a region's comment names.
const FINDINGS_MAX: usize = 8;

/// A region as drafted.
#[derive(Debug, Clone, PartialEq)]
struct Draft {
    content: Range<u32>,
    looks: Looks,
    holds: Holds,
    why: Vec<String>,
}

impl Inspection {
    /// The text of a `regions.toml` with a comment in each region that says why. `compared` is what
    /// another unit's image shows.
    #[must_use]
    pub fn draft_map(&self, image: &str, compared: Option<&Comparison>) -> String {
        let size = u32::try_from(self.look.size_bytes).unwrap_or(u32::MAX);
        let mut drafts = self.drafts();
        if let Some(comparison) = compared {
            drafts = drafts
                .into_iter()
                .flat_map(|draft| split(draft, comparison))
                .collect();
        }
        let mut text = format!(
            "# Drafted from {} by norlock inspect. Guesses: check each region, then\n\
             # say 'replaceable' where a write may change it. As it is, no write changes a byte.\n\
             # Bytes that no region names are kept.\nsize = {size}",
            plain(image)
        );
        if size >= 1024 {
            let _ = write!(text, "  # {}", show_size(size.into()));
        }
        text.push('\n');
        for doubt in &self.doubts {
            let _ = writeln!(text, "# Not a sane dump: {doubt}.");
        }
        if compared.is_some_and(|comparison| comparison.differing_bytes == 0) {
            text.push_str("# Both dumps are equal: they do not show what is each unit's own.\n");
        }
        let mut before_end = 0;
        for (index, draft) in drafts.iter().enumerate() {
            let after = drafts
                .get(index + 1)
                .map_or(size, |after| after.content.start);
            let range = borders(&draft.content, before_end, after, size);
            text.push_str(&draft.text(&range));
            before_end = range.end;
        }
        text
    }

    /// Content that stands together, in address order.
    fn drafts(&self) -> Vec<Draft> {
        let mut drafts: Vec<Draft> = Vec::new();
        let mut alone = true;
        for stretch in &self.stretches {
            if stretch.looks == Looks::Blank {
                // Less than the smallest block cannot separate two regions.
                alone |= stretch.range.end / SMALLEST_BYTES
                    > stretch.range.start.div_ceil(SMALLEST_BYTES)
                    || stretch.range.end % SMALLEST_BYTES == 0;
                continue;
            }
            let starts_block = stretch.range.start % SMALLEST_BYTES == 0;
            let large = stretch.length() >= OWN_MIN_BYTES && starts_block;
            let range = u64::from(stretch.range.start)..u64::from(stretch.range.end);
            let within = self
                .findings
                .listed
                .iter()
                .filter(|one| range.contains(&one.offset));
            let headed = starts_block && within.clone().any(|one| one.offset == range.start);
            let begins = large || headed || (alone && starts_block);
            match drafts.last_mut() {
                Some(last) if !begins => last.join(stretch),
                _ => drafts.push(Draft::new(stretch)),
            }
            if let Some(draft) = drafts.last_mut() {
                within
                    .take(FINDINGS_MAX)
                    .for_each(|finding| draft.find(finding));
            }
            alone = false;
        }
        drafts.iter_mut().for_each(Draft::judge);
        drafts
    }
}

impl Draft {
    fn new(stretch: &Stretch) -> Self {
        let mut draft = Self {
            content: stretch.range.clone(),
            looks: stretch.looks,
            holds: Holds::Keep,
            why: Vec::new(),
        };
        draft.join(stretch);
        draft
    }

    fn join(&mut self, stretch: &Stretch) {
        self.content.end = stretch.range.end;
        let at = Address(stretch.range.start);
        let looks = match stretch.times {
            1 => stretch.looks.to_string(),
            times => format!("{}, {times} times", stretch.looks),
        };
        self.why.push(format!(
            "{at}: {}, {looks}",
            show_size(stretch.length().into())
        ));
        if let Some(other) = stretch.equals {
            self.why.push(format!("the same as at {}", Address(other)));
        }
        if stretch.address_fields > 0 {
            let fields = stretch.address_fields;
            self.why
                .push(format!("fields shaped like network addresses: {fields}"));
            self.holds = Holds::UnitData;
        }
    }

    fn find(&mut self, finding: &Finding) {
        let at = u32::try_from(finding.offset).unwrap_or(u32::MAX);
        self.why
            .push(format!("{}: {}", Address(at), finding.sentence()));
        if finding.is_secret() {
            self.holds = Holds::UnitData;
        }
    }

    /// Small content that stands alone may be this unit's own, whatever it looks like.
    fn judge(&mut self) {
        if self.content.end - self.content.start <= SMALL_MAX_BYTES {
            self.holds = Holds::UnitData;
        }
    }

    fn text(&self, range: &Range<u32>) -> String {
        let mut text = String::from("\n");
        for why in &self.why {
            let _ = writeln!(text, "# {}", plain(why));
        }
        let word = match self.looks {
            Looks::Filled(_) => "filled".to_owned(),
            looks => looks.to_string(),
        };
        let holds = match self.holds {
            Holds::UnitData => {
                text.push_str("# check this: it may be this unit's own\n");
                "unit-data"
            }
            Holds::Keep | Holds::Replaceable => "keep",
        };
        let (start, end) = (Address(range.start), Address(range.end));
        let _ = write!(
            text,
            "[[region]]\nname = \"{word}-{:06X}\"\nstart = {start}\nend = {end}\nholds = \"{holds}\"\n",
            range.start
        );
        text
    }
}

/// Region borders around content: on 64 KiB where no neighbour is in the same block, else on 4 KiB.
fn borders(content: &Range<u32>, before_end: u32, after_start: u32, size: u32) -> Range<u32> {
    let down = |step: u32| content.start - content.start % step;
    let start = match down(BLOCK_BYTES) {
        large if large >= before_end => large,
        _ => down(SMALLEST_BYTES),
    };
    let end = match up(content.end, BLOCK_BYTES) {
        large if large <= after_start => large,
        _ => up(content.end, SMALLEST_BYTES),
    };
    start..end.min(size)
}

fn up(address: u32, step: u32) -> u32 {
    address.checked_next_multiple_of(step).unwrap_or(u32::MAX)
}

/// Parts that differ between two units become regions of their own.
fn split(draft: Draft, comparison: &Comparison) -> Vec<Draft> {
    let within =
        |range: &Range<u32>| range.start < draft.content.end && draft.content.start < range.end;
    let differing = comparison.differing().filter(|one| within(&one.range));
    let mut ranges: Vec<(Range<u32>, u64, bool)> = Vec::new();
    for one in differing {
        let start = one.range.start - one.range.start % SMALLEST_BYTES;
        let range = start.max(draft.content.start)
            ..up(one.range.end, SMALLEST_BYTES).min(draft.content.end);
        match ranges.last_mut() {
            Some((last, bytes, own)) if last.end >= range.start => {
                last.end = last.end.max(range.end);
                *bytes += one.differing_bytes;
                *own |= one.may_be_unit_data;
            }
            _ => ranges.push((range, one.differing_bytes, one.may_be_unit_data)),
        }
    }
    // Being equal makes nothing less this unit's own: both dumps may be of one unit.
    let part = |content: Range<u32>, differing_bytes: u64, may_be_unit_data: bool| {
        let mut part = Draft {
            content,
            ..draft.clone()
        };
        if differing_bytes > 0 {
            part.why.push(format!(
                "bytes that differ between the two units: {differing_bytes}"
            ));
        } else {
            part.why.push("equal in both units".to_owned());
        }
        if may_be_unit_data {
            part.holds = Holds::UnitData;
        }
        part
    };
    let (mut parts, mut at) = (Vec::new(), draft.content.start);
    for (range, bytes, own) in ranges {
        if at < range.start {
            parts.push(part(at..range.start, 0, false));
        }
        at = range.end;
        parts.push(part(range, bytes, own));
    }
    if at < draft.content.end {
        parts.push(part(at..draft.content.end, 0, false));
    }
    parts
}

/// Text for a comment: control characters would end the line.
fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

#[cfg(test)]
#[path = "draft_tests.rs"]
mod tests;
