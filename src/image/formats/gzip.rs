//! gzip members, RFC 1952.

use flate2::{Decompress, FlushDecompress, Status};

use super::place::{Fields, Look, Place, Stop, Stream, hex32};
use super::{Checked, Finding, Format};

/// Bytes of the header without the optional fields.
const HEADER_BYTES: usize = 10;
const HAS_HEADER_CRC: u8 = 1 << 1;
const HAS_EXTRA: u8 = 1 << 2;
const HAS_NAME: u8 = 1 << 3;
const HAS_COMMENT: u8 = 1 << 4;
const RESERVED: u8 = 0xE0;
/// The systems that RFC 1952 has a number for end here; 255 is unknown.
const SYSTEM_MAX: u8 = 13;
/// A name or comment that is longer is taken for noise.
const TEXT_BYTES_MAX: usize = 1024;
/// Unpacked bytes that random ones do not come to: a stream that fails later was a stream. Of random
/// bytes behind a header, 2 in 100 unpack to 1024 bytes and none in 5000 to 4096; nearly none begins
/// with a block of its own codes, or with one that is stored.
const PROOF_BYTES: u64 = 4096;
const PROOF_BYTES_OF_OTHERS: u64 = 64;
const FIXED_CODES: u8 = 1;
/// Setting up a decoder, and a byte unpacked by it, in bytes hashed.
const START_COST: u64 = 16 << 10;
const BYTE_COST: u64 = 4;

/// What stands before the packed content.
struct Header {
    size_bytes: u64,
    name: String,
}

/// What unpacking came to.
struct Unpacked {
    ended: bool,
    packed_bytes: u64,
    content_bytes: u64,
    crc: u32,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    place.budget.spend(START_COST)?;
    let mut unpacked = Unpacked {
        ended: false,
        packed_bytes: 0,
        content_bytes: 0,
        crc: 0,
    };
    let outcome = unpack(place, header.size_bytes, &mut unpacked);
    let first = place.array::<1>(header.size_bytes)?.unwrap_or_default();
    let proof_bytes = match first[0] >> 1 & 3 {
        FIXED_CODES => PROOF_BYTES,
        _ => PROOF_BYTES_OF_OTHERS,
    };
    let proven = unpacked.content_bytes >= proof_bytes;
    match outcome {
        Err(Stop::Spent) if proven => {
            return Ok(Some(finding(place, &header, None, Checked::TOO_LONG)));
        }
        outcome => outcome?,
    }
    if !unpacked.ended {
        let at_end = header.size_bytes + unpacked.packed_bytes >= place.left_bytes();
        let checked = match at_end {
            true => Checked::Cut,
            false => Checked::Damaged {
                after_bytes: unpacked.content_bytes,
            },
        };
        return Ok(proven.then(|| finding(place, &header, None, checked)));
    }
    judge(place, &header, &unpacked, proven)
}

/// Holds the trailer against what was unpacked. One of its two numbers must fit, or the stream must
/// be longer than chance would have it.
fn judge(
    place: &Place<'_>,
    header: &Header,
    unpacked: &Unpacked,
    proven: bool,
) -> Look<Option<Finding>> {
    let trailer_at = header.size_bytes + unpacked.packed_bytes;
    let Some(trailer) = place.array::<8>(trailer_at)? else {
        return Ok(proven.then(|| finding(place, header, None, Checked::Cut)));
    };
    let fields = Fields::little(&trailer);
    // Lengths count modulo 2^32, RFC 1952, 2.3.1.
    let length = unpacked.content_bytes as u32;
    let (crc_fits, length_fits) = (fields.u32(0) == unpacked.crc, fields.u32(4) == length);
    let checked = match (crc_fits, length_fits) {
        (true, true) => Checked::Agrees("length and CRC-32"),
        (false, false) if !proven => return Ok(None),
        (false, _) => Checked::Disagrees {
            what: "CRC-32",
            wanted: hex32(fields.u32(0)),
            found: hex32(unpacked.crc),
        },
        (true, false) => Checked::Disagrees {
            what: "length",
            wanted: format!("{} bytes", fields.u32(4)),
            found: format!("{length} bytes"),
        },
    };
    let size_bytes = trailer_at + trailer.len() as u64;
    let detail = format!("{} bytes of content", unpacked.content_bytes);
    let mut found = finding(place, header, Some(size_bytes), checked);
    found.detail = match found.detail.as_str() {
        "" => detail,
        name => format!("{name}, {detail}"),
    };
    Ok(Some(found))
}

fn finding(place: &Place<'_>, header: &Header, size: Option<u64>, checked: Checked) -> Finding {
    Finding::new(place.offset, Format::Gzip, size, checked).with_detail(header.name.clone())
}

/// Reads the header, optional fields and all; `None` for what RFC 1952 does not allow.
fn header(place: &Place<'_>) -> Look<Option<Header>> {
    let Some(fixed) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let (flags, extra_flags, system) = (fixed[3], fixed[8], fixed[9]);
    let known = system <= SYSTEM_MAX || system == u8::MAX;
    if flags & RESERVED != 0 || !matches!(extra_flags, 0 | 2 | 4) || !known {
        return Ok(None);
    }
    let mut stream = place.stream(HEADER_BYTES as u64, u64::MAX);
    let mut crc = crc32fast::Hasher::new();
    crc.update(&fixed);
    if flags & HAS_EXTRA != 0 {
        let Some(length) = stream.array::<2>()? else {
            return Ok(None);
        };
        crc.update(&length);
        if !skip(&mut stream, u16::from_le_bytes(length).into(), &mut crc)? {
            return Ok(None);
        }
    }
    let mut name = String::new();
    for flag in [HAS_NAME, HAS_COMMENT] {
        if flags & flag == 0 {
            continue;
        }
        let Some(text) = text(&mut stream, &mut crc)? else {
            return Ok(None);
        };
        if flag == HAS_NAME {
            name = shown(&text);
        }
    }
    if flags & HAS_HEADER_CRC != 0 {
        let wanted = (crc.finalize() as u16).to_le_bytes();
        if stream.array::<2>()? != Some(wanted) {
            return Ok(None);
        }
    }
    let size_bytes = stream.position();
    Ok(Some(Header { size_bytes, name }))
}

fn skip(stream: &mut Stream<'_>, length: usize, crc: &mut crc32fast::Hasher) -> Look<bool> {
    for _ in 0..length {
        let Some(byte) = stream.array::<1>()? else {
            return Ok(false);
        };
        crc.update(&byte);
    }
    Ok(true)
}

/// A text that ends with a zero.
fn text(stream: &mut Stream<'_>, crc: &mut crc32fast::Hasher) -> Look<Option<Vec<u8>>> {
    let mut text = Vec::new();
    while text.len() < TEXT_BYTES_MAX {
        let Some(byte) = stream.array::<1>()? else {
            return Ok(None);
        };
        crc.update(&byte);
        if byte == [0] {
            return Ok(Some(text));
        }
        text.extend(byte);
    }
    Ok(None)
}

/// A short name in plain letters; others are not shown.
fn shown(name: &[u8]) -> String {
    let plain = name.len() <= 40 && name.iter().all(u8::is_ascii_graphic);
    String::from_utf8_lossy(if plain { name } else { &[] }).into_owned()
}

/// Unpacks until the stream ends, breaks, or the image is at its end.
fn unpack(place: &Place<'_>, from: u64, unpacked: &mut Unpacked) -> Look<()> {
    let mut stream = place.stream(from, u64::MAX);
    let mut decoder = Decompress::new(false);
    let mut crc = crc32fast::Hasher::new();
    let mut content = vec![0; 32 << 10];
    loop {
        let input = stream.fill()?;
        let before = (decoder.total_in(), decoder.total_out());
        let status = decoder.decompress(input, &mut content, FlushDecompress::None);
        let taken = (decoder.total_in() - before.0) as usize;
        let made = (decoder.total_out() - before.1) as usize;
        stream.consume(taken);
        crc.update(content.get(..made).unwrap_or_default());
        unpacked.content_bytes += made as u64;
        unpacked.packed_bytes += taken as u64;
        match status {
            Ok(Status::StreamEnd) => {
                unpacked.ended = true;
                unpacked.crc = crc.finalize();
                return Ok(());
            }
            Err(_) => return Ok(()),
            Ok(_) if taken == 0 && made == 0 => return Ok(()),
            Ok(_) => place.budget.spend(made as u64 * BYTE_COST + 1)?,
        }
    }
}
