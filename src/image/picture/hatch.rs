//! Hatches: what tells areas apart where there is no colour.

use crate::image::Holds;

/// Edge of the square that repeats, in pixels.
pub const TILE: u32 = 8;

/// What an area is filled with. What it stands for is in the legend of each picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Hatch {
    /// Nothing: for what is blank.
    #[default]
    Empty,
    /// Lines rising to the right: for what may be replaced.
    Rising,
    /// Lines falling to the right.
    Falling,
    /// Both: for what is the unit's own.
    Crossed,
    /// Lines that lie: for what changes.
    Level,
    /// Lines that stand.
    Upright,
    /// Both of these.
    Squared,
    /// Dots: for what is left as found.
    Dotted,
}

/// A line in the tile, in either of eight directions: where it begins, where it ends.
pub type TileLine = ((i32, i32), (i32, i32));

const RISING: TileLine = ((0, 8), (8, 0));
const FALLING: TileLine = ((0, 0), (8, 8));
const LEVEL: TileLine = ((0, 4), (8, 4));
const UPRIGHT: TileLine = ((4, 0), (4, 8));
const DOTS: [TileLine; 2] = [((1, 2), (2, 2)), ((5, 6), (6, 6))];

impl Hatch {
    /// A name for it within a drawing.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::Rising => "rising",
            Self::Falling => "falling",
            Self::Crossed => "crossed",
            Self::Level => "level",
            Self::Upright => "upright",
            Self::Squared => "squared",
            Self::Dotted => "dotted",
        }
    }

    /// The lines of its tile.
    pub const fn lines(self) -> &'static [TileLine] {
        match self {
            Self::Empty => &[],
            Self::Rising => &[RISING],
            Self::Falling => &[FALLING],
            Self::Crossed => &[RISING, FALLING],
            Self::Level => &[LEVEL],
            Self::Upright => &[UPRIGHT],
            Self::Squared => &[LEVEL, UPRIGHT],
            Self::Dotted => &DOTS,
        }
    }

    /// The pixels of its tile, row by row; bit 0 is the leftmost.
    pub fn rows(self) -> [u8; TILE as usize] {
        let mut rows = [0; TILE as usize];
        for ((x, y), (to_x, to_y)) in self.lines() {
            let steps = (to_x - x).abs().max((to_y - y).abs());
            for step in 0..steps {
                let column = (x + step * (to_x - x).signum()).rem_euclid(8);
                let row = (y + step * (to_y - y).signum()).rem_euclid(8);
                if let Some(bits) = rows.get_mut(usize::try_from(row).unwrap_or(0)) {
                    *bits |= 1 << column;
                }
            }
        }
        rows
    }
}

impl From<Holds> for Hatch {
    fn from(holds: Holds) -> Self {
        match holds {
            Holds::Replaceable => Self::Rising,
            Holds::UnitData => Self::Crossed,
            Holds::Keep => Self::Dotted,
        }
    }
}
