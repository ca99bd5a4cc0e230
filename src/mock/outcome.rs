//! What an operation leaves in the cells and registers, whole or torn by a power cut.

use std::io;
use std::ops::Range;

use super::bench::Bench;
use super::change::Change;
use super::faults::Torn;
use super::monitor::{merged, without};
use super::random::{byte, fraction, mix};
use super::registers;

impl Bench {
    pub(super) fn complete(&mut self, change: &Change) -> io::Result<()> {
        match change {
            Change::Program { address, image, .. } => {
                let address = self.chip.physical(*address);
                self.chip
                    .cells
                    .change(address, image.len() as u32, |at, cells| {
                        let new = image.get((at - address) as usize..).unwrap_or(&[]);
                        cells
                            .iter_mut()
                            .zip(new)
                            .for_each(|(cell, new)| *cell &= new);
                    })
            }
            Change::Erase { range } => {
                let (start, length) = self.reach(range);
                self.chip
                    .cells
                    .change(start, length, |_, cells| cells.fill(0xFF))?;
                let steady = start..start.saturating_add(length);
                let unstable = std::mem::take(&mut self.chip.unstable);
                self.chip.unstable = without(unstable, &steady);
                Ok(())
            }
            Change::Status { .. } => {
                self.write_registers(change, true);
                Ok(())
            }
        }
    }

    /// The cells behind a range.
    fn reach(&self, range: &Range<u32>) -> (u32, u32) {
        let real = self.chip.real_size_bytes;
        (
            self.chip.physical(range.start),
            (range.end - range.start).min(real),
        )
    }

    pub(super) fn write_registers(&mut self, change: &Change, for_good: bool) {
        let Change::Status { first, data } = change else {
            return;
        };
        let family = self.chip.part.status;
        // Judged before the first is written, as the lock bit is in it.
        let open = |place: &usize| !self.chip.is_locked(*place);
        let places: Vec<usize> = (*first..*first + data.len()).filter(open).collect();
        let state = &mut self.chip.state;
        for (place, value) in (*first..).zip(data) {
            if !places.contains(&place) {
                continue;
            }
            if let Some(register) = state.registers.get_mut(place) {
                *register = registers::written(family, place, *register, *value);
                if let (true, Some(stored)) = (for_good, state.stored.get_mut(place)) {
                    *stored = *register;
                }
            }
        }
        self.unsaved = true;
    }

    /// Leaves the operation as the supply's failure leaves it.
    pub(super) fn tear(&mut self, change: &Change, torn: Torn) -> io::Result<()> {
        let draw = mix(self.faults.seed, self.operations, 0xC07);
        match torn {
            Torn::NotStarted => Ok(()),
            Torn::StillBusy | Torn::Done => self.complete(change),
            Torn::Unstable => {
                self.complete(change)?;
                self.destabilise(change);
                Ok(())
            }
            Torn::Prefix => {
                let share = fraction(draw);
                self.partly(change, |offset, length| {
                    if f64::from(offset) < share * f64::from(length) {
                        0xFF
                    } else {
                        0
                    }
                })
            }
            Torn::RandomBits => self.partly(change, |offset, _| byte(mix(draw, offset.into(), 1))),
        }
    }

    /// Changes only the bits that `which` gives for a byte's offset and the whole length.
    fn partly(&mut self, change: &Change, which: impl Fn(u32, u32) -> u8) -> io::Result<()> {
        match change {
            Change::Program { address, image, .. } => {
                let length = image.len() as u32;
                let torn = image
                    .iter()
                    .zip(0..)
                    .map(|(byte, i)| byte | !which(i, length));
                let torn = Change::Program {
                    address: *address,
                    image: torn.collect(),
                    touched: 0..0,
                };
                self.complete(&torn)
            }
            Change::Erase { range } => {
                let (start, length) = self.reach(range);
                self.chip.cells.change(start, length, |at, cells| {
                    for (cell, offset) in cells.iter_mut().zip(at - start..) {
                        *cell |= which(offset, length);
                    }
                })
            }
            // A register write is torn between registers, never within one.
            Change::Status { first, data } => {
                let whole = data
                    .iter()
                    .zip(0..)
                    .take_while(|(_, i)| which(*i, 2) == 0xFF);
                let data = whole.map(|(byte, _)| *byte).collect();
                self.complete(&Change::Status {
                    first: *first,
                    data,
                })
            }
        }
    }

    fn destabilise(&mut self, change: &Change) {
        let range = match change {
            Change::Program { touched, .. } => touched.clone(),
            Change::Erase { range } => range.clone(),
            Change::Status { .. } => return,
        };
        let (start, length) = self.reach(&range);
        self.chip.unstable.push(start..start.saturating_add(length));
        self.chip.unstable = merged(std::mem::take(&mut self.chip.unstable));
    }
}
