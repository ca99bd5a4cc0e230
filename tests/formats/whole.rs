//! Files as they were made, alone and within each other.

use std::fs::{self, File};

use norlock::image::formats::{Checked, Format, find};

use crate::made::{self, ALL, Made, OFFSET, found, image, only, vector};

/// Bytes that a file has behind the end that it knows of.
fn padding(made: &Made, content: &[u8], size_bytes: u64) {
    let (used, padding) = content.split_at(size_bytes as usize);
    assert!(!used.is_empty());
    // mksquashfs fills up to 4 KiB, mkfs.jffs2 the last erase block.
    let filled = padding.iter().all(|byte| *byte == 0) || padding.iter().all(|byte| *byte == 0xFF);
    assert!(
        filled && padding.len() < 0x2000,
        "{}: {}",
        made.name,
        padding.len()
    );
}

#[test]
fn every_file_is_told_with_its_size() {
    for made in &ALL {
        let content = vector(made.name);
        let found = only(&image(&content));
        assert_eq!(found.offset, OFFSET as u64, "{}", made.name);
        assert_eq!(found.format, made.format, "{}", made.name);
        assert_eq!(found.sentence(), made.sentence, "{}", made.name);
        padding(made, &content, found.size_bytes.unwrap());
    }
}

#[test]
fn no_made_file_is_forgotten() {
    let names = fs::read_dir(made::folder()).unwrap();
    let names = names.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<_> = names.filter(|name| name != "make").collect();
    names.sort();
    assert_eq!(names, ALL.map(|made| made.name));
}

#[test]
fn details_say_what_the_tools_were_asked_for() {
    for (name, detail) in [
        ("gauge.dtb", "version 17, 344 bytes, 3 nodes"),
        (
            "system-le.jffs2",
            "6 nodes, 3 of data, 2 of names, little endian",
        ),
        ("system.cramfs", "4096 bytes, 3 files"),
        ("system.ext2.packed", "ext2, 256 blocks of 1024 bytes"),
        ("system.ext4.packed", "ext4, 256 blocks of 1024 bytes"),
        ("system.ubi.packed", "3 blocks of 8 KiB, 3 in use"),
        ("tides.gz", "5125 bytes of content"),
        ("tides.xz", "5125 bytes of content"),
    ] {
        assert_eq!(only(&image(&vector(name))).detail, detail);
    }
}

#[test]
fn private_keys_are_told_by_their_label_and_nothing_of_them_is_shown() {
    for made in ALL.iter().filter(|made| made.name.starts_with("gauge")) {
        let content = vector(made.name);
        let found = only(&image(&content));
        let secret = made.name.ends_with(".key") || made.name.ends_with(".der");
        assert_eq!(found.is_secret(), secret, "{}", made.name);
        let json = serde_json::to_string(&found).unwrap();
        assert_eq!(json.contains("\"secret\":true"), secret);
        let told = format!("{found:?} {json} {}", found.sentence());
        let text = String::from_utf8_lossy(&content);
        for line in text
            .lines()
            .filter(|line| !line.contains("----") && line.len() > 20)
        {
            assert!(!told.contains(line), "{told}");
        }
    }
}

#[test]
fn a_file_system_hides_what_it_holds_except_a_key() {
    let mut content = vector("system.ext2.packed");
    let (key, packed) = (vector("gauge.key"), vector("tides.gz"));
    let free = content.len() / 2;
    assert!(content[free..].iter().all(|byte| *byte == 0));
    content[free..free + packed.len()].copy_from_slice(&packed);
    assert_eq!(only(&image(&content)).format, Format::Ext);
    content[free + 4096..free + 4096 + key.len()].copy_from_slice(&key);
    let listed = found(&image(&content));
    assert_eq!(listed.len(), 2, "{listed:#?}");
    assert!(listed[1].is_secret());
    assert_eq!(listed[1].offset, (OFFSET + free + 4096) as u64);
}

#[test]
fn things_side_by_side_are_all_listed_in_order() {
    let mut content = Vec::new();
    let mut wanted = Vec::new();
    for made in &ALL {
        content.resize(content.len().next_multiple_of(0x1000), 0xFF);
        // What looks like more of the same run is taken for it.
        if made.name == "system-le.jffs2" {
            content.resize(content.len() + 0x5_0000, 0xFF);
        }
        wanted.push(((OFFSET + content.len()) as u64, made.format));
        content.extend(vector(made.name));
    }
    let listed = found(&image(&content));
    let listed: Vec<_> = listed.iter().map(|one| (one.offset, one.format)).collect();
    assert_eq!(listed, wanted);
}

#[test]
fn this_very_program_is_an_elf_file() {
    let file = File::open(std::env::current_exe().unwrap()).unwrap();
    let listed = find(&file).unwrap().listed;
    assert_eq!((listed[0].offset, listed[0].format), (0, Format::Elf));
    assert_eq!(listed[0].size_bytes, Some(file.metadata().unwrap().len()));
    assert!(
        matches!(listed[0].checked, Checked::HeaderOnly(_)),
        "{:?}",
        listed[0]
    );
}
