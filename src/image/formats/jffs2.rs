//! JFFS2: nodes one after the other, as in `include/uapi/linux/jffs2.h` of Linux.

use super::place::{Fields, Look, Place, Stop, Stream};
use super::{Checked, Finding, Format};

const MAGIC: u16 = 0x1985;
const HEADER_BYTES: u64 = 12;
/// Cleared when a node is no longer valid; the header's checksum is of the node as it was.
const IS_ACCURATE: u16 = 0x2000;
const NAME: u16 = 0xE001;
const DATA: u16 = 0xE002;
/// Clean marker, padding, summary, extended attribute, reference to one.
const OTHERS: [u16; 5] = [0x2003, 0x2004, 0x2006, 0xE008, 0xE009];
/// What a node has before its name or data, and how much of that its own checksum covers.
const NAME_BYTES: usize = 40;
const DATA_BYTES: usize = 68;
const UNCOVERED_BYTES: usize = 8;
/// The largest erase block: blank bytes within a file system are no more than the rest of one.
const GAP_BYTES_MAX: u64 = 256 << 10;

/// The magic numbers and types of nodes, as they are met in an image.
pub(super) static MAGICS: [[u8; 4]; 14] = {
    let types = [
        NAME, DATA, OTHERS[0], OTHERS[1], OTHERS[2], OTHERS[3], OTHERS[4],
    ];
    let mut magics = [[0; 4]; 14];
    let mut index = 0;
    while index < types.len() {
        let [high, low] = types[index].to_be_bytes();
        magics[2 * index] = [0x19, 0x85, high, low];
        magics[2 * index + 1] = [0x85, 0x19, low, high];
        index += 1;
    }
    magics
};

/// What a run of nodes has come to.
#[derive(Default)]
struct Run {
    end: u64,
    nodes: u64,
    bad: u64,
    names: u64,
    data: u64,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(bytes) = place.array::<12>(0)? else {
        return Ok(None);
    };
    let mut fields = Fields::little(&bytes);
    fields.big_endian = fields.u16(0) != MAGIC;
    let big_endian = fields.big_endian;
    if node_bytes(&fields).is_none() {
        return Ok(None);
    }
    let mut run = Run::default();
    let outcome = run.follow(place, big_endian);
    let checked = match outcome {
        Err(Stop::Spent) if run.nodes > 0 => Checked::TOO_MUCH,
        Err(stop) => return Err(stop),
        Ok(()) if run.end > place.left_bytes() => Checked::Cut,
        Ok(()) if run.bad > 0 => Checked::Disagrees {
            what: "nodes with right checksums",
            wanted: run.nodes.to_string(),
            found: (run.nodes - run.bad).to_string(),
        },
        Ok(()) => Checked::Agrees("checksums"),
    };
    let order = if big_endian { "big" } else { "little" };
    let detail = format!(
        "{} nodes, {} of data, {} of names, {order} endian",
        run.nodes, run.data, run.names
    );
    let found = Finding::new(place.offset, Format::Jffs2, Some(run.end), checked);
    Ok(Some(found.with_detail(detail)))
}

/// How long the node is whose header this is; `None` where it is none.
fn node_bytes(fields: &Fields<'_>) -> Option<u64> {
    let accurate = fields.u16(2) | IS_ACCURATE;
    let known = [NAME, DATA].contains(&accurate) || OTHERS.contains(&accurate);
    if fields.u16(0) != MAGIC || !known {
        return None;
    }
    let mut covered = [0; 8];
    covered.copy_from_slice(fields.bytes.get(..8)?);
    let [high, low] = accurate.to_be_bytes();
    let (at_high, at_low) = if fields.big_endian { (2, 3) } else { (3, 2) };
    *covered.get_mut(at_high)? = high;
    *covered.get_mut(at_low)? = low;
    let length = u64::from(fields.u32(4));
    (crc(&covered) == fields.u32(8) && length >= HEADER_BYTES).then_some(length)
}

/// CRC-32 without the inversions at its start and end, as JFFS2 has it.
fn crc(bytes: &[u8]) -> u32 {
    let mut crc = crc32fast::Hasher::new_with_initial(u32::MAX);
    crc.update(bytes);
    !crc.finalize()
}

impl Run {
    fn follow(&mut self, place: &Place<'_>, big_endian: bool) -> Look<()> {
        let mut stream = place.stream(0, u64::MAX);
        loop {
            let at = stream.position();
            let Some(bytes) = stream.array::<12>()? else {
                return Ok(());
            };
            let fields = Fields {
                bytes: &bytes,
                big_endian,
            };
            if let Some(length) = node_bytes(&fields) {
                self.node(place, at, &fields, length)?;
                stream.seek(self.end);
                if self.end > place.left_bytes() {
                    return Ok(());
                }
                continue;
            }
            // A header that is damaged is one node; the run goes on where the next one is.
            let damaged = fields.u16(0) == MAGIC;
            stream.seek(at);
            let Some(next) = next_node(&mut stream, big_endian, damaged)? else {
                return Ok(());
            };
            if damaged {
                self.nodes += 1;
                self.bad += 1;
            }
            stream.seek(next);
        }
    }

    fn node(&mut self, place: &Place<'_>, at: u64, fields: &Fields<'_>, length: u64) -> Look<()> {
        self.nodes += 1;
        self.end = (at + length).next_multiple_of(4);
        let sound = match fields.u16(2) | IS_ACCURATE {
            NAME => {
                self.names += 1;
                body::<NAME_BYTES>(place, at, fields.big_endian, length)?
            }
            DATA => {
                self.data += 1;
                body::<DATA_BYTES>(place, at, fields.big_endian, length)?
            }
            _ => true,
        };
        self.bad += u64::from(!sound);
        Ok(())
    }
}

/// The node's own checksum, and that of the name or data behind it.
fn body<const N: usize>(place: &Place<'_>, at: u64, big_endian: bool, length: u64) -> Look<bool> {
    let Some(bytes) = place.array::<N>(at)? else {
        return Ok(true);
    };
    let fields = Fields {
        bytes: &bytes,
        big_endian,
    };
    let (of_node, of_content, content_bytes): (_, _, u64) = match N {
        NAME_BYTES => (fields.u32(32), fields.u32(36), fields.u8(28).into()),
        _ => (fields.u32(64), fields.u32(60), fields.u32(48).into()),
    };
    let covered = bytes.get(..N - UNCOVERED_BYTES).unwrap_or_default();
    if crc(covered) != of_node || N as u64 + content_bytes > length {
        return Ok(false);
    }
    if at + length > place.left_bytes() {
        return Ok(true);
    }
    let mut crc = crc32fast::Hasher::new_with_initial(u32::MAX);
    let start = at + N as u64;
    let mut content = place.stream(start, start + content_bytes);
    content.each(|bytes| crc.update(bytes))?;
    Ok(!crc.finalize() == of_content)
}

/// Where the next node begins: behind blank bytes, or behind anything after a damaged header.
fn next_node(stream: &mut Stream<'_>, big_endian: bool, damaged: bool) -> Look<Option<u64>> {
    let start = stream.position();
    let mut at = start;
    while at - start <= GAP_BYTES_MAX {
        let Some(word) = stream.array::<4>()? else {
            return Ok(None);
        };
        let blank = word == [0xFF; 4];
        if !blank && (at > start || !damaged) {
            stream.seek(at);
            let Some(bytes) = stream.array::<12>()? else {
                return Ok(None);
            };
            let fields = Fields {
                bytes: &bytes,
                big_endian,
            };
            if node_bytes(&fields).is_some() {
                return Ok(Some(at));
            }
            if !damaged {
                return Ok(None);
            }
        }
        at += 4;
        stream.seek(at);
    }
    Ok(None)
}
