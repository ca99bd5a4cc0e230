//! What a modifying frame asks for, decoded.

use std::ops::Range;

use super::bench::Bench;
use super::frame::Run;
use super::plan::{Act, Plan};
use super::registers;
use crate::link::LinkError;
use crate::part::ProgramMethod;

/// A change of what outlasts the supply.
#[derive(Debug, Clone)]
pub(super) enum Change {
    /// The array gets `image` AND-ed in at `address`; `touched` is what the host's bytes reach.
    Program {
        address: u32,
        image: Vec<u8>,
        touched: Range<u32>,
    },
    /// The range goes to FF.
    Erase { range: Range<u32> },
    /// Registers from `first` on are written.
    Status { first: usize, data: Vec<u8> },
}

impl Bench {
    /// What the frame asks for, twice: for the address sent, and for the address that arrives.
    /// `None` where the chip ignores the frame.
    pub(super) fn change(
        &self,
        plan: &Plan,
        run: &Run,
    ) -> Result<Option<(Change, Change)>, LinkError> {
        if plan.act == Act::WriteStatus {
            let place = registers::write_place(self.chip.part.status, plan.opcode);
            let fits = |(_, most): &(usize, usize)| (1..=*most).contains(&run.data.len());
            let change = || {
                let (first, _) = place.filter(fits)?;
                let data = run.data.clone();
                Some(Change::Status { first, data })
            };
            return Ok(change().zip(change()));
        }
        let sent = match (self.chip.state.increment, plan.act) {
            (Some(next), Act::ProgramWord) => Some(next),
            (_, Act::EraseChip) => Some(0),
            _ => run.sent_address(),
        };
        let Some(sent) = sent else { return Ok(None) };
        let first = self.chip.resolve(sent, plan.address_bytes);
        let arrived = self
            .chip
            .resolve(self.faults.address(sent), plan.address_bytes);
        let made = |address| match plan.act {
            Act::Program => self.program(address, &run.data),
            Act::ProgramWord => self.program_word(address, &run.data),
            Act::Erase => Ok(self.erase(plan, address)),
            _ => Ok(Some(Change::Erase {
                range: 0..self.chip.part.size_bytes,
            })),
        };
        let sent = made(first)?;
        let arrives = match first == arrived {
            true => sent.clone(),
            false => made(arrived)?,
        };
        Ok(sent.zip(arrives))
    }

    /// 02h: the page wraps, and of more than a page the last bytes count (W25Q256JV Rev. I, 8.1.2
    /// note 3). Parts that program by the byte take one.
    fn program(&self, address: u32, data: &[u8]) -> Result<Option<Change>, LinkError> {
        if data.is_empty() {
            return Ok(None);
        }
        if self.chip.part.program != ProgramMethod::Page {
            let [one] = data else {
                let text = format!("{} bytes for a part that programs one", data.len());
                return Err(LinkError::Forbidden(text));
            };
            return Ok(Some(Change::Program {
                address,
                image: vec![*one],
                touched: address..address + 1,
            }));
        }
        let page = self.chip.part.page_size_bytes.max(1);
        let start = address - address % page;
        let offset = (address - start) as usize;
        let mut image = vec![0xFF; page as usize];
        let mut rest = data;
        let mut at = offset;
        while let (Some(into), false) = (image.get_mut(at..), rest.is_empty()) {
            let (now, later) = rest.split_at(rest.len().min(into.len()));
            into.iter_mut()
                .zip(now)
                .for_each(|(into, byte)| *into = *byte);
            rest = later;
            at = 0;
        }
        let wraps = offset + data.len() > page as usize;
        let touched = if wraps {
            start..start + page
        } else {
            address..address + data.len() as u32
        };
        Ok(Some(Change::Program {
            address: start,
            image,
            touched,
        }))
    }

    /// ADh: two bytes from an even address (SST25VF016B DS25044A).
    fn program_word(&self, address: u32, data: &[u8]) -> Result<Option<Change>, LinkError> {
        if data.len() != 2 || address % 2 != 0 {
            let text = format!("{} bytes at 0x{address:06X}, not an even word", data.len());
            return Err(LinkError::Forbidden(text));
        }
        Ok(Some(Change::Program {
            address,
            image: data.to_vec(),
            touched: address..address + 2,
        }))
    }

    fn erase(&self, plan: &Plan, address: u32) -> Option<Change> {
        let four = plan.address_bytes == 4;
        let erase = self.chip.part.erase_types.iter().find(|erase| {
            let usual = erase.opcode == plan.opcode;
            let dedicated = four && erase.opcode_4byte == Some(plan.opcode);
            let here = erase.only_in.as_ref();
            (usual || dedicated) && here.is_none_or(|range| range.contains(&address))
        })?;
        let size = erase.size_bytes.max(1);
        let start = address - address % size;
        Some(Change::Erase {
            range: start..start.saturating_add(size).min(self.chip.part.size_bytes),
        })
    }
}
