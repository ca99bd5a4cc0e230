//! A gauge logger's flash, laid out for a chip of any size in blocks of any size.

use std::ops::Range;

use crate::random_bytes;

/// What three address bytes reach; beyond each multiple another address bit changes.
const SEGMENT: usize = 1 << 24;

/// A region: its name, where it is, what it holds.
type Region = (String, Range<usize>, &'static str);

/// Where things are on a chip.
#[derive(Debug, Clone)]
pub struct Layout {
    pub size_bytes: usize,
    /// In address order.
    regions: Vec<Region>,
    piece_max: usize,
}

/// A piece of the firmware that a unit is converted to.
pub struct Piece {
    pub region: String,
    pub bytes: Vec<u8>,
    pub fill: Option<u8>,
}

impl Layout {
    /// For a chip whose smallest erase covers `block` bytes: unit data shares none with anything else.
    /// Pieces of more than a few blocks are at most `piece_max` long.
    pub fn of(size_bytes: usize, block: usize, piece_max: usize) -> Self {
        let regions = match size_bytes / block {
            0..2 => panic!("a chip of one block has no room for a unit"),
            2..4 => of_two(size_bytes, block),
            4..8 => of_four(size_bytes, block),
            _ => of_many(size_bytes, block, piece_max),
        };
        Self {
            size_bytes,
            regions,
            piece_max,
        }
    }

    pub fn region(&self, name: &str) -> Range<usize> {
        let found = self.regions.iter().find(|(known, ..)| known == name);
        found.unwrap().1.clone()
    }

    /// The regions that the pieces and the running unit change, in address order.
    pub fn changing(&self) -> Vec<&str> {
        let holding = |(_, _, holds): &&Region| *holds == "replaceable";
        let names = self.regions.iter().filter(holding);
        names
            .map(|(name, ..)| name.as_str())
            .filter(|name| *name != "logs")
            .collect()
    }

    /// The region map as a person would write it. What no region lists is kept.
    pub fn map(&self) -> String {
        let mut text = format!("size = {}\n", self.size_bytes);
        for (name, range, holds) in &self.regions {
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
        if let Some((_, logs, _)) = self.regions.iter().find(|(name, ..)| name == "logs") {
            bytes[logs.start + logs.len() / 2..logs.end].fill(0xFF);
        }
        bytes
    }

    /// Pieces that change the first block, the last one, and both sides of every address that takes
    /// another address bit.
    pub fn pieces(&self, seed: u64) -> Vec<Piece> {
        let names = self.changing().into_iter();
        let piece = |(name, number): (&str, u64)| {
            let length = self.region(name).len();
            let (length, fill) = match name {
                "boot" => (length.min(self.piece_max) / 2 + 100, Some(0xFF)),
                "system" => (length.min(length / 2 + 1234), None),
                _ => (length, None),
            };
            Piece {
                region: name.to_owned(),
                bytes: random_bytes(length, seed ^ (length as u64 + (number << 32))),
                fill,
            }
        };
        names
            .filter(|name| *name != "settings")
            .zip(0..)
            .map(piece)
            .collect()
    }

    /// The image that the pieces make of `base`, made here without the code under test.
    pub fn with_pieces(&self, base: &[u8], pieces: &[Piece]) -> Vec<u8> {
        let mut image = base.to_vec();
        for piece in pieces {
            let region = &mut image[self.region(&piece.region)];
            if let Some(fill) = piece.fill {
                region.fill(fill);
            }
            region[..piece.bytes.len()].copy_from_slice(&piece.bytes);
        }
        image
    }
}

fn region(name: &str, range: Range<usize>, holds: &'static str) -> Region {
    (name.to_owned(), range, holds)
}

/// Two blocks: one for what changes, one for what must not.
fn of_two(size: usize, block: usize) -> Vec<Region> {
    vec![
        region("boot", 0..block / 2, "replaceable"),
        region("settings", block / 2..block, "replaceable"),
        region("calibration", block..block + block / 2, "unit-data"),
        region("identity", block + block / 2..size, "unit-data"),
    ]
}

fn of_four(size: usize, block: usize) -> Vec<Region> {
    let half = block / 2;
    vec![
        region("boot", 0..half, "replaceable"),
        region("settings", half..block, "replaceable"),
        region("system", block..size - 2 * block, "replaceable"),
        region(
            "calibration",
            size - 2 * block..size - block - half,
            "unit-data",
        ),
        region("identity", size - block - half..size - block, "unit-data"),
        region("tail", size - block..size, "replaceable"),
    ]
}

/// The system lies across the middle, or across 16 MiB where the chip reaches beyond; a store across
/// each further multiple of 16 MiB.
fn of_many(size: usize, block: usize, piece_max: usize) -> Vec<Region> {
    let unit = (size / 16).min(2 << 20).max(block);
    let edge = unit.min(piece_max).max(block);
    let (turn, top) = (SEGMENT.min(size / 2), size - edge);
    let mut regions = vec![
        region("boot", 0..unit, "replaceable"),
        region("settings", unit..2 * unit, "replaceable"),
        region("logs", 2 * unit..turn - edge, "replaceable"),
        region("system", turn - edge..turn + edge, "replaceable"),
    ];
    regions.retain(|(_, range, _)| !range.is_empty());
    let further = (2 * SEGMENT..size).step_by(SEGMENT);
    regions.extend(further.map(|at| {
        let name = format!("store-{}", at / SEGMENT);
        region(&name, at - edge..at + edge, "replaceable")
    }));
    regions.extend([
        region("calibration", top - 2 * unit..top - unit, "unit-data"),
        region("identity", top - unit..top, "unit-data"),
        region("tail", top..size, "replaceable"),
    ]);
    regions
}
