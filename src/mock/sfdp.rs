//! The SFDP that a simulated chip carries unless a test gives it another.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use crate::jedec::opcode::READ_ANY_REGISTER;
use crate::jedec::sfdp::{
    AddressBytes, CommandAddress, ConfigurationMap, DescribedErase, Enter4Byte, Exit4Byte,
    OperationTime, Region, Revision, SECTOR_MAP, SectorMap, Sfdp, SfdpDescription, SfdpTable,
    SoftReset,
};
use crate::jedec::status::StatusFamily;
use crate::part::{ChipErase, EraseType, FourByte, Part, Timing};

/// DWORD 1, bits 1:0 and 15:8: erase of 4 KiB does not work in the whole array.
const NO_4_KIB_EVERYWHERE: u32 = 0xFF03;
/// Regions that a map has numbers for.
const REGIONS_MAX: usize = 256;

/// The SFDP of a part that has one, or may have one.
///
/// Erase types that do not work in the whole array are told of by a sector map. A part that the format
/// has no codes for carries none.
pub(super) fn of(part: &Part) -> Option<Vec<u8>> {
    if part.has_sfdp == Some(false) {
        return None;
    }
    let kinds = kinds(part);
    let mut space = described(part, &kinds).space().ok()?;
    if part.erase_types.iter().any(|erase| erase.only_in.is_some()) {
        let map = sector_map(part, &kinds)?;
        space.tables.push(SfdpTable {
            id: SECTOR_MAP,
            revision: Revision { major: 1, minor: 0 },
            dwords: map.encode(),
        });
        let small = |kind: &EraseType| kind.size_bytes == 4096 && kind.only_in.is_some();
        let basic = space.tables.first_mut()?.dwords.first_mut()?;
        if kinds.iter().any(|kind| small(kind)) {
            *basic |= NO_4_KIB_EVERYWHERE;
        }
    }
    space.encode().ok()
}

/// Erase types as the format counts them: by size and opcode, wherever they work.
fn kinds(part: &Part) -> Vec<&EraseType> {
    let mut kinds: Vec<&EraseType> = Vec::new();
    for erase in &part.erase_types {
        let same = |kind: &EraseType| is_kind(kind, erase);
        if !kinds.iter().any(|kind| same(kind)) {
            kinds.push(erase);
        }
    }
    kinds
}

fn is_kind(one: &EraseType, other: &EraseType) -> bool {
    (one.size_bytes, one.opcode) == (other.size_bytes, other.opcode)
}

/// Where the part's erases work, as the one map there is; `None` where that is not to be told so.
fn sector_map(part: &Part, kinds: &[&EraseType]) -> Option<SectorMap> {
    let places = part
        .erase_types
        .iter()
        .filter_map(|erase| erase.only_in.clone());
    let ends = places.flat_map(|place| [place.start, place.end]);
    let borders: BTreeSet<u32> = ends.chain([0, part.size_bytes]).collect();
    let mut regions = Vec::new();
    for (start, end) in borders.iter().zip(borders.iter().skip(1)) {
        let works = |erase: &&EraseType| {
            let place = erase.only_in.clone().unwrap_or(0..part.size_bytes);
            place.start <= *start && *end <= place.end
        };
        let here: Vec<&EraseType> = part.erase_types.iter().filter(works).collect();
        let numbers = (1_u8..).zip(kinds);
        let numbers = numbers.filter(|(_, kind)| here.iter().any(|erase| is_kind(kind, erase)));
        let erase_types: Vec<u8> = numbers.map(|(number, _)| number).collect();
        regions.extend(match erase_types.is_empty() {
            true => nothing_works(*start..*end, kinds)?,
            false => vec![region(*start..*end, erase_types)],
        });
    }
    (regions.len() <= REGIONS_MAX).then(|| SectorMap {
        commands: Vec::new(),
        maps: vec![ConfigurationMap { id: 0, regions }],
    })
}

/// Regions in which no whole block lies: each is half of the smallest one.
fn nothing_works(place: Range<u32>, kinds: &[&EraseType]) -> Option<Vec<Region>> {
    let smallest = (1_u8..)
        .zip(kinds)
        .min_by_key(|(_, kind)| kind.size_bytes)?;
    let (number, half) = (smallest.0, smallest.1.size_bytes / 2);
    let starts = place
        .clone()
        .step_by(usize::try_from(half).ok().filter(|half| *half > 0)?);
    let parts = starts.map(|at| region(at..at.saturating_add(half).min(place.end), vec![number]));
    Some(parts.take(REGIONS_MAX + 1).collect())
}

fn region(range: Range<u32>, erase_types: Vec<u8>) -> Region {
    Region {
        range: range.start.into()..range.end.into(),
        erase_types,
    }
}

fn described(part: &Part, kinds: &[&EraseType]) -> SfdpDescription {
    SfdpDescription {
        density_bytes: part.size_bytes.into(),
        erase_types: kinds.iter().map(|kind| erase(kind)).collect(),
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
        fast_reads: super::lanes::reads(part),
        quad_enable: super::lanes::quad_enable(part),
        soft_resets: vec![SoftReset::ResetEnableReset],
        flag_status: part.status == StatusFamily::Micron,
        deep_power_down: (part.status != StatusFamily::CypressS)
            .then_some(Duration::from_nanos(super::chip::WAKE_NS)),
        nine_dwords: false,
    }
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
