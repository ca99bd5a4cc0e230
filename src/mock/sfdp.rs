//! The SFDP that a simulated chip carries unless a test gives it another.

use crate::part::{FourByte, Part};

/// Bytes of the table; the simulated chip repeats it from there on.
const TABLE_BYTES: usize = 256;

/// Where the basic flash parameter table begins.
const BASIC_START: usize = 0x30;

/// The SFDP of a part that has one, or may have one; a 16-DWORD basic table (JESD216B).
pub(super) fn of(part: &Part) -> Option<Vec<u8>> {
    if part.has_sfdp == Some(false) {
        return None;
    }
    let mut bytes = vec![0xFF; TABLE_BYTES];
    let header = [0x53, 0x46, 0x44, 0x50, 0x06, 0x01, 0x00, 0xFF];
    let parameter = [0x00, 0x06, 0x01, 16, BASIC_START as u8, 0x00, 0x00, 0xFF];
    put(&mut bytes, 0, &header);
    put(&mut bytes, 8, &parameter);
    for (number, dword) in basic(part).iter().enumerate() {
        put(&mut bytes, BASIC_START + 4 * number, &dword.to_le_bytes());
    }
    Some(bytes)
}

/// Writes another density into the first parameter table.
pub(super) fn set_density(sfdp: &mut [u8], size_bytes: u32) {
    let start = match sfdp.get(0x0C..0x0F) {
        Some(&[low, middle, high]) => u32::from_le_bytes([low, middle, high, 0]) as usize,
        _ => return,
    };
    put(sfdp, start + 4, &density(size_bytes).to_le_bytes());
}

fn put(bytes: &mut [u8], start: usize, data: &[u8]) {
    if let Some(into) = bytes.get_mut(start..start + data.len()) {
        into.copy_from_slice(data);
    }
}

fn density(size_bytes: u32) -> u32 {
    // Bits less one, up to 2 Gbit; as an exponent from 4 Gbit on.
    let bits = u64::from(size_bytes) * 8;
    u32::try_from(bits.saturating_sub(1))
        .ok()
        .filter(|value| value >> 31 == 0)
        .unwrap_or(0x8000_0000 | bits.max(1).ilog2())
}

fn basic(part: &Part) -> [u32; 16] {
    let uniform = part
        .erase_types
        .iter()
        .filter(|erase| erase.only_in.is_none());
    let types: Vec<_> = uniform.take(4).collect();
    let four_k = types.iter().find(|erase| erase.size_bytes == 4096);
    let mut dwords = [0; 16];
    let address = match (
        part.addressing.three_byte,
        part.addressing.four_byte.is_empty(),
    ) {
        (false, _) => 0b10,
        (true, false) => 0b01,
        (true, true) => 0b00,
    };
    let opcode = four_k.map_or(0xFF, |erase| u32::from(erase.opcode));
    let erase = if four_k.is_some() { 0b01 } else { 0b11 };
    dwords[0] = 0xFF80_00E0 | 0b100 | erase | opcode << 8 | address << 17;
    dwords[1] = density(part.size_bytes);
    // No 2-2-2 and no 4-4-4 reads.
    dwords[4] = 0xFFFF_FFEE;
    dwords[5] = 0x0000_FFFF;
    dwords[6] = 0x0000_FFFF;
    for (number, erase) in types.iter().enumerate() {
        let half = erase.size_bytes.max(1).ilog2() | u32::from(erase.opcode) << 8;
        let (dword, shift) = if number < 2 {
            (7, number)
        } else {
            (8, number - 2)
        };
        if let Some(dword) = dwords.get_mut(dword) {
            *dword |= half << (16 * shift);
        }
    }
    dwords[9] = erase_times(&types);
    dwords[10] = program_times(part);
    // Suspend and deep power-down not told; WIP is polled with 05h.
    dwords[11] = 0x8000_0000;
    dwords[13] = 0x8000_0004;
    dwords[15] = four_byte_ways(part) | 0x10 << 8;
    dwords
}

/// Typical times in steps, and the factor from typical to maximum.
fn erase_times(types: &[&crate::part::EraseType]) -> u32 {
    let worst = types
        .iter()
        .map(|erase| {
            erase
                .time
                .max
                .as_micros()
                .div_ceil(erase.time.typical.as_micros().max(1))
        })
        .max()
        .unwrap_or(2);
    let mut dword = u32::try_from(worst.div_ceil(2)).unwrap_or(16).clamp(1, 16) - 1;
    for (number, erase) in types.iter().enumerate() {
        dword |= steps(erase.time.typical.as_millis(), &[1, 16, 128, 1000], 32) << (4 + 7 * number);
    }
    dword
}

fn program_times(part: &Part) -> u32 {
    let page = part.page_program;
    let worst = page
        .max
        .as_micros()
        .div_ceil(page.typical.as_micros().max(1));
    let factor = u32::try_from(worst.div_ceil(2)).unwrap_or(16).clamp(1, 16) - 1;
    let size = part.page_size_bytes.max(1).ilog2();
    let typical = steps(page.typical.as_micros(), &[8, 64], 32);
    let chip = part.chip_erase.map_or(0, |erase| {
        steps(erase.time.typical.as_millis(), &[16, 256, 4000, 64_000], 32)
    });
    0x8000_0000 | factor | size << 4 | typical << 8 | chip << 24
}

/// A count of 1 to `most` steps, less one, and above it the number of the step that can hold it.
fn steps(value: u128, sizes: &[u128], most: u128) -> u32 {
    let fits = sizes.iter().position(|size| value.div_ceil(*size) <= most);
    let unit = fits.unwrap_or(sizes.len().saturating_sub(1));
    let size = sizes.get(unit).copied().unwrap_or(1);
    let count = value.div_ceil(size).clamp(1, most) - 1;
    (unit as u32) << 5 | count as u32
}

/// Bits 31:24 of DWORD 16 name the ways into 4-byte addressing, bits 23:14 the ways out.
fn four_byte_ways(part: &Part) -> u32 {
    part.addressing.four_byte.iter().fold(0, |bits, way| {
        bits | match way {
            FourByte::Mode {
                write_enable: false,
                ..
            } => 1 << 24 | 1 << 14,
            FourByte::Mode {
                write_enable: true, ..
            } => 1 << 25 | 1 << 15,
            FourByte::ExtendedRegister => 1 << 26 | 1 << 16,
            FourByte::BankRegister => 1 << 27 | 1 << 17,
            FourByte::Dedicated { .. } => 1 << 29,
        }
    })
}
