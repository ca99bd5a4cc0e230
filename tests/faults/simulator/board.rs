//! The units that are simulated: made-up small parts, seldom a real size, with content and region map.

use std::ops::Range;
use std::sync::OnceLock;

use fastrand::Rng;
use norlock::part::Catalogue;

use crate::small;
use crate::station::code;

/// Bytes from size, so that regions fall on blocks of every part or across them.
#[derive(Debug, Clone)]
pub struct Map {
    pub size: u32,
    pub boot: Range<u32>,
    pub system: Range<u32>,
    /// The board changes these itself.
    pub settings: Range<u32>,
    pub unit_data: Range<u32>,
}

impl Map {
    /// `shared`: system and unit data meet within an erase block.
    fn new(size: u32, shared: bool) -> Self {
        let part = size / 16;
        let border = 12 * part + if shared { part / 2 } else { 0 };
        Self {
            size,
            boot: 0..8 * part,
            system: 8 * part..11 * part,
            settings: 11 * part..border,
            unit_data: border..14 * part,
        }
    }

    /// Where the region lies that a piece goes into.
    pub fn region(&self, name: &str) -> &Range<u32> {
        if name == "boot" {
            &self.boot
        } else {
            &self.system
        }
    }

    pub fn text(&self) -> String {
        let region = |name: &str, range: &Range<u32>, holds: &str| {
            format!(
                "\n[[region]]\nname = \"{name}\"\nstart = 0x{:X}\nend = 0x{:X}\nholds = \"{holds}\"\n",
                range.start, range.end
            )
        };
        let mut text = format!("size = \"{}KiB\"\n", self.size >> 10);
        text += &region("boot", &self.boot, "replaceable");
        text += &region("system", &self.system, "replaceable");
        text += &region("settings", &self.settings, "replaceable");
        text + &region("calibration", &self.unit_data, "unit-data")
    }
}

/// A board: the name of its part, what it holds as found, and where.
pub struct Board {
    pub part: &'static str,
    pub marking: &'static str,
    /// Whether the part has an ID that no other chip has.
    pub has_id: bool,
    pub map: Map,
    pub found: Vec<u8>,
}

/// Name, marking, size, own ID, and how often of a hundred it is drawn.
const BOARDS: [(&str, &str, u32, bool, u8); 6] = [
    ("HB25Q512", "HB25Q512", 64 << 10, true, 48),
    ("HB25N256", "HB25N256", 32 << 10, false, 28),
    ("HB25B128", "HB25B128", 128 << 10, true, 12),
    ("HB25A512", "HB25A512", 64 << 10, false, 10),
    ("W25Q80DV", "W25Q80DVSIG", 1 << 20, true, 1),
    ("HB25V16", "HB25V16", 2 << 20, true, 1),
];

impl Board {
    /// Real sizes are drawn only where `real` says so: one of them costs as much as twenty small ones.
    pub fn draw(random: &mut Rng, real: bool) -> Self {
        let most = if real { 100 } else { 98 };
        let mut left = random.u8(..most);
        let mut boards = BOARDS.into_iter();
        let (part, marking, size, has_id) = loop {
            let (part, marking, size, has_id, share) = boards.next().unwrap();
            match left.checked_sub(share) {
                Some(rest) => left = rest,
                None => break (part, marking, size, has_id),
            }
        };
        let map = Map::new(size, random.u8(..4) == 0);
        let found = found(random, &map);
        Self {
            part,
            marking,
            has_id,
            map,
            found,
        }
    }
}

/// Code, blank stretches, settings, unit data.
fn found(random: &mut Rng, map: &Map) -> Vec<u8> {
    let mut found = vec![0xFF; map.size as usize];
    for (range, full) in [
        (&map.boot, 60),
        (&map.system, 50),
        (&map.settings, 30),
        (&map.unit_data, 40),
        (&(map.unit_data.end..map.size), 20),
    ] {
        let most = (range.end - range.start) as usize;
        let length = (random.usize(most / 8..most) * full / 60).clamp(64, most);
        let bytes = code(random.u64(..), length);
        found[range.start as usize..][..length].copy_from_slice(&bytes);
    }
    found
}

/// A piece for a region that holds `now`: new code, the same with bits cleared, or a part of it blank.
pub fn piece(random: &mut Rng, now: &[u8], words: bool) -> Vec<u8> {
    // Word by word it takes a frame for each two bytes.
    let most = if words { 600 } else { 6 << 10 };
    match random.u8(..4) {
        0 => {
            let mut same = now.to_vec();
            for _ in 0..random.usize(1..40) {
                let at = random.usize(..same.len());
                same[at] &= random.u8(..);
            }
            same
        }
        1 => {
            let mut blank = now.to_vec();
            let from = random.usize(..blank.len());
            blank[from..].fill(0xFF);
            blank
        }
        _ => {
            let length = random.usize(1..=now.len().min(most));
            code(random.u64(..), length)
        }
    }
}

pub fn catalogue() -> &'static Catalogue {
    static CATALOGUE: OnceLock<Catalogue> = OnceLock::new();
    CATALOGUE.get_or_init(|| {
        let builtin = Catalogue::builtin().unwrap();
        builtin
            .with_user_file(small::PARTS, "harbour.toml")
            .unwrap()
    })
}
