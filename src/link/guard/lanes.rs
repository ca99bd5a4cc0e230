//! Frames on several lanes: which of them pass, and as what.

use super::{Class, Shape, dedicated};
use crate::jedec::{LANE_DUMMY, LANE_READS, LaneProgram, LaneRead};
use crate::part::{Part, ProgramMethod};

/// What a frame on several lanes can do; `None` for one that is neither a read nor a program of the part.
pub(super) fn class(part: &Part, shape: &Shape) -> Option<Class> {
    match (reads(part, shape), programs(part, shape)) {
        (true, _) => Some(Class::Observe),
        (false, true) => Some(Class::Modify),
        (false, false) => None,
    }
}

/// Reads on several lanes: opcodes of the standard's list alone, with the very lanes and dummy bytes that the
/// part's own SFDP gives, behind an address of the length that the opcode takes. All that goes out behind
/// the address is ones, so that no mode bits begin continuous read; so where mode bits may follow, something
/// does, and no address byte can be taken for them.
fn reads(part: &Part, shape: &Shape) -> bool {
    let code = shape.code();
    let listed = LANE_READS.iter().find(|row| row.0 == code || row.1 == code);
    let Some((usual, four, lanes)) = listed else {
        return false;
    };
    let has = |read: &&LaneRead| read.opcode == *usual && read.lanes == *lanes;
    let Some(read) = part.lane_reads.iter().find(has) else {
        return false;
    };
    let ones = |behind: usize| {
        let dummies = shape.head().iter().skip(behind);
        dummies.clone().count() == read.dummy_bytes && dummies.clone().all(|b| *b == LANE_DUMMY)
    };
    let form = |bytes: usize| shape.is_read(code, bytes + read.dummy_bytes) && ones(1 + bytes);
    let address = match code == *four {
        true => dedicated(part).contains(four) && form(4),
        false if lanes.out == 1 => form(3) || form(4),
        false => form(usual_address_bytes(part)),
    };
    // A chip that is in a 4-byte mode, where nothing may show it, takes the first of these bytes for address
    // bits; then one more has to follow, or its mode bits are nobody's.
    let least = 1 + usize::from(code == *usual && part.addressing.has_mode());
    let split = lanes.out == 1 || (shape.on_one == 1 && read.dummy_bytes >= least);
    address && split && !shape.exchanges && shape.lanes == *lanes
}

/// Programs of a page: opcodes that a document or the chip's own 4-byte table gives to the part, the address on
/// the lanes that the opcode has it on and of the length that it takes, data on four, all within one page.
fn programs(part: &Part, shape: &Shape) -> bool {
    let code = shape.code();
    let has = part.lane_programs.contains(&code) && part.program == ProgramMethod::Page;
    let Some(program) = LaneProgram::listed(code).filter(|_| has) else {
        return false;
    };
    let bytes = match code == program.opcode_4byte {
        true => 4,
        false => usual_address_bytes(part),
    };
    let address = shape.head().get(1..1 + bytes).unwrap_or_default();
    let low = address
        .iter()
        .fold(0_u32, |sum, byte| sum << 8 | u32::from(*byte));
    let within = low.checked_rem(part.page_size_bytes).unwrap_or(0) as usize;
    let data = shape.out_bytes.saturating_sub(1 + bytes);
    let one_page = data > 0 && within + data <= part.page_size_bytes as usize;
    let lanes = shape.lanes == LaneProgram::LANES && shape.on_one == program.on_one(bytes);
    one_page && lanes && shape.reads == 0 && !shape.exchanges
}

/// Address bytes of the usual opcodes where several lanes carry any of them: four only where the part knows no
/// other number, since in a mode a frame does not tell.
fn usual_address_bytes(part: &Part) -> usize {
    match part.addressing.three_byte {
        true => 3,
        false => 4,
    }
}
