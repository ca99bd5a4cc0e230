//! The staff as a picture: the rule with hatched bands, the words of the terminal beside each mark.

use super::{Row, Staff, Widths, note_lines};
use crate::image::picture::{CELL, Hatch, Item, LINE, MARGIN, Picture};
use crate::image::wrap;
use crate::jedec::Address;

/// Width of the bands.
const BAND: u32 = 48;
/// Thickness of the rule.
const RULE: u32 = 3;
/// Length of a mark where a region begins; one within it is half as long.
const TICK: u32 = 16;
/// Space between a number, a mark and words.
const GAP: u32 = 8;
/// Size that has the least height.
const LEAST_BYTES: u32 = 4096;
/// What each doubling adds to the height.
const DOUBLING: u32 = 6;
/// How the heights are to be read.
pub(super) const SCALE: &str = "Each doubling of size adds the same height.";

impl Staff {
    /// The picture as SVG, with `title` above it. `description` says what it shows; the lines of the staff
    /// are added to it, as the text alternative.
    #[must_use]
    pub fn svg(&self, title: &str, description: &str) -> String {
        self.picture(title, description).svg()
    }

    /// As [`Staff::svg`], but as PNG, black on white.
    ///
    /// # Errors
    /// Where it is larger than a PNG can be.
    #[cfg(feature = "reports")]
    pub fn png(&self, title: &str, description: &str) -> std::io::Result<Vec<u8>> {
        self.picture(title, description).png()
    }

    pub(super) fn picture(&self, title: &str, description: &str) -> Picture {
        let told: String = self
            .lines()
            .iter()
            .map(|line| format!("\n{line}"))
            .collect();
        let mut picture = Picture::new(title, &format!("{description}{told}"));
        let widths = self.widths();
        let place = Place::new(&widths, self.end);
        let mut y = MARGIN + LINE / 2;
        for line in wrap("", "", title) {
            picture.words(MARGIN, y, &line, true);
            y += LINE;
        }
        y += LINE / 2;
        let begin = y;
        for (index, row) in self.rows.iter().enumerate() {
            match row {
                Row::Mark(_) => {
                    let below = self.rows.get(index + 1..).unwrap_or_default();
                    y = self.band(index, below, y, &place, &widths, &mut picture);
                }
                // Those below a mark are drawn with it.
                Row::Note(..) if self.marks_before(index) => {}
                Row::Note(..) => y = self.lines_at(index, y, &place, &widths, &mut picture),
            }
        }
        self.foot(y, &place, &mut picture);
        place.rule(begin, y, &mut picture);
        self.legend(y + LINE, &mut picture);
        picture
    }

    fn marks_before(&self, index: usize) -> bool {
        let before = self.rows.get(..index).unwrap_or_default();
        before.iter().any(|row| matches!(row, Row::Mark(_)))
    }

    /// A mark, its band and all notes below it; gives where the next one may begin.
    fn band(
        &self,
        index: usize,
        below: &[Row],
        top: u32,
        place: &Place,
        widths: &Widths,
        picture: &mut Picture,
    ) -> u32 {
        let notes = below.iter().take_while(|row| matches!(row, Row::Note(..)));
        let mut y = top;
        for row in index..=index + notes.count() {
            y = self.lines_at(row, y, place, widths, picture);
        }
        let Some(Row::Mark(entry)) = self.rows.get(index) else {
            return y;
        };
        let next = below.iter().find_map(|row| match row {
            Row::Mark(next) => Some(next.address),
            Row::Note(..) => None,
        });
        let end = next.or(self.end).unwrap_or(entry.address);
        let bottom = y.max(top + height(end.saturating_sub(entry.address)));
        picture.put(Item::Area {
            x: place.band,
            y: top,
            width: BAND,
            height: bottom - top + 1,
            hatch: entry.hatch,
        });
        bottom
    }

    /// The words of one row, as on the terminal, with its mark and address; gives where the next line is.
    fn lines_at(
        &self,
        index: usize,
        top: u32,
        place: &Place,
        widths: &Widths,
        picture: &mut Picture,
    ) -> u32 {
        let mut lines = Vec::new();
        let (address, label) = match self.rows.get(index) {
            Some(Row::Mark(entry)) => {
                self.mark_lines(entry, widths, &mut lines);
                (Some(entry.address), entry.label.as_str())
            }
            Some(Row::Note(address, text)) => {
                note_lines(*address, text, widths, &mut lines);
                (*address, "")
            }
            None => return top,
        };
        if let Some(address) = address {
            place.mark(address, top, !label.is_empty(), picture);
        }
        let mut y = top;
        for line in &lines {
            let words = line
                .get(widths.address + RULE_COLUMNS..)
                .unwrap_or_default();
            let (name, rest) = match words.get(1..).and_then(|words| words.strip_prefix(label)) {
                Some(rest) if y == top && !label.is_empty() => (label, rest),
                _ => ("", words.get(1..).unwrap_or_default()),
            };
            picture.words(place.words, y, name, true);
            picture.words(place.words + width(name.len()), y, rest, false);
            y += LINE;
        }
        y
    }

    /// The end of the flash, where it is known.
    fn foot(&self, y: u32, place: &Place, picture: &mut Picture) {
        if let Some(end) = self.end {
            place.mark(end, y, true, picture);
        }
    }

    /// What the hatches stand for: what is said first of the bands that have them.
    fn legend(&self, top: u32, picture: &mut Picture) {
        let mut meant: Vec<(Hatch, Vec<&str>)> = Vec::new();
        for row in &self.rows {
            let Row::Mark(entry) = row else { continue };
            let Some(kind) = entry.columns.first() else {
                continue;
            };
            match meant.iter_mut().find(|(hatch, _)| *hatch == entry.hatch) {
                Some((_, kinds)) if kinds.contains(&kind.as_str()) => {}
                Some((_, kinds)) => kinds.push(kind),
                None => meant.push((entry.hatch, vec![kind])),
            }
        }
        let mut y = top + LINE / 2;
        for (hatch, kinds) in meant {
            picture.put(Item::Area {
                x: MARGIN,
                y: y - GAP,
                width: 2 * TICK,
                height: 2 * GAP,
                hatch,
            });
            for line in wrap("", "", &kinds.join("; ")) {
                picture.words(MARGIN + 2 * TICK + GAP, y, &line, false);
                y += LINE;
            }
        }
        picture.words(MARGIN, y, SCALE, false);
    }
}

/// Columns of the terminal's rule besides the address: two spaces before it, one behind it, the mark.
const RULE_COLUMNS: usize = 5;

/// Where things stand from left to right.
struct Place {
    /// Where addresses end.
    address_end: u32,
    /// Left edge of the rule.
    rule: u32,
    /// Left edge of the bands.
    band: u32,
    /// Where words begin.
    words: u32,
}

impl Place {
    fn new(widths: &Widths, end: Option<u32>) -> Self {
        let end = end.map_or(0, |end| Address(end).to_string().len());
        let address_end = MARGIN + width(widths.address.max(end));
        let rule = address_end + GAP + TICK;
        let band = rule + RULE;
        Self {
            address_end,
            rule,
            band,
            words: band + BAND + GAP + GAP / 2,
        }
    }

    /// An address with its mark: `-|` where a region begins, else a shorter one.
    fn mark(&self, address: u32, y: u32, region: bool, picture: &mut Picture) {
        let shown = Address(address).to_string();
        let x = self.address_end.saturating_sub(width(shown.len()));
        picture.words(x, y, &shown, false);
        let (length, height) = if region { (TICK, 2) } else { (TICK / 2, 1) };
        picture.put(Item::Stroke {
            x: self.rule - length,
            y,
            width: length,
            height,
        });
    }

    fn rule(&self, top: u32, bottom: u32, picture: &mut Picture) {
        picture.put(Item::Stroke {
            x: self.rule,
            y: top,
            width: RULE,
            height: bottom - top + 2,
        });
    }
}

fn width(characters: usize) -> u32 {
    u32::try_from(characters).unwrap_or(0) * CELL
}

/// How tall a band is by its size.
fn height(size_bytes: u32) -> u32 {
    LINE + DOUBLING * (size_bytes.max(LEAST_BYTES) / LEAST_BYTES).ilog2()
}
