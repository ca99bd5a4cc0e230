//! A part whose facts fit each other, as the parts table wants them.

use super::{EraseType, FourByte, Part, ProgramMethod};

/// `part`, whose erase types are sorted, with what contradicts itself made harmless.
pub(super) fn agreed(mut part: Part) -> Part {
    part.erase_types.dedup_by(|next, kept| taken_up(kept, next));
    let smallest = part.erase_types.first();
    let smallest_bytes = smallest.map_or(part.size_bytes, |erase| erase.size_bytes);
    // Either the page or the erase type is wrong. Single bytes wrap in no page.
    if part.page_size_bytes > smallest_bytes {
        part.page_size_bytes = 1;
        part.program = ProgramMethod::Byte;
    }
    for way in &mut part.addressing.four_byte {
        if let FourByte::Dedicated { opcodes } = way {
            let erases = part.erase_types.iter();
            opcodes.extend(erases.filter_map(|erase| erase.opcode_4byte));
        }
    }
    part
}

/// Takes `next` up into `kept` if it is the same erase type once more.
pub(super) fn taken_up(kept: &mut EraseType, next: &EraseType) -> bool {
    let key = |erase: &EraseType| (erase.size_bytes, erase.opcode, erase.only_in.clone());
    if key(kept) != key(next) {
        return false;
    }
    kept.time = kept.time.longer(next.time);
    let same = kept.opcode_4byte == next.opcode_4byte;
    kept.opcode_4byte = kept.opcode_4byte.filter(|_| same);
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::{JedecId, Timing};

    fn erase(size_bytes: u32, opcode: u8, opcode_4byte: Option<u8>) -> EraseType {
        EraseType {
            size_bytes,
            opcode,
            opcode_4byte,
            time: Timing::erase_fallback(size_bytes),
            only_in: None,
        }
    }

    fn part(page_size_bytes: u32, erase_types: Vec<EraseType>) -> Part {
        Part {
            page_size_bytes,
            program: ProgramMethod::Page,
            erase_types,
            ..Part::unknown(JedecId(vec![0x7E, 0x40, 0x18]), 1 << 24)
        }
    }

    #[test]
    fn a_page_above_an_erase_leaves_single_bytes() {
        let good = part(4096, vec![erase(4096, 0x20, None)]);
        assert_eq!(agreed(good.clone()), good);
        let part = agreed(part(8192, vec![erase(4096, 0x20, None)]));
        let program = (part.page_size_bytes, part.program);
        assert_eq!(program, (1, ProgramMethod::Byte));
    }

    #[test]
    fn an_erase_type_listed_twice_counts_once_with_the_longer_time() {
        let mut slow = erase(4096, 0x20, Some(0x21));
        slow.time.max *= 2;
        let quick = erase(4096, 0x20, Some(0x5C));
        let other = erase(4096, 0xD7, None);
        let part = agreed(part(256, vec![quick, slow.clone(), other.clone()]));
        slow.opcode_4byte = None;
        assert_eq!(part.erase_types, [slow, other]);
    }

    #[test]
    fn dedicated_opcodes_are_those_of_the_erase_types_too() {
        let mut part = part(256, vec![erase(4096, 0x20, Some(0x21))]);
        let way = |opcodes: &[u8]| {
            let opcodes = opcodes.to_vec();
            vec![FourByte::Dedicated { opcodes }]
        };
        part.addressing.four_byte = way(&[0x13, 0x12]);
        let four_byte = agreed(part).addressing.four_byte;
        assert_eq!(four_byte, way(&[0x13, 0x12, 0x21]));
    }
}
