//! What the emulator's models make of cells, where that is known to differ from the datasheets.
//!
//! Observed with version 10.0.2. A difference in cells is only taken for a listed one if the model's
//! cells are exactly what is worked out here, byte for byte.

use std::collections::BTreeMap;
use std::ops::Range;

use super::operation::Operation;
use super::parts::Subject;
use super::sides::{Modes, WEL};
use super::step::{Before, Found};
use super::windows::reached;

/// A step, and what both chips were like before it.
pub struct Case<'a> {
    pub subject: &'a Subject,
    /// As drawn.
    pub operation: &'a Operation,
    /// Without what was cut off.
    pub inner: Operation,
    /// Whether all of the header went out, and data where there must be some.
    pub complete: bool,
    pub before: &'a Before,
}

impl<'a> Case<'a> {
    pub fn new(subject: &'a Subject, operation: &'a Operation, before: &'a Before) -> Self {
        Self {
            subject,
            operation,
            inner: operation.inner(subject, before.modes.four),
            complete: operation.is_complete(subject, before.modes.four),
            before,
        }
    }

    /// Whether WEL was set before the step, on both.
    pub fn enabled(&self) -> bool {
        let words = matches!(self.inner, Operation::ProgramWords { .. });
        words || self.before.ours & self.before.theirs & WEL != 0
    }

    /// Whether our chip has to refuse: a frame that the part does not have. Several bytes to a part
    /// that takes one are ignored like any program where WEL is not set.
    pub fn must_be_refused(&self) -> bool {
        match &self.inner {
            Operation::Foreign { bytes } if bytes[0] == 0x02 => {
                self.enabled() && !self.before.modes.asleep
            }
            Operation::Foreign { .. } => !self.before.modes.asleep,
            _ => false,
        }
    }

    /// Opcode, address and bytes of an erase that the model carries out.
    pub fn erase(&self) -> Option<(u32, u32)> {
        let (opcode, at) = match &self.inner {
            Operation::Erase { opcode, at } => (*opcode, *at),
            Operation::Foreign { bytes } if bytes.len() == 4 => {
                let at = [0, bytes[1], bytes[2], bytes[3]];
                (bytes[0], u32::from_be_bytes(at))
            }
            _ => return None,
        };
        let foreign = matches!(self.inner, Operation::Foreign { .. });
        if !self.complete || foreign && self.before.modes.four {
            return None;
        }
        let bytes = self.subject.model_erases(opcode)?;
        Some((self.reached(opcode, at), bytes))
    }

    /// Whether the model erases all.
    pub fn erases_all(&self) -> bool {
        matches!(self.inner, Operation::EraseChip { .. })
            || matches!(&self.inner, Operation::Foreign { bytes } if *bytes == [0x60])
    }

    /// Whether the model has erased all and ours has not, seen in the windows or not.
    pub fn only_theirs_is_blank(&self) -> bool {
        let foreign = matches!(self.inner, Operation::Foreign { .. });
        let held = self.before.protection.touches(&(0..self.subject.size()));
        self.erases_all() && self.enabled() && (foreign || held)
    }

    /// Address and bytes of what the model programs on.
    pub fn program(&self) -> Option<(u32, Vec<u8>)> {
        let (opcode, at, data) = match &self.inner {
            Operation::Program { opcode, at, data } => (*opcode, *at, data.clone()),
            Operation::ProgramWords { at, words } => (0xAD, *at, words.concat()),
            Operation::Foreign { bytes } if bytes[0] == 0x02 => {
                let at = u32::from_be_bytes([0, bytes[1], bytes[2], bytes[3]]);
                (0x02, at, bytes[4..].to_vec())
            }
            _ => return None,
        };
        self.complete.then(|| (self.reached(opcode, at), data))
    }

    pub fn reached(&self, opcode: u8, at: u32) -> u32 {
        let modes: Modes = self.before.modes;
        reached(self.subject, modes, opcode, at)
    }

    /// Whether the model keeps programs away from `address`: BP counts sectors of D8h, from the top
    /// unless TB is kept and set; BP3 counts where it is kept in bit 6.
    pub fn holds(&self, address: u32) -> bool {
        let status = self.before.theirs;
        let micron = self.subject.kept & 0x20 != 0;
        let mut level = u32::from(status >> 2 & 7);
        if micron {
            level |= u32::from(status >> 6 & 1) << 3;
        }
        if level == 0 {
            return false;
        }
        let held = 1_u32 << (level - 1);
        let sector = address / self.subject.sector_bytes;
        if micron && status & 0x20 != 0 {
            return sector < held;
        }
        self.subject.size() / self.subject.sector_bytes <= sector + held
    }

    /// The model's cells from `at` on, after the step.
    fn cells(&self, at: u32, before: &[u8]) -> Vec<u8> {
        let mut cells = before.to_vec();
        if !self.enabled() {
            return cells;
        }
        let place = |address: u32| address.checked_sub(at).map(|place| place as usize);
        if self.erases_all() {
            cells.fill(0xFF);
        }
        if let Some((first, bytes)) = self.erase() {
            for address in first..first + bytes {
                if let Some(cell) = place(address).and_then(|place| cells.get_mut(place)) {
                    *cell = 0xFF;
                }
            }
        }
        if let Some((first, data)) = self.program() {
            for (address, byte) in (first..).zip(data) {
                let address = address % self.subject.size();
                let cell = place(address).and_then(|place| cells.get_mut(place));
                if let (Some(cell), false) = (cell, self.holds(address)) {
                    *cell &= byte;
                }
            }
        }
        cells
    }

    /// Our cells from `at` on, after the step, as the datasheets say: an erase is of the block that the
    /// address lies in, a program wraps in its page, neither happens where a part of it is protected.
    /// `None` where words run into a protected range, which no datasheet here tells of.
    pub fn ours(&self, at: u32, before: &[u8]) -> Option<Vec<u8>> {
        let mut cells = before.to_vec();
        let foreign = matches!(self.inner, Operation::Foreign { .. });
        if !self.enabled() || foreign {
            return Some(cells);
        }
        let protection = &self.before.protection;
        if let Some(range) = self.erased().filter(|range| !protection.touches(range)) {
            let end = at + cells.len() as u32;
            for address in range.start.max(at)..range.end.min(end) {
                cells[(address - at) as usize] = 0xFF;
            }
        }
        let image = self.programmed();
        if image
            .keys()
            .any(|address| protection.touches(&(*address..address + 1)))
        {
            let words = matches!(self.inner, Operation::ProgramWords { .. });
            return (!words).then_some(cells);
        }
        for (address, byte) in image {
            let place = address.checked_sub(at).map(|place| place as usize);
            if let Some(cell) = place.and_then(|place| cells.get_mut(place)) {
                *cell &= byte;
            }
        }
        Some(cells)
    }

    /// The range that an erase is of, by the datasheets.
    pub fn erased(&self) -> Option<Range<u32>> {
        let all = self.erases_all().then_some(0..self.subject.size());
        let block = self.erase().map(|(at, bytes)| {
            let start = at - at % bytes;
            start..start + bytes
        });
        all.or(block)
    }

    /// The bytes that a program puts into its page, by the datasheets; words run through the array.
    fn programmed(&self) -> BTreeMap<u32, u8> {
        let Some((first, data)) = self.program() else {
            return BTreeMap::new();
        };
        let words = matches!(self.inner, Operation::ProgramWords { .. });
        let page = if words {
            self.subject.size()
        } else {
            self.subject.part.page_size_bytes
        };
        let start = first - first % page;
        let places = (first - start..).map(|offset| start + offset % page);
        places.zip(data).collect()
    }

    /// Whether the found cells are those that the model is known to make.
    pub fn are_the_models(&self, found: &Found) -> bool {
        matches!(found, Found::Cells { at, before, theirs, .. } if self.cells(*at, before) == *theirs)
    }
}
