//! The SFDP header, the parameter headers, and which bytes they point to (JESD216).

use std::ops::Range;

use serde::Serialize;

use super::SfdpError;

/// JEDEC Basic Flash Parameter Table (BFPT).
pub const BASIC: u16 = 0xFF00;
/// Sector map.
pub const SECTOR_MAP: u16 = 0xFF81;
/// 4-byte Address Instruction Table (4BAIT).
pub const FOUR_BYTE: u16 = 0xFF84;

/// Status, Control and Configuration Register map (SCCR).
pub const REGISTERS: u16 = 0xFF87;

/// Bytes of the SFDP header and of each parameter header.
const HEADER_BYTES: usize = 8;
/// Fewest DWORDs of a BFPT: those of JESD216 as of 2011.
pub(super) const BASIC_DWORDS_MIN: usize = 9;
/// `SFDP` as the chip sends it.
pub(super) const SIGNATURE: [u8; 4] = *b"SFDP";

/// A revision of the SFDP structure or of one table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Revision {
    /// Major number; 1 in every published revision of the standard.
    pub major: u8,
    /// Minor number.
    pub minor: u8,
}

impl std::fmt::Display for Revision {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

/// What one parameter header announces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ParameterHeader {
    /// Parameter ID, most significant byte first: FFxx is assigned by JEDEC, others are a maker's.
    pub id: u16,
    /// Revision of the table.
    pub revision: Revision,
    /// Length of the table in DWORDs.
    pub dwords: u8,
    /// Byte address of the table in the SFDP space, 24 bits.
    pub pointer: u32,
}

impl ParameterHeader {
    fn parse(bytes: [u8; HEADER_BYTES]) -> Self {
        let [id_low, minor, major, dwords, p0, p1, p2, id_high] = bytes;
        Self {
            id: u16::from_be_bytes([id_high, id_low]),
            revision: Revision { major, minor },
            dwords,
            pointer: u32::from_le_bytes([p0, p1, p2, 0]),
        }
    }

    /// The bytes of the table in the SFDP space.
    #[must_use]
    pub fn span(&self) -> Range<usize> {
        let start = self.pointer as usize;
        start..start + 4 * usize::from(self.dwords)
    }

    /// Name of the table, where the standard or the maker's code gives one.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self.id {
            BASIC => "basic flash parameters",
            SECTOR_MAP => "sector map",
            0xFF03 => "replay protected counters",
            FOUR_BYTE => "4-byte address instructions",
            0xFF05 => "xSPI profile 1.0",
            0xFF06 => "xSPI profile 2.0",
            REGISTERS => "status and configuration registers",
            0xFF88 => "register offsets of stacked dies",
            0xFF09 => "registers of xSPI profile 2.0",
            0xFF0A => "sequences to octal DDR",
            0xFF0C => "quad reads with data strobe",
            0xFF8D => "sequences to quad DDR",
            0xFF8E => "secure transactions",
            _ => self.vendor_name(),
        }
    }

    /// Makers by the low byte of a vendor table's ID, which is the byte that their parts answer to
    /// Read ID as well (JEP106, the bank apart).
    fn vendor_name(&self) -> &'static str {
        match self.id & 0xFF {
            _ if self.is_jedec() => "unknown JEDEC table",
            0x01 | 0x34 => "Cypress table",
            0x1F => "Adesto table",
            0x20 | 0x2C => "Micron table",
            0x85 => "Puya table",
            0x9D => "ISSI table",
            0xBF => "Microchip table",
            0xC2 => "Macronix table",
            0xC8 => "GigaDevice table",
            0xEF => "Winbond table",
            _ => "unknown table",
        }
    }

    /// Whether the ID is one that JEDEC assigns. JEDEC's function codes have an even number of ones
    /// in the low byte, makers' codes an odd one (JEP106).
    #[must_use]
    pub fn is_jedec(&self) -> bool {
        self.id >> 8 == 0xFF && (self.id & 0xFF).count_ones() % 2 == 0
    }

    /// Why the table cannot be used, given the end of the headers and of the bytes that were read.
    fn unusable(&self, headers_end: usize, bytes: &[u8]) -> Option<String> {
        let span = self.span();
        if self.revision.major != 1 {
            Some(format!("has major revision {}", self.revision.major))
        } else if self.dwords == 0 {
            Some("has no DWORDs".to_owned())
        } else if self.id == BASIC && usize::from(self.dwords) < BASIC_DWORDS_MIN {
            Some(format!("has only {} of 9 DWORDs", self.dwords))
        } else if span.start % 4 != 0 {
            Some(format!("starts at {:#x}, not on a DWORD", span.start))
        } else if span.start < headers_end {
            Some(format!("starts at {:#x}, inside the headers", span.start))
        } else if let Some(table) = bytes.get(span.clone()) {
            let blank = table.iter().all(|byte| *byte == 0xFF) || table.iter().all(|b| *b == 0);
            blank.then(|| "is blank".to_owned())
        } else {
            let (end, have) = (span.end, bytes.len());
            Some(format!(
                "ends at {end:#x}, past the {have:#x} bytes there are"
            ))
        }
    }
}

/// The headers of an SFDP space.
pub(super) struct Headers {
    /// SFDP revision.
    pub(super) revision: Revision,
    /// Access protocol byte; FFh is single lane, 3-byte address, 8 dummy clocks.
    pub(super) access_protocol: u8,
    /// All announced tables.
    pub(super) list: Vec<ParameterHeader>,
}

impl Headers {
    /// Reads the headers from the beginning of `bytes`.
    pub(super) fn parse(bytes: &[u8]) -> Result<Self, SfdpError> {
        let (head, rest) = split_header(bytes).ok_or(SfdpError::Truncated {
            have: bytes.len(),
            need: headers_end(1),
        })?;
        let [s0, s1, s2, s3, minor, major, last, access_protocol] = head;
        if [s0, s1, s2, s3] != SIGNATURE {
            return Err(SfdpError::NoSignature {
                seen: [s0, s1, s2, s3],
            });
        }
        if major != 1 {
            return Err(SfdpError::MajorRevision { major });
        }
        let count = usize::from(last) + 1;
        let list: Vec<_> =
            std::iter::successors(split_header(rest), |(_, rest)| split_header(rest))
                .take(count)
                .map(|(header, _)| ParameterHeader::parse(header))
                .collect();
        if list.len() < count {
            return Err(SfdpError::Truncated {
                have: bytes.len(),
                need: headers_end(count),
            });
        }
        Ok(Self {
            revision: Revision { major, minor },
            access_protocol,
            list,
        })
    }
}

/// Where `count` headers end.
fn headers_end(count: usize) -> usize {
    HEADER_BYTES * (count + 1)
}

/// The headers whose tables can be used, one a table ID, the BFPT first; sentences about the others
/// go to `remarks`. Of several BFPT the longest is taken, of equal ones the last.
pub(super) fn usable(
    list: &[ParameterHeader],
    bytes: &[u8],
    remarks: &mut Vec<String>,
) -> Result<Vec<ParameterHeader>, SfdpError> {
    let (basics, others): (Vec<_>, Vec<_>) = list.iter().partition(|header| header.id == BASIC);
    let mut chosen = vec![choose_basic(
        &basics,
        headers_end(list.len()),
        bytes,
        remarks,
    )?];
    for header in others {
        match header.unusable(headers_end(list.len()), bytes) {
            None => take_optional(*header, &mut chosen, remarks),
            Some(why) => remarks.push(not_used(header, &why)),
        }
    }
    Ok(chosen)
}

/// The remark about a table that is not used.
pub(super) fn not_used(header: &ParameterHeader, why: &str) -> String {
    let (id, name) = (header.id, header.name());
    format!("Table {id:04X} ({name}) is not used: it {why}.")
}

/// The longest usable of several basic tables, the last of equal ones.
fn choose_basic(
    basics: &[&ParameterHeader],
    headers_end: usize,
    bytes: &[u8],
    remarks: &mut Vec<String>,
) -> Result<ParameterHeader, SfdpError> {
    let mut best: Option<ParameterHeader> = None;
    let mut fault = None;
    for header in basics {
        match header.unusable(headers_end, bytes) {
            Some(why) => fault = Some(why),
            None if best.is_none_or(|best| header.dwords >= best.dwords) => best = Some(**header),
            None => {}
        }
    }
    match (best, fault) {
        (None, None) => Err(SfdpError::NoBasicTable),
        (None, Some(why)) => Err(SfdpError::BasicTableUnusable { why }),
        (Some(best), fault) => {
            remarks.extend(fault.map(|why| format!("One basic table is not used: it {why}.")));
            Ok(best)
        }
    }
}

/// Adds `header` unless its ID is there already or it shares bytes with another JEDEC table.
///
/// A vendor table may span JEDEC tables: one maker announces 92 DWORDs around its BFPT.
fn take_optional(
    header: ParameterHeader,
    chosen: &mut Vec<ParameterHeader>,
    remarks: &mut Vec<String>,
) {
    let (id, name, span) = (header.id, header.name(), header.span());
    let overlaps = |other: &ParameterHeader| {
        let theirs = other.span();
        other.is_jedec() && span.start < theirs.end && theirs.start < span.end
    };
    if chosen.iter().any(|other| other.id == id) {
        remarks.push(format!(
            "Table {id:04X} ({name}) is announced twice; the first is used."
        ));
    } else if let (true, Some(other)) = (header.is_jedec(), chosen.iter().find(|o| overlaps(o))) {
        remarks.push(format!(
            "Table {id:04X} ({name}) shares bytes with table {:04X} and is not used.",
            other.id
        ));
    } else {
        chosen.push(header);
    }
}

/// The next eight bytes, and what follows them.
fn split_header(bytes: &[u8]) -> Option<([u8; HEADER_BYTES], &[u8])> {
    bytes
        .split_first_chunk::<HEADER_BYTES>()
        .map(|(header, rest)| (*header, rest))
}

/// The part of `bytes` before the SFDP space repeats itself.
///
/// Chips decode only some address bits of the SFDP space, so that an address past its end answers
/// with the first header again: a signature at a power of two is a mirror.
pub(super) fn before_mirror(bytes: &[u8]) -> &[u8] {
    let Some(first) = bytes.first_chunk::<{ 2 * HEADER_BYTES }>() else {
        return bytes;
    };
    let mirror = (5..usize::BITS)
        .map(|shift| 1usize << shift)
        .take_while(|at| *at < bytes.len())
        .find(|at| {
            bytes
                .get(*at..)
                .and_then(|rest| rest.first_chunk::<{ 2 * HEADER_BYTES }>())
                == Some(first)
        });
    mirror.and_then(|at| bytes.get(..at)).unwrap_or(bytes)
}

/// Largest space that a reader is asked for.
pub const SPACE_BYTES_MAX: usize = 0x1_0000;

/// How many bytes from address 0 hold all headers and tables, judged by `first`.
///
/// `first` is what was read so far. Where it ends inside the headers the answer is the length of
/// the headers: read that much and ask again. Tables that would end past [`SPACE_BYTES_MAX`] are
/// left out. `None` where the signature is not there.
#[must_use]
pub fn needed_bytes(first: &[u8]) -> Option<usize> {
    match Headers::parse(first) {
        Ok(headers) => headers
            .list
            .iter()
            .map(|header| header.span().end)
            .filter(|end| *end <= SPACE_BYTES_MAX)
            .chain([headers_end(headers.list.len())])
            .max(),
        Err(SfdpError::Truncated { need, .. }) if first.starts_with(&SIGNATURE) => Some(need),
        // What cannot be used is read all the same, so that it can be kept and told.
        Err(SfdpError::MajorRevision { .. }) => Some(headers_end(1)),
        Err(_) => None,
    }
}
