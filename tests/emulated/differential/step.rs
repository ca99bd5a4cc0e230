//! One step on both chips, and what came of it.

use std::ops::Range;

use norlock::jedec::status::Protection;
use norlock::link::LinkError;

use super::operation::Operation;
use super::sides::{Modes, Sides, WEL};
use super::theirs::Case;

/// What both chips were like before a step.
#[derive(Debug, Clone)]
pub struct Before {
    pub modes: Modes,
    /// Status register 1 of the simulated chip, and of the emulator's.
    pub ours: u8,
    pub theirs: u8,
    pub their_quad: bool,
    /// What our registers say is protected.
    pub protection: Protection,
    /// Ours holds a volatile copy of its status register.
    pub volatile: bool,
}

/// Something that came out otherwise on the emulator's model.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// Bytes that came in, and for a read those that stand from its address on.
    Answer {
        ours: Vec<u8>,
        theirs: Vec<u8>,
        cells: Vec<u8>,
    },
    WriteEnable {
        ours: bool,
        theirs: bool,
    },
    /// Status register 1, WEL apart: bits that the model keeps.
    Kept {
        ours: u8,
        theirs: u8,
    },
    /// Bits that the model does not keep, set in ours.
    NotKept {
        bits: u8,
        theirs: u8,
    },
    FourBytes {
        ours: bool,
        theirs: bool,
    },
    Upper {
        ours: u8,
        theirs: u8,
    },
    /// Cells of a window: before, ours after, theirs after.
    Cells {
        at: u32,
        before: Vec<u8>,
        ours: Vec<u8>,
        theirs: Vec<u8>,
    },
    /// The simulated chip refused.
    Refused {
        why: String,
    },
    /// Our chip sleeps; the model answers 05h.
    Awake {
        status: u8,
    },
}

/// What can be wrong beyond any list.
#[derive(Debug)]
pub struct Wrong(pub String);

impl Sides<'_> {
    /// Carries out one step on both chips. They are not made equal again.
    pub fn step(&mut self, operation: &Operation) -> Result<(Before, Vec<Found>), Wrong> {
        let before = Before {
            modes: self.modes,
            ours: if self.modes.asleep {
                0
            } else {
                self.our_status()
            },
            theirs: self.their_status(),
            their_quad: self.their_quad,
            protection: self.our_protection(),
            volatile: self.volatile,
        };
        let frames = operation.frames(self.subject, self.modes.four);
        let windows = self.windows(operation);
        let cells: Vec<Vec<u8>> = windows
            .iter()
            .map(|range| self.truth(range.clone()))
            .collect();
        if before.modes.asleep && !wakes(operation) {
            self.step_asleep(operation, &windows, &cells)?;
            return Ok((before, Vec::new()));
        }
        let mut found = Vec::new();
        for frame in &frames {
            let ours = self.ours(frame);
            let theirs = self.theirs(frame);
            match ours {
                Ok(ours) if ours == theirs => {}
                Ok(ours) => {
                    let cells = self.read_from(operation);
                    found.push(Found::Answer {
                        ours,
                        theirs,
                        cells,
                    });
                }
                Err(LinkError::Forbidden(why)) => found.push(Found::Refused { why }),
                Err(error) => return Err(Wrong(error.to_string())),
            }
        }
        self.follow(operation, &before);
        self.look(
            &windows,
            cells,
            &Case::new(self.subject, operation, &before),
            &mut found,
        )?;
        Ok((before, found))
    }

    /// Asleep, our chip must answer nothing and change nothing; the model is spared the frame.
    fn step_asleep(
        &mut self,
        operation: &Operation,
        windows: &[Range<u32>],
        cells: &[Vec<u8>],
    ) -> Result<(), Wrong> {
        for frame in operation.frames(self.subject, self.modes.four) {
            let answer = self
                .ours(&frame)
                .map_err(|error| Wrong(error.to_string()))?;
            if answer.iter().any(|byte| *byte != 0xFF) {
                return Err(Wrong(format!("asleep, it answers {answer:02X?}")));
            }
        }
        for (range, cells) in windows.iter().zip(cells) {
            if self.truth(range.clone()) != *cells {
                return Err(Wrong(format!("asleep, it changes {range:X?}")));
            }
        }
        Ok(())
    }

    /// The cells from the address of a read on, past any border, turning at the top.
    fn read_from(&self, operation: &Operation) -> Vec<u8> {
        let inner = operation.inner(self.subject, self.modes.four);
        let Operation::Read { opcode, at, len } = inner else {
            return Vec::new();
        };
        let start = self.reached(opcode, at);
        let end = start + len as u32;
        let size = self.subject.size();
        let mut cells = self.truth(start..end.min(size));
        cells.extend(self.truth(0..end.saturating_sub(size)));
        cells
    }

    /// What the datasheets say of modes. Where ours does not follow, its reads are found wrong.
    fn follow(&mut self, operation: &Operation, before: &Before) {
        let enabled = before.ours & WEL != 0;
        match operation {
            Operation::Mode { opcode } => {
                if let Some((enter, _, wants)) = self.subject.mode() {
                    if enabled || !wants {
                        self.modes.four = *opcode == enter;
                    }
                }
            }
            Operation::WriteUpper { opcode: 0xC5, .. } if !enabled => {}
            Operation::WriteUpper { value, .. } => self.modes.upper = *value,
            Operation::WriteStatus { opcode: 0x01, data } if enabled && !data.is_empty() => {
                self.volatile = false;
                if let [_, second] = data[..] {
                    self.their_quad = second & 2 != 0;
                }
            }
            Operation::WriteStatus { opcode: 0x31, data } if enabled => {
                self.their_quad = data[0] & 2 != 0;
            }
            Operation::WriteVolatile { broken: false, .. } => self.volatile = !enabled,
            Operation::Reset => {
                self.modes = Modes::default();
                self.their_quad = false;
                self.volatile = false;
            }
            Operation::Sleep => self.modes.asleep = true,
            Operation::Wake { .. } => self.modes.asleep = false,
            _ => {}
        }
    }

    fn look(
        &mut self,
        windows: &[Range<u32>],
        cells: Vec<Vec<u8>>,
        case: &Case<'_>,
        found: &mut Vec<Found>,
    ) -> Result<(), Wrong> {
        if self.modes.asleep {
            let status = self.their_status();
            found.push(Found::Awake { status });
            return Ok(());
        }
        self.look_at_registers(found);
        for (range, before) in windows.iter().zip(cells) {
            let ours = self.truth(range.clone());
            if case
                .ours(range.start, &before)
                .is_some_and(|cells| cells != ours)
            {
                return Err(Wrong(format!(
                    "ours is not what the datasheets say in {range:X?} after {:02X?}\n  from {:02X?}",
                    case.operation, case.before
                )));
            }
            let theirs = self.their_cells(range.clone());
            if ours != theirs {
                let at = range.start;
                found.push(Found::Cells {
                    at,
                    before,
                    ours,
                    theirs,
                });
            }
        }
        Ok(())
    }

    fn look_at_registers(&mut self, found: &mut Vec<Found>) {
        let (ours, theirs) = (self.our_status(), self.their_status());
        let differs = ours ^ theirs;
        let kept = self.subject.kept;
        if differs & WEL != 0 {
            found.push(Found::WriteEnable {
                ours: ours & WEL != 0,
                theirs: theirs & WEL != 0,
            });
        }
        if differs & kept != 0 {
            found.push(Found::Kept {
                ours: ours & kept,
                theirs: theirs & kept,
            });
        }
        if differs & !kept & !WEL != 0 {
            found.push(Found::NotKept {
                bits: ours & !kept & !WEL,
                theirs: theirs & !kept & !WEL,
            });
        }
        let (ours, theirs) = (self.modes.four, self.their_mode());
        if ours != theirs {
            found.push(Found::FourBytes { ours, theirs });
        }
        if self.subject.upper().is_some() {
            let (ours, theirs) = (self.modes.upper, self.their_upper());
            if ours != theirs {
                found.push(Found::Upper { ours, theirs });
            }
        }
    }
}

/// ABh, whole or not, is heard by a chip asleep; its sleep ends as CS rises.
fn wakes(operation: &Operation) -> bool {
    matches!(operation, Operation::Wake { .. })
}
