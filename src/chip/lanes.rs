//! Reads and programs on several lanes: which of them this chip takes on this link.

use super::upper::Upper;
use super::width::Width;
use super::{Chip, ChipError};
use crate::jedec::{LaneProgram, LaneRead};
use crate::link::{Frame, Purpose, Segment};
use crate::part::{FourByte, ProgramMethod};

impl Chip {
    /// Whether the link says that more than one lane comes in.
    #[must_use]
    pub fn has_lanes(&self) -> bool {
        self.guard.limits().lanes.into > 1
    }

    /// The reads on several lanes that part, link and addressing have, best first. Whether quad reads are
    /// enabled is for [`Chip::quad_enabled`] to tell, and whether the lanes are wired for a comparison.
    #[must_use]
    pub fn lane_reads(&self) -> Vec<LaneRead> {
        let lanes = self.guard.limits().lanes;
        let reads = self.part.lane_reads.iter().copied();
        reads
            .filter(|read| lanes.carry(read.lanes) && self.addresses(read))
            .collect()
    }

    /// Whether the addressing in use has an opcode for it. Where a mode or a bit says how many address bytes
    /// there are, none whose address goes on several lanes: in the other mode a chip would take the last of four for
    /// mode bits, and they could begin continuous read. Where a mode is left alone, since three bytes reach, it
    /// need not show; then more than one byte has to follow, as the first would be address bits.
    fn addresses(&self, read: &LaneRead) -> bool {
        let has = |way: &FourByte| match (way, read.opcode_4byte()) {
            (FourByte::Dedicated { opcodes }, Some(code)) => opcodes.contains(&code),
            _ => false,
        };
        match self.width {
            Width::Dedicated => self.part.addressing.four_byte.iter().any(has),
            Width::Mode { .. } | Width::Upper(Upper { four: true, .. }) => read.lanes.out == 1,
            _ if self.part.addressing.has_mode() => read.lanes.out == 1 || read.dummy_bytes > 1,
            _ => true,
        }
    }

    /// Whether the bit that lets quad reads work is set, or the part needs none; `None` where it is not known
    /// which bit that is. It is read, twice, and never written.
    ///
    /// # Errors
    /// `UnsteadyRegister` if the two differ; `Link`.
    pub fn quad_enabled(&mut self) -> Result<Option<bool>, ChipError> {
        let Some(found) = self.part.quad_enable() else {
            return Ok(None);
        };
        match found.bit() {
            Some((register, bit)) => Ok(Some(self.steadily(&[register])? & bit != 0)),
            None => Ok(found.needs_none().then_some(true)),
        }
    }

    /// Takes `read` as [`Chip::second_command`] from now on; `None` goes back to one lane. Only for one that
    /// has read what a command on one lane reads.
    pub fn use_lanes(&mut self, read: Option<LaneRead>) {
        (self.lane_read, self.lane_program) = (read, None);
    }

    /// The program on four lanes that part, link and addressing have, and the read that sends its address on four
    /// lanes too: what that one reads shows whether all lines carry outwards. `None` in a reading job.
    #[must_use]
    pub fn lane_program(&self) -> Option<(LaneProgram, LaneRead)> {
        let pages = self.part.program == ProgramMethod::Page;
        let may = self.purpose() == Purpose::Write && pages;
        let has = |one: &LaneProgram| self.part.lane_programs.contains(&self.lane_opcode(*one));
        let program = LaneProgram::ALL.into_iter().find(has).filter(|_| may)?;
        let proof = self
            .lane_reads()
            .into_iter()
            .find(|read| read.lanes.out == 4)?;
        Some((program, proof))
    }

    /// Has the chip, once armed, program with `program`. Only where the read beside it has read what a command on
    /// one lane reads: a line that carries inwards alone would spoil the first block.
    pub fn use_lane_program(&mut self, program: LaneProgram) {
        self.lane_program = Some(program);
    }

    fn lane_opcode(&self, program: LaneProgram) -> u8 {
        match self.width {
            Width::Dedicated => program.opcode_4byte,
            _ => program.opcode,
        }
    }

    /// Lanes of address and data of a program here.
    #[must_use]
    pub fn program_lanes(&self) -> [u8; 2] {
        match self.lane_program {
            Some(program) => [program.address_lanes, LaneProgram::LANES.out],
            None => [1, 1],
        }
    }

    /// The opcode that programs here.
    pub(super) fn program_opcode(&self) -> u8 {
        match self.lane_program {
            Some(program) => self.lane_opcode(program),
            None => self.width.program_opcode(),
        }
    }

    /// Bytes of each segment of a program's head of so many bytes; 0 is no segment.
    pub(super) fn program_head(&self, bytes: usize) -> [usize; 2] {
        match self.lane_program {
            Some(LaneProgram {
                address_lanes: 4, ..
            }) => [1, bytes.saturating_sub(1)],
            _ => [bytes, 0],
        }
    }

    /// The frame that programs `data` behind `head`, opcode and address.
    pub(super) fn program_frame<'f>(&self, head: &'f [u8], data: &'f [u8]) -> Frame<'f> {
        let [first, _] = self.program_head(head.len());
        let (code, address) = head.split_at_checked(first).unwrap_or((head, &[]));
        let segments = [code, address, data].into_iter();
        let sent = segments.filter(|bytes| !bytes.is_empty());
        let frame = Frame::new(sent.map(Segment::Out).collect());
        match self.lane_program {
            Some(_) => frame.on(LaneProgram::LANES),
            None => frame,
        }
    }
}
