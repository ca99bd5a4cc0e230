// compiles
//! The one legal order: evidence, permit, armed chip, finish.
use std::ops::ControlFlow;

use norlock::chip::{Armed, Chip, ChipError, Pass};
use norlock::interlock::Permit;
use norlock::jedec::Address;

pub fn write(chip: Chip, permit: Permit, pass: &Pass) -> Result<(), ChipError> {
    let mut armed: Armed = chip.arm(permit)?;
    let kind = armed.part().erase_types[0].clone();
    armed.erase(&kind, Address(0))?;
    armed.program(Address(0), &[0])?;
    let finished = armed.finish(pass, |_, _| ControlFlow::Continue(true))?;
    finished.chip.leave()
}
