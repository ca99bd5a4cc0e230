// E0599
use norlock::chip::Chip;
use norlock::jedec::Address;
use norlock::part::EraseType;

pub fn write(chip: &mut Chip, kind: &EraseType) {
    let _ = chip.erase(kind, Address(0));
}
