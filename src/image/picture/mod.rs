//! A drawing in lines: words in a fixed pitch, strokes and hatched boxes, in one colour.
//!
//! It is laid out once and drawn as SVG or PNG. Nothing in it is told by colour, so that it is the same on
//! paper, in the dark, and to whoever does not tell colours apart.

mod hatch;
#[cfg(feature = "reports")]
mod png;
mod svg;
#[cfg(test)]
mod tests;

pub use hatch::Hatch;

/// Width of one character in pixels.
pub const CELL: u32 = 9;
/// Distance from one line of text to the next in pixels.
pub const LINE: u32 = 20;
/// What stays free around all.
pub const MARGIN: u32 = 16;

/// One thing in a picture; all measures are pixels from the upper left corner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Item {
    /// A line of text, [`CELL`] wide for each character.
    Words {
        /// Where its first character begins.
        x: u32,
        /// The middle of its line.
        y: u32,
        /// The text.
        text: String,
        /// Whether it is set in bold.
        bold: bool,
    },
    /// A filled rectangle, such as a line.
    Stroke {
        /// Left edge.
        x: u32,
        /// Upper edge.
        y: u32,
        /// Width.
        width: u32,
        /// Height.
        height: u32,
    },
    /// A filled circle.
    Dot {
        /// Its middle from the left.
        x: u32,
        /// Its middle from above.
        y: u32,
        /// Its radius.
        radius: u32,
    },
    /// A rectangle with an outline of one pixel, hatched within.
    Area {
        /// Left edge.
        x: u32,
        /// Upper edge.
        y: u32,
        /// Width, outline included.
        width: u32,
        /// Height, outline included.
        height: u32,
        /// What it is filled with.
        hatch: Hatch,
    },
}

/// A drawing with what it says in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// What it is, in a line. Ids in the SVG are made of it: two in one page want different titles.
    pub title: String,
    /// What it shows, for whoever does not see it.
    pub description: String,
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// What is drawn, one over the other.
    pub items: Vec<Item>,
}

impl Picture {
    /// An empty drawing.
    #[must_use]
    pub fn new(title: &str, description: &str) -> Self {
        Self {
            title: title.to_owned(),
            description: description.to_owned(),
            width: 2 * MARGIN,
            height: 2 * MARGIN,
            items: Vec::new(),
        }
    }

    /// Adds a thing, and makes room for it.
    pub fn put(&mut self, item: Item) {
        let (right, bottom) = match &item {
            Item::Words { x, y, text, .. } => {
                (x.saturating_add(width_of(text)), y.saturating_add(LINE / 2))
            }
            Item::Dot { x, y, radius } => (x.saturating_add(*radius), y.saturating_add(*radius)),
            Item::Stroke {
                x,
                y,
                width,
                height,
            }
            | Item::Area {
                x,
                y,
                width,
                height,
                ..
            } => (x.saturating_add(*width), y.saturating_add(*height)),
        };
        self.width = self.width.max(right.saturating_add(MARGIN));
        self.height = self.height.max(bottom.saturating_add(MARGIN));
        self.items.push(item);
    }

    /// Adds a line of text whose middle is `y`. Columns, which two spaces or more keep apart, stand each in
    /// its own place, so that they are in line whatever the width of the characters.
    pub fn words(&mut self, x: u32, y: u32, text: &str, bold: bool) {
        for (cells, column) in columns(text) {
            let x = x.saturating_add(cells.saturating_mul(CELL));
            let text = column.to_owned();
            self.put(Item::Words { x, y, text, bold });
        }
    }
}

/// How wide a line of text is.
fn width_of(text: &str) -> u32 {
    count(text).saturating_mul(CELL)
}

fn count(text: &str) -> u32 {
    u32::try_from(text.chars().count()).unwrap_or(u32::MAX)
}

/// The columns of a line, each with the number of characters before it.
fn columns(text: &str) -> Vec<(u32, &str)> {
    let mut found = Vec::new();
    let (mut rest, mut before) = (text, 0);
    loop {
        let column = rest.trim_start_matches(' ');
        before += count(rest) - count(column);
        if column.is_empty() {
            return found;
        }
        let (column, behind) = column.split_at(column.find("  ").unwrap_or(column.len()));
        found.push((before, column.trim_end()));
        before += count(column);
        rest = behind;
    }
}
