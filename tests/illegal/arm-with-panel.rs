// E0277
use norlock::chip::Chip;
use norlock::interlock::Panel;

pub fn write(chip: Chip, panel: Panel) {
    let _ = chip.arm(panel);
}
