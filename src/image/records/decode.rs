//! One line of records, and what it says.
//!
//! The crates decode a line. What a person has to be told of a damaged one, they do not say, and `srec`
//! panics on some and ignores what follows a record: so each line's shape is looked at first.

use super::problem::{Fault, RecordProblem};
use super::{Datum, Form};

/// What data addresses are added to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Base {
    /// The start of a segment, within which addresses stay (Intel HEX type 02; 0 without one).
    Segment(u32),
    /// The upper half of an address (Intel HEX type 04).
    Linear(u32),
}

/// What the lines so far mean for the next one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Decoder {
    form: Form,
    base: Base,
    /// Data records so far.
    count: u64,
    ended: bool,
}

impl Decoder {
    pub fn new(form: Form) -> Self {
        Self {
            form,
            base: Base::Segment(0),
            count: 0,
            ended: false,
        }
    }

    /// Whether the end record was met.
    pub fn has_ended(&self) -> bool {
        self.ended
    }

    /// Takes a line without its end; gives the data in it, where there is any.
    pub fn take(&mut self, line: &[u8]) -> Result<Option<Datum>, Fault> {
        if line.is_empty() {
            return Ok(None);
        }
        if self.ended {
            return Err(RecordProblem::AfterTheEnd.at(1));
        }
        match self.form {
            Form::IntelHex => self.intel_hex(line),
            Form::SRecord => self.s_record(line),
            Form::Raw => Err(RecordProblem::NoRecord(self.form).at(1)),
        }
    }

    fn intel_hex(&mut self, line: &[u8]) -> Result<Option<Datum>, Fault> {
        use ihex::Record;
        let text = shape(line, self.form)?;
        let record = Record::from_record_string(text).map_err(|error| intel_fault(error, text))?;
        match record {
            Record::Data { offset, value } => return self.data(u32::from(offset), value),
            Record::EndOfFile => self.ended = true,
            Record::ExtendedSegmentAddress(base) => self.base = Base::Segment(u32::from(base) << 4),
            Record::ExtendedLinearAddress(base) => self.base = Base::Linear(u32::from(base) << 16),
            // Where a processor would start: nothing that flash holds.
            Record::StartSegmentAddress { .. } | Record::StartLinearAddress(_) => {}
        }
        Ok(None)
    }

    fn s_record(&mut self, line: &[u8]) -> Result<Option<Datum>, Fault> {
        use srec::Record;
        let text = shape(line, self.form)?;
        // A header is formed as an S1 record. The crate wants it to hold text, and panics where it does
        // not; the type is not part of the checksum.
        let header = text.strip_prefix("S0").map(|rest| format!("S1{rest}"));
        let record = header.as_deref().unwrap_or(text).parse::<Record>();
        let record = record.map_err(|error| s_fault(error, text))?;
        if header.is_some() {
            // Data do not come before it: an S1 may have become this by one wrong character, which no
            // checksum covers.
            return match self.count {
                0 => Ok(None),
                _ => Err(RecordProblem::Type.at(2)),
            };
        }
        match record {
            Record::S1(data) => self.data(data.address.into(), data.data),
            Record::S2(data) => self.data(data.address.into(), data.data),
            Record::S3(data) => self.data(data.address.0, data.data),
            Record::S5(count) => self.counted(count.into()),
            Record::S6(count) => self.counted(count.into()),
            Record::S7(_) | Record::S8(_) | Record::S9(_) => {
                self.ended = true;
                Ok(None)
            }
            Record::S0(_) => Ok(None),
        }
    }

    /// Data at an address that the base is still to be added to.
    fn data(&mut self, offset: u32, bytes: Vec<u8>) -> Result<Option<Datum>, Fault> {
        let past = u64::from(offset) + bytes.len() as u64;
        let (base, past_max) = match (self.form, self.base) {
            (Form::IntelHex, Base::Segment(base)) => (base, 1 << 16),
            (_, Base::Linear(base) | Base::Segment(base)) => (base, (1 << 32) - u64::from(base)),
        };
        if past > past_max {
            let column = if self.form == Form::IntelHex { 4 } else { 5 };
            return Err(RecordProblem::PastTheEnd.at(column));
        }
        self.count += 1;
        let address = base + offset;
        Ok((!bytes.is_empty()).then_some(Datum { address, bytes }))
    }

    fn counted(&self, said: u32) -> Result<Option<Datum>, Fault> {
        if u64::from(said) == self.count {
            return Ok(None);
        }
        let found = self.count;
        Err(RecordProblem::Count { said, found }.at(5))
    }
}

/// The line as text, if it is digits behind its start mark and as long as it says.
fn shape(line: &[u8], form: Form) -> Result<&str, Fault> {
    let (mark, other_bytes) = match form {
        // Byte count, address, type and checksum are not counted.
        Form::IntelHex => (1, 5),
        // The byte count alone is not.
        _ => (2, 1),
    };
    if !form.begins(line) {
        return Err(RecordProblem::NoRecord(form).at(1));
    }
    let digits = line.get(mark..).unwrap_or_default();
    if let Some(at) = digits.iter().position(|byte| !byte.is_ascii_hexdigit()) {
        let byte = digits.get(at).copied().unwrap_or_default();
        return Err(RecordProblem::NoDigit(byte).at(mark + at + 1));
    }
    let text = std::str::from_utf8(line).map_err(|_| RecordProblem::NoRecord(form).at(1))?;
    let count = text.get(mark..mark + 2);
    let said = count.and_then(|count| usize::from_str_radix(count, 16).ok());
    match said {
        Some(said) if (said + other_bytes) * 2 == digits.len() && said + other_bytes > 1 => {
            Ok(text)
        }
        _ => Err(RecordProblem::Length.at(mark + 1)),
    }
}

fn intel_fault(error: ihex::ReaderError, line: &str) -> Fault {
    use ihex::ReaderError;
    match error {
        ReaderError::ChecksumMismatch(..) => checksum(line),
        ReaderError::UnsupportedRecordType(_) => RecordProblem::Type.at(8),
        _ => RecordProblem::Length.at(2),
    }
}

fn s_fault(error: srec::ReaderError, line: &str) -> Fault {
    use srec::ReaderError;
    match error {
        ReaderError::ChecksumMismatch => checksum(line),
        ReaderError::UnexpectedCharacter => RecordProblem::Type.at(2),
        ReaderError::NotEnoughData | ReaderError::ByteCountZero => RecordProblem::Length.at(3),
    }
}

/// The checksum is the line's last two digits.
fn checksum(line: &str) -> Fault {
    RecordProblem::Checksum.at(line.len().saturating_sub(1))
}
