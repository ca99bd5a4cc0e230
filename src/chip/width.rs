//! How many address bytes, and how the part is brought to take them.

use super::upper::Upper;
use super::{Chip, ChipError, ReadCommand};
use crate::jedec::{Address, LANE_DUMMY, opcode};
use crate::link::{Frame, Segment};
use crate::part::{FourByte, Part};

/// First address that three bytes do not reach: the size of a segment of a larger part.
pub(super) const LIMIT_3BYTE: u32 = 1 << 24;

/// First address behind the 16 MiB in which `address` lies.
pub(super) fn segment_end(address: Address) -> u32 {
    (address.0 | (LIMIT_3BYTE - 1)).saturating_add(1)
}

/// How a chip took addresses before it was touched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AddressingFound {
    /// Three bytes.
    ThreeByte,
    /// Four bytes, by mode or always.
    FourByte,
    /// Three bytes, and this value in the bank or extended address register.
    Register(u8),
}

/// The addressing in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Width {
    /// Three bytes.
    Three,
    /// Four bytes, on a part that takes no others.
    Four,
    /// Opcodes that always take four.
    Dedicated,
    /// A mode in which the usual opcodes take four.
    Mode {
        /// Enters, B7h.
        enter: u8,
        /// Leaves, E9h.
        exit: u8,
        /// Both want WREN first.
        write_enable: bool,
        /// The mode was entered here, so it is left again at the end.
        entered: bool,
    },
    /// Three bytes, on a part that was found in 4-byte mode and goes back to it at the end.
    ThreeForNow {
        /// Enters, B7h.
        enter: u8,
        /// It wants WREN first.
        write_enable: bool,
    },
    /// A register completes the address.
    Upper(Upper),
}

impl Width {
    /// Dedicated opcodes first: they do not depend on a mode that a reset could change. A register
    /// last, as it has to be set anew for each segment.
    pub(super) fn choose(part: &Part) -> Result<Self, ChipError> {
        if part.size_bytes <= LIMIT_3BYTE && part.addressing.three_byte {
            return Ok(Self::Three);
        }
        if !part.addressing.three_byte {
            return Ok(Self::Four);
        }
        let ways = &part.addressing.four_byte;
        for way in ways {
            match way {
                FourByte::Dedicated { opcodes } if suffices(part, opcodes) => {
                    return Ok(Self::Dedicated);
                }
                FourByte::Mode {
                    enter,
                    exit,
                    write_enable,
                } => {
                    let (enter, exit, write_enable) = (*enter, *exit, *write_enable);
                    return Ok(Self::Mode {
                        enter,
                        exit,
                        write_enable,
                        entered: false,
                    });
                }
                _ => {}
            }
        }
        let upper = ways.iter().find_map(|way| Upper::of(way, part.size_bytes));
        upper.map(Self::Upper).ok_or(ChipError::NoWayAbove16Mib {
            size_bytes: part.size_bytes,
        })
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Three | Self::ThreeForNow { .. } => "3 address bytes",
            Self::Four => "4 address bytes",
            Self::Dedicated => "4 address bytes by opcode",
            Self::Mode { .. } => "4 address bytes by mode",
            Self::Upper(upper) => upper.words(),
        }
    }

    pub(super) fn read_opcode(self, command: ReadCommand) -> u8 {
        match (self, command) {
            (Self::Dedicated, ReadCommand::Read) => opcode::READ_4BYTE,
            (Self::Dedicated, ReadCommand::FastRead) => opcode::FAST_READ_4BYTE,
            (Self::Dedicated, ReadCommand::Lanes(read)) => {
                read.opcode_4byte().unwrap_or(read.opcode)
            }
            (_, command) => command.opcode(),
        }
    }

    /// What goes out before the array comes in: opcode, address and dummy bytes.
    pub(super) fn read_head(self, command: ReadCommand, address: Address) -> Vec<u8> {
        let dummies = command.dummy_bytes();
        let mut head = self.command(self.read_opcode(command), address, dummies);
        if matches!(command, ReadCommand::Lanes(_)) {
            let last = head.iter_mut().rev().take(dummies);
            last.for_each(|byte| *byte = LANE_DUMMY);
        }
        head
    }

    pub(super) fn program_opcode(self) -> u8 {
        match self {
            Self::Dedicated => opcode::PAGE_PROGRAM_4BYTE,
            _ => opcode::PAGE_PROGRAM,
        }
    }

    /// Opcode, address (most significant byte first) and dummy bytes.
    pub(super) fn command(self, code: u8, address: Address, dummy_bytes: usize) -> Vec<u8> {
        let bytes = address.0.to_be_bytes();
        let sent = match self {
            Self::Three | Self::ThreeForNow { .. } => &bytes[1..],
            Self::Upper(upper) if !upper.four => &bytes[1..],
            Self::Four | Self::Dedicated | Self::Mode { .. } | Self::Upper(_) => &bytes[..],
        };
        let mut command = vec![code];
        command.extend_from_slice(sent);
        command.resize(command.len() + dummy_bytes, 0);
        command
    }
}

/// Whether the dedicated opcodes do the whole job: both reads, program, and an erase. A part that
/// nobody knows how to erase can still be read.
fn suffices(part: &Part, opcodes: &[u8]) -> bool {
    let reads = [opcode::READ_4BYTE, opcode::FAST_READ_4BYTE];
    let erases = part
        .erase_types
        .iter()
        .any(|kind| kind.opcode_4byte.is_some());
    reads.iter().all(|needed| opcodes.contains(needed))
        && (part.erase_types.is_empty()
            || (erases && opcodes.contains(&opcode::PAGE_PROGRAM_4BYTE)))
}

/// The part as a chip of it is worked on: without the erase types that its addressing cannot use.
///
/// Where dedicated opcodes are in use, an erase type without one cannot reach every block.
#[must_use]
pub fn as_addressed(mut part: Part) -> Part {
    if Width::choose(&part).is_ok_and(|width| width == Width::Dedicated) {
        part.erase_types.retain(|kind| kind.opcode_4byte.is_some());
    }
    part
}

impl Chip {
    /// Enters the addressing that the part needs, after a look at the mode it was found in.
    pub(super) fn enter_width(&mut self) -> Result<(), ChipError> {
        match self.width {
            Width::Four | Width::Dedicated | Width::ThreeForNow { .. } => Ok(()),
            Width::Upper(upper) => self.enter_upper(upper),
            Width::Three => self.leave_4byte_for_now(),
            Width::Mode {
                enter,
                exit,
                write_enable,
                ..
            } => {
                if self.is_in_4byte_mode()? == Some(true) {
                    return Ok(());
                }
                // Noted before it is done, so that whatever fails from here on is undone.
                self.width = Width::Mode {
                    enter,
                    exit,
                    write_enable,
                    entered: true,
                };
                self.switch(&[enter], write_enable)?;
                self.check_mode(true)
            }
        }
    }

    /// Undoes [`Chip::enter_width`].
    pub(super) fn leave_width(&mut self) -> Result<(), ChipError> {
        match self.width {
            Width::Mode {
                exit,
                write_enable,
                entered: true,
                ..
            } => {
                self.switch(&[exit], write_enable)?;
                self.check_mode(false)
            }
            Width::ThreeForNow {
                enter,
                write_enable,
            } => {
                self.switch(&[enter], write_enable)?;
                self.check_mode(true)
            }
            Width::Upper(upper) => self.leave_upper(upper),
            _ => Ok(()),
        }
    }

    /// How the chip was found.
    #[must_use]
    pub fn addressing_found(&self) -> AddressingFound {
        match self.width {
            Width::Mode { entered: false, .. } | Width::ThreeForNow { .. } | Width::Four => {
                AddressingFound::FourByte
            }
            Width::Upper(Upper {
                found: Some(found), ..
            }) => AddressingFound::Register(found),
            _ => AddressingFound::ThreeByte,
        }
    }

    /// Whether the chip was found taking four address bytes where it can take three. Dedicated opcodes work
    /// in either mode, so that only its register tells.
    ///
    /// # Errors
    /// `Link`.
    pub fn was_found_in_4byte_mode(&mut self) -> Result<bool, ChipError> {
        match (self.addressing_found(), self.width) {
            (AddressingFound::FourByte, _) => Ok(self.part.addressing.three_byte),
            (AddressingFound::Register(found), Width::Upper(upper)) => Ok(upper.takes_four(found)),
            (_, Width::Dedicated) => match self.has_extadd() {
                Some(upper) => Ok(upper.takes_four(self.ask_upper(upper)?)),
                None => Ok(self.is_in_4byte_mode()? == Some(true)),
            },
            _ => Ok(false),
        }
    }

    /// The register whose bit makes the usual opcodes take four bytes, on a part that has one.
    fn has_extadd(&self) -> Option<Upper> {
        let way = FourByte::BankRegister { extadd: true };
        let has = self.part.addressing.four_byte.contains(&way);
        has.then(|| Upper::of(&way, self.part.size_bytes)).flatten()
    }

    /// Leaves the chip as `first` says, and not as it was met now: for a run that goes on after
    /// another was killed. What this part's addressing does not change is left alone.
    pub fn leave_as(&mut self, first: AddressingFound) {
        match (&mut self.width, first) {
            (Width::Mode { entered, .. }, AddressingFound::ThreeByte) => *entered = true,
            (Width::Mode { entered, .. }, AddressingFound::FourByte) => *entered = false,
            (Width::Upper(upper), AddressingFound::Register(value)) => upper.found = Some(value),
            (Width::ThreeForNow { .. }, AddressingFound::ThreeByte) => self.width = Width::Three,
            (Width::Three, AddressingFound::FourByte) => {
                if let Some((enter, _, write_enable)) = self.part.addressing.mode() {
                    self.width = Width::ThreeForNow {
                        enter,
                        write_enable,
                    };
                }
            }
            _ => {}
        }
    }

    /// A small part that has a 4-byte mode and was left in it would take the first data byte for an
    /// address byte.
    fn leave_4byte_for_now(&mut self) -> Result<(), ChipError> {
        let Some((enter, exit, write_enable)) = self.part.addressing.mode() else {
            return Ok(());
        };
        if self.is_in_4byte_mode()? == Some(true) {
            self.width = Width::ThreeForNow {
                enter,
                write_enable,
            };
            self.switch(&[exit], write_enable)?;
            self.check_mode(false)?;
        }
        Ok(())
    }

    /// Whether the chip takes four address bytes now; `None` where nothing shows it.
    pub(super) fn is_in_4byte_mode(&mut self) -> Result<Option<bool>, ChipError> {
        match self.part.status.address_mode_flag() {
            Some((code, bit)) => match self.register(code)? {
                // A part without the register answers nothing.
                0xFF => Ok(None),
                value => Ok(Some(value & bit != 0)),
            },
            None => Ok(None),
        }
    }

    /// One address byte too many or too few shifts every read by a byte, in every pass alike.
    pub(super) fn check_mode(&mut self, four: bool) -> Result<(), ChipError> {
        match self.is_in_4byte_mode()? {
            Some(now) if now != four => Err(ChipError::AddressMode {
                wanted_bytes: if four { 4 } else { 3 },
            }),
            _ => Ok(()),
        }
    }

    /// Sends a frame that changes how addresses are taken, enabled if it has to be.
    pub(super) fn switch(&mut self, frame: &[u8], write_enable: bool) -> Result<(), ChipError> {
        if !write_enable {
            return self.send(frame);
        }
        let mut status = [0];
        let mut batch = [
            Frame::new(vec![Segment::Out(&[opcode::WRITE_ENABLE])]),
            Frame::new(vec![Segment::Out(frame)]),
            Frame::new(vec![Segment::Out(&[opcode::WRITE_DISABLE])]),
            Frame::new(vec![
                Segment::Out(&[opcode::READ_STATUS_1]),
                Segment::In(&mut status),
            ]),
        ];
        Ok(self.guard.transfer(&mut batch, self.sck)?)
    }
}
