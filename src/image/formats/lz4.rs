//! LZ4 frames, LZ4 Frame Format Description 1.6.4.

use lz4_flex::frame::FrameDecoder;
use twox_hash::XxHash32;

use super::place::{Fields, Look, Place, Stop, Unpacked};
use super::{Checked, Finding, Format};

const MAGIC_BYTES: usize = 4;
const VERSION: u8 = 0b0100_0000;
const VERSION_MASK: u8 = 0b1100_0000;
const HAS_BLOCK_CHECKSUMS: u8 = 1 << 4;
const HAS_CONTENT_SIZE: u8 = 1 << 3;
const HAS_CONTENT_CHECKSUM: u8 = 1 << 2;
const HAS_DICTIONARY: u8 = 1;
const RESERVED: u8 = 1 << 1;
const UNPACKED: u32 = 1 << 31;
/// What unpacking a byte costs, and setting up a decoder with blocks of up to 4 MiB.
const BYTE_COST: u64 = 2;
const START_COST: u64 = 16 << 10;

struct Header {
    size_bytes: u64,
    flags: u8,
    block_bytes_max: u32,
}

impl Header {
    fn has(&self, flag: u8) -> bool {
        self.flags & flag != 0
    }
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    let finding = |size, checked| Some(Finding::new(place.offset, Format::Lz4, size, checked));
    let size_bytes = match blocks(place, &header)? {
        Ok(size_bytes) => size_bytes,
        Err(checked) => return Ok(finding(None, checked)),
    };
    if header.has(HAS_DICTIONARY) {
        let checked = Checked::HeaderOnly("needs a dictionary to be unpacked");
        return Ok(finding(Some(size_bytes), checked));
    }
    Ok(match content(place, &header, size_bytes) {
        Err(Stop::Spent) => finding(Some(size_bytes), Checked::TOO_LONG),
        content => {
            let (checked, bytes) = content?;
            finding(Some(size_bytes), checked)
                .map(|found| found.with_detail(format!("{bytes} bytes of content")))
        }
    })
}

/// Reads the header, whose last byte is a checksum of the rest.
fn header(place: &Place<'_>) -> Look<Option<Header>> {
    let Some([flags, block]) = place.array::<2>(MAGIC_BYTES as u64)? else {
        return Ok(None);
    };
    let size_code = block >> 4;
    let reserved = flags & RESERVED != 0 || block & 0x0F != 0;
    if flags & VERSION_MASK != VERSION || reserved || !(4..=7).contains(&size_code) {
        return Ok(None);
    }
    let mut length = 2;
    if flags & HAS_CONTENT_SIZE != 0 {
        length += 8;
    }
    if flags & HAS_DICTIONARY != 0 {
        length += 4;
    }
    let mut bytes = [0; 15];
    let bytes = bytes.get_mut(..=length).unwrap_or_default();
    if !place.read(MAGIC_BYTES as u64, bytes)? {
        return Ok(None);
    }
    let Some((checksum, described)) = bytes.split_last() else {
        return Ok(None);
    };
    if (XxHash32::oneshot(0, described) >> 8) as u8 != *checksum {
        return Ok(None);
    }
    Ok(Some(Header {
        size_bytes: (MAGIC_BYTES + length + 1) as u64,
        flags,
        block_bytes_max: 1 << (8 + 2 * size_code),
    }))
}

/// Follows the blocks by their sizes to the end of the frame, and gives its size.
fn blocks(place: &Place<'_>, header: &Header) -> Look<Result<u64, Checked>> {
    let mut stream = place.stream(header.size_bytes, u64::MAX);
    loop {
        let at = stream.position();
        let Some(size) = stream.array::<4>()? else {
            return Ok(Err(Checked::Cut));
        };
        let size = Fields::little(&size).u32(0);
        if size == 0 {
            break;
        }
        let bytes = size & !UNPACKED;
        if bytes > header.block_bytes_max {
            return Ok(Err(Checked::Disagrees {
                what: "blocks",
                wanted: format!("at most {} bytes", header.block_bytes_max),
                found: format!("{bytes} at {at:X}h"),
            }));
        }
        let checksum = if header.has(HAS_BLOCK_CHECKSUMS) {
            4
        } else {
            0
        };
        let next = stream.position() + u64::from(bytes) + checksum;
        if next > place.left_bytes() {
            return Ok(Err(Checked::Cut));
        }
        stream.seek(next);
    }
    if header.has(HAS_CONTENT_CHECKSUM) && stream.array::<4>()?.is_none() {
        return Ok(Err(Checked::Cut));
    }
    Ok(Ok(stream.position()))
}

/// Unpacks the frame; its decoder holds all checksums that there are against the content.
fn content(place: &Place<'_>, header: &Header, size_bytes: u64) -> Look<(Checked, u64)> {
    place.budget.spend(START_COST)?;
    let mut decoder = FrameDecoder::new(place.stream(0, size_bytes));
    let mut unpacked = Unpacked::default();
    place.unpack(&mut decoder, BYTE_COST, &mut unpacked)?;
    let checked = if !unpacked.whole {
        Checked::Damaged {
            after_bytes: unpacked.bytes,
        }
    } else if header.has(HAS_CONTENT_CHECKSUM) {
        Checked::Agrees("content checksum")
    } else if header.has(HAS_BLOCK_CHECKSUMS) {
        Checked::Agrees("block checksums")
    } else if header.has(HAS_CONTENT_SIZE) {
        Checked::Agrees("length")
    } else {
        Checked::HeaderOnly("can be unpacked; carries no checksum")
    };
    Ok((checked, unpacked.bytes))
}
