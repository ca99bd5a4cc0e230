//! Files made once: whole, with a byte changed, and cut.

use norlock::image::formats::{Checked, Finding, Format};

use crate::made::{OFFSET, image, only, vector};

/// The file as it was made, in an image.
fn whole(name: &str, format: Format) -> Finding {
    let content = vector(name);
    let found = only(&image(&content, OFFSET));
    assert_eq!((found.offset, found.format), (OFFSET as u64, format));
    found
}

/// The file with the byte at `at` changed.
fn changed(name: &str, at: usize) -> Finding {
    let mut content = vector(name);
    content[at] ^= 0x10;
    only(&image(&content, OFFSET))
}

/// The file in an image that ends `missing_bytes` before the file does.
fn cut(name: &str, missing_bytes: usize) -> Finding {
    let content = vector(name);
    let mut image = image(&content, OFFSET);
    image.truncate(OFFSET + content.len() - missing_bytes);
    only(&image)
}

fn size(name: &str) -> Option<u64> {
    Some(vector(name).len() as u64)
}

#[test]
fn a_gzip_stream_is_unpacked_and_its_trailer_compared() {
    let found = whole("tides.gz", Format::Gzip);
    assert_eq!(found.size_bytes, size("tides.gz"));
    assert_eq!(found.checked, Checked::Agrees("length and CRC-32"));
    assert_eq!(found.sentence(), "gzip stream; its length and CRC-32 agree");
    let end = vector("tides.gz").len();
    let of_crc = changed("tides.gz", end - 8);
    assert!(matches!(
        of_crc.checked,
        Checked::Disagrees { what: "CRC-32", .. }
    ));
    let of_length = changed("tides.gz", end - 4);
    assert!(matches!(
        of_length.checked,
        Checked::Disagrees { what: "length", .. }
    ));
    let inside = changed("tides.gz", end / 2);
    assert!(
        matches!(
            inside.checked,
            Checked::Damaged { .. } | Checked::Disagrees { .. }
        ),
        "{inside:?}"
    );
    assert_eq!(cut("tides.gz", 1).checked, Checked::Cut);
}

#[test]
fn a_devicetree_is_walked() {
    let found = whole("gauge.dtb", Format::Devicetree);
    assert_eq!(found.size_bytes, size("gauge.dtb"));
    assert_eq!(found.checked, Checked::Agrees("length and structure"));
    assert_eq!(
        found.sentence(),
        "devicetree blob; its length and structure agree"
    );
    assert!(found.detail.starts_with("version 17, "), "{}", found.detail);
    assert!(found.detail.ends_with(", 3 nodes"), "{}", found.detail);
    // The first token of the structure block, whose place the header gives.
    let blob = vector("gauge.dtb");
    let structure = u32::from_be_bytes(blob[8..12].try_into().unwrap()) as usize;
    let changed = changed("gauge.dtb", structure + 3);
    assert!(matches!(changed.checked, Checked::Disagrees { .. }));
    assert_eq!(cut("gauge.dtb", 1).checked, Checked::Cut);
}

#[test]
fn a_squashfs_has_its_tables_within_its_size() {
    let found = whole("system.squashfs", Format::Squashfs);
    assert_eq!(found.sentence(), "SquashFS; its own size ends at the blank");
    let file = vector("system.squashfs");
    // mksquashfs fills up to 4 KiB with zeros.
    let used = found.size_bytes.unwrap() as usize;
    assert_eq!(used.next_multiple_of(4096), file.len());
    assert!(file[used..].iter().all(|byte| *byte == 0));
    let inode_table = u64::from_le_bytes(file[64..72].try_into().unwrap()) as usize;
    let changed = changed("system.squashfs", inode_table);
    assert!(matches!(
        changed.checked,
        Checked::Disagrees {
            what: "inode table",
            ..
        }
    ));
    assert_eq!(
        cut("system.squashfs", 4096 - used + 1).checked,
        Checked::Cut
    );
}

#[test]
fn what_is_in_a_file_system_is_not_listed() {
    let mut content = vector("system.squashfs");
    let packed = vector("tides.gz");
    // Between the superblock and the tables there is room for file content only.
    let used = u64::from_le_bytes(content[64..72].try_into().unwrap()) as usize;
    let length = packed.len().min(used - 96);
    content[96..96 + length].copy_from_slice(&packed[..length]);
    assert_eq!(only(&image(&content, OFFSET)).format, Format::Squashfs);
}
