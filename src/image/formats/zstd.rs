//! Zstandard frames, RFC 8878.
//!
//! They are followed block by block, not unpacked: of the decoders in Rust that the oldest compiler
//! takes, none bounds what a hostile block may grow to.

use super::place::{Fields, Look, Place};
use super::{Checked, Finding, Format};

const MAGIC_BITS: u32 = 32;
const IS_SINGLE_SEGMENT: u8 = 1 << 5;
/// Two bits of the descriptor that have to be 0, RFC 8878, 3.1.1.1.1.
const UNUSED: u8 = 0b11 << 3;
const UNUSED_BITS: u32 = 2;
const HAS_CHECKSUM: u8 = 1 << 2;
const BLOCK_BYTES_MAX: u64 = 128 << 10;
const BLOCK_SIZE_BITS: u32 = 21;
/// The largest window that `--ultra` and `--long` ask for.
const WINDOW_LOG_MAX: u8 = 31;
/// Bits that are what they have to be, below which a frame is taken for chance.
const PROOF_BITS: u32 = 48;

struct Header {
    size_bytes: u64,
    has_checksum: bool,
    content_bytes: Option<u64>,
    /// How many bits the content's size takes.
    content_bits: u32,
    block_bytes_max: u64,
}

/// Where a frame ends by its blocks, and how much speaks for it.
struct Frame {
    size_bytes: u64,
    blocks: u64,
    bits: u32,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    let mut frame = Frame {
        size_bytes: 0,
        blocks: 0,
        bits: MAGIC_BITS + UNUSED_BITS,
    };
    let outcome = follow(place, &header, &mut frame)?;
    let finding = |size, checked| Finding::new(place.offset, Format::Zstd, size, checked);
    if let Some(checked) = outcome {
        let proven = frame.bits >= PROOF_BITS;
        return Ok(proven.then(|| finding(None, checked)));
    }
    if let Some(content) = header.content_bytes {
        let most = frame.blocks.saturating_mul(BLOCK_BYTES_MAX);
        if content > most {
            return Ok(None);
        }
        frame.bits += header.content_bits.saturating_sub(bits(most));
    }
    if frame.bits < PROOF_BITS && !place.is_blank_from(frame.size_bytes)? {
        return Ok(None);
    }
    let checked = Checked::HeaderOnly("its blocks lead to its end; not unpacked");
    let detail = match header.content_bytes {
        Some(content) => format!("{content} bytes of content, by its header"),
        None => String::new(),
    };
    Ok(Some(
        finding(Some(frame.size_bytes), checked).with_detail(detail),
    ))
}

fn header(place: &Place<'_>) -> Look<Option<Header>> {
    let mut stream = place.stream(4, 4 + 14);
    let Some([descriptor]) = stream.array()? else {
        return Ok(None);
    };
    let single = descriptor & IS_SINGLE_SEGMENT != 0;
    if descriptor & UNUSED != 0 {
        return Ok(None);
    }
    let mut window = u64::MAX;
    if !single {
        let Some([byte]) = stream.array::<1>()? else {
            return Ok(None);
        };
        let log = 10 + (byte >> 3);
        if log > WINDOW_LOG_MAX {
            return Ok(None);
        }
        window = (1 << log) + ((1_u64 << log) >> 3) * u64::from(byte & 7);
    }
    for _ in 0..[0, 1, 2, 4][usize::from(descriptor & 3)] {
        stream.array::<1>()?;
    }
    let content_width = match descriptor >> 6 {
        0 => usize::from(single),
        code => 1 << code,
    };
    let mut content = [0; 8];
    for byte in content.iter_mut().take(content_width) {
        let Some([next]) = stream.array()? else {
            return Ok(None);
        };
        *byte = next;
    }
    // A size of two bytes begins to count at 256, RFC 8878, 3.1.1.1.4.
    let content = u64::from_le_bytes(content) + if content_width == 2 { 256 } else { 0 };
    let content_bytes = (content_width > 0).then_some(content);
    if single {
        window = content;
    }
    Ok(Some(Header {
        size_bytes: stream.position(),
        has_checksum: descriptor & HAS_CHECKSUM != 0,
        content_bytes,
        content_bits: 8 * content_width as u32,
        block_bytes_max: window.min(BLOCK_BYTES_MAX),
    }))
}

/// Follows the blocks by their sizes; gives what is wrong, where that is so.
fn follow(place: &Place<'_>, header: &Header, frame: &mut Frame) -> Look<Option<Checked>> {
    let mut stream = place.stream(header.size_bytes, u64::MAX);
    // A packed block is smaller than its content, a block of no content is a raw one.
    let most = header
        .content_bytes
        .unwrap_or(u64::MAX)
        .min(header.block_bytes_max);
    loop {
        let at = stream.position();
        let Some([low, middle, high]) = stream.array()? else {
            return Ok(Some(Checked::Cut));
        };
        let fields = [low, middle, high, 0];
        let word = Fields::little(&fields).u32(0);
        let (last, kind, size) = (word & 1 == 1, word >> 1 & 3, u64::from(word >> 3));
        if kind == 3 || size > most {
            return Ok(Some(Checked::Disagrees {
                what: "blocks",
                wanted: format!("at most {most} bytes"),
                found: format!("kind {kind}, {size} bytes at {at:X}h"),
            }));
        }
        let stored = if kind == 1 { 1 } else { size };
        let end = if last && header.has_checksum { 4 } else { 0 };
        let next = stream.position() + stored + end;
        if next > place.left_bytes() {
            return Ok(Some(Checked::Cut));
        }
        frame.blocks += 1;
        frame.bits = frame.bits.saturating_add(BLOCK_SIZE_BITS - bits(most));
        stream.seek(next);
        if last {
            frame.size_bytes = next;
            return Ok(None);
        }
    }
}

/// How many bits it takes to write a number down.
fn bits(number: u64) -> u32 {
    u64::BITS - number.leading_zeros()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::formats::find;

    /// A frame of stored blocks, RFC 8878, 3.1.1.2: no checksum, a window of 64 KiB.
    fn frame(blocks: usize) -> Vec<u8> {
        let mut frame = vec![0x28, 0xB5, 0x2F, 0xFD, 0, 0x30];
        for index in 1..=blocks {
            let last = u32::from(index == blocks);
            frame.extend(&(1000_u32 << 3 | last).to_le_bytes()[..3]);
            frame.extend([0x55; 1000]);
        }
        frame
    }

    fn checked(frame: &[u8], after: u8) -> Vec<(Option<u64>, Checked)> {
        let image = [frame, &[after; 100]].concat();
        let listed = find(&image).unwrap().listed;
        let parts = listed.into_iter().map(|one| (one.size_bytes, one.checked));
        parts.collect()
    }

    #[test]
    fn blocks_lead_to_the_end_and_a_damaged_one_is_told() {
        let mut frame = frame(9);
        let size_bytes = Some(frame.len() as u64);
        let whole = Checked::HeaderOnly("its blocks lead to its end; not unpacked");
        assert_eq!(checked(&frame, 7), [(size_bytes, whole)]);
        let eighth = 6 + 7 * 1003;
        frame[eighth] |= 0b110;
        let listed = checked(&frame, 7);
        assert!(
            matches!(listed[..], [(None, Checked::Disagrees { .. })]),
            "{listed:?}"
        );
        let cut = find(&frame[..eighth].to_vec()).unwrap().listed;
        assert_eq!(cut[0].checked, Checked::Cut);
    }

    #[test]
    fn few_bits_are_believed_only_before_the_blank() {
        let frame = frame(1);
        assert_eq!(checked(&frame, 7), []);
        assert_eq!(checked(&frame, 0xFF).len(), 1);
    }
}
