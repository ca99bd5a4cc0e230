//! The Basic Flash Parameter Table (BFPT).
//!
//! DWORDs 1 to 9 are in every revision, 10 to 16 since JESD216A, 17 to 20 since C, 21 to 23 since
//! E. A longer table than those is accepted and a missing DWORD leaves its facts `None`.

use std::time::Duration;

use serde::Serialize;

use crate::jedec::LaneRead;

use super::modes::{ENTER, EXIT, Enter4Byte, Exit4Byte, QuadEnable, RESET, SoftReset, set_bits};
use super::scale::{BYTE, CHIP, ERASE, INTERVAL, LATENCY, OperationTime, PAGE, multiplier};

/// Address bytes that a part takes (DWORD 1, bits 18:17).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AddressBytes {
    /// Three only. Some parts above 16 MiB say this wrongly.
    Three,
    /// Three, and four by one of the ways of DWORD 16.
    ThreeOrFour,
    /// Four only.
    Four,
    /// The reserved code.
    Reserved,
}

/// One erase type of DWORDs 8 to 10.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct EraseType {
    /// Number of the type, 1 to 4, as the sector map and the 4-byte table count.
    pub number: u8,
    /// Bytes that one erase covers; a power of two.
    pub size_bytes: u32,
    /// Opcode that takes an address in the current mode.
    pub opcode: u8,
    /// How long it takes; `None` with a table of 9 DWORDs.
    pub time: Option<OperationTime>,
}

/// A read on several lanes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct FastRead {
    /// Lanes of opcode, address and data.
    pub lanes: [u8; 3],
    /// Opcode, with an address in the current mode.
    pub opcode: u8,
    /// Clocks that carry mode bits.
    pub mode_clocks: u8,
    /// Dummy clocks after them.
    pub wait_states: u8,
}

impl FastRead {
    /// The read as it can be sent; see [`LaneRead::listed`].
    #[must_use]
    pub fn lane_read(&self) -> Option<LaneRead> {
        let clocks = usize::from(self.mode_clocks) + usize::from(self.wait_states);
        LaneRead::listed(self.opcode, self.lanes, clocks)
    }
}

/// Suspend and resume (DWORDs 12 and 13).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Suspend {
    /// Suspends a program.
    pub program_suspend: u8,
    /// Resumes a program.
    pub program_resume: u8,
    /// Suspends an erase.
    pub erase_suspend: u8,
    /// Resumes an erase.
    pub erase_resume: u8,
    /// Longest time until a program is suspended.
    pub program_latency: Duration,
    /// Longest time until an erase is suspended.
    pub erase_latency: Duration,
    /// Time from program resume to the next suspend.
    pub program_interval: Duration,
    /// Time from erase resume to the next suspend.
    pub erase_interval: Duration,
}

/// Deep power-down (DWORD 14).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct DeepPowerDown {
    /// Opcode that enters it.
    pub enter: u8,
    /// Opcode that leaves it; 00h is seen on parts that wake by a CS pulse.
    pub exit: u8,
    /// Time from leaving to the next operation.
    pub exit_delay: Duration,
}

/// Where busy shows (DWORD 14, bits 3:2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct StatusPolling {
    /// Bit 0 of 05h, 1 is busy.
    pub status: bool,
    /// Bit 7 of 70h, 1 is ready.
    pub flag_status: bool,
}

/// What a BFPT says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Basic {
    /// The table as it was read.
    pub dwords: Vec<u32>,
    /// Array size; `None` where the field makes no sense.
    pub density_bytes: Option<u64>,
    /// Opcode of a 4 KiB erase that works in the whole array.
    pub uniform_4k: Option<u8>,
    /// Erase types that exist and make sense, in the table's order.
    pub erase_types: Vec<EraseType>,
    /// Addresses the part takes, as far as DWORD 1 can be believed.
    pub address_bytes: AddressBytes,
    /// Reads on several lanes.
    pub fast_reads: Vec<FastRead>,
    /// Program page.
    pub page_size_bytes: Option<u32>,
    /// Time of a page program.
    pub page_program: Option<OperationTime>,
    /// Time of the first byte of a program.
    pub first_byte: Option<OperationTime>,
    /// Time of each further byte.
    pub further_byte: Option<OperationTime>,
    /// Time of a chip erase, for one die. The maximum uses the larger of the two multipliers,
    /// since it is doubtful which one applies.
    pub chip_erase: Option<OperationTime>,
    /// Suspend and resume, where there is any.
    pub suspend: Option<Suspend>,
    /// Deep power-down, where there is any.
    pub deep_power_down: Option<DeepPowerDown>,
    /// Where busy shows.
    pub status_polling: Option<StatusPolling>,
    /// Quad enable requirement.
    pub quad_enable: Option<QuadEnable>,
    /// Ways into 4-byte addressing; empty where DWORD 16 is missing.
    pub enter_4byte: Vec<Enter4Byte>,
    /// Ways out of 4-byte addressing.
    pub exit_4byte: Vec<Exit4Byte>,
    /// Soft resets.
    pub soft_resets: Vec<SoftReset>,
}

/// Bits `high` down to `low` of `dword`.
pub(super) fn bits(dword: u32, high: u32, low: u32) -> u32 {
    let width = high.saturating_sub(low) + 1;
    let mask = u32::MAX
        .checked_shr(32u32.saturating_sub(width))
        .unwrap_or(u32::MAX);
    dword.checked_shr(low).unwrap_or(0) & mask
}

/// Byte 0 (lowest) to 3 of `dword`.
pub(super) fn byte(dword: u32, index: u32) -> u8 {
    bits(dword, 8 * index + 7, 8 * index) as u8
}

/// Density in bytes from DWORD 2; `None` where it has no meaning.
///
/// Below bit 31: bits minus one. With bit 31: an exponent of the count of bits, meaningful from
/// 4 Gbit (32) up to 8 Tbit (43).
pub(super) fn density_bytes(dword: u32) -> Option<u64> {
    if bits(dword, 31, 31) == 0 {
        let bytes = (u64::from(dword) + 1) / 8;
        return (bytes >= 256).then_some(bytes);
    }
    let exponent = bits(dword, 30, 0);
    (32..=43)
        .contains(&exponent)
        .then(|| 1u64 << (exponent - 3))
}

/// The size code and opcode of erase type `number` (1 to 4).
pub(super) fn erase_field(dwords: &[u32], number: u32) -> Option<(u8, u8)> {
    let index = number.checked_sub(1)?;
    let dword = *dwords.get(7 + (index / 2) as usize)?;
    Some((byte(dword, index % 2 * 2), byte(dword, index % 2 * 2 + 1)))
}

/// Why an erase type with this size code and opcode is not taken, if it claims to exist.
pub(super) fn erase_fault(size: u8, opcode: u8, density: Option<u64>) -> Option<String> {
    if size == 0 {
        None
    } else if !(8..=31).contains(&size) {
        Some(format!("has the size code {size}"))
    } else if density.is_some_and(|bytes| 1u64 << size > bytes) {
        Some(format!("covers 2^{size} bytes, more than the part has"))
    } else if matches!(opcode, 0x00 | 0xFF) {
        Some(format!("has the opcode {opcode:02X}h"))
    } else {
        None
    }
}

/// A DWORD, counted from 1, and a bit in it.
type At = (usize, u32);

/// The lanes of each multi-lane read, where its support bit is, and where its half begins.
pub(super) const FAST_READS: [([u8; 3], At, At); 6] = [
    ([1, 1, 2], (1, 16), (4, 0)),
    ([1, 2, 2], (1, 20), (4, 16)),
    ([1, 1, 4], (1, 22), (3, 16)),
    ([1, 4, 4], (1, 21), (3, 0)),
    ([2, 2, 2], (5, 0), (6, 16)),
    ([4, 4, 4], (5, 4), (7, 16)),
];

/// DWORD `number`, counted from 1.
pub(super) fn dword(dwords: &[u32], number: usize) -> Option<u32> {
    number
        .checked_sub(1)
        .and_then(|index| dwords.get(index))
        .copied()
}

impl Basic {
    /// Decodes a table of any length; what is missing stays `None`.
    pub(super) fn decode(dwords: Vec<u32>) -> Self {
        let at = |number| dword(&dwords, number);
        let first = at(1).unwrap_or(u32::MAX);
        let density_bytes = at(2).and_then(density_bytes);
        let opcode_4k = byte(first, 1);
        Self {
            density_bytes,
            uniform_4k: (bits(first, 1, 0) == 1 && opcode_4k != 0xFF).then_some(opcode_4k),
            erase_types: erase_types(&dwords, density_bytes),
            address_bytes: address_bytes(first),
            fast_reads: fast_reads(&dwords),
            page_size_bytes: at(11).and_then(page_size),
            page_program: at(11).map(|d| programmed(d, PAGE.decode(bits(d, 13, 8)))),
            first_byte: at(11).map(|d| programmed(d, BYTE.decode(bits(d, 18, 14)))),
            further_byte: at(11).map(|d| programmed(d, BYTE.decode(bits(d, 23, 19)))),
            chip_erase: at(10).zip(at(11)).map(|(d10, d11)| chip_erase(d10, d11)),
            suspend: at(12).zip(at(13)).and_then(|(d12, d13)| suspend(d12, d13)),
            deep_power_down: at(14).and_then(deep_power_down),
            status_polling: at(14).map(|d| StatusPolling {
                status: bits(d, 2, 2) == 1,
                flag_status: bits(d, 3, 3) == 1,
            }),
            quad_enable: at(15).map(|d| QuadEnable(bits(d, 22, 20) as u8)),
            enter_4byte: set_bits(at(16).unwrap_or(0), &ENTER),
            exit_4byte: set_bits(at(16).unwrap_or(0), &EXIT),
            soft_resets: set_bits(at(16).unwrap_or(0), &RESET),
            dwords,
        }
    }

    /// DWORD `number`, counted from 1 as in the standard.
    #[must_use]
    pub fn dword(&self, number: usize) -> Option<u32> {
        dword(&self.dwords, number)
    }
}

fn address_bytes(first: u32) -> AddressBytes {
    match bits(first, 18, 17) {
        0 => AddressBytes::Three,
        1 => AddressBytes::ThreeOrFour,
        2 => AddressBytes::Four,
        _ => AddressBytes::Reserved,
    }
}

fn erase_types(dwords: &[u32], density: Option<u64>) -> Vec<EraseType> {
    (1..=4u8)
        .filter_map(|number| {
            let (size, opcode) = erase_field(dwords, number.into())?;
            if size == 0 || erase_fault(size, opcode, density).is_some() {
                return None;
            }
            Some(EraseType {
                number,
                size_bytes: 1u32.checked_shl(size.into())?,
                opcode,
                time: dword(dwords, 10).map(|d| erase_time(d, number.into())),
            })
        })
        .collect()
}

/// Time of erase type `number` from DWORD 10.
pub(super) fn erase_time(dword: u32, number: u32) -> OperationTime {
    let low = 4 + 7 * number.saturating_sub(1);
    let typical = ERASE.decode(bits(dword, low + 6, low));
    OperationTime {
        typical,
        max: typical * multiplier(dword),
    }
}

/// Whether a read that DWORD 1, 5 or 17 announces has an opcode that can be one.
pub(super) fn fast_read(lanes: [u8; 3], half: u32) -> Option<FastRead> {
    let opcode = byte(half, 1);
    (!matches!(opcode, 0x00 | 0xFF)).then_some(FastRead {
        lanes,
        opcode,
        mode_clocks: bits(half, 7, 5) as u8,
        wait_states: bits(half, 4, 0) as u8,
    })
}

fn fast_reads(dwords: &[u32]) -> Vec<FastRead> {
    let quad = FAST_READS.iter().filter_map(|(lanes, support, half)| {
        let announced = dword(dwords, support.0)? >> support.1 & 1 == 1;
        let half = dword(dwords, half.0)? >> half.1;
        announced.then(|| fast_read(*lanes, half)).flatten()
    });
    let octal = dword(dwords, 17).into_iter().flat_map(|octal| {
        [
            fast_read([1, 1, 8], octal >> 16),
            fast_read([1, 8, 8], octal),
        ]
    });
    quad.chain(octal.flatten()).collect()
}

/// Page size from DWORD 11. A page of one byte, or one above 32 KiB (the field's largest), is not
/// something to program by; the first is refused here, the second cannot be written.
fn page_size(dword: u32) -> Option<u32> {
    let size = bits(dword, 7, 4);
    (size != 0).then(|| 1 << size)
}

fn programmed(dword: u32, typical: Duration) -> OperationTime {
    OperationTime {
        typical,
        max: typical * multiplier(dword),
    }
}

fn chip_erase(erase: u32, program: u32) -> OperationTime {
    let typical = CHIP.decode(bits(program, 30, 24));
    OperationTime {
        typical,
        max: typical * multiplier(erase).max(multiplier(program)),
    }
}

fn suspend(times: u32, opcodes: u32) -> Option<Suspend> {
    (bits(times, 31, 31) == 0).then(|| Suspend {
        program_resume: byte(opcodes, 0),
        program_suspend: byte(opcodes, 1),
        erase_resume: byte(opcodes, 2),
        erase_suspend: byte(opcodes, 3),
        program_interval: INTERVAL.decode(bits(times, 12, 9)),
        program_latency: LATENCY.decode(bits(times, 19, 13)),
        erase_interval: INTERVAL.decode(bits(times, 23, 20)),
        erase_latency: LATENCY.decode(bits(times, 30, 24)),
    })
}

fn deep_power_down(dword: u32) -> Option<DeepPowerDown> {
    (bits(dword, 31, 31) == 0).then(|| DeepPowerDown {
        exit_delay: LATENCY.decode(bits(dword, 14, 8)),
        exit: bits(dword, 22, 15) as u8,
        enter: bits(dword, 30, 23) as u8,
    })
}
