//! SquashFS 4: the superblock and the tables it points to, as in `fs/squashfs/squashfs_fs.h` of Linux.

use super::place::{Fields, Look, Place, Stop};
use super::{Checked, Finding, Format};

const HEADER_BYTES: usize = 96;
/// Where a table is that the file system does not have; inodes, directories and IDs it always has
/// (`fs/squashfs/super.c`, from memory).
const NONE: u64 = u64::MAX;
/// Bytes that a block of metadata holds, unpacked.
const METADATA_BYTES: u64 = 8192;
const UNPACKED: u16 = 1 << 15;

const COMPRESSIONS: [&str; 6] = ["gzip", "lzma", "lzo", "xz", "lz4", "zstd"];

/// The superblock. Addresses count from the file system's start.
struct Super {
    inodes: u32,
    compression: &'static str,
    ids: u16,
    used_bytes: u64,
    id_table: u64,
    xattr_table: u64,
    inode_table: u64,
    directory_table: u64,
    fragment_table: u64,
    lookup_table: u64,
}

pub(super) fn look(place: &Place<'_>) -> Look<Option<Finding>> {
    let Some(header) = header(place)? else {
        return Ok(None);
    };
    let checked = match header.used_bytes > place.left_bytes() {
        true => Checked::Cut,
        false => match check(place, &header) {
            Err(Stop::Spent) => Checked::TOO_MUCH,
            checked => checked?,
        },
    };
    let used = header.used_bytes;
    let found = Finding::new(place.offset, Format::Squashfs, Some(used), checked);
    Ok(Some(found.with_detail(format!(
        "{used} bytes, {} inodes, packed with {}",
        header.inodes, header.compression
    ))))
}

fn header(place: &Place<'_>) -> Look<Option<Super>> {
    let Some(bytes) = place.array::<HEADER_BYTES>(0)? else {
        return Ok(None);
    };
    let fields = Fields::little(&bytes);
    let compression = usize::from(fields.u16(20)).checked_sub(1);
    let compression = compression.and_then(|index| COMPRESSIONS.get(index));
    let block_log = fields.u16(22);
    let of_version_4 = fields.u16(28) == 4 && fields.u16(30) == 0;
    let block_fits = (12..=20).contains(&block_log) && fields.u32(12) == 1 << block_log;
    let (Some(compression), true, true) = (compression, of_version_4, block_fits) else {
        return Ok(None);
    };
    Ok(Some(Super {
        inodes: fields.u32(4),
        compression,
        ids: fields.u16(26),
        used_bytes: fields.u64(40),
        id_table: fields.u64(48),
        xattr_table: fields.u64(56),
        inode_table: fields.u64(64),
        directory_table: fields.u64(72),
        fragment_table: fields.u64(80),
        lookup_table: fields.u64(88),
    }))
}

/// The tables stand in their order within the file system, the blocks of the inode table follow each
/// other up to the directory table, and the block of IDs ends at the list that names it.
fn check(place: &Place<'_>, header: &Super) -> Look<Checked> {
    let used = header.used_bytes;
    let mut before = HEADER_BYTES as u64 - 1;
    for (table, may_lack) in [
        (header.inode_table, false),
        (header.directory_table, false),
        (header.fragment_table, true),
        (header.lookup_table, true),
        (header.id_table, false),
        (header.xattr_table, true),
    ] {
        if table == NONE && may_lack {
            continue;
        }
        if table <= before || table >= used {
            return Ok(Checked::Disagrees {
                what: "tables",
                wanted: format!("in order, within {used} bytes"),
                found: format!("one at {table:X}h"),
            });
        }
        before = table;
    }
    let inodes_end = chain(place, header.inode_table, header.directory_table)?;
    if inodes_end != header.directory_table {
        return Ok(misfit("inode table", header.directory_table, inodes_end));
    }
    let ids_end = ids_end(place, header)?;
    if ids_end != header.id_table {
        return Ok(misfit("ID table", header.id_table, ids_end));
    }
    Ok(Checked::HeaderOnly("its tables lie within its size"))
}

fn misfit(what: &'static str, wanted: u64, found: u64) -> Checked {
    Checked::Disagrees {
        what,
        wanted: format!("its end at {wanted:X}h"),
        found: format!("{found:X}h"),
    }
}

/// Follows blocks of metadata by their sizes, and says where the first one ends that reaches `end`.
fn chain(place: &Place<'_>, from: u64, end: u64) -> Look<u64> {
    let mut stream = place.stream(from, end);
    let mut at = from;
    while at < end {
        let Some(size) = stream.array::<2>()? else {
            break;
        };
        let size = u64::from(u16::from_le_bytes(size) & !UNPACKED);
        if size == 0 || size > METADATA_BYTES {
            break;
        }
        at += 2 + size;
        stream.seek(at);
    }
    Ok(at)
}

/// Where the last block of IDs ends, which the list behind it names.
fn ids_end(place: &Place<'_>, header: &Super) -> Look<u64> {
    let blocks = (u64::from(header.ids) * 4).div_ceil(METADATA_BYTES);
    let last = header.id_table + blocks.saturating_sub(1) * 8;
    let Some(at) = place.array::<8>(last)? else {
        return Ok(NONE);
    };
    let at = u64::from_le_bytes(at);
    if at >= header.id_table {
        return Ok(at);
    }
    chain(place, at, header.id_table)
}
