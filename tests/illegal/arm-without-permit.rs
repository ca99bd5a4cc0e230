// E0277
use norlock::chip::Chip;

pub fn write(chip: Chip) {
    let _ = chip.arm(());
}
