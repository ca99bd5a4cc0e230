//! Differences in latches, status bits and modes.

use norlock::jedec::opcode::ENTER_4BYTE;
use norlock::jedec::status::StatusFamily;

use super::super::operation::Operation;
use super::super::sides::CYPRESS;
use super::super::step::Found;
use super::super::theirs::Case;
use super::answers::{increment, is_status_as_kept};
use super::{ISSI, MACRONIX, WINBOND};

pub fn wel_stays(case: &Case<'_>, found: &Found) -> bool {
    let modifies = matches!(
        case.inner,
        Operation::Erase { .. }
            | Operation::EraseChip { .. }
            | Operation::Program { .. }
            | Operation::WriteUpper { opcode: 0xC5, .. }
    );
    let stays = Found::WriteEnable {
        ours: false,
        theirs: true,
    };
    modifies && case.complete && case.enabled() && *found == stays
}

pub fn b7h_taken(case: &Case<'_>, found: &Found) -> bool {
    matches!(&case.inner, Operation::Foreign { bytes } if *bytes == [ENTER_4BYTE])
        && *found == FOUR_BYTES_THEIRS
}

const FOUR_BYTES_THEIRS: Found = Found::FourBytes {
    ours: false,
    theirs: true,
};

const FOUR_BYTES_OURS: Found = Found::FourBytes {
    ours: true,
    theirs: false,
};

pub fn mode_wants_no_wren(case: &Case<'_>, found: &Found) -> bool {
    let Operation::Mode { opcode } = case.inner else {
        return false;
    };
    let wants = case.subject.mode().is_some_and(|(.., wants)| wants);
    let entered = opcode == ENTER_4BYTE;
    let mode = if entered {
        FOUR_BYTES_THEIRS
    } else {
        FOUR_BYTES_OURS
    };
    wants && !case.enabled() && *found == mode
}

pub fn exit_unknown(case: &Case<'_>, found: &Found) -> bool {
    case.inner == Operation::Mode { opcode: 0x29 } && *found == FOUR_BYTES_THEIRS
}

pub fn cr_sets_mode(case: &Case<'_>, found: &Found) -> bool {
    let second = match &case.inner {
        Operation::WriteStatus { data, .. } => data.get(1).copied(),
        _ => None,
    };
    let cleared = second.is_some_and(|second| second & 0x20 == 0);
    case.subject.maker() == MACRONIX && case.enabled() && cleared && *found == FOUR_BYTES_OURS
}

pub fn bank_wants_wren(case: &Case<'_>, found: &Found) -> bool {
    let bank = matches!(case.inner, Operation::WriteUpper { opcode: 0x17, .. });
    let was = case.before.modes.upper;
    bank && !case.enabled() && matches!(found, Found::Upper { theirs, .. } if *theirs == was)
}

/// Without WEL, 01h collects nothing, and its first byte of data is the next opcode.
pub fn data_as_opcodes(case: &Case<'_>, found: &Found) -> bool {
    let first = match &case.inner {
        Operation::WriteStatus { opcode: 0x01, data } => data.first().copied(),
        Operation::WriteVolatile { value, .. } => Some(*value),
        _ => return false,
    };
    let sets = Found::WriteEnable {
        ours: false,
        theirs: true,
    };
    let quad = matches!(found, Found::Kept { ours, theirs } if ours ^ theirs == 0x40);
    !case.enabled()
        && match first {
            Some(0x06) => *found == sets,
            Some(0xB7) => *found == FOUR_BYTES_THEIRS,
            Some(0xE9) => *found == FOUR_BYTES_OURS,
            Some(0x35 | 0xF5) => quad && case.subject.maker() == MACRONIX,
            _ => false,
        }
}

/// Whether the model's status bits are what they were.
fn kept_theirs(case: &Case<'_>, found: &Found) -> bool {
    let was = case.before.theirs & case.subject.kept;
    matches!(found, Found::Kept { theirs, .. } if *theirs == was)
}

pub fn no_volatile_write(case: &Case<'_>, found: &Found) -> bool {
    let volatile = matches!(case.inner, Operation::WriteVolatile { .. });
    // And 99h brings back what was stored.
    let undone = case.inner == Operation::Reset && case.before.volatile;
    (volatile && !case.enabled() || undone) && kept_theirs(case, found)
}

const WEL_STAYS: Found = Found::WriteEnable {
    ours: false,
    theirs: true,
};

pub fn no_second_register(case: &Case<'_>, found: &Found) -> bool {
    matches!(
        case.inner,
        Operation::WriteStatus {
            opcode: 0x11 | 0x31,
            ..
        }
    ) && case.enabled()
        && *found == WEL_STAYS
}

pub fn two_bytes_or_none(case: &Case<'_>, found: &Found) -> bool {
    let one = matches!(&case.inner,
        Operation::WriteStatus { data, .. } if data.len() == 1);
    one && case.subject.maker() == CYPRESS
        && case.enabled()
        && (*found == WEL_STAYS || kept_theirs(case, found))
}

pub fn written_without_data(case: &Case<'_>, found: &Found) -> bool {
    let none = matches!(&case.inner,
        Operation::WriteStatus { opcode: 0x01, data } if data.is_empty());
    let cleared = Found::WriteEnable {
        ours: true,
        theirs: false,
    };
    let maker = matches!(case.subject.maker(), WINBOND | MACRONIX);
    none && maker && case.enabled() && *found == cleared
}

pub fn powers_up_open(case: &Case<'_>, found: &Found) -> bool {
    let anew = matches!(case.inner, Operation::PowerUp | Operation::Reset);
    let protects = case.subject.part.protected_at_power_up;
    anew && protects && (kept_theirs(case, found) || is_bit_5(found))
}

/// BP3 of SST25, which the models do not keep.
fn is_bit_5(found: &Found) -> bool {
    matches!(
        found,
        Found::NotKept {
            bits: 0x20,
            theirs: 0
        }
    )
}

pub fn sector_protection(case: &Case<'_>, found: &Found) -> bool {
    let wrote = match &case.inner {
        Operation::WriteStatus { data, .. } => data.first().copied(),
        _ => None,
    };
    case.subject.part.status == StatusFamily::AdestoDf
        && case.enabled()
        && matches!((found, wrote), (Found::Kept { theirs, .. }, Some(wrote))
            if *theirs == wrote & case.subject.kept)
}

pub fn reset_drops_qe(case: &Case<'_>, found: &Found) -> bool {
    let quad = matches!(case.subject.maker(), MACRONIX | ISSI);
    quad && case.inner == Operation::Reset
        && matches!(found, Found::Kept { ours, theirs } if ours ^ theirs == 0x40 && ours & 0x40 != 0)
}

pub fn no_failure_flags(case: &Case<'_>, found: &Found) -> bool {
    let fails: &[u8] = match case.subject.part.status {
        StatusFamily::CypressS => &[0x21, 0x41],
        StatusFamily::AdestoDf => &[0x20],
        _ => return false,
    };
    match found {
        Found::NotKept { bits, theirs: 0 } => fails.contains(bits),
        found => is_status_as_kept(case, found),
    }
}

pub fn bits_not_kept(case: &Case<'_>, found: &Found) -> bool {
    if has_failure_flags(case) {
        return false;
    }
    match found {
        Found::NotKept { bits, theirs: 0 } => bits & !(0x60 & !increment(case)) == 0,
        found => is_status_as_kept(case, found),
    }
}

fn has_failure_flags(case: &Case<'_>) -> bool {
    use StatusFamily as F;
    matches!(case.subject.part.status, F::CypressS | F::AdestoDf)
}

pub fn no_sleep(case: &Case<'_>, found: &Found) -> bool {
    matches!(found, Found::Awake { status } if *status == case.before.theirs)
        && case.inner == Operation::Sleep
}
