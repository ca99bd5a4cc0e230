//! What happens when CS rises: latches, modes, and the operations that outlast the supply.

use std::ops::Range;
use std::time::Duration;

use super::bench::Bench;
use super::change::Change;
use super::chip::WAKE_NS;
use super::clock::{Timed, draw, nanoseconds};
use super::faults::{Fault, Torn, within};
use super::frame::Run;
use super::plan::{Act, Plan};
use crate::jedec::status::StatusFamily;
use crate::link::LinkError;
use crate::part::{FourByte, ProgramMethod, Timing};

impl Bench {
    /// Carries out a complete frame; tells whether it started an operation.
    pub(super) fn cs_rises(&mut self, run: &Run) -> Result<bool, LinkError> {
        // Reset enable holds for the next frame only, whatever that is.
        self.chip.state.reset_enabled = false;
        let Some(plan) = &run.plan else {
            return Ok(false);
        };
        if plan.act.modifies() {
            return self.modify(plan, run);
        }
        self.latch(plan, run);
        Ok(false)
    }

    /// Latches and modes: nothing here outlasts the supply.
    fn latch(&mut self, plan: &Plan, run: &Run) {
        let now_ns = self.clock.now_ns();
        let enabled = self.chip.state.write_enabled;
        let first = run.data.first().copied();
        let lost = self.faults.loses_register(self.counters.batches);
        let state = &mut self.chip.state;
        // 50h is for the next command only (GD25Q64C Rev 3.0, section 7.3).
        state.status_write_enabled = plan.act == Act::EnableStatusWrite;
        match plan.act {
            Act::WriteEnable => state.write_enabled = true,
            Act::WriteDisable => {
                state.write_enabled = false;
                state.increment = None;
            }
            Act::EndContinuous => state.continuous = false,
            Act::EnterFourByte | Act::ExitFourByte => self.switch_mode(plan, enabled),
            Act::WriteExtended => match first {
                Some(value) if enabled && run.data.len() == 1 && !lost => {
                    state.extended = value;
                    state.write_enabled = false;
                }
                _ => self.counters.ignored += 1,
            },
            Act::WriteBank => match first {
                Some(value) if run.data.len() == 1 && !lost => state.bank = value,
                _ => self.counters.ignored += 1,
            },
            Act::ClearStatus => {
                state.flags = 0;
                state.latched = false;
            }
            Act::Sleep => state.asleep = true,
            Act::Wake if state.asleep => {
                state.asleep = false;
                state.ready_at_ns = now_ns.saturating_add(WAKE_NS);
            }
            Act::EnableReset => state.reset_enabled = true,
            Act::Reset => self.chip.reset(now_ns),
            Act::UnlockBlocks if enabled => {
                state.blocks_locked = false;
                state.write_enabled = false;
            }
            Act::UnlockBlocks => self.counters.ignored += 1,
            Act::Lock | Act::LockRegister if enabled => {
                state.write_enabled = false;
                let address = run.sent_address().unwrap_or_default();
                self.chip.write_lock(plan.opcode, address, first);
            }
            Act::Lock | Act::LockRegister => self.counters.ignored += 1,
            _ => {}
        }
        let keeps = matches!(
            plan.act,
            Act::WriteEnable | Act::WriteDisable | Act::EndContinuous | Act::Nothing
        );
        self.unsaved |= !keeps;
    }

    /// B7h and E9h; N25Q256A wants WREN first and leaves WEL set (common practice, no source).
    fn switch_mode(&mut self, plan: &Plan, enabled: bool) {
        let wants = self.chip.part.addressing.four_byte.iter().any(|way| {
            matches!(
                way,
                FourByte::Mode {
                    write_enable: true,
                    ..
                }
            )
        });
        if wants && !enabled {
            self.counters.ignored += 1;
        } else {
            self.chip.state.four_byte = plan.act == Act::EnterFourByte;
        }
    }

    /// An erase, program or status write, as far as it is taken at all.
    fn modify(&mut self, plan: &Plan, run: &Run) -> Result<bool, LinkError> {
        let state = &mut self.chip.state;
        let status_enabled = std::mem::take(&mut state.status_write_enabled);
        let volatile = status_enabled && plan.act == Act::WriteStatus && !state.write_enabled;
        let enabled = state.write_enabled || volatile || state.increment.is_some();
        let change = match self.change(plan, run) {
            _ if !enabled => None,
            // No one sent it so.
            Err(LinkError::Forbidden(_)) if self.misheard => None,
            change => change?,
        };
        let Some((sent, change)) = change else {
            self.counters.ignored += 1;
            return Ok(false);
        };
        if self.refused(&change) {
            self.counters.ignored += 1;
            return Ok(false);
        }
        if self.is_as_sent(run) {
            self.watch(&sent)?;
        }
        if volatile && self.chip.part.status != StatusFamily::Sst25 {
            self.write_registers(&change, false);
            return Ok(false);
        }
        self.operations = self.operations.saturating_add(1);
        self.carry_out(plan, change)?;
        Ok(true)
    }

    /// Whether the chip refuses: a protected block, or WP# low with the lock bit set.
    fn refused(&mut self, change: &Change) -> bool {
        let (range, failed) = match change {
            Change::Status { first, .. } => {
                return self.chip.is_locked(*first);
            }
            Change::Program { touched, .. } => (touched, 0x10),
            Change::Erase { range } => (range, 0x20),
        };
        let held = self.chip.protected_range();
        let selected = held.start < range.end && range.start < held.end;
        let refused = selected || self.chip.is_block_locked(range);
        if refused {
            self.report_failure(failed);
        }
        refused
    }

    /// Micron: E_FAIL or P_FAIL, and the protection bit, in the flag status register.
    /// Cypress FL-S: E_ERR or P_ERR, and busy until the status is cleared. AT25DF: EPE.
    fn report_failure(&mut self, failed: u8) {
        let state = &mut self.chip.state;
        match self.chip.part.status {
            StatusFamily::Micron => state.flags |= failed | 0x02,
            StatusFamily::CypressS => {
                // P_ERR is bit 6, E_ERR bit 5.
                state.flags |= if failed == 0x10 { 0x40 } else { 0x20 };
                state.latched = true;
            }
            StatusFamily::AdestoDf => state.flags |= 0x20,
            _ => {}
        }
    }

    /// Whether the address that the chip heard is the one that the host meant: neither did the wire change
    /// this frame, nor one before it that the chip's way of taking addresses may depend on.
    fn is_as_sent(&self, run: &Run) -> bool {
        let part = &self.chip.part;
        let modes = !part.addressing.four_byte.is_empty() || part.program == ProgramMethod::AaiWord;
        !(run.changed || self.misheard && modes)
    }

    /// The write-ahead rule, judged by the address that the host sent.
    fn watch(&self, sent: &Change) -> Result<(), LinkError> {
        let range = match sent {
            Change::Status { .. } => return Ok(()),
            Change::Program { touched, .. } => touched,
            Change::Erase { range } => range,
        };
        if self.monitor.covers(range) {
            return Ok(());
        }
        self.monitor.count_violation();
        let Range { start, end } = range;
        Err(LinkError::Forbidden(format!(
            "0x{start:06X} to 0x{end:06X} would change without a durable record"
        )))
    }

    /// The operation has a number: it happens, is torn, or silently does nothing.
    fn carry_out(&mut self, plan: &Plan, change: Change) -> Result<(), LinkError> {
        if self.chip.part.status == StatusFamily::AdestoDf {
            // EPE tells of the last operation only.
            self.chip.state.flags = 0;
        }
        let torn = self.faults.cut_at(self.operations);
        match torn {
            Some(torn) => self.tear(&change, torn)?,
            None if self.faults.silences(&change, self.operations) => {}
            None => self.complete(&change)?,
        }
        let time = self.operation_time(plan, &change);
        let now_ns = self.clock.now_ns();
        let state = &mut self.chip.state;
        state.busy_until_ns = now_ns.saturating_add(nanoseconds(time));
        state.increment = match &change {
            Change::Program { address, .. } if plan.act == Act::ProgramWord => {
                let next = address.saturating_add(2);
                (next < self.chip.part.size_bytes).then_some(next)
            }
            _ => None,
        };
        state.write_enabled = state.increment.is_some();
        self.counters.busy += time;
        match change {
            Change::Program { .. } => self.counters.programs += 1,
            Change::Erase { .. } => self.counters.erases += 1,
            Change::Status { .. } => self.counters.status_writes += 1,
        }
        match torn {
            None => Ok(()),
            Some(torn) => Err(self.cut_supply(torn)),
        }
    }

    fn timing(&self, plan: &Plan, change: &Change) -> Timing {
        let part = &self.chip.part;
        let Change::Erase { range } = change else {
            return match change {
                Change::Program { .. } => part.page_program,
                _ => part.status_write,
            };
        };
        let chip_erase = part.chip_erase.filter(|_| plan.act == Act::EraseChip);
        let length = range.end - range.start;
        let block = part
            .erase_types
            .iter()
            .find(|erase| erase.size_bytes == length);
        chip_erase
            .map(|erase| erase.time)
            .or_else(|| block.map(|erase| erase.time))
            .unwrap_or(part.page_program)
    }

    fn operation_time(&self, plan: &Plan, change: &Change) -> Duration {
        let timed = match change {
            Change::Erase { .. } => Timed::Erase,
            Change::Program { .. } => Timed::Program,
            Change::Status { .. } => Timed::StatusWrite,
        };
        let drawn = draw(
            self.times,
            self.timing(plan, change),
            (timed, self.chip.seed),
            (self.faults.seed, self.operations),
        );
        drawn.mul_f64(self.faults.slowness())
    }
}

impl super::faults::Faults {
    fn cut_at(&self, operation: u64) -> Option<Torn> {
        self.list.iter().find_map(|fault| match fault {
            Fault::PowerCut { at_operation, torn } if *at_operation == operation => Some(*torn),
            _ => None,
        })
    }

    fn silences(&self, change: &Change, operation: u64) -> bool {
        self.list.iter().any(|fault| match (fault, change) {
            (
                Fault::SilentErase {
                    from_operation: from,
                    operations,
                },
                Change::Erase { .. },
            )
            | (
                Fault::SilentProgram {
                    from_operation: from,
                    operations,
                },
                Change::Program { .. },
            ) => within(operation, *from, *operations),
            _ => false,
        })
    }

    fn loses_register(&self, batch: u64) -> bool {
        self.list.iter().any(|fault| match fault {
            Fault::SilentRegister {
                from_batch,
                batches,
            } => within(batch, *from_batch, *batches),
            _ => false,
        })
    }

    pub(super) fn is_slow(&self) -> bool {
        self.slowness() > 1.0
    }

    fn slowness(&self) -> f64 {
        self.list.iter().fold(1.0, |factor, fault| match fault {
            Fault::Slow { factor: more } => (factor * more.max(0.0)).min(1e6),
            _ => factor,
        })
    }
}
