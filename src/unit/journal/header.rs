//! The header: 512 bytes, see the table in the parent module.

use super::JournalError;
use crate::chip::AddressingFound;
use crate::part::JedecId;
use crate::unit::digest::Digest;

/// Bytes in the header.
pub const HEADER_BYTES: usize = 512;

const MAGIC: &[u8; 16] = b"norlock journal\n";
const FORM: u32 = 1;
const JEDEC_ID_MAX_BYTES: usize = 16;
const UNIQUE_ID_MAX_BYTES: usize = 32;
const PART_MAX_BYTES: usize = 192;
const STATUS_MAX: usize = 16;
const CHECKED_BYTES: usize = 480;

/// Why a journal was begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Intent {
    /// To write a target.
    Write,
    /// To put a backup back.
    Restore,
}

/// What a write started from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Number of the journal; filled in when it is begun.
    pub number: u32,
    /// Number of the journal it supersedes; filled in when it is begun.
    pub supersedes: Option<u32>,
    /// Why it was begun.
    pub intent: Intent,
    /// Digest of the image the chip is to hold.
    pub target: Digest,
    /// Digest of the baseline.
    pub baseline: Digest,
    /// Digest of the worklist.
    pub worklist: Digest,
    /// Digest of the region map; a restore needs none.
    pub region_map: Option<Digest>,
    /// Maker and part name, cut at 192 bytes: it is for a person to read.
    pub part: String,
    /// JEDEC ID, at most 16 bytes.
    pub jedec_id: JedecId,
    /// Unique ID, at most 32 bytes; empty for none.
    pub unique_id: Vec<u8>,
    /// Size of the chip in bytes.
    pub size_bytes: u32,
    /// Status registers as first found: read opcode and value; at most 16.
    pub status: Vec<(u8, u8)>,
    /// Addressing as first found.
    pub addressing: AddressingFound,
    /// Whether protection is lifted and put back by writes that end with the supply.
    pub volatile_lift: bool,
}

impl Header {
    /// The header's bytes.
    ///
    /// # Errors
    /// `Header` if a field is longer than its place.
    pub fn encode(&self) -> Result<[u8; HEADER_BYTES], JournalError> {
        let (addressing, register) = match self.addressing {
            AddressingFound::ThreeByte => (1, 0),
            AddressingFound::FourByte => (2, 0),
            AddressingFound::Register(value) => (3, value),
        };
        let intent = match self.intent {
            Intent::Write => 1,
            Intent::Restore => 2,
        };
        let status: Vec<u8> = self.status.iter().flat_map(|(o, v)| [*o, *v]).collect();
        let mut bytes = Vec::with_capacity(HEADER_BYTES);
        bytes.extend(MAGIC);
        bytes.extend(FORM.to_le_bytes());
        bytes.extend(self.number.to_le_bytes());
        bytes.extend(self.supersedes.unwrap_or(0).to_le_bytes());
        let lift = u8::from(self.volatile_lift);
        bytes.extend([intent, addressing, register, lift]);
        bytes.extend(self.size_bytes.to_le_bytes());
        bytes.extend([0; 4]);
        bytes.extend(self.target.0);
        bytes.extend(self.baseline.0);
        bytes.extend(self.worklist.0);
        bytes.extend(self.region_map.map_or([0; 32], |map| map.0));
        field(&mut bytes, "JEDEC ID", &self.jedec_id.0, JEDEC_ID_MAX_BYTES)?;
        field(
            &mut bytes,
            "unique ID",
            &self.unique_id,
            UNIQUE_ID_MAX_BYTES,
        )?;
        field(
            &mut bytes,
            "part name",
            cut(&self.part).as_bytes(),
            PART_MAX_BYTES,
        )?;
        let pairs = bytes.len();
        field(&mut bytes, "status registers", &status, STATUS_MAX * 2)?;
        if let Some(count) = bytes.get_mut(pairs) {
            // Counted in pairs.
            *count /= 2;
        }
        bytes.resize(CHECKED_BYTES, 0);
        bytes.extend(Digest::of(&bytes).0);
        bytes
            .try_into()
            .map_err(|bytes: Vec<u8>| JournalError::Header {
                field: "header",
                got: bytes.len(),
                max: HEADER_BYTES,
            })
    }

    /// Decodes 512 bytes.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn decode(bytes: &[u8; HEADER_BYTES]) -> Result<Self, &'static str> {
        let mut rest = bytes.as_slice();
        if take::<16>(&mut rest)? != *MAGIC {
            return Err("it does not begin as a journal does");
        }
        if number(&mut rest)? != FORM {
            return Err("it is of an unknown form");
        }
        let (checked, digest) = bytes.split_at(CHECKED_BYTES);
        if Digest::of(checked).0 != digest {
            return Err("its digest differs");
        }
        let header = Self::fields(&mut rest)?;
        match header.encode() {
            Ok(again) if again == *bytes => Ok(header),
            _ => Err("it holds what no journal says"),
        }
    }

    fn fields(rest: &mut &[u8]) -> Result<Self, &'static str> {
        let journal = number(rest)?;
        let supersedes = number(rest)?;
        let [intent, addressing, register, lift] = take::<4>(rest)?;
        let size_bytes = number(rest)?;
        take::<4>(rest)?;
        let target = Digest(take(rest)?);
        let baseline = Digest(take(rest)?);
        let worklist = Digest(take(rest)?);
        let region_map = take(rest)?;
        let jedec_id = JedecId(bytes_of(take::<17>(rest)?, 1)?);
        if jedec_id.0.len() < 3 {
            return Err("its JEDEC ID is too short");
        }
        let unique_id = bytes_of(take::<33>(rest)?, 1)?;
        let part = bytes_of(take::<193>(rest)?, 1)?;
        let status = bytes_of(take::<33>(rest)?, 2)?;
        Ok(Self {
            number: journal,
            supersedes: (supersedes != 0).then_some(supersedes),
            intent: match intent {
                1 => Intent::Write,
                2 => Intent::Restore,
                _ => return Err("its intent is unknown"),
            },
            target,
            baseline,
            worklist,
            region_map: (region_map != [0; 32]).then_some(Digest(region_map)),
            part: String::from_utf8(part).map_err(|_| "its part name is not UTF-8")?,
            jedec_id,
            unique_id,
            size_bytes,
            status: status
                .chunks_exact(2)
                .filter_map(|pair| Some((*pair.first()?, *pair.get(1)?)))
                .collect(),
            addressing: match addressing {
                1 => AddressingFound::ThreeByte,
                2 => AddressingFound::FourByte,
                3 => AddressingFound::Register(register),
                _ => return Err("its addressing is unknown"),
            },
            volatile_lift: lift != 0,
        })
    }
}

/// The part name, cut at a character so that it fits.
fn cut(name: &str) -> &str {
    let mut end = name.len().min(PART_MAX_BYTES);
    while !name.is_char_boundary(end) {
        end -= 1;
    }
    name.get(..end).unwrap_or(name)
}

/// Appends length, value and padding.
fn field(
    bytes: &mut Vec<u8>,
    field: &'static str,
    value: &[u8],
    max: usize,
) -> Result<(), JournalError> {
    let refuse = || JournalError::Header {
        field,
        got: value.len(),
        max,
    };
    let length = u8::try_from(value.len()).map_err(|_| refuse())?;
    if value.len() > max {
        return Err(refuse());
    }
    let end = bytes.len() + 1 + max;
    bytes.push(length);
    bytes.extend(value);
    bytes.resize(end, 0);
    Ok(())
}

fn take<const N: usize>(rest: &mut &[u8]) -> Result<[u8; N], &'static str> {
    let (taken, after) = rest.split_first_chunk::<N>().ok_or("it is short")?;
    *rest = after;
    Ok(*taken)
}

fn number(rest: &mut &[u8]) -> Result<u32, &'static str> {
    take(rest).map(u32::from_le_bytes)
}

/// The value of a field whose first byte counts units of `unit_bytes`.
fn bytes_of<const N: usize>(field: [u8; N], unit_bytes: usize) -> Result<Vec<u8>, &'static str> {
    let (count, value) = field.split_first().ok_or("it is short")?;
    value
        .get(..usize::from(*count) * unit_bytes)
        .map(<[u8]>::to_vec)
        .ok_or("a field is longer than its place")
}
