//! Reads on several lanes: which of them this chip takes on this link.

use super::upper::Upper;
use super::width::Width;
use super::{Chip, ChipError};
use crate::jedec::LaneRead;
use crate::part::FourByte;

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
    /// mode bits, and they could begin continuous read.
    fn addresses(&self, read: &LaneRead) -> bool {
        let has = |way: &FourByte| match (way, read.opcode_4byte()) {
            (FourByte::Dedicated { opcodes }, Some(code)) => opcodes.contains(&code),
            _ => false,
        };
        match self.width {
            Width::Dedicated => self.part.addressing.four_byte.iter().any(has),
            Width::Mode { .. } | Width::Upper(Upper { four: true, .. }) => read.lanes.out == 1,
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
        self.lane_read = read;
    }
}
