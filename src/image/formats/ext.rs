//! ext2, ext3 and ext4: the superblock, as in `fs/ext4/ext4.h` of Linux.

use crc::{CRC_32_ISCSI, Crc};

use super::place::{Fields, Look, Place, hex32};
use super::{Checked, Finding, Format};

/// Where the superblock stands, and how long it is.
const SUPER_AT: u64 = 1024;
const SUPER_BYTES: usize = 1024;
/// Where its magic number stands, from the file system's start.
pub(super) const MAGIC_AT: u64 = SUPER_AT + 56;

const HAS_JOURNAL: u32 = 0x4;
const IS_64_BIT: u32 = 0x80;
/// Extents, 64 bits and flexible groups: features that only ext4 has.
const EXT4_INCOMPATIBLE: u32 = 0x2C0;
/// Huge files, group checksums, many links, large inodes, checksums of metadata.
const EXT4_READ_ONLY: u32 = 0x478;
const HAS_CHECKSUMS: u32 = 0x400;
/// The largest block is 64 KiB.
const BLOCK_LOG_MAX: u32 = 6;

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(bytes) = place.array::<SUPER_BYTES>(SUPER_AT)? else {
        return Ok(None);
    };
    let fields = Fields::little(&bytes);
    if !is_plausible(&fields) {
        return Ok(None);
    }
    let block_bytes = 1024_u64 << fields.u32(24);
    let size_bytes = block_count(&fields).saturating_mul(block_bytes);
    let checked = match size_bytes > place.left_bytes() {
        true => Checked::Cut,
        false => check(&bytes),
    };
    let detail = format!(
        "{}, {} blocks of {block_bytes} bytes",
        kind(&fields),
        block_count(&fields)
    );
    let found = Finding::new(place.offset, Format::Ext, Some(size_bytes), checked);
    Ok(Some(found.with_detail(detail)))
}

fn block_count(fields: &Fields<'_>) -> u64 {
    let high = match fields.u32(96) & IS_64_BIT {
        0 => 0,
        _ => u64::from(fields.u32(0x150)),
    };
    high << 32 | u64::from(fields.u32(4))
}

fn kind(fields: &Fields<'_>) -> &'static str {
    if fields.u32(96) & EXT4_INCOMPATIBLE != 0 || fields.u32(100) & EXT4_READ_ONLY != 0 {
        "ext4"
    } else if fields.u32(92) & HAS_JOURNAL != 0 {
        "ext3"
    } else {
        "ext2"
    }
}

/// Its numbers fit each other: the magic number alone is two bytes. A copy of the superblock, which
/// has the number of its group, is no file system of its own.
fn is_plausible(fields: &Fields<'_>) -> bool {
    let log = fields.u32(24);
    let (inodes, blocks) = (u64::from(fields.u32(0)), block_count(fields));
    let (first, per_group) = (u64::from(fields.u32(20)), u64::from(fields.u32(32)));
    let inodes_per_group = u64::from(fields.u32(40));
    if log > BLOCK_LOG_MAX || per_group == 0 || blocks <= first || blocks >= 1 << 40 {
        return false;
    }
    let block_bits = 8 * (1024_u64 << log);
    let groups = (blocks - first).div_ceil(per_group);
    let inode_bytes = match fields.u32(76) {
        0 => 128,
        _ => fields.u16(88),
    };
    first <= u64::from(log == 0)
        && per_group % 8 == 0
        && fields.u32(36) <= fields.u32(32)
        && inodes_per_group <= block_bits
        && inodes == groups * inodes_per_group
        && u64::from(fields.u32(12)) <= blocks
        && u64::from(fields.u32(16)) <= inodes
        && fields.u16(58) <= 7
        && (1..=3).contains(&fields.u16(60))
        && fields.u32(72) <= 4
        && fields.u32(76) <= 1
        && inode_bytes.is_power_of_two()
        && inode_bytes >= 128
        && fields.u16(90) == 0
}

/// The last field is the CRC-32C of the others, where the file system has checksums.
fn check(bytes: &[u8; SUPER_BYTES]) -> Checked {
    let fields = Fields::little(bytes);
    if fields.u32(100) & HAS_CHECKSUMS == 0 {
        return Checked::HeaderOnly("its superblock fits itself, carries no checksum");
    }
    let crc = Crc::<u32>::new(&CRC_32_ISCSI);
    let covered = bytes.get(..SUPER_BYTES - 4).unwrap_or_default();
    // Linux keeps the CRC without the inversion at its end.
    let (wanted, found) = (fields.u32(SUPER_BYTES - 4), !crc.checksum(covered));
    match wanted == found {
        true => Checked::Agrees("superblock CRC-32C"),
        false => Checked::Disagrees {
            what: "superblock CRC-32C",
            wanted: hex32(wanted),
            found: hex32(found),
        },
    }
}
