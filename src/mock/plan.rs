//! What a simulated chip makes of an opcode.

use super::chip::Chip;
use super::registers;
use crate::jedec::status::StatusFamily;
use crate::jedec::{LaneProgram, Lanes, opcode as op};
use crate::part::{FourByte, ProgramMethod};

/// What a chip shifts out once a frame's header is in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Source {
    /// Nothing drives the line; it is pulled up.
    High,
    /// The array, counting on from the address.
    Array,
    /// SFDP, counting on from the address.
    Sfdp,
    /// These bytes, over and over.
    Bytes(Vec<u8>),
    /// A status register, as it is at each moment.
    Register(registers::Place),
    /// The flag status register.
    FlagStatus,
    /// A register by its address.
    Addressed,
    /// The lock of the block at the address.
    Lock,
}

/// What a chip does when CS rises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Act {
    Nothing,
    EndContinuous,
    WriteEnable,
    WriteDisable,
    EnableStatusWrite,
    EnterFourByte,
    ExitFourByte,
    WriteExtended,
    WriteBank,
    ClearStatus,
    Sleep,
    Wake,
    EnableReset,
    Reset,
    UnlockBlocks,
    Lock,
    LockRegister,
    Program,
    ProgramWord,
    Erase,
    EraseChip,
    WriteStatus,
}

impl Act {
    /// Whether it changes what outlasts the supply, and so starts a busy time.
    pub(super) fn modifies(self) -> bool {
        matches!(
            self,
            Act::Program | Act::ProgramWord | Act::Erase | Act::EraseChip | Act::WriteStatus
        )
    }

    /// Whether it takes data bytes.
    pub(super) fn collects(self) -> bool {
        matches!(
            self,
            Act::Program
                | Act::ProgramWord
                | Act::WriteStatus
                | Act::WriteExtended
                | Act::WriteBank
                | Act::LockRegister
        )
    }
}

/// A frame, decided at its opcode.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Plan {
    pub(super) opcode: u8,
    pub(super) address_bytes: usize,
    pub(super) dummy_bytes: usize,
    /// Lanes of what follows the opcode, or the address where `on_one` says so.
    pub(super) lanes: Lanes,
    /// Bytes that go out on one lane before any goes on several.
    pub(super) on_one: usize,
    pub(super) source: Source,
    pub(super) act: Act,
}

impl Plan {
    fn read(opcode: u8, address_bytes: usize, dummy_bytes: usize, source: Source) -> Self {
        Self {
            opcode,
            address_bytes,
            dummy_bytes,
            lanes: Lanes::ONE,
            on_one: 1,
            source,
            act: Act::Nothing,
        }
    }

    fn act(opcode: u8, address_bytes: usize, act: Act) -> Self {
        Self {
            act,
            ..Self::read(opcode, address_bytes, 0, Source::High)
        }
    }

    pub(super) fn header_bytes(&self) -> usize {
        self.address_bytes + self.dummy_bytes
    }
}

/// Why an opcode is not carried out.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    /// The datasheet says that it is ignored here.
    Ignored,
    /// The datasheet forbids it, or does not have it.
    Forbidden(String),
}

impl Chip {
    /// Decides what the frame that begins with `opcode` does.
    pub(super) fn plan(&self, opcode: u8, now_ns: u64) -> Result<Plan, Refusal> {
        if opcode == op::MODE_RESET {
            return Ok(Plan::act(opcode, 0, Act::EndContinuous));
        }
        if self.state.continuous {
            // What the opcode would be is the upper address byte, on the lane that is looked at.
            return Ok(Plan::read(opcode, 2, 0, Source::Array));
        }
        if self.state.asleep {
            let heard = opcode == op::RELEASE_POWER_DOWN && !self.state.deaf;
            return if heard {
                Ok(self.wake())
            } else {
                Err(Refusal::Ignored)
            };
        }
        let plan = self
            .reading(opcode)
            .or_else(|| self.session(opcode))
            .or_else(|| self.modifying(opcode))
            .ok_or_else(|| forbidden(opcode, "is not one this part has"))?;
        if now_ns < self.state.ready_at_ns {
            return Err(Refusal::Ignored);
        }
        // W25Q128JV Rev. I, 8.2.8: QE has to be 1 before the chip accepts the instruction. That the quad page
        // program wants it as well is from memory.
        if plan.lanes.out.max(plan.lanes.into) == 4 && !self.quad_enabled() {
            return Err(Refusal::Ignored);
        }
        self.check_reset(&plan)?;
        if self.busy(now_ns) {
            return self.while_busy(plan);
        }
        let in_increment =
            matches!(plan.act, Act::ProgramWord | Act::WriteDisable) || opcode == op::READ_STATUS_1;
        if self.state.increment.is_some() && !in_increment {
            return Err(forbidden(opcode, "was sent during auto address increment"));
        }
        Ok(plan)
    }

    fn while_busy(&self, plan: Plan) -> Result<Plan, Refusal> {
        let status = matches!(plan.source, Source::Register(_) | Source::FlagStatus);
        let clears = plan.act == Act::ClearStatus && self.state.latched;
        if status || clears {
            return Ok(plan);
        }
        let resets = matches!(plan.act, Act::EnableReset | Act::Reset);
        if plan.act.modifies() || resets {
            return Err(forbidden(plan.opcode, "was sent while the chip is busy"));
        }
        Err(Refusal::Ignored)
    }

    fn check_reset(&self, plan: &Plan) -> Result<(), Refusal> {
        if plan.act == Act::Reset && !self.state.reset_enabled {
            return Err(forbidden(
                plan.opcode,
                "was sent without 66h directly before",
            ));
        }
        Ok(())
    }

    fn wake(&self) -> Plan {
        Plan {
            dummy_bytes: 3,
            source: Source::Bytes(vec![self.electronic_id()]),
            ..Plan::act(op::RELEASE_POWER_DOWN, 0, Act::Wake)
        }
    }

    /// ABh on SST25: maker and device, in turn, beginning as the address says; there is no sleep to
    /// be released from (SST25VF016B DS25044A, Read-ID).
    fn read_id(&self) -> Plan {
        let ends = [self.id.first(), self.id.last()];
        let bytes = ends.into_iter().flatten().copied().collect();
        Plan::read(op::RELEASE_POWER_DOWN, 3, 0, Source::Bytes(bytes))
    }

    /// Address bytes that the usual opcodes take now.
    fn address_bytes(&self) -> usize {
        if self.takes_four_bytes() { 4 } else { 3 }
    }

    fn reading(&self, opcode: u8) -> Option<Plan> {
        let family = self.part.status;
        if let Some(place) = registers::read_place(family, opcode) {
            return Some(Plan::read(opcode, 0, 0, Source::Register(place)));
        }
        if let Some(read) = self
            .unique_id_by(opcode)
            .filter(|_| opcode == op::READ_UNIQUE_ID)
        {
            // One more dummy byte in 4-byte mode (W25Q256JV Rev. I, 8.1.4).
            let more = usize::from(self.state.four_byte && self.part.addressing.three_byte);
            let source = Source::Bytes(self.unique_id.clone());
            let dummies = usize::from(read.dummy_bytes) + more;
            return Some(Plan::read(opcode, 0, dummies, source));
        }
        let address = self.address_bytes();
        let plan = match opcode {
            op::READ_JEDEC_ID => Plan::read(opcode, 0, 0, Source::Bytes(self.shown_id())),
            op::READ_SFDP => Plan::read(opcode, 3, 1, Source::Sfdp),
            op::READ => Plan::read(opcode, address, 0, Source::Array),
            op::FAST_READ => Plan::read(opcode, address, 1, Source::Array),
            op::READ_4BYTE if self.has_dedicated(opcode) => Plan::read(opcode, 4, 0, Source::Array),
            op::FAST_READ_4BYTE if self.has_dedicated(opcode) => {
                Plan::read(opcode, 4, 1, Source::Array)
            }
            op::READ_FLAG_STATUS if family == StatusFamily::Micron => {
                Plan::read(opcode, 0, 0, Source::FlagStatus)
            }
            op::READ_ANY_REGISTER if !self.addressed.is_empty() => {
                let (address, dummies) =
                    super::sfdp::register_read(self.shown_sfdp().as_deref(), address);
                Plan::read(opcode, address, dummies, Source::Addressed)
            }
            op::READ_EXTENDED_ADDRESS if self.has_extended() => {
                Plan::read(opcode, 0, 0, Source::Bytes(vec![self.state.extended]))
            }
            _ if self.lane_read(opcode).is_some() => {
                let (read, four) = self.lane_read(opcode)?;
                let address = if four { 4 } else { address };
                Plan {
                    lanes: read.lanes,
                    ..Plan::read(opcode, address, read.dummy_bytes, Source::Array)
                }
            }
            _ if self.lock_read(opcode).is_some() => {
                let address = self.lock_read(opcode).unwrap_or_default();
                Plan::read(opcode, address, 0, Source::Lock)
            }
            op::READ_BANK if self.has_bank() => {
                Plan::read(opcode, 0, 0, Source::Bytes(vec![self.state.bank]))
            }
            _ => return None,
        };
        Some(plan)
    }

    fn session(&self, opcode: u8) -> Option<Plan> {
        let family = self.part.status;
        let enters =
            |way: &FourByte| matches!(way, FourByte::Mode { enter, .. } if *enter == opcode);
        let exits = |way: &FourByte| matches!(way, FourByte::Mode { exit, .. } if *exit == opcode);
        let act = match opcode {
            _ if self.way_in(enters).is_some() => Act::EnterFourByte,
            _ if self.way_in(exits).is_some() => Act::ExitFourByte,
            op::WRITE_ENABLE => Act::WriteEnable,
            op::WRITE_DISABLE => Act::WriteDisable,
            op::RELEASE_POWER_DOWN if family == StatusFamily::Sst25 => return Some(self.read_id()),
            op::RELEASE_POWER_DOWN => return Some(self.wake()),
            // On FL-S parts B9h opens the bank register; no one here needs it. SST25 has none.
            op::DEEP_POWER_DOWN
                if !matches!(family, StatusFamily::CypressS | StatusFamily::Sst25) =>
            {
                Act::Sleep
            }
            op::RESET_ENABLE => Act::EnableReset,
            op::RESET => Act::Reset,
            op::WRITE_EXTENDED_ADDRESS if self.has_extended() => Act::WriteExtended,
            op::WRITE_BANK if self.has_bank() => Act::WriteBank,
            op::VOLATILE_STATUS_WRITE_ENABLE if family == StatusFamily::Micron => Act::ClearStatus,
            op::VOLATILE_STATUS_WRITE_ENABLE if registers::has_volatile_enable(family) => {
                Act::EnableStatusWrite
            }
            op::CLEAR_STATUS_CYPRESS if family == StatusFamily::CypressS => Act::ClearStatus,
            // Global block protection unlock of SST26 parts.
            0x98 if family == StatusFamily::Sst26 => Act::UnlockBlocks,
            _ => {
                let (address, data) = self.lock_command(opcode)?;
                let act = if data { Act::LockRegister } else { Act::Lock };
                return Some(Plan::act(opcode, address, act));
            }
        };
        Some(Plan::act(opcode, 0, act))
    }

    fn modifying(&self, opcode: u8) -> Option<Plan> {
        let address = self.address_bytes();
        let words = self.part.program == ProgramMethod::AaiWord;
        let plan = match opcode {
            op::PAGE_PROGRAM => Plan::act(opcode, address, Act::Program),
            op::PAGE_PROGRAM_4BYTE if self.has_dedicated(opcode) => {
                Plan::act(opcode, 4, Act::Program)
            }
            _ if self.lane_program(opcode).is_some() => {
                let program = self.lane_program(opcode)?;
                let address = if program.opcode_4byte == opcode {
                    4
                } else {
                    address
                };
                Plan {
                    lanes: LaneProgram::LANES,
                    on_one: program.on_one(address),
                    ..Plan::act(opcode, address, Act::Program)
                }
            }
            // The address goes out once, with the first word.
            op::AAI_WORD_PROGRAM if words && self.state.increment.is_some() => {
                Plan::act(opcode, 0, Act::ProgramWord)
            }
            op::AAI_WORD_PROGRAM if words => Plan::act(opcode, address, Act::ProgramWord),
            _ if registers::write_place(self.part.status, opcode).is_some() => {
                Plan::act(opcode, 0, Act::WriteStatus)
            }
            _ if self.erases_chip(opcode) => Plan::act(opcode, 0, Act::EraseChip),
            _ => return self.erasing(opcode),
        };
        Some(plan)
    }

    fn erasing(&self, opcode: u8) -> Option<Plan> {
        let types = &self.part.erase_types;
        if types.iter().any(|erase| erase.opcode_4byte == Some(opcode)) {
            return Some(Plan::act(opcode, 4, Act::Erase));
        }
        let usual = types.iter().any(|erase| erase.opcode == opcode);
        usual.then(|| Plan::act(opcode, self.address_bytes(), Act::Erase))
    }

    /// C7h and 60h are one command on most parts; Micron has C7h only (N25Q256A Rev. W).
    fn erases_chip(&self, opcode: u8) -> bool {
        let both = self.part.status != StatusFamily::Micron
            && matches!(opcode, op::CHIP_ERASE | op::CHIP_ERASE_ALT);
        self.part
            .chip_erase
            .is_some_and(|erase| erase.opcode == opcode || both)
    }

    fn has_extended(&self) -> bool {
        self.way_in(|way| *way == FourByte::ExtendedRegister)
            .is_some()
    }

    pub(super) fn has_bank(&self) -> bool {
        self.way_in(|way| matches!(way, FourByte::BankRegister { .. }))
            .is_some()
    }
}

fn forbidden(opcode: u8, why: &str) -> Refusal {
    Refusal::Forbidden(format!("opcode {opcode:02X}h {why}"))
}
