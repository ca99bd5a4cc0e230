//! xz streams, The .xz File Format 1.2.1.
//!
//! The blocks are followed by the sizes that their LZMA2 chunks have, so that header, index and footer
//! are compared whether or not the content is unpacked.

use lzma_rust2::XzReader;

use super::place::{Fields, Look, Place, Stop, Stream, Unpacked, hex32};
use super::{Checked, DICTIONARY_BYTES_MAX, Finding, Format, lzma};

const HEADER_BYTES: usize = 12;
const FOOTER_MAGIC: [u8; 2] = *b"YZ";
const LZMA2: u64 = 0x21;
/// The longest number, in bytes.
const NUMBER_BYTES_MAX: u32 = 9;

/// What the walk has come to know.
struct Walk {
    check: Check,
    /// Of all blocks' sizes, as the index has them.
    sizes: crc32fast::Hasher,
    blocks: u64,
    dictionary_bytes: u64,
    content_bytes: u64,
}

#[derive(Clone, Copy)]
struct Check {
    flags: [u8; 2],
    bytes: u64,
    agrees: &'static str,
}

/// Ends a walk: what stands against the stream.
enum Ill {
    Checked(Checked),
    Stop(Stop),
}

impl From<Stop> for Ill {
    fn from(stop: Stop) -> Self {
        Self::Stop(stop)
    }
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let finding = |size, checked| Some(Finding::new(place.offset, Format::Xz, size, checked));
    let fields = Fields::little(&header);
    let flags = [fields.u8(6), fields.u8(7)];
    let (wanted, found) = (fields.u32(8), crc32fast::hash(&flags));
    let header_fits = wanted == found;
    let Some(check) = check(flags) else {
        let unknown = Checked::HeaderOnly("its check is not known here");
        return Ok(finding(None, unknown).filter(|_| header_fits));
    };
    let mut walk = Walk {
        check,
        sizes: crc32fast::Hasher::new(),
        blocks: 0,
        dictionary_bytes: 0,
        content_bytes: 0,
    };
    let size_bytes = match walk.follow(place) {
        Ok(size_bytes) => size_bytes,
        // Programs hold the magic number too.
        Err(Ill::Checked(_)) if !header_fits => return Ok(None),
        Err(Ill::Checked(checked)) => return Ok(finding(None, checked)),
        Err(Ill::Stop(Stop::Spent)) if header_fits => return Ok(finding(None, Checked::TOO_MUCH)),
        Err(Ill::Stop(stop)) => return Err(stop),
    };
    if !header_fits {
        let checked = differs("header CRC-32", wanted, found);
        return Ok(finding(Some(size_bytes), checked));
    }
    let checked = match walk.content(place, size_bytes) {
        Err(Stop::Spent) => Checked::TOO_LONG,
        checked => checked?,
    };
    let detail = format!("{} bytes of content", walk.content_bytes);
    Ok(finding(Some(size_bytes), checked).map(|found| found.with_detail(detail)))
}

/// Checks of section 2.1.1.2 that decoders know.
fn check(flags: [u8; 2]) -> Option<Check> {
    let (bytes, agrees) = match flags {
        [0, 0] => (0, "header and index"),
        [0, 1] => (4, "index and CRC-32"),
        [0, 4] => (8, "index and CRC-64"),
        [0, 10] => (32, "index and SHA-256"),
        _ => return None,
    };
    Some(Check {
        flags,
        bytes,
        agrees,
    })
}

fn differs(what: &'static str, wanted: u32, found: u32) -> Checked {
    Checked::Disagrees {
        what,
        wanted: hex32(wanted),
        found: hex32(found),
    }
}

fn fault(what: &'static str, at: u64) -> Ill {
    Ill::Checked(Checked::Disagrees {
        what,
        wanted: "as specified".into(),
        found: format!("a fault at {at:X}h"),
    })
}

fn array<const N: usize>(stream: &mut Stream<'_>) -> Result<[u8; N], Ill> {
    stream.array()?.ok_or(Ill::Checked(Checked::Cut))
}

impl Walk {
    /// Goes through blocks, index and footer, and gives the stream's size.
    fn follow(&mut self, place: &Place<'_>) -> Result<u64, Ill> {
        let mut stream = place.stream(HEADER_BYTES as u64, u64::MAX);
        loop {
            let at = stream.position();
            match array(&mut stream)? {
                [0] => return self.index(&mut stream, at),
                [size] => self.block(&mut stream, at, size)?,
            }
            if stream.position() > place.left_bytes() {
                return Err(Ill::Checked(Checked::Cut));
            }
        }
    }

    /// One block, whose header begins at `at` with the byte `size`.
    fn block(&mut self, stream: &mut Stream<'_>, at: u64, size: u8) -> Result<(), Ill> {
        let header_bytes = (u64::from(size) + 1) * 4;
        let mut header = vec![size];
        while (header.len() as u64) < header_bytes {
            header.extend(array::<1>(stream)?);
        }
        let (described, crc) = header.split_at(header.len() - 4);
        let (wanted, found) = (Fields::little(crc).u32(0), crc32fast::hash(described));
        if wanted != found {
            return Err(Ill::Checked(differs("block header CRC-32", wanted, found)));
        }
        if !self.filters(described) {
            let unknown = Checked::HeaderOnly("its filters are not known here");
            return Err(Ill::Checked(unknown));
        }
        let content_bytes = chunks(stream)?;
        let unpadded_bytes = stream.position() - at + self.check.bytes;
        while (stream.position() - at) % 4 != 0 {
            if array(stream)? != [0] {
                return Err(fault("block padding", stream.position()));
            }
        }
        stream.seek(stream.position() + self.check.bytes);
        self.blocks += 1;
        self.content_bytes += content_bytes;
        self.sizes.update(&unpadded_bytes.to_le_bytes());
        self.sizes.update(&content_bytes.to_le_bytes());
        Ok(())
    }

    /// Reads a block header's filters, of which the last must be LZMA2.
    fn filters(&mut self, header: &[u8]) -> bool {
        let mut rest = header.iter().skip(1).copied();
        let Some(flags) = rest.next() else {
            return false;
        };
        for flag in [0x40, 0x80] {
            if flags & flag != 0 && number(&mut rest).is_none() {
                return false;
            }
        }
        for filter in 0..=flags & 3 {
            let (Some(id), Some(length)) = (number(&mut rest), number(&mut rest)) else {
                return false;
            };
            let last = filter == flags & 3;
            if last != (id == LZMA2) || length > header.len() as u64 {
                return false;
            }
            let Some(first) = rest.next().filter(|_| length == 1 || !last) else {
                return false;
            };
            if last {
                self.dictionary_bytes = self.dictionary_bytes.max(dictionary_bytes(first));
            } else {
                rest.by_ref().take(length as usize - 1).for_each(drop);
            }
        }
        true
    }

    /// The index names the sizes of all blocks, and the footer the size of the index.
    fn index(&mut self, stream: &mut Stream<'_>, at: u64) -> Result<u64, Ill> {
        let mut crc = crc32fast::Hasher::new();
        crc.update(&[0]);
        let mut next = || -> Result<u64, Ill> {
            let (mut value, mut shift) = (0_u64, 0);
            loop {
                let [byte] = array(stream)?;
                crc.update(&[byte]);
                value |= u64::from(byte & 0x7F) << shift;
                shift += 7;
                if byte & 0x80 == 0 {
                    return Ok(value);
                }
                if shift >= 7 * NUMBER_BYTES_MAX {
                    return Err(fault("index", stream.position()));
                }
            }
        };
        let records = next()?;
        if records != self.blocks {
            return Err(Ill::Checked(Checked::Disagrees {
                what: "blocks by the index",
                wanted: records.to_string(),
                found: self.blocks.to_string(),
            }));
        }
        let mut sizes = crc32fast::Hasher::new();
        for _ in 0..records * 2 {
            sizes.update(&next()?.to_le_bytes());
        }
        if sizes.finalize() != std::mem::take(&mut self.sizes).finalize() {
            return Err(fault("sizes of blocks", at));
        }
        while (stream.position() - at) % 4 != 0 {
            let padding = array::<1>(stream)?;
            crc.update(&padding);
        }
        let (wanted, found) = (u32::from_le_bytes(array(stream)?), crc.finalize());
        if wanted != found {
            return Err(Ill::Checked(differs("index CRC-32", wanted, found)));
        }
        self.footer(stream, stream.position() - at)
    }

    fn footer(&self, stream: &mut Stream<'_>, index_bytes: u64) -> Result<u64, Ill> {
        let footer = array::<12>(stream)?;
        let fields = Fields::little(&footer);
        let described = footer.get(4..10).unwrap_or_default();
        let (wanted, found) = (fields.u32(0), crc32fast::hash(described));
        if wanted != found {
            return Err(Ill::Checked(differs("footer CRC-32", wanted, found)));
        }
        let backward = (u64::from(fields.u32(4)) + 1) * 4;
        let ends = footer.ends_with(&FOOTER_MAGIC);
        let flags = [fields.u8(8), fields.u8(9)];
        if backward != index_bytes || flags != self.check.flags || !ends {
            return Err(fault("footer", stream.position() - 12));
        }
        Ok(stream.position())
    }

    /// Unpacks the whole; the decoder compares the blocks' checks.
    fn content(&self, place: &Place<'_>, size_bytes: u64) -> Look<Checked> {
        // The decoder's dictionary grows with the content, and is never longer.
        if self.dictionary_bytes.min(self.content_bytes) > DICTIONARY_BYTES_MAX {
            return Ok(Checked::HeaderOnly(
                "index agrees; too much memory to unpack",
            ));
        }
        place.budget.spend(lzma::START_COST)?;
        let mut decoder = XzReader::new(place.stream(0, size_bytes), false);
        let mut unpacked = Unpacked::default();
        place.unpack(&mut decoder, lzma::BYTE_COST, &mut unpacked)?;
        Ok(match unpacked.whole {
            true => Checked::Agrees(self.check.agrees),
            false => Checked::Damaged {
                after_bytes: unpacked.bytes,
            },
        })
    }
}

/// Follows LZMA2 chunks to their end, and gives the bytes that they unpack to.
fn chunks(stream: &mut Stream<'_>) -> Result<u64, Ill> {
    let mut content_bytes = 0;
    loop {
        let at = stream.position();
        let [control] = array(stream)?;
        let skipped = match control {
            0 => return Ok(content_bytes),
            1 | 2 => {
                let size = u64::from(u16::from_be_bytes(array(stream)?)) + 1;
                content_bytes += size;
                size
            }
            0x80.. => {
                let unpacked = u64::from(u16::from_be_bytes(array(stream)?));
                let packed = u64::from(u16::from_be_bytes(array(stream)?)) + 1;
                content_bytes += (u64::from(control & 0x1F) << 16 | unpacked) + 1;
                packed + u64::from(control >= 0xC0)
            }
            _ => return Err(fault("blocks", at)),
        };
        stream.seek(stream.position() + skipped);
    }
}

/// A number of section 1.2: seven bits a byte, the lowest first.
fn number(bytes: &mut impl Iterator<Item = u8>) -> Option<u64> {
    let mut value = 0;
    for index in 0..NUMBER_BYTES_MAX {
        let byte = bytes.next()?;
        value |= u64::from(byte & 0x7F) << (7 * index);
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// The dictionary that a byte of LZMA2's properties asks for, section 5.3.1.
fn dictionary_bytes(code: u8) -> u64 {
    match code {
        0..40 => (2 | u64::from(code & 1)) << (code / 2 + 11),
        _ => u64::MAX,
    }
}
