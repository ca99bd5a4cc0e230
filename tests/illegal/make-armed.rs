// E0451
use norlock::chip::{Armed, Chip};

pub fn armed(chip: Chip, other: Armed) -> Armed {
    Armed { chip, ..other }
}
