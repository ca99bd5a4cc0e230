//! Flattened devicetrees, Devicetree Specification 0.4, chapter 5.

use super::place::{Fields, Look, Place, Stop, Stream};
use super::{Checked, Finding, Format};

const HEADER_BYTES: usize = 40;
/// Versions that have all fields of the header; both can be read as version 16.
const VERSIONS: [u32; 2] = [16, 17];
const COMPATIBLE: u32 = 16;
/// Deeper trees are none that a loader would take.
const DEPTH_MAX: u32 = 64;

const BEGIN_NODE: u32 = 1;
const END_NODE: u32 = 2;
const PROPERTY: u32 = 3;
const NOP: u32 = 4;
const END: u32 = 9;

/// The header's fields, in bytes from the blob's start.
struct Header {
    total_bytes: u32,
    structure_at: u32,
    strings_at: u32,
    reserved_at: u32,
    version: u32,
    strings_bytes: u32,
    structure_bytes: Option<u32>,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    let total = u64::from(header.total_bytes);
    let mut nodes = 0;
    let checked = match total > place.left_bytes() {
        true => Checked::Cut,
        false => match check(place, &header, &mut nodes) {
            Err(Stop::Spent) => Checked::TOO_MUCH,
            checked => checked?,
        },
    };
    let mut detail = format!("version {}, {total} bytes", header.version);
    if matches!(checked, Checked::Agrees(_)) {
        detail.push_str(&format!(", {nodes} nodes"));
    }
    let found = Finding::new(place.offset, Format::Devicetree, Some(total), checked);
    Ok(Some(found.with_detail(detail)))
}

fn header(place: &Place<'_>) -> Look<Option<Header>> {
    let Some(bytes) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let fields = Fields::big(&bytes);
    let (version, compatible) = (fields.u32(20), fields.u32(24));
    let total_bytes = fields.u32(4);
    if !VERSIONS.contains(&version) || compatible != COMPATIBLE || total_bytes < 40 {
        return Ok(None);
    }
    Ok(Some(Header {
        total_bytes,
        structure_at: fields.u32(8),
        strings_at: fields.u32(12),
        reserved_at: fields.u32(16),
        version,
        strings_bytes: fields.u32(32),
        structure_bytes: (version >= 17).then(|| fields.u32(36)),
    }))
}

/// The blocks lie within the blob, and both lists end where they have to.
fn check(place: &Place<'_>, header: &Header, nodes: &mut u32) -> Look<Checked> {
    let total = u64::from(header.total_bytes);
    let within = |at: u32, bytes: u32| u64::from(at) + u64::from(bytes) <= total;
    let blocks = [
        (header.structure_at, header.structure_bytes.unwrap_or(4), 4),
        (header.strings_at, header.strings_bytes, 1),
        (header.reserved_at, 16, 8),
    ];
    for (at, bytes, alignment) in blocks {
        if at < 28 || at % alignment != 0 || !within(at, bytes) {
            return Ok(Checked::Disagrees {
                what: "blocks",
                wanted: format!("within {total} bytes"),
                found: format!("{bytes} bytes at {at}"),
            });
        }
    }
    if !reservations_end(place, header)? {
        return Ok(Checked::Disagrees {
            what: "memory reservations",
            wanted: "an end".into(),
            found: "none".into(),
        });
    }
    structure(place, header, nodes)
}

/// The list of memory reservations ends with one that is all zero.
fn reservations_end(place: &Place<'_>, header: &Header) -> Look<bool> {
    let mut stream = place.stream(header.reserved_at.into(), header.total_bytes.into());
    while let Some(entry) = stream.array::<16>()? {
        if entry == [0; 16] {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Walks through the structure block, token by token.
fn structure(place: &Place<'_>, header: &Header, nodes: &mut u32) -> Look<Checked> {
    let start = u64::from(header.structure_at);
    let end = match header.structure_bytes {
        Some(bytes) => start + u64::from(bytes),
        None => header.total_bytes.into(),
    };
    let mut stream = place.stream(start, end);
    let mut depth = 0_u32;
    loop {
        let at = stream.position();
        let Some(token) = stream.array::<4>()? else {
            return Ok(fault("no end", end));
        };
        let sound = match u32::from_be_bytes(token) {
            BEGIN_NODE if depth < DEPTH_MAX && (depth > 0 || *nodes == 0) => {
                depth += 1;
                *nodes += 1;
                name(&mut stream)?
            }
            END_NODE if depth > 0 => {
                depth -= 1;
                true
            }
            PROPERTY if depth > 0 => property(&mut stream, header.strings_bytes, end)?,
            NOP => true,
            END if depth == 0 && *nodes > 0 => {
                let ends = header.structure_bytes.is_none() || stream.position() == end;
                return Ok(match ends {
                    true => Checked::Agrees("length and structure"),
                    false => fault("an end", at),
                });
            }
            _ => false,
        };
        if !sound {
            let token = u32::from_be_bytes(token);
            return Ok(fault(&format!("token {token:X}h"), at));
        }
    }
}

fn fault(found: &str, at: u64) -> Checked {
    Checked::Disagrees {
        what: "structure block",
        wanted: "tokens as specified".into(),
        found: format!("{found} at {at:X}h"),
    }
}

/// A node's name: text with a zero at its end, filled up to a multiple of four.
fn name(stream: &mut Stream<'_>) -> Look<bool> {
    while let Some(bytes) = stream.array::<4>()? {
        let text = bytes.iter().take_while(|byte| **byte != 0);
        let length = text.clone().count();
        if !text.into_iter().all(u8::is_ascii_graphic) {
            return Ok(false);
        }
        if length < bytes.len() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// A property: length, place of its name among the strings, value.
fn property(stream: &mut Stream<'_>, strings_bytes: u32, end: u64) -> Look<bool> {
    let Some(bytes) = stream.array::<8>()? else {
        return Ok(false);
    };
    let fields = Fields::big(&bytes);
    let next = stream.position() + u64::from(fields.u32(0)).next_multiple_of(4);
    if fields.u32(4) >= strings_bytes || next > end {
        return Ok(false);
    }
    stream.seek(next);
    Ok(true)
}
