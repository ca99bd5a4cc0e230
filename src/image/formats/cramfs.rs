//! cramfs, as in `include/uapi/linux/cramfs_fs.h` of Linux.

use super::place::{Fields, Look, Place, Stop, hex32};
use super::{Checked, Finding, Format};

const HEADER_BYTES: usize = 76;
const MAGIC: u32 = 0x28CD_3D45;
const CRC_AT: u64 = 32;
/// The superblock has size and CRC-32 of the whole.
const IS_VERSION_2: u32 = 1;
/// Flags that a reader of this version knows.
const FLAGS: u32 = 0xFFF;

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(bytes) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let mut fields = Fields::little(&bytes);
    fields.big_endian = fields.u32(0) != MAGIC;
    let flags = fields.u32(8);
    if fields.u32(0) != MAGIC || flags & !FLAGS != 0 {
        return Ok(None);
    }
    let finding = |size, checked| Some(Finding::new(place.offset, Format::Cramfs, size, checked));
    if flags & IS_VERSION_2 == 0 {
        return Ok(finding(
            None,
            Checked::HeaderOnly("of a version without CRC-32"),
        ));
    }
    let size_bytes = u64::from(fields.u32(4));
    if size_bytes < HEADER_BYTES as u64 {
        return Ok(None);
    }
    let checked = match size_bytes > place.left_bytes() {
        true => Checked::Cut,
        false => match crc(place, size_bytes) {
            Err(Stop::Spent) => Checked::TOO_MUCH,
            found => compare(fields.u32(CRC_AT as usize), found?),
        },
    };
    let detail = format!("{size_bytes} bytes, {} files", fields.u32(44));
    Ok(finding(Some(size_bytes), checked).map(|found| found.with_detail(detail)))
}

fn compare(wanted: u32, found: u32) -> Checked {
    match wanted == found {
        true => Checked::Agrees("CRC-32"),
        false => Checked::Disagrees {
            what: "CRC-32",
            wanted: hex32(wanted),
            found: hex32(found),
        },
    }
}

/// Of the whole, with zeros in its own place.
fn crc(place: &Place<'_>, size_bytes: u64) -> Look<u32> {
    let mut crc = crc32fast::Hasher::new();
    place.stream(0, CRC_AT).each(|bytes| crc.update(bytes))?;
    crc.update(&[0; 4]);
    let mut rest = place.stream(CRC_AT + 4, size_bytes);
    rest.each(|bytes| crc.update(bytes))?;
    Ok(crc.finalize())
}
