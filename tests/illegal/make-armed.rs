// E0451
use norlock::chip::{Armed, Chip};
use norlock::link::Scope;

pub fn armed(chip: Chip) -> Armed {
    Armed { chip, scope: Scope::Array, latched: false, before: None, strange: None, incrementing: false }
}
