//! The SFDP that a simulated chip carries unless a test gives it another.

use std::time::Duration;

use crate::jedec::opcode::READ_ANY_REGISTER;
use crate::jedec::sfdp::{
    AddressBytes, CommandAddress, DescribedErase, Enter4Byte, Exit4Byte, OperationTime, QuadEnable,
    Sfdp, SfdpDescription, SoftReset,
};
use crate::jedec::status::StatusFamily;
use crate::part::{ChipErase, EraseType, FourByte, Part, Timing};

/// The SFDP of a part that has one, or may have one.
///
/// Only erase types that work in the whole array are told. A part that the format has no codes for
/// carries none.
pub(super) fn of(part: &Part) -> Option<Vec<u8>> {
    if part.has_sfdp == Some(false) {
        return None;
    }
    let everywhere = |erase: &&EraseType| erase.only_in.is_none();
    let described = SfdpDescription {
        density_bytes: part.size_bytes.into(),
        erase_types: part
            .erase_types
            .iter()
            .filter(everywhere)
            .map(erase)
            .take(4)
            .collect(),
        page_size_bytes: part.page_size_bytes,
        page_program: time(part.page_program),
        chip_erase: part
            .chip_erase
            .map_or_else(|| slowest(part), |ChipErase { time: t, .. }| time(t)),
        address_bytes: address_bytes(part),
        enter_4byte: part.addressing.four_byte.iter().map(way_in).collect(),
        exit_4byte: part
            .addressing
            .four_byte
            .iter()
            .filter_map(way_out)
            .collect(),
        opcodes_4byte: dedicated(part),
        fast_reads: Vec::new(),
        quad_enable: QuadEnable(0),
        soft_resets: vec![SoftReset::ResetEnableReset],
        flag_status: part.status == StatusFamily::Micron,
        deep_power_down: (part.status != StatusFamily::CypressS)
            .then_some(Duration::from_nanos(super::chip::WAKE_NS)),
        nine_dwords: false,
    };
    described.encode().ok()
}

fn time(timing: Timing) -> OperationTime {
    OperationTime {
        typical: timing.typical,
        max: timing.max,
    }
}

/// Where a part has no chip erase the format still wants a time: that of its slowest erase.
fn slowest(part: &Part) -> OperationTime {
    let times = part.erase_types.iter().map(|erase| erase.time);
    time(
        times
            .max_by_key(|time| time.max)
            .unwrap_or(part.page_program),
    )
}

fn erase(erase: &EraseType) -> DescribedErase {
    DescribedErase {
        size_bytes: erase.size_bytes,
        opcode: erase.opcode,
        opcode_4byte: erase.opcode_4byte,
        time: time(erase.time),
    }
}

fn address_bytes(part: &Part) -> AddressBytes {
    let addressing = &part.addressing;
    match (addressing.three_byte, addressing.four_byte.is_empty()) {
        (false, _) => AddressBytes::Four,
        (true, false) => AddressBytes::ThreeOrFour,
        (true, true) => AddressBytes::Three,
    }
}

fn way_in(way: &FourByte) -> Enter4Byte {
    match way {
        FourByte::Dedicated { .. } => Enter4Byte::DedicatedOpcodes,
        FourByte::Mode {
            write_enable: true, ..
        } => Enter4Byte::WriteEnableMode,
        FourByte::Mode { .. } => Enter4Byte::Mode,
        FourByte::ExtendedRegister => Enter4Byte::ExtendedAddress,
        FourByte::BankRegister { .. } => Enter4Byte::BankRegister,
    }
}

fn way_out(way: &FourByte) -> Option<Exit4Byte> {
    match way {
        FourByte::Dedicated { .. } => None,
        FourByte::Mode {
            write_enable: true, ..
        } => Some(Exit4Byte::WriteEnableMode),
        FourByte::Mode { .. } => Some(Exit4Byte::Mode),
        FourByte::ExtendedRegister => Some(Exit4Byte::ExtendedAddress),
        FourByte::BankRegister { .. } => Some(Exit4Byte::BankRegister),
    }
}

/// The opcodes that always take four bytes, erases apart.
fn dedicated(part: &Part) -> Vec<u8> {
    let erases = |code: &u8| {
        part.erase_types
            .iter()
            .any(|erase| erase.opcode_4byte == Some(*code))
    };
    let opcodes = part.addressing.four_byte.iter().flat_map(|way| match way {
        FourByte::Dedicated { opcodes } => opcodes.as_slice(),
        _ => &[],
    });
    opcodes.copied().filter(|code| !erases(code)).collect()
}

/// Address and dummy bytes of 65h as the sector map of a chip's SFDP has it; the usual address, of
/// `present` bytes, and none where it leaves them to the chip's setting, or has no 65h.
pub(super) fn register_read(space: Option<&[u8]>, present: usize) -> (usize, usize) {
    let sfdp = space.and_then(|space| Sfdp::parse(space).ok());
    let map = sfdp.and_then(|sfdp| sfdp.sector_map);
    let mut commands = map.iter().flat_map(|map| &map.commands);
    let Some(command) = commands.find(|command| command.opcode == READ_ANY_REGISTER) else {
        return (present, 0);
    };
    let address = match command.address_bytes {
        CommandAddress::None => 0,
        CommandAddress::Three => 3,
        CommandAddress::Four => 4,
        CommandAddress::Current => present,
    };
    (address, usize::from(command.dummy_clocks.unwrap_or(0) / 8))
}

/// Writes another density into the first parameter table (DWORD 2: bits less one).
pub(super) fn set_density(sfdp: &mut [u8], size_bytes: u32) {
    let start = match sfdp.get(0x0C..0x0F) {
        Some(&[low, middle, high]) => u32::from_le_bytes([low, middle, high, 0]) as usize + 4,
        _ => return,
    };
    let bits = (u64::from(size_bytes) * 8)
        .saturating_sub(1)
        .min(0x7FFF_FFFF) as u32;
    if let Some(into) = sfdp.get_mut(start..start + 4) {
        into.copy_from_slice(&bits.to_le_bytes());
    }
}
