//! Files with a byte changed, and files in an image that ends too early.

use std::ops::Range;

use norlock::image::formats::{Checked, Finding};

use crate::made::{ALL, OFFSET, found, image, only, vector};

/// What is said with the byte at `at` changed.
fn changed(name: &str, at: usize) -> Finding {
    let mut content = vector(name);
    content[at] ^= 0x10;
    let mut listed = found(&image(&content));
    assert_eq!(listed.len(), 1, "{name} at {at}: {listed:#?}");
    listed.remove(0)
}

fn differs(name: &str, at: usize, wanted: &str) {
    match changed(name, at).checked {
        Checked::Disagrees { what, .. } => assert_eq!(what, wanted, "{name} at {at}"),
        other => panic!("{name} at {at}: {other:?}"),
    }
}

/// A number within a file.
fn number(name: &str, bytes: Range<usize>) -> usize {
    let content = vector(name);
    content[bytes]
        .iter()
        .rev()
        .fold(0, |all, byte| all << 8 | usize::from(*byte))
}

fn number_be(name: &str, at: usize) -> usize {
    number(name, at..at + 4).swap_bytes() >> (usize::BITS - 32)
}

#[test]
fn a_changed_byte_is_told_as_what_it_belongs_to() {
    let end = |name: &str| vector(name).len();
    differs("tides.gz", end("tides.gz") - 8, "CRC-32");
    differs("tides.gz", end("tides.gz") - 4, "length");
    differs("tides.xz", 8, "header CRC-32");
    differs("tides.xz", 20, "block header CRC-32");
    differs("tides.xz", end("tides.xz") - 10, "footer CRC-32");
    differs("tides.xz", end("tides.xz") - 16, "index CRC-32");
    differs("tides.lz4", 15 + 3, "blocks");
    differs("system.cramfs", 200, "CRC-32");
    differs("system.cramfs", 32, "CRC-32");
    differs("system.ext4.packed", 1024 + 0x68, "superblock CRC-32C");
    differs("system-le.jffs2", 30, "nodes with right checksums");
    differs(
        "system-be.jffs2.packed",
        end("system-le.jffs2") - 8,
        "nodes with right checksums",
    );
    differs(
        "system.ubi.packed",
        0x2000 + 20,
        "erase blocks with right checksums",
    );
    // The volume's content, whose checksum the second header has.
    differs(
        "system.ubi.packed",
        0x4000 + 200,
        "erase blocks with right checksums",
    );
    differs(
        "system.squashfs",
        number("system.squashfs", 64..72),
        "inode table",
    );
    differs("system.squashfs", 72, "inode table");
    // A file system has inodes, directories and IDs, whatever else it lacks.
    for table in [48, 64, 72] {
        let mut lacking = vector("system.squashfs");
        lacking[table..table + 8].fill(0xFF);
        let told = only(&lacking).checked;
        assert!(
            matches!(told, Checked::Disagrees { what: "tables", .. }),
            "{table}: {told:?}"
        );
    }
    let structure = number_be("gauge.dtb", 8);
    differs("gauge.dtb", structure + 3, "structure block");
    // The last node's end, which becomes the end of all.
    let end_of_all = structure + number_be("gauge.dtb", 36) - 4;
    differs("gauge.dtb", 8, "blocks");
    let mut early = vector("gauge.dtb");
    assert_eq!(
        early[end_of_all - 4..end_of_all + 4],
        [0, 0, 0, 2, 0, 0, 0, 9]
    );
    early[end_of_all - 1] = 4;
    assert!(matches!(only(&early).checked, Checked::Disagrees { .. }));
    differs("gauge.key", 31, "length");
    differs("gauge.pem", end("gauge.pem") - 8, "last line");
    for name in ["tides.gz", "tides.xz", "tides.lz4"] {
        let found = changed(name, end(name) - 60);
        let told = matches!(
            found.checked,
            Checked::Damaged { .. } | Checked::Disagrees { .. }
        );
        assert!(told, "{name}: {found:?}");
    }
}

/// Puts the CRC-32 of `covered` into the four bytes at `at`.
fn sign(content: &mut [u8], covered: Range<usize>, at: usize) {
    let crc = crc32fast::hash(&content[covered]).to_le_bytes();
    content[at..at + 4].copy_from_slice(&crc);
}

#[test]
fn an_index_or_footer_of_xz_that_is_sound_in_itself_has_to_fit_the_blocks() {
    let whole = vector("tides.xz");
    let footer = whole.len() - 12;
    let index = footer - 4 * (number("tides.xz", footer + 4..footer + 8) + 1);
    let what = |content: &Vec<u8>| match only(content).checked {
        Checked::Disagrees { what, .. } => what,
        other => panic!("{other:?}"),
    };
    let mut sizes = whole.clone();
    sizes[index + 2] ^= 1;
    sign(&mut sizes, index..footer - 4, footer - 4);
    assert_eq!(what(&sizes), "sizes of blocks");
    let mut blocks = whole.clone();
    blocks[index + 1] = 2;
    sign(&mut blocks, index..footer - 4, footer - 4);
    assert_eq!(what(&blocks), "blocks by the index");
    let mut backward = whole;
    backward[footer + 4] += 1;
    sign(&mut backward, footer + 4..footer + 10, footer);
    assert_eq!(what(&backward), "footer");
}

#[test]
fn a_damaged_key_is_still_a_secret() {
    for at in [60, 100, 230] {
        let mut content = vector("gauge.key");
        content[at] = b'!';
        let found = only(&image(&content));
        assert!(found.is_secret(), "{at}");
        assert!(matches!(found.checked, Checked::Disagrees { .. }), "{at}");
    }
}

/// Of each file that is covered by checksums as a whole, every bit of every byte counts, but for those
/// that its format leaves out.
#[test]
fn no_changed_byte_goes_unseen_where_checksums_cover_all() {
    let cases: [(&str, usize, &[Range<usize>]); 5] = [
        // Time and system.
        ("tides.gz", 1, &[4..8, 9..10]),
        ("tides.xz", 1, &[]),
        ("tides.lz4", 1, &[]),
        ("system.cramfs", 61, &[]),
        // What fills nodes up to a multiple of four.
        (
            "system-le.jffs2",
            1,
            &[150..152, 197..200, 643..644, 855..856],
        ),
    ];
    for (name, step, uncovered) in cases {
        let content = vector(name);
        let whole = only(&content);
        for at in (0..content.len()).step_by(step) {
            let mut content = content.clone();
            content[at] ^= 1 << (at % 8);
            let seen = found(&content) != std::slice::from_ref(&whole);
            let covered = !uncovered.iter().any(|range| range.contains(&at));
            assert_eq!(seen, covered, "{name}: byte {at}");
        }
    }
}

#[test]
fn a_file_that_the_image_ends_in_is_cut() {
    for made in &ALL {
        let content = vector(made.name);
        let size_bytes = only(&image(&content)).size_bytes.unwrap() as usize;
        let mut image = image(&content);
        image.truncate(OFFSET + size_bytes - 9);
        let listed = found(&image);
        match made.name {
            // Too little of them is left to be sure.
            name if [".der", ".crt", ".zst"]
                .iter()
                .any(|end| name.ends_with(end)) =>
            {
                assert!(
                    listed.iter().all(|one| one.offset != OFFSET as u64),
                    "{listed:#?}"
                );
            }
            name => {
                let checked: Vec<_> = listed.iter().map(|one| &one.checked).collect();
                assert_eq!(checked, [&Checked::Cut], "{name}");
            }
        }
    }
}
