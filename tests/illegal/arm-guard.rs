// E0624
use norlock::link::{Guard, Scope};

pub fn open(guard: &mut Guard) {
    guard.arm(Scope::Array);
}
