//! Writing an SFDP space, for simulated chips and round trips.

use std::time::Duration;

use super::Sfdp;
use super::basic::{AddressBytes, FAST_READS, FastRead};
use super::four_byte::OPCODES;
use super::header::{BASIC, FOUR_BYTE, ParameterHeader, Revision};
use super::modes::{ENTER, EXIT, Enter4Byte, Exit4Byte, QuadEnable, RESET, SoftReset, to_bits};
use super::scale::{BYTE, CHIP, ERASE, LATENCY, OperationTime, PAGE, multiplier_field};

/// Where the first table is put, unless the headers reach further.
const FIRST_AT: usize = 0x30;
/// Tables begin on a multiple of this.
const ALIGN_BYTES: usize = 16;
/// Least bytes of a space; it repeats on chips, so its size is a power of two.
const SPACE_BYTES_MIN: usize = 256;

/// A table to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SfdpTable {
    /// Parameter ID, most significant byte first.
    pub id: u16,
    /// Its revision.
    pub revision: Revision,
    /// Its DWORDs, 1 to 255.
    pub dwords: Vec<u32>,
}

/// An SFDP space to write: any tables, known or not, in the order of their headers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SfdpSpace {
    /// Revision of the structure.
    pub revision: Revision,
    /// Access protocol; FFh is single lane with a 3-byte address and 8 dummy clocks.
    pub access_protocol: u8,
    /// The tables, 1 to 256. The first one should be the basic one.
    pub tables: Vec<SfdpTable>,
}

impl SfdpSpace {
    /// The whole space, a power of two of bytes, for a part that repeats it. Tables follow each other,
    /// with FFh between them.
    ///
    /// # Errors
    /// [`DescriptionError`] for more tables or longer ones than the headers have numbers for.
    pub fn encode(&self) -> Result<Vec<u8>, DescriptionError> {
        let count = self.tables.len();
        let last = count
            .checked_sub(1)
            .and_then(|last| u8::try_from(last).ok());
        let last = last.ok_or(DescriptionError::Tables { count })?;
        let mut headers = super::header::SIGNATURE.to_vec();
        headers.extend([self.revision.minor, self.revision.major, last]);
        headers.push(self.access_protocol);
        let start = (8 * (count + 1))
            .next_multiple_of(ALIGN_BYTES)
            .max(FIRST_AT);
        let mut tables = Vec::new();
        for table in &self.tables {
            tables.resize(tables.len().next_multiple_of(ALIGN_BYTES), 0xFF);
            headers.extend(table.header(start + tables.len())?);
            tables.extend(table.dwords.iter().flat_map(|dword| dword.to_le_bytes()));
        }
        headers.resize(start, 0xFF);
        headers.extend(tables);
        headers.resize(headers.len().next_power_of_two().max(SPACE_BYTES_MIN), 0xFF);
        Ok(headers)
    }
}

impl SfdpTable {
    fn header(&self, at: usize) -> Result<[u8; 8], DescriptionError> {
        let (id, dwords) = (self.id, self.dwords.len());
        let count = u8::try_from(dwords).ok().filter(|count| *count > 0);
        let count = count.ok_or(DescriptionError::Length { id, dwords })?;
        let ([high, low], [p0, p1, p2, _]) = (id.to_be_bytes(), (at as u32).to_le_bytes());
        let Revision { major, minor } = self.revision;
        Ok([low, minor, major, count, p0, p1, p2, high])
    }
}

impl Sfdp {
    /// The tables that were used, to be written again.
    #[must_use]
    pub fn space(&self) -> SfdpSpace {
        let table = |header: &ParameterHeader, dwords: &[u32]| SfdpTable {
            id: header.id,
            revision: header.revision,
            dwords: dwords.to_vec(),
        };
        let four_byte = self.four_byte.iter().filter_map(|instructions| {
            let header = self.headers.iter().find(|header| header.id == FOUR_BYTE)?;
            Some(table(header, &instructions.dwords))
        });
        let others = self.tables.iter();
        let tables = [table(&self.basic_header, &self.basic.dwords)]
            .into_iter()
            .chain(four_byte)
            .chain(others.map(|other| table(&other.header, &other.dwords)));
        SfdpSpace {
            revision: self.revision,
            access_protocol: self.access_protocol,
            tables: tables.collect(),
        }
    }
}

/// One erase type to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DescribedErase {
    /// Bytes that one erase covers; a power of two from 256 up.
    pub size_bytes: u32,
    /// Opcode with an address in the current mode.
    pub opcode: u8,
    /// Opcode that always takes four address bytes.
    pub opcode_4byte: Option<u8>,
    /// How long it takes.
    pub time: OperationTime,
}

/// What an SFDP space shall say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SfdpDescription {
    /// Array size; a power of two from 256 bytes up.
    pub density_bytes: u64,
    /// Up to four erase types. One of 4 KiB is written as working in the whole array.
    pub erase_types: Vec<DescribedErase>,
    /// Program page; a power of two from 2 to 32768 bytes.
    pub page_size_bytes: u32,
    /// Time of a page program.
    pub page_program: OperationTime,
    /// Time of a chip erase.
    pub chip_erase: OperationTime,
    /// Addresses the part takes.
    pub address_bytes: AddressBytes,
    /// Ways into 4-byte addressing.
    pub enter_4byte: Vec<Enter4Byte>,
    /// Ways out of it.
    pub exit_4byte: Vec<Exit4Byte>,
    /// Opcodes other than erases that always take four address bytes. With these or an erase's
    /// `opcode_4byte` a 4-byte table is written.
    pub opcodes_4byte: Vec<u8>,
    /// Reads on 2 or 4 lanes.
    pub fast_reads: Vec<FastRead>,
    /// Quad enable requirement.
    pub quad_enable: QuadEnable,
    /// Soft resets.
    pub soft_resets: Vec<SoftReset>,
    /// Busy shows in 70h bit 7 besides 05h bit 0.
    pub flag_status: bool,
    /// B9h enters and ABh leaves deep power-down, with this delay after leaving.
    pub deep_power_down: Option<Duration>,
    /// Write only the nine DWORDs of 2011, without page size and times.
    pub nine_dwords: bool,
}

/// Why a description cannot be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DescriptionError {
    /// A size that SFDP has no code for.
    #[error("a {what} of {bytes} bytes cannot be written in SFDP")]
    Size {
        /// Density, page or erase.
        what: &'static str,
        /// The size.
        bytes: u64,
    },
    /// More erase types than SFDP has room for.
    #[error("SFDP has room for 4 erase types, not {count}")]
    EraseTypes {
        /// How many there are.
        count: usize,
    },
    /// No table, or more than headers can be counted.
    #[error("SFDP has 1 to 256 tables, not {count}")]
    Tables {
        /// How many there are.
        count: usize,
    },
    /// A table without DWORDs, or with more than a header can tell.
    #[error("table {id:04X} has {dwords} DWORDs; SFDP has room for 1 to 255")]
    Length {
        /// Its parameter ID.
        id: u16,
        /// Its DWORDs.
        dwords: usize,
    },
}

impl SfdpDescription {
    /// The whole SFDP space, 256 bytes, for a part that repeats it.
    ///
    /// # Errors
    /// As [`SfdpDescription::space`].
    pub fn encode(&self) -> Result<Vec<u8>, DescriptionError> {
        self.space()?.encode()
    }

    /// The tables, to which others may be added.
    ///
    /// Times are rounded up to the next step; all erase types share one multiplier, so that a
    /// maximum may come out longer, and shorter only where 32 times typical is not enough.
    ///
    /// # Errors
    /// [`DescriptionError`] for sizes without a code and for more than four erase types.
    pub fn space(&self) -> Result<SfdpSpace, DescriptionError> {
        if self.erase_types.len() > 4 {
            return Err(DescriptionError::EraseTypes {
                count: self.erase_types.len(),
            });
        }
        let mut basic = self.first_nine()?.to_vec();
        if !self.nine_dwords {
            basic.extend(self.ten_to_sixteen()?);
        }
        let minor = if self.nine_dwords { 0 } else { 6 };
        let table = |id, minor, dwords| SfdpTable {
            id,
            revision: Revision { major: 1, minor },
            dwords,
        };
        let mut tables = vec![table(BASIC, minor, basic)];
        if self.has_four_byte_table() {
            tables.push(table(FOUR_BYTE, 0, self.four_byte().to_vec()));
        }
        Ok(SfdpSpace {
            revision: Revision { major: 1, minor },
            access_protocol: 0xFF,
            tables,
        })
    }

    fn has_four_byte_table(&self) -> bool {
        !self.opcodes_4byte.is_empty()
            || self
                .erase_types
                .iter()
                .any(|erase| erase.opcode_4byte.is_some())
    }

    fn first_nine(&self) -> Result<[u32; 9], DescriptionError> {
        let [dword_8, dword_9] = self.erase_dwords()?;
        let mut table = [
            self.first(),
            density(self.density_bytes)?,
            0,
            0,
            0xFFFF_FFEE,
            0x0000_FFFF,
            0x0000_FFFF,
            dword_8,
            dword_9,
        ];
        for read in &self.fast_reads {
            let place = FAST_READS.iter().find(|(lanes, _, _)| *lanes == read.lanes);
            let Some((_, support, half)) = place else {
                continue;
            };
            if let Some(dword) = table.get_mut(support.0 - 1) {
                *dword |= 1 << support.1;
            }
            if let Some(dword) = table.get_mut(half.0 - 1) {
                *dword |= half_dword(read) << half.1;
            }
        }
        Ok(table)
    }

    /// DWORD 1 without the reads: unused bits ones, page programs of 64 bytes or more.
    fn first(&self) -> u32 {
        let four_kib = self
            .erase_types
            .iter()
            .find(|erase| erase.size_bytes == 4096);
        let (everywhere, opcode) = four_kib.map_or((0b11, 0xFF), |erase| (0b01, erase.opcode));
        let addresses = match self.address_bytes {
            AddressBytes::Three => 0b00,
            AddressBytes::ThreeOrFour => 0b01,
            AddressBytes::Four => 0b10,
            AddressBytes::Reserved => 0b11,
        };
        0xFF80_00E4 | everywhere | u32::from(opcode) << 8 | addresses << 17
    }

    fn erase_dwords(&self) -> Result<[u32; 2], DescriptionError> {
        let mut dwords = [0u32; 2];
        for (index, erase) in self.erase_types.iter().enumerate() {
            let code = size_code("block", erase.size_bytes.into(), 8..=31)?;
            let field = code | u32::from(erase.opcode) << 8;
            if let Some(dword) = dwords.get_mut(index / 2) {
                *dword |= field << (16 * (index % 2));
            }
        }
        Ok(dwords)
    }

    fn ten_to_sixteen(&self) -> Result<[u32; 7], DescriptionError> {
        let polling = if self.flag_status { 0b1111 } else { 0b0111 };
        Ok([
            self.erase_times(),
            self.program_times()?,
            1 << 31,
            0xFFFF_FFFF,
            0xF0 | polling | self.power_down(),
            0xFF00_0000 | u32::from(self.quad_enable.0 & 7) << 20,
            0x80C0_00E0
                | 1
                | to_bits(&self.soft_resets, &RESET)
                | to_bits(&self.exit_4byte, &EXIT)
                | to_bits(&self.enter_4byte, &ENTER),
        ])
    }

    /// The multiplier is the one that gives every type, and the chip erase, its maximum.
    fn erase_times(&self) -> u32 {
        let chip = (
            CHIP.decode(CHIP.encode(self.chip_erase.typical)),
            self.chip_erase.max,
        );
        let multiplier = self
            .erase_types
            .iter()
            .map(|erase| {
                (
                    ERASE.decode(ERASE.encode(erase.time.typical)),
                    erase.time.max,
                )
            })
            .chain([chip])
            .map(|(typical, max)| multiplier_field(typical, max))
            .max()
            .unwrap_or(0);
        (0u32..)
            .zip(&self.erase_types)
            .fold(multiplier, |dword, (index, erase)| {
                dword | ERASE.encode(erase.time.typical) << (4 + 7 * index)
            })
    }

    /// Byte program times are not described: 16 us for the first and 2 us for each further byte.
    fn program_times(&self) -> Result<u32, DescriptionError> {
        let page = size_code("page", self.page_size_bytes.into(), 1..=15)?;
        let field = PAGE.encode(self.page_program.typical);
        let multiplier = multiplier_field(PAGE.decode(field), self.page_program.max);
        Ok(1 << 31
            | CHIP.encode(self.chip_erase.typical) << 24
            | BYTE.encode(Duration::from_micros(2)) << 19
            | BYTE.encode(Duration::from_micros(16)) << 14
            | field << 8
            | page << 4
            | multiplier)
    }

    fn power_down(&self) -> u32 {
        self.deep_power_down.map_or(1 << 31, |delay| {
            LATENCY.encode(delay) << 8 | 0xAB << 15 | 0xB9 << 23
        })
    }

    fn four_byte(&self) -> [u32; 2] {
        let mut support = OPCODES
            .iter()
            .filter(|(_, opcode, _)| self.opcodes_4byte.contains(opcode))
            .fold(0xFE00_0000, |dword, (bit, _, _)| dword | 1 << bit);
        let mut erase = u32::MAX;
        for (index, described) in (0u32..).zip(&self.erase_types) {
            if let Some(opcode) = described.opcode_4byte {
                support |= 1 << (9 + index);
                erase &= !(u32::from(!opcode) << (8 * index));
            }
        }
        [support, erase]
    }
}

fn half_dword(read: &FastRead) -> u32 {
    u32::from(read.opcode) << 8
        | u32::from(read.mode_clocks & 7) << 5
        | u32::from(read.wait_states & 0x1F)
}

/// DWORD 2: bits minus one, or from 4 Gbit on an exponent.
fn density(bytes: u64) -> Result<u32, DescriptionError> {
    let code = size_code("density", bytes, 8..=40)?;
    Ok(if code + 3 < 32 {
        u32::MAX >> (32 - (code + 3))
    } else {
        1 << 31 | (code + 3)
    })
}

/// The exponent of a power of two, if it lies in `range`.
fn size_code(
    what: &'static str,
    bytes: u64,
    range: std::ops::RangeInclusive<u32>,
) -> Result<u32, DescriptionError> {
    let code = bytes.checked_ilog2().filter(|_| bytes.is_power_of_two());
    code.filter(|code| range.contains(code))
        .ok_or(DescriptionError::Size { what, bytes })
}

#[cfg(test)]
mod tests;
