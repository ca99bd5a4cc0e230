//! LZMA alone, the `.lzma` format of `doc/lzma-file-format.txt` in XZ Utils.
//!
//! It has no magic number and no checksum: it is told by a header that makes sense, and by content that
//! can be unpacked.

use std::io::Read;

use lzma_rust2::LzmaReader;

use super::place::{Fields, Look, Place, Stop, Unpacked};
use super::{Checked, DICTIONARY_BYTES_MAX, Finding, Format};

const HEADER_BYTES: usize = 13;
/// Sizes of 4 GiB and above are taken for noise; this one says that an end mark follows.
const UNKNOWN_SIZE: u64 = u64::MAX;
/// Bytes that have to be unpacked before a stream that breaks, or is cut, is believed to be one.
const PROOF_BYTES: u64 = 4096;
/// A stream has to unpack to more than this: tables of numbers can look like shorter ones.
const CONTENT_BYTES_MIN: u64 = 32;
/// What unpacking a byte costs, and setting up a decoder.
pub(super) const BYTE_COST: u64 = 16;
pub(super) const START_COST: u64 = 64 << 10;

struct Header {
    properties: u8,
    dictionary_bytes: u32,
    content_bytes: u64,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    let finding = |size, checked| Finding::new(place.offset, Format::Lzma, size, checked);
    let mut unpacked = Unpacked::default();
    let consumed = match content(place, &header, &mut unpacked) {
        Err(Stop::Spent) if unpacked.bytes >= PROOF_BYTES => {
            return Ok(Some(finding(None, Checked::TOO_LONG)));
        }
        consumed => consumed?,
    };
    if unpacked.bytes >= header.dictionary_bytes_max() {
        let checked = Checked::HeaderOnly("needs too much memory to be unpacked");
        return Ok(Some(finding(None, checked)));
    }
    if unpacked.whole {
        let agrees = match header.content_bytes {
            UNKNOWN_SIZE => "end mark",
            _ => "length",
        };
        return Ok((unpacked.bytes >= CONTENT_BYTES_MIN).then(|| {
            finding(Some(consumed), Checked::Agrees(agrees))
                .with_detail(format!("{} bytes of content", unpacked.bytes))
        }));
    }
    Ok((unpacked.bytes >= PROOF_BYTES).then(|| {
        let checked = match consumed >= place.left_bytes() {
            true => Checked::Cut,
            false => Checked::Damaged {
                after_bytes: unpacked.bytes,
            },
        };
        finding(None, checked)
    }))
}

impl Header {
    /// How much may be unpacked. The decoder's dictionary grows with the content up to its size.
    fn dictionary_bytes_max(&self) -> u64 {
        match u64::from(self.dictionary_bytes) > DICTIONARY_BYTES_MAX {
            true => DICTIONARY_BYTES_MAX,
            false => UNKNOWN_SIZE,
        }
    }
}

fn header(place: &Place<'_>) -> Look<Option<Header>> {
    let Some(bytes) = place.array::<{ HEADER_BYTES + 5 }>(0)? else {
        return Ok(None);
    };
    let fields = Fields::little(&bytes);
    let dictionary_bytes = fields.u32(1);
    let content_bytes = fields.u64(5);
    let sized =
        content_bytes == UNKNOWN_SIZE || (CONTENT_BYTES_MIN..1 << 32).contains(&content_bytes);
    // The packed content begins with a zero, and then with four bytes that are not all zero: that
    // would be content of nothing but zeros which was not packed.
    let code = bytes.get(HEADER_BYTES..).unwrap_or_default();
    let begins = code.first() == Some(&0) && code.iter().any(|byte| *byte != 0);
    if !is_usual(dictionary_bytes) || !sized || !begins {
        return Ok(None);
    }
    Ok(Some(Header {
        properties: fields.u8(0),
        dictionary_bytes,
        content_bytes,
    }))
}

/// Sizes that encoders use: 2^n or 2^n + 2^(n-1), and the largest number.
fn is_usual(dictionary_bytes: u32) -> bool {
    let top = dictionary_bytes
        .checked_ilog2()
        .map_or(0, |log| 1_u32 << log);
    let rest = dictionary_bytes - top;
    dictionary_bytes == u32::MAX || (top >= 1 << 16 && (rest == 0 || rest == top / 2))
}

/// Unpacks, and says where the packed bytes ended.
fn content(place: &Place<'_>, header: &Header, unpacked: &mut Unpacked) -> Look<u64> {
    place.budget.spend(START_COST)?;
    let stream = place.stream(HEADER_BYTES as u64, u64::MAX);
    let decoder = LzmaReader::new_with_props(
        stream,
        header.content_bytes,
        header.properties,
        header.dictionary_bytes,
        None,
    );
    let Ok(mut decoder) = decoder else {
        return place.stopped().map(|()| 0);
    };
    decoder.set_relaxed_end_condition(false);
    decoder.set_defer_errors(true);
    let mut bounded = decoder.take(header.dictionary_bytes_max());
    place.unpack(&mut bounded, BYTE_COST, unpacked)?;
    let (stream, unused) = bounded.into_inner().into_parts();
    Ok(stream.position() - unused.len() as u64)
}
