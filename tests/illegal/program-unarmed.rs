// E0599
use norlock::chip::Chip;
use norlock::jedec::Address;

pub fn write(chip: &mut Chip) {
    let _ = chip.program(Address(0), &[0]);
}
