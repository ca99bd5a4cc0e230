//! Which passes a survey makes: each under other conditions than the one before.

use crate::chip::{Chip, Frames, Order, Pass, ReadCommand};
use crate::jedec::{Hertz, opcode};
use crate::unit::survey::SurveyFile;

/// SCK of the passes in turn, as what the one asked for is divided by, with its rank from the lowest.
const SCKS: [(u32, usize); 3] = [(4, 0), (1, 2), (2, 1)];
/// What buffers hold before each pass fills them.
const POISONS: [u8; 4] = [0xA5, 0x5A, 0x3C, 0xC3];

/// The lowest SCK of a survey that begins at `asked`, which the chip is met at.
pub(super) fn slowest(asked: Hertz) -> Hertz {
    Hertz((asked.0 / 4).max(1))
}

/// Pass `number`, from 0.
///
/// SCK goes round by three, the command changes every three passes, and the order so that twelve passes
/// have every combination once. Whatever drifts with time so strikes all of them alike. A first frame of
/// another length shifts the boundaries of all others, by odd numbers of bytes and by even ones.
pub(super) fn pass(chip: &Chip, asked: Hertz, number: u32) -> Pass {
    let command = match number / 3 % 2 {
        0 => ReadCommand::Read,
        _ => chip.second_command(),
    };
    let (divisor, _) = SCKS[number as usize % SCKS.len()];
    let limits = &chip.part().sck_max;
    let limit = limits.get(&command.opcode());
    let limit = limit.or_else(|| limits.get(&opcode::READ));
    let asked = limit.map_or(asked, |limit| asked.min(*limit));
    let sck = Hertz((asked.0 / divisor).max(1)).max(chip.sck_min());
    let frame_bytes = chip.pass_frame_bytes(sck);
    Pass {
        command,
        sck,
        frame_bytes,
        first_bytes: head_bytes(number) % frame_bytes.max(1),
        order: match (number + number / 6) % 2 {
            0 => Order::Up,
            _ => Order::Down,
        },
        poison: POISONS[number as usize % POISONS.len()],
    }
}

/// Bytes of the first frame of a pass. From six passes on each of the lower seven bits, and each two of them,
/// have differed: an address line that is stuck there or follows another moves some passes and not others.
fn head_bytes(number: u32) -> u32 {
    number.wrapping_mul(811) % 1021
}

/// What the judgement has to know of a pass.
#[derive(Debug, Clone)]
pub(super) struct Condition {
    pub sck: Hertz,
    /// Which of the three, 0 for the lowest.
    pub level: usize,
    pub opcode: u8,
    pub frames: Frames,
}

/// The conditions of the passes, as they are on record.
pub(super) fn conditions(file: &SurveyFile) -> Vec<Condition> {
    let size_bytes = file.chip.size_bytes;
    let each = file.passes.iter().enumerate();
    each.map(|(number, pass)| Condition {
        sck: Hertz(pass.sck_hz),
        level: SCKS[number % SCKS.len()].1,
        opcode: pass.opcode,
        frames: Frames::of(
            size_bytes,
            pass.first_bytes,
            pass.frame_bytes,
            pass.short_bytes,
        ),
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::SURVEY_PASSES_MIN;

    #[test]
    fn frames_begin_with_every_two_address_bits_alike_and_not() {
        let line = |number: u32, bit: u32| head_bytes(number) >> bit & 1;
        for bit in 0..7 {
            for other in 0..=bit {
                let differs = |number: &u32| match other == bit {
                    true => line(*number, bit) == 1,
                    false => line(*number, bit) != line(*number, other),
                };
                let times = (0..SURVEY_PASSES_MIN).filter(differs).count();
                assert!((2..=4).contains(&times), "A{bit} and A{other}: {times}");
            }
        }
    }
}
