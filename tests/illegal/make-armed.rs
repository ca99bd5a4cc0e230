// E0451
use norlock::chip::{Armed, Chip};

pub fn armed(chip: Chip) -> Armed {
    Armed { chip, latched: false, incrementing: false }
}
