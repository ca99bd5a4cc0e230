// E0382
use norlock::chip::Chip;
use norlock::interlock::Permit;

pub fn write(mut chip: Chip, permit: Permit) {
    let armed = chip.arm(permit);
    let _ = chip.status();
    drop(armed);
}
