// E0599
use norlock::chip::Chip;
use norlock::jedec::status::RegisterWrite;

pub fn write(chip: &mut Chip, write: &RegisterWrite) {
    let _ = chip.write_status(write);
}
