//! Differences in what comes in.

use norlock::jedec::opcode::{FAST_READ, READ, READ_STATUS_1};
use norlock::jedec::status::StatusFamily;

use super::super::operation::Operation;
use super::super::sides::{CYPRESS, WEL, WIP, model_id};
use super::super::step::Found;
use super::super::theirs::Case;
use super::{GIGADEVICE, MACRONIX, WINBOND};

pub fn cr_drive_strength(case: &Case<'_>, found: &Found) -> bool {
    let reads = matches!(case.inner, Operation::ReadRegister { opcode: 0x15, .. });
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    reads
        && case.subject.maker() == MACRONIX
        && theirs[0] == ours[0] | 0x07
        && theirs[0] != ours[0]
        && theirs[1..].iter().all(|byte| *byte == 0)
}

/// The first byte is equal, or explained by itself.
pub fn register_once(case: &Case<'_>, found: &Found) -> bool {
    let Operation::ReadRegister { opcode, .. } = case.inner else {
        return false;
    };
    let once = matches!(opcode, 0x15 | 0x16 | 0x35 | 0xC8);
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    once && ours[0] == theirs[0] && theirs[1..].iter().all(|byte| *byte == 0)
}

/// 35h and 15h where the model has no such register, or QE alone.
pub fn second_register_bits(case: &Case<'_>, found: &Found) -> bool {
    let Operation::ReadRegister { opcode, .. } = case.inner else {
        return false;
    };
    let first = match (opcode, case.subject.maker()) {
        (0x35, WINBOND | CYPRESS) => u8::from(case.before.their_quad) << 1,
        (0x35, GIGADEVICE) => 0,
        (0x15, WINBOND | GIGADEVICE) => u8::from(case.before.modes.four) << 5,
        _ => return false,
    };
    matches!(found, Found::Answer { theirs, .. }
        if theirs[0] == first && theirs[1..].iter().all(|byte| *byte == 0 || *byte == first))
}

/// Bits 5, 4 and 1 are never set.
pub fn no_flags_in_70h(case: &Case<'_>, found: &Found) -> bool {
    let reads = matches!(case.inner, Operation::ReadRegister { opcode: 0x70, .. });
    let mode = 0x80 | u8::from(case.before.modes.four);
    reads
        && matches!(found, Found::Answer { ours, theirs, .. }
            if theirs.iter().all(|byte| *byte == mode)
                && ours.iter().all(|byte| byte & !0x32 == mode))
}

/// Bit 6 where it shows auto address increment.
pub fn increment(case: &Case<'_>) -> u8 {
    match case.subject.part.status {
        StatusFamily::Sst25 => 0x40,
        _ => 0,
    }
}

/// Status register 1 as the model keeps it.
pub fn is_status_as_kept(case: &Case<'_>, found: &Found) -> bool {
    // WIP is never among what a model may leave out, nor is AAI on SST25, which is no protection bit.
    let kept = case.subject.kept | WEL | WIP | increment(case);
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    let reads = matches!(
        case.inner,
        Operation::ReadRegister {
            opcode: READ_STATUS_1,
            ..
        }
    );
    reads
        && ours
            .iter()
            .zip(theirs)
            .all(|(ours, theirs)| ours & kept == *theirs)
}

/// Bytes that come in while the header is still going out, or instead of a table there is not.
pub fn undriven_low(case: &Case<'_>, found: &Found) -> bool {
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    let frame = case.operation.frames(case.subject, case.before.modes.four);
    let header = case
        .operation
        .header_bytes(case.subject, case.before.modes.four);
    let sent = frame.first().map_or(0, |frame| frame.out.len());
    let silent = if is_sfdp_of_none(case) {
        ours.len()
    } else {
        header.saturating_sub(sent)
    };
    let silent = silent.min(ours.len());
    ours[..silent].iter().all(|byte| *byte == 0xFF)
        && theirs[..silent].iter().all(|byte| *byte == 0)
        && ours[silent..] == theirs[silent..]
}

fn is_sfdp_of_none(case: &Case<'_>) -> bool {
    matches!(case.inner, Operation::ReadSfdp { .. })
}

pub fn id_ends(case: &Case<'_>, found: &Found) -> bool {
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    let id = &case.subject.part.jedec_id.0;
    let known = id.len().min(case.subject.id.len()).min(ours.len());
    matches!(case.inner, Operation::ReadId { .. })
        && ours[..known] == theirs[..known]
        && *theirs == model_id(case.subject, theirs.len())
}

pub fn electronic_id(case: &Case<'_>, found: &Found) -> bool {
    let Found::Answer { ours, theirs, .. } = found else {
        return false;
    };
    let density = case.subject.part.jedec_id.0[2].wrapping_sub(1);
    matches!(case.inner, Operation::Wake { .. })
        && ours.iter().all(|byte| *byte == density)
        && theirs.iter().all(|byte| *byte == 0)
}

/// The model's bytes are those that stand there, past the edge too.
pub fn reads_run_on(case: &Case<'_>, found: &Found) -> bool {
    let (Found::Answer { theirs, cells, .. }, Operation::Read { opcode, at, len }) =
        (found, &case.inner)
    else {
        return false;
    };
    let room = (1 << 24) - (at & 0x00FF_FFFF) as usize;
    let three = matches!(*opcode, READ | FAST_READ) && !case.before.modes.four;
    three && case.subject.size() > 1 << 24 && room < *len && theirs == cells
}
