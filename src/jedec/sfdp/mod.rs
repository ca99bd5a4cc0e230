//! Serial Flash Discoverable Parameters (JESD216): reading, judging and writing them.
//!
//! No length, density or pointer of a table is trusted. What contradicts itself or uses a reserved
//! code is left out of the facts and told in [`Sfdp::remarks`], never guessed. Units: sizes in
//! bytes, times as [`std::time::Duration`].
//!
//! Beside the standard the decoder follows what makers print: GD25Q64C Rev 3.0 section 7.35,
//! PY25Q64HA V1.6 section 10.53, N25Q032A Rev. G tables 21 and 22.

mod basic;
mod encode;
mod field;
mod four_byte;
mod header;
mod modes;
mod registers;
mod remark;
mod scale;
mod sector_map;
mod vendor;

pub use basic::{AddressBytes, Basic, DeepPowerDown, EraseType, FastRead, StatusPolling, Suspend};
pub use encode::{DescribedErase, DescriptionError, SfdpDescription, SfdpSpace, SfdpTable};
pub use field::Field;
pub use four_byte::FourByteInstructions;
pub use header::{
    BASIC, FOUR_BYTE, ParameterHeader, REGISTERS, Revision, SECTOR_MAP, SPACE_BYTES_MAX,
    needed_bytes,
};
pub use modes::{Enter4Byte, Exit4Byte, QuadEnable, SoftReset};
pub use scale::OperationTime;
pub use sector_map::{
    Answer, CommandAddress, ConfigurationMap, DetectionCommand, EraseLayout, Region, SectorMap,
};
pub use vendor::VccRange;

use serde::Serialize;

use header::{Headers, before_mirror};

/// Why bytes are not a usable SFDP space.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SfdpError {
    /// Nothing that looks like SFDP: the part may have none.
    #[error("no SFDP signature; the first bytes are {seen:02X?}")]
    NoSignature {
        /// The first four bytes.
        seen: [u8; 4],
    },
    /// The headers go on past what there is.
    #[error("the SFDP headers need {need} bytes and there are {have}")]
    Truncated {
        /// Bytes given, up to where the space repeats itself.
        have: usize,
        /// Bytes needed.
        need: usize,
    },
    /// A structure that no published standard describes.
    #[error("the SFDP has major revision {major}; only 1 is known")]
    MajorRevision {
        /// What it says.
        major: u8,
    },
    /// No header announces a basic table.
    #[error("the SFDP announces no basic table (FF00)")]
    NoBasicTable,
    /// The basic table cannot be used.
    #[error("the basic table (FF00) cannot be used: it {why}")]
    BasicTableUnusable {
        /// What is wrong, such as `is blank`.
        why: String,
    },
}

/// A table that is kept as it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RawTable {
    /// Its header.
    pub header: ParameterHeader,
    /// Its DWORDs.
    pub dwords: Vec<u32>,
}

/// What an SFDP space says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sfdp {
    /// Revision of the structure: minor 0 is JESD216, 5 A, 6 B, 8 D.
    pub revision: Revision,
    /// Access protocol; FFh is single lane with a 3-byte address and 8 dummy clocks.
    pub access_protocol: u8,
    /// Every parameter header, used or not.
    pub headers: Vec<ParameterHeader>,
    /// Header of the basic table that was taken.
    pub basic_header: ParameterHeader,
    /// The basic table.
    pub basic: Basic,
    /// The 4-byte address instruction table, where there is one.
    pub four_byte: Option<FourByteInstructions>,
    /// The sector map, where there is one whose parts fit together.
    pub sector_map: Option<SectorMap>,
    /// Every table but the basic one and the 4-byte one, as read.
    pub tables: Vec<RawTable>,
    /// Supply range that a maker's table gives. It may tighten an interlock, never open one.
    pub vcc: Option<VccRange>,
    remarks: Vec<String>,
    erase_doubt: Option<String>,
}

impl Sfdp {
    /// Reads what was read from SFDP address 0 on. More than [`needed_bytes`] does no harm.
    ///
    /// # Errors
    /// [`SfdpError`] where there is no usable basic table. Every other fault becomes a remark.
    ///
    /// # Examples
    /// ```
    /// use norlock::jedec::sfdp::{BASIC, Revision, Sfdp, SfdpSpace, SfdpTable};
    ///
    /// let revision = Revision { major: 1, minor: 0 };
    /// let space = SfdpSpace {
    ///     revision,
    ///     access_protocol: 0xFF,
    ///     tables: vec![SfdpTable {
    ///         id: BASIC,
    ///         revision,
    ///         dwords: vec![
    ///             0xFFF1_20E5, 0x007F_FFFF, 0x6B08_EB44, 0xBB80_3B08, 0xFFFF_FFEE, 0xFF00_FFFF,
    ///             0xFF00_FFFF, 0x520F_200C, 0x0000_D810,
    ///         ],
    ///     }],
    /// };
    /// let sfdp = Sfdp::parse(&space.encode()?)?;
    /// assert_eq!(sfdp.basic.density_bytes, Some(1 << 20));
    /// let erases = sfdp.basic.erase_types.iter();
    /// let erases: Vec<_> = erases.map(|erase| (erase.size_bytes, erase.opcode)).collect();
    /// assert_eq!(erases, [(4096, 0x20), (32768, 0x52), (65536, 0xD8)]);
    /// assert!(sfdp.remarks().is_empty());
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn parse(bytes: &[u8]) -> Result<Self, SfdpError> {
        let bytes = before_mirror(bytes);
        let mut remarks = Vec::new();
        let Headers {
            revision,
            access_protocol,
            list,
        } = Headers::parse(bytes)?;
        let chosen = header::usable(&list, bytes, &mut remarks)?;
        let (basic_header, others) = chosen.split_first().ok_or(SfdpError::NoBasicTable)?;
        let basic = Basic::decode(read_dwords(bytes, basic_header));
        let mut sfdp = Self {
            revision,
            access_protocol,
            basic_header: *basic_header,
            headers: list,
            basic,
            four_byte: None,
            sector_map: None,
            tables: Vec::new(),
            vcc: None,
            remarks,
            erase_doubt: None,
        };
        for header in others {
            sfdp.take(RawTable {
                header: *header,
                dwords: read_dwords(bytes, header),
            });
        }
        remark::examine(&mut sfdp);
        Ok(sfdp)
    }

    /// Decodes a table that is known and keeps the others.
    fn take(&mut self, table: RawTable) {
        if let (FOUR_BYTE, [support, erase, ..]) = (table.header.id, table.dwords.as_slice()) {
            self.four_byte = Some(FourByteInstructions::decode(
                [*support, *erase],
                &self.basic,
            ));
            return;
        }
        if table.header.id == SECTOR_MAP {
            match SectorMap::decode(&table.dwords, &self.basic) {
                Ok(map) => self.sector_map = Some(map),
                Err(why) => self.remarks.push(header::not_used(&table.header, &why)),
            }
        }
        self.vcc = self.vcc.or(VccRange::decode(&table));
        self.tables.push(table);
    }

    /// Contradictions, reserved values and tables that were not used, as plain sentences.
    #[must_use]
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// Why nothing may be erased by these erase types; `None` where nothing speaks against them. Where
    /// a sector map says that they do not work everywhere is told by [`Sfdp::erase_layout`].
    #[must_use]
    pub fn erase_doubt(&self) -> Option<&str> {
        self.erase_doubt.as_deref()
    }

    /// Where the erase types work, by the chip's answers to the sector map's commands, in their order;
    /// `None` without a sector map, where they work everywhere.
    #[must_use]
    pub fn erase_layout(&self, answers: &[Answer]) -> Option<EraseLayout> {
        Some(self.sector_map.as_ref()?.layout(answers, &self.basic))
    }

    /// Opcode of erase type `number` that always takes four address bytes.
    #[must_use]
    pub fn erase_opcode_4byte(&self, number: u8) -> Option<u8> {
        self.four_byte.as_ref()?.erase_opcode(number)
    }

    /// Every field with its place, value and raw bits, in the order of the tables.
    #[must_use]
    pub fn fields(&self) -> Vec<Field> {
        field::list(self)
    }
}

/// The DWORDs of a table, little-endian.
fn read_dwords(bytes: &[u8], header: &ParameterHeader) -> Vec<u32> {
    let table = bytes.get(header.span()).unwrap_or_default();
    table
        .chunks_exact(4)
        .filter_map(|chunk| chunk.first_chunk::<4>())
        .map(|chunk| u32::from_le_bytes(*chunk))
        .collect()
}

#[cfg(test)]
mod tests;
