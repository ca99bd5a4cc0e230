// E0624
use norlock::link::Guard;

pub fn open(guard: &mut Guard) {
    guard.arm();
}
