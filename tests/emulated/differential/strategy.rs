//! How sequences are drawn.

use std::ops::Range;

use norlock::jedec::opcode::{ENTER_4BYTE, WRITE_STATUS_1, WRITE_STATUS_2, WRITE_STATUS_3};
use norlock::jedec::status::StatusFamily;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use proptest::strategy::Union;

use super::operation::{Operation, chip_erases, erases, programs, reads};
use super::parts::Subject;

/// Steps of a sequence; some are two operations, with 06h before the other.
const STEPS: Range<usize> = 15..45;
/// Parts above this are not erased whole but once in a while.
const SMALL_BYTES: u32 = 1 << 20;
/// Bytes from either side of a place that most addresses are near to.
const NEAR_BYTES: u32 = 700;

/// Sequences for a part.
pub fn sequences(subject: &Subject) -> impl Strategy<Value = Vec<Operation>> + use<> {
    let alone = any_operation(subject).prop_map(|one| vec![one]);
    let enabled = modifying(subject).prop_map(|one| vec![Operation::WriteEnable, one]);
    vec(prop_oneof![3 => alone, 2 => enabled], STEPS).prop_map(|steps| steps.concat())
}

fn any_operation(subject: &Subject) -> BoxedStrategy<Operation> {
    let mut all = legal(subject);
    all.extend(modes(subject));
    all.extend(status(subject));
    all.push((3, foreign(subject)));
    all.push((8, interrupted(subject)));
    Union::new_weighted(all).boxed()
}

/// What is ignored without 06h before.
fn modifying(subject: &Subject) -> BoxedStrategy<Operation> {
    let mut all = vec![
        (30, program(subject)),
        (16, erase(subject)),
        (2, foreign(subject)),
        (10, interrupted(subject)),
    ];
    all.extend(status(subject));
    all.extend(modes_with_enable(subject));
    Union::new_weighted(all).boxed()
}

type Weighted = Vec<(u32, BoxedStrategy<Operation>)>;

fn legal(subject: &Subject) -> Weighted {
    let whole = if subject.size() <= SMALL_BYTES { 4 } else { 1 };
    let chip = select(chip_erases(subject));
    vec![
        (12, Just(Operation::WriteEnable).boxed()),
        (4, Just(Operation::WriteDisable).boxed()),
        (20, read(subject)),
        (30, program(subject)),
        (14, erase(subject)),
        (
            whole,
            chip.prop_map(|opcode| Operation::EraseChip { opcode })
                .boxed(),
        ),
        (
            3,
            (1_usize..24)
                .prop_map(|len| Operation::ReadId { len })
                .boxed(),
        ),
        (3, sfdp().boxed()),
        (9, registers(subject)),
    ]
}

fn read(subject: &Subject) -> BoxedStrategy<Operation> {
    (select(reads(subject)), address(subject), 1_usize..900)
        .prop_map(|(opcode, at, len)| Operation::Read { opcode, at, len })
        .boxed()
}

/// The first header; what stands where is the table's matter.
fn sfdp() -> impl Strategy<Value = Operation> {
    (0_u32..64, 1_usize..64).prop_map(|(at, len)| Operation::ReadSfdp { at, len })
}

fn registers(subject: &Subject) -> BoxedStrategy<Operation> {
    let mut opcodes = subject.part.status.observes().to_vec();
    opcodes.extend(subject.upper().map(|(_, read)| read));
    (select(opcodes), 1_usize..5)
        .prop_map(|(opcode, len)| Operation::ReadRegister { opcode, len })
        .boxed()
}

fn program(subject: &Subject) -> BoxedStrategy<Operation> {
    let at = address(subject);
    let page = subject.part.page_size_bytes as usize;
    if subject.by_byte() {
        let one = (at.clone(), any::<u8>()).prop_map(|(at, byte)| Operation::Program {
            opcode: 0x02,
            at,
            data: vec![byte],
        });
        let size = subject.size();
        let words = (at, vec(any::<[u8; 2]>(), 1..8)).prop_map(move |(at, words)| {
            // Past the top the mode ends, and the model would take what follows for opcodes.
            let at = (at & !1).min(size - 2 * words.len() as u32);
            Operation::ProgramWords { at, words }
        });
        return prop_oneof![one, words].boxed();
    }
    let short = vec(any::<u8>(), 1..40);
    let long = vec(any::<u8>(), 1..page + 40);
    (
        select(programs(subject)),
        at,
        prop_oneof![3 => short, 1 => long],
    )
        .prop_map(|(opcode, at, data)| Operation::Program { opcode, at, data })
        .boxed()
}

/// Half of them aligned. None unaligned in the last block, nor in the last of 16 MiB, which an upper
/// address byte can make the last of the chip: the model would erase past the end of its memory.
fn erase(subject: &Subject) -> BoxedStrategy<Operation> {
    let end = subject.size().min(1 << 24);
    (select(erases(subject)), address(subject), any::<bool>())
        .prop_map(move |((opcode, bytes), at, aligned)| {
            let reaches = at % end > end - bytes;
            let at = if aligned || reaches {
                at & !(bytes - 1)
            } else {
                at
            };
            Operation::Erase { opcode, at }
        })
        .boxed()
}

/// Where most addresses are: the ends, the middle, both sides of 16 MiB.
pub fn places(subject: &Subject) -> Vec<u32> {
    let size = subject.size();
    let mut places = vec![0, size / 2, size / 2 + 0x1_0000, size - NEAR_BYTES];
    places.retain(|at| *at < size);
    places.extend([1 << 24].into_iter().filter(|at| size > *at));
    places
}

/// Near the ends, near the middle, on both sides of 16 MiB; now and then anywhere.
fn address(subject: &Subject) -> BoxedStrategy<u32> {
    let size = subject.size();
    let near = (select(places(subject)), 0..2 * NEAR_BYTES).prop_map(move |(place, off)| {
        place.saturating_sub(NEAR_BYTES / 2).saturating_add(off) % size
    });
    prop_oneof![9 => near, 1 => 0..size].boxed()
}

fn modes(subject: &Subject) -> Weighted {
    let mut all: Weighted = vec![
        (2, Just(Operation::ResetEnable).boxed()),
        (2, Just(Operation::Reset).boxed()),
        (
            8,
            (0_usize..3).prop_map(|len| Operation::Wake { len }).boxed(),
        ),
    ];
    // On FL-S parts B9h opens the bank register; SST25 has none.
    if !matches!(
        subject.part.status,
        StatusFamily::CypressS | StatusFamily::Sst25
    ) {
        all.push((1, Just(Operation::Sleep).boxed()));
    }
    all.extend(modes_with_enable(subject));
    all
}

/// Changes of the address mode and of the upper address byte.
fn modes_with_enable(subject: &Subject) -> Weighted {
    let mut all: Weighted = Vec::new();
    if let Some((enter, exit, _)) = subject.mode() {
        all.push((8, Just(Operation::Mode { opcode: enter }).boxed()));
        all.push((4, Just(Operation::Mode { opcode: exit }).boxed()));
    }
    if let Some((opcode, _)) = subject.upper() {
        let count = (subject.size() >> 24) as u8;
        let write = (0..count).prop_map(move |value| Operation::WriteUpper { opcode, value });
        all.push((4, write.boxed()));
    }
    all
}

fn status(subject: &Subject) -> Weighted {
    let mut all: Weighted = vec![(8, status_1(subject)), (4, unprotect(subject))];
    if matches!(
        subject.part.status,
        StatusFamily::Winbond | StatusFamily::GigaDevice
    ) {
        let second = select(vec![0x00, 0x02, 0x40]).prop_map(|value| (WRITE_STATUS_2, value));
        let third = select(vec![0x00, 0x04, 0x60]).prop_map(|value| (WRITE_STATUS_3, value));
        let other = prop_oneof![second, third].prop_map(|(opcode, value)| Operation::WriteStatus {
            opcode,
            data: vec![value],
        });
        all.push((3, other.boxed()));
    }
    let empty = Operation::WriteStatus {
        opcode: WRITE_STATUS_1,
        data: Vec::new(),
    };
    all.push((1, Just(empty).boxed()));
    if has_volatile(subject.part.status) {
        let volatile = (any::<u8>(), any::<bool>())
            .prop_map(|(value, broken)| Operation::WriteVolatile { value, broken });
        all.push((2, volatile.boxed()));
    }
    if let Some(opcode) = subject.part.status.clear_status() {
        all.push((2, Just(Operation::ClearStatus { opcode }).boxed()));
    }
    all
}

/// 50h sets no WEL and enables one status write (W25Q128JV Rev. I, 8.2.2).
fn has_volatile(family: StatusFamily) -> bool {
    use StatusFamily as F;
    matches!(
        family,
        F::Winbond | F::GigaDevice | F::Adesto | F::Sst25 | F::Eon
    )
}

/// One byte, or two where the family takes two. A second byte that is not a register to the model is
/// an opcode to it, so only such as do nothing are drawn.
fn status_1(subject: &Subject) -> BoxedStrategy<Operation> {
    use StatusFamily as F;
    let two = matches!(
        subject.part.status,
        F::Winbond | F::GigaDevice | F::Macronix | F::CypressS
    );
    let second = if two {
        proptest::option::of(select(vec![0x00, 0x02])).boxed()
    } else {
        Just(None).boxed()
    };
    // Some that are opcodes: without WEL a model takes them for such.
    let first = prop_oneof![5 => any::<u8>(), 1 => select(vec![0x06, 0xB7, 0xE9])];
    (first, second)
        .prop_map(|(first, second)| {
            let data = [first].into_iter().chain(second).collect();
            Operation::WriteStatus {
                opcode: WRITE_STATUS_1,
                data,
            }
        })
        .boxed()
}

/// Without it nearly all would meet protection.
fn unprotect(subject: &Subject) -> BoxedStrategy<Operation> {
    let data = if subject.part.status == StatusFamily::CypressS {
        vec![0, 0]
    } else {
        vec![0]
    };
    Just(Operation::WriteStatus {
        opcode: WRITE_STATUS_1,
        data,
    })
    .boxed()
}

/// Frames that the part does not have, or not so.
fn foreign(subject: &Subject) -> BoxedStrategy<Operation> {
    let mut frames = vec![vec![0x99], vec![0x0F], vec![0xC3, 0x12, 0x34, 0x56]];
    let own = erases(subject);
    let has = |opcode| own.iter().any(|(own, _)| *own == opcode);
    for opcode in [0x20, 0x52] {
        if !has(opcode) {
            frames.push(vec![opcode, 0, 0x10, 0]);
        }
    }
    if subject.mode().is_none() {
        frames.push(vec![ENTER_4BYTE]);
    }
    if subject.by_byte() {
        let many = vec![0x02, 0, 0x20, 0x10, 0x5A, 0xA5];
        frames.extend([many.clone(), many]);
    }
    if chip_erases(subject).len() == 1 {
        frames.push(vec![0x60]);
    }
    select(frames)
        .prop_map(|bytes| Operation::Foreign { bytes })
        .boxed()
}

/// Beginnings of frames. Fast reads are left out: the controller counts along in those, and would
/// have to be told.
fn interrupted(subject: &Subject) -> BoxedStrategy<Operation> {
    let read = (address(subject), 1_usize..40).prop_map(|(at, len)| Operation::Read {
        opcode: 0x03,
        at,
        len,
    });
    let mut wholes = vec![read.boxed(), erase(subject), status_1(subject)];
    if !subject.by_byte() {
        wholes.push(program(subject));
    }
    (
        Union::new(wholes), // Most end within the address.
        prop_oneof![3 => 2_usize..5, 1 => 1_usize..8],
        any::<bool>(),
    )
        .prop_map(|(whole, keep, reads_on)| {
            let whole = Box::new(whole);
            Operation::Cut {
                whole,
                keep,
                reads_on,
            }
        })
        .boxed()
}
