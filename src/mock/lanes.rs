//! Reads and programs on several lanes, as a simulated chip has them.

use super::chip::Chip;
use crate::jedec::sfdp::{FastRead, QuadEnable};
use crate::jedec::status::StatusFamily;
use crate::jedec::{LANE_READS, LaneProgram, LaneRead, Lanes};
use crate::part::Part;

/// The reads of the standard's list that the parts table has a clock for, and has a place for QE if they
/// are quad. How many clocks follow the address the table does not say: W25Q256JV Rev. I, N25Q256A Rev. W
/// and S25FL064L have these, each for its maker's.
pub(super) fn reads(part: &Part) -> Vec<FastRead> {
    let family = part.status;
    let quad = family.quad_enable().is_some();
    let has =
        |code: &u8, lanes: &Lanes| part.sck_max.contains_key(code) && (lanes.into < 4 || quad);
    let rows = LANE_READS
        .iter()
        .filter(|(code, _, lanes)| has(code, lanes));
    rows.map(|(code, _, lanes)| {
        let (mode_clocks, wait_states) = match (family, lanes.out, lanes.into) {
            (StatusFamily::Micron, 1, 2) => (0, 8),
            (StatusFamily::Micron, 4, _) => (1, 9),
            (StatusFamily::Micron, ..) => (1, 7),
            (StatusFamily::CypressS | StatusFamily::CypressL, 2, _) => (4, 8),
            (StatusFamily::CypressS | StatusFamily::CypressL, 4, _) => (2, 8),
            (_, 2, _) => (2, 2),
            (_, 4, _) => (2, 4),
            _ => (0, 8),
        };
        FastRead {
            lanes: [1, lanes.out, lanes.into],
            opcode: *code,
            mode_clocks,
            wait_states,
        }
    })
    .collect()
}

/// Where QE is, as SFDP has it.
pub(super) fn quad_enable(part: &Part) -> QuadEnable {
    part.status.quad_enable().unwrap_or(QuadEnable(0))
}

/// Whether what comes in over this line is lost, where so many are used: MISO is the one that is not.
pub(super) fn is_lost(line: u8, lanes: u8) -> bool {
    lanes > 1 && line != 1 && line < lanes
}

/// What the wires make of a byte on several lanes: a line that carries only the other way is pulled up.
pub(super) fn lost(byte: u8, line: u8, lanes: u8) -> u8 {
    let on_line = |bit: u8| bit % lanes.max(1) == line;
    (0..8)
        .filter(|bit| on_line(*bit))
        .fold(byte, |byte, bit| byte | 1 << bit)
}

impl Chip {
    /// The read on several lanes that `opcode` is, and whether its address has four bytes whatever the mode.
    pub(super) fn lane_read(&self, opcode: u8) -> Option<(LaneRead, bool)> {
        let (code, four, _) = LANE_READS
            .iter()
            .find(|row| row.0 == opcode || (row.1 == opcode && self.has_dedicated(opcode)))?;
        let reads = reads(&self.part);
        let read = reads.iter().find(|read| read.opcode == *code)?;
        Some((read.lane_read()?, *four == opcode))
    }

    /// The program on four lanes that `opcode` is, on a part that has it: by its document, or with four address
    /// bytes by the list of its opcodes, which its SFDP says as well.
    pub(super) fn lane_program(&self, opcode: u8) -> Option<LaneProgram> {
        let own = self.part.lane_programs.contains(&opcode) || self.has_dedicated(opcode);
        LaneProgram::listed(opcode).filter(|_| own)
    }

    /// Whether quad reads and programs work.
    pub(super) fn quad_enabled(&self) -> bool {
        let found = quad_enable(&self.part);
        let held = |(code, bit)| {
            let place = super::registers::read_place(self.part.status, code)?;
            Some(self.state.registers.get(place)? & bit != 0)
        };
        found.needs_none() || found.bit().and_then(held) == Some(true)
    }
}
