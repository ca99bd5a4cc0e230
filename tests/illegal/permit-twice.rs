// E0382
use norlock::chip::Chip;
use norlock::interlock::Permit;

pub fn write(one: Chip, two: Chip, permit: Permit) {
    let _ = one.arm(permit);
    let _ = two.arm(permit);
}
