// compiles
//! The one legal order: evidence, permit, armed chip, disarmed chip.
use norlock::chip::{Armed, Chip, ChipError};
use norlock::interlock::Permit;
use norlock::jedec::Address;

pub fn write(chip: Chip, permit: Permit) -> Result<(), ChipError> {
    let mut armed: Armed = chip.arm(permit)?;
    let kind = armed.part().erase_types[0].clone();
    armed.erase(&kind, Address(0))?;
    armed.program(Address(0), &[0])?;
    armed.disarmed()?.leave()
}
