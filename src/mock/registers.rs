//! Status registers of a simulated chip: which there are, which bits can be written, what protects.
//!
//! Layouts follow the datasheets named in `chips/`, as far as a simulated chip needs them: which
//! register an opcode reaches, and which bits are writable, one-time or read-only.

use std::ops::Range;

use crate::jedec::opcode;
use crate::jedec::status::{Protection, Registers, StatusFamily};

/// Bits of one register.
#[derive(Debug, Clone, Copy, Default)]
struct Layout {
    writable: u8,
    /// Only ever go from 0 to 1.
    one_time: u8,
}

/// A register's place in the chip: status register 1 is 0.
pub(super) type Place = usize;

/// Reads 0 and is never written.
const UNUSED: Place = 3;

/// The register that a read opcode gives.
pub(super) fn read_place(family: StatusFamily, code: u8) -> Option<Place> {
    use StatusFamily as F;
    if !family.observes().contains(&code) {
        return None;
    }
    match (code, family) {
        (opcode::READ_STATUS_1, _) => Some(0),
        (opcode::READ_STATUS_2, _) => Some(1),
        // Macronix: the configuration register, written behind status register 1.
        (opcode::READ_STATUS_3, F::Macronix) => Some(1),
        (opcode::READ_FUNCTION_ISSI, F::Issi) => Some(1),
        (opcode::READ_SECURITY_MACRONIX, F::Macronix) => Some(2),
        (opcode::READ_STATUS_3, _) => Some(2),
        (opcode::READ_FLAG_STATUS, _) => None,
        _ => Some(UNUSED),
    }
}

/// The first register that a write opcode reaches, and how many data bytes it takes at most.
pub(super) fn write_place(family: StatusFamily, code: u8) -> Option<(Place, usize)> {
    use StatusFamily as F;
    match (code, family) {
        (opcode::WRITE_STATUS_1, F::Winbond | F::GigaDevice | F::Adesto) => Some((0, 2)),
        (opcode::WRITE_STATUS_1, F::Macronix | F::CypressS | F::CypressL | F::Sst26A) => {
            Some((0, 2))
        }
        (opcode::WRITE_STATUS_1, _) => Some((0, 1)),
        (opcode::WRITE_STATUS_2, F::Winbond | F::GigaDevice | F::Adesto) => Some((1, 1)),
        (opcode::WRITE_STATUS_3, F::Winbond | F::GigaDevice) => Some((2, 1)),
        _ => None,
    }
}

/// Whether 50h enables a status write, volatile or not.
pub(super) fn has_volatile_enable(family: StatusFamily) -> bool {
    use StatusFamily as F;
    matches!(
        family,
        F::Winbond | F::GigaDevice | F::Adesto | F::Sst25 | F::CypressL | F::Eon
    )
}

fn layout(family: StatusFamily, place: Place) -> Layout {
    use StatusFamily as F;
    let (writable, one_time) = match (place, family) {
        (0, F::M25p | F::CypressS) => (0x9C, 0),
        (0, F::M25px) => (0xBC, 0),
        (0, F::AdestoDf) => (0x80, 0),
        (0, F::Sst25 | F::Sst26A) => (0xBC, 0),
        (0, F::Sst26) => (0x80, 0),
        (0, _) => (0xFC, 0),
        // SRP1 or SRL, QE, CMP; LB1 to LB3 are one-time, SUS is read-only.
        (1, F::Winbond | F::GigaDevice | F::Adesto) => (0x43, 0x38),
        // ODS and DC; TB is one-time, 4BYTE is read-only.
        (1, F::Macronix) => (0xC7, 0x08),
        // LC, QUAD, FREEZE; TBPROT and BPNV are one-time.
        (1, F::CypressS) => (0xC3, 0x28),
        (1, F::CypressL) => (0x43, 0x3C),
        // WPEN, RSTHLD, IOC; VLP and SEC are set by commands of their own.
        (1, F::Sst26A) => (0xC2, 0),
        // WPS, ADP, drive strength; ADS is read-only.
        (2, F::Winbond | F::GigaDevice) => (0xE6, 0),
        _ => (0, 0),
    };
    Layout { writable, one_time }
}

/// What a register holds after `data` was written to it.
pub(super) fn written(family: StatusFamily, place: Place, old: u8, data: u8) -> u8 {
    if (family, place) == (StatusFamily::AdestoDf, 0) {
        return global_protect(old, data);
    }
    let Layout { writable, one_time } = layout(family, place);
    (old & !writable) | (data & writable) | (data & one_time)
}

/// Whether a register takes no writes, with WP# at this level.
///
/// The lock tables of the datasheets: W25Q128JV Rev. I, 7.1 (SRL, SRP); GD25Q64C Rev 3.0, GD25Q16C
/// Rev 2.9, PY25Q64HA V1.6, AT25SF161 rev. H (SRP1, SRP0); MX25R1635F Rev 1.5, MX25L3233F Rev 1.6
/// (SRWD; QE makes another pin of WP#); SST26VF080A DS20006203B (VLP, IOC, WPEN, BPL); SRWD and BPL
/// elsewhere.
pub(super) fn locked(family: StatusFamily, place: Place, held: &[u8; 3], pin_low: bool) -> bool {
    use StatusFamily as F;
    let [first, second, _] = *held;
    let lock_bit = first & 0x80 != 0;
    match family {
        F::Winbond | F::GigaDevice | F::Adesto => second & 0x01 != 0 || lock_bit && pin_low,
        F::Macronix => lock_bit && pin_low && first & 0x40 == 0,
        F::Sst26A => {
            let pin = pin_low && second & 0x82 == 0x80;
            match place {
                0 => second & 0x04 != 0 || pin && lock_bit,
                _ => pin,
            }
        }
        _ => lock_bit && pin_low,
    }
}

/// What the registers come up with: a lock until power-up is gone, one for ever is not.
///
/// SRP1 without SRP0 (GD25Q64C Rev 3.0, lock table) and SRL (W25Q128JV Rev. I, 7.1) return to 0.
pub(super) fn after_power_up(family: StatusFamily, stored: [u8; 3]) -> [u8; 3] {
    use StatusFamily as F;
    let [first, second, third] = stored;
    let until = match family {
        F::Winbond => true,
        F::GigaDevice | F::Adesto => first & 0x80 == 0,
        _ => false,
    };
    [first, if until { second & !0x01 } else { second }, third]
}

/// AT25DF: all of bits 2 to 5 given as 0 unprotect every sector, all as 1 protect every sector.
fn global_protect(old: u8, data: u8) -> u8 {
    let kept = old & !0x8C | data & 0x80;
    match data & 0x3C {
        0x00 => kept,
        0x3C => kept | 0x0C,
        _ => kept | old & 0x0C,
    }
}

/// Bits that are set at power-up where a part comes up protected.
///
/// SST25VF016B and SST26VF080A: BP3 is 0 (DS25044A and DS20006203B, status register tables).
pub(super) fn power_up_bits(family: StatusFamily, size_bytes: u32) -> u8 {
    use StatusFamily as F;
    match family {
        F::AdestoDf => 0x0C,
        F::Sst25 if size_bytes == 2 << 20 => 0x1C,
        F::Sst26A => 0x1C,
        F::Sst26 => 0,
        _ => 0x3C,
    }
}

/// The range that the registers protect; all of it where that is not known for the part.
pub(super) fn protected(family: StatusFamily, held: &[u8; 3], size_bytes: u32) -> Range<u32> {
    let value = |code| {
        let place = read_place(family, code)?;
        Some((code, held.get(place).copied().unwrap_or(0)))
    };
    let read = family
        .registers()
        .iter()
        .filter_map(|register| value(register.opcode));
    match family.protection(&read.collect::<Registers>(), size_bytes) {
        Protection::None => 0..0,
        Protection::Range { range } => range,
        Protection::Blocks { .. } | Protection::Unknown { .. } => 0..size_bytes,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// W25Q128JV Rev. I, section 7.1: LB1 to LB3 are one-time; WIP and WEL are read-only.
    #[test]
    fn one_time_bits_only_rise() {
        let written = |place, old, data| written(StatusFamily::Winbond, place, old, data);
        assert_eq!(written(1, 0x00, 0x0A), 0x0A);
        assert_eq!(written(1, 0x0A, 0x00), 0x08);
        assert_eq!(written(0, 0x00, 0xFF), 0xFC);
    }

    #[test]
    fn global_unprotect_takes_all_four_bits() {
        let written = |old, data| written(StatusFamily::AdestoDf, 0, old, data);
        assert_eq!(written(0x0C, 0x00), 0x00);
        assert_eq!(written(0x00, 0x3C), 0x0C);
        assert_eq!(written(0x0C, 0x04), 0x0C);
    }
}
