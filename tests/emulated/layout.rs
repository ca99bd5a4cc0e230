//! A gauge logger's flash, laid out for a chip of any size.

use std::ops::Range;

use crate::random_bytes;

const ADDRESSED_BY_3_BYTES: usize = 1 << 24;

/// Where things are on a chip.
#[derive(Debug, Clone)]
pub struct Layout {
    pub size_bytes: usize,
    /// A sixteenth of the chip, 2 MiB at most.
    unit: usize,
    /// The system begins this far below the middle, or below 16 MiB where the chip reaches beyond.
    edge: usize,
}

/// A piece of the firmware that a unit is converted to.
pub struct Piece {
    pub region: &'static str,
    pub bytes: Vec<u8>,
    pub fill: Option<u8>,
}

impl Layout {
    pub fn of(size_bytes: usize) -> Self {
        let unit = (size_bytes / 16).min(2 << 20);
        let edge = unit.min(64 << 10);
        Self {
            size_bytes,
            unit,
            edge,
        }
    }

    /// Regions in address order, without gaps: name, range, what it holds.
    pub fn regions(&self) -> Vec<(&'static str, Range<usize>, &'static str)> {
        let (size, unit) = (self.size_bytes, self.unit);
        let (system, tail) = (self.turn() - self.edge, size - self.edge.min(unit / 2));
        vec![
            ("boot", 0..unit, "replaceable"),
            ("settings", unit..2 * unit, "replaceable"),
            ("logs", 2 * unit..system, "replaceable"),
            ("system", system..size - 2 * unit, "replaceable"),
            ("calibration", size - 2 * unit..size - unit, "unit-data"),
            ("identity", size - unit..tail, "unit-data"),
            ("tail", tail..size, "replaceable"),
        ]
    }

    pub fn region(&self, name: &str) -> Range<usize> {
        let regions = self.regions();
        let found = regions.into_iter().find(|(known, ..)| *known == name);
        found.unwrap().1
    }

    /// The region map as a person would write it.
    pub fn map(&self) -> String {
        let mut text = format!("size = {}\n", self.size_bytes);
        for (name, range, holds) in self.regions() {
            text += &format!(
                "\n[[region]]\nname = \"{name}\"\nstart = {:#x}\nend = {:#x}\nholds = \"{holds}\"\n",
                range.start, range.end
            );
        }
        text
    }

    /// A unit as found: code and data, part of the logs blank.
    pub fn as_found(&self, seed: u64) -> Vec<u8> {
        let mut bytes = random_bytes(self.size_bytes, seed);
        let logs = self.region("logs");
        bytes[logs.start + logs.len() / 2..logs.end].fill(0xFF);
        bytes
    }

    /// Pieces that change the first block, the last one, and both sides of the turn.
    pub fn pieces(&self, seed: u64) -> Vec<Piece> {
        let piece = |region, len, fill| Piece {
            region,
            bytes: random_bytes(len, seed ^ len as u64),
            fill,
        };
        vec![
            piece("boot", self.unit.min(80 << 10) / 2 + 100, Some(0xFF)),
            piece("system", 2 * self.edge + 1234, None),
            piece("tail", self.region("tail").len(), None),
        ]
    }

    /// The image that the pieces make of `base`, made here without the code under test.
    pub fn with_pieces(&self, base: &[u8], pieces: &[Piece]) -> Vec<u8> {
        let mut image = base.to_vec();
        for piece in pieces {
            let region = &mut image[self.region(piece.region)];
            if let Some(fill) = piece.fill {
                region.fill(fill);
            }
            region[..piece.bytes.len()].copy_from_slice(&piece.bytes);
        }
        image
    }

    /// Where an address needs a fourth byte, or the middle of a chip that has no such place.
    fn turn(&self) -> usize {
        if self.size_bytes > ADDRESSED_BY_3_BYTES {
            ADDRESSED_BY_3_BYTES
        } else {
            self.size_bytes / 2
        }
    }
}
