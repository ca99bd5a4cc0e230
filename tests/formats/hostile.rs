//! Images that nobody made with care: random bytes, and files with parts exchanged.

use norlock::image::formats::{Checked, Findings, find};
use norlock::image::wrap;
use proptest::prelude::*;

use crate::made::{ALL, vector};

#[test]
fn random_bytes_show_nothing() {
    for seed in [1, 7] {
        let mut image = vec![0; 16 << 20];
        fastrand::Rng::with_seed(seed).fill(&mut image);
        assert_eq!(find(&image).unwrap(), Findings::default(), "seed {seed}");
    }
}

/// What stands after a magic number is random, a million times: only checks can tell that it is none.
#[test]
fn random_bytes_behind_magic_numbers_show_nothing() {
    let magics: [&[u8]; 12] = [
        &[0xD0, 0x0D, 0xFE, 0xED],
        &[0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 2, 3],
        b"\xFD7zXZ\0",
        &[0x28, 0xB5, 0x2F, 0xFD],
        &[0x04, 0x22, 0x4D, 0x18],
        &[
            0x5D, 0, 0, 0x80, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0,
        ],
        b"hsqs",
        b"UBI#\x01\0\0\0",
        b"\x7FELF\x01\x01\x01",
        b"-----BEGIN ",
        &[0x19, 0x85, 0xE0, 0x01],
        &[0xA0, 0x03, 0x02, 0x01, 0x02, 0x02],
    ];
    let mut random = fastrand::Rng::with_seed(3);
    let mut image = vec![0; 4 << 20];
    random.fill(&mut image);
    for at in (0..image.len() - 64).step_by(64) {
        let magic = magics[at / 64 % magics.len()];
        image[at..at + magic.len()].copy_from_slice(magic);
    }
    assert_eq!(find(&image).unwrap(), Findings::default());
}

/// A change to an image: what to do, where, how much, with which byte.
type Change = (u8, u32, u16, u8);

fn change(image: &mut Vec<u8>, (kind, at, length, byte): Change) {
    if image.is_empty() {
        return;
    }
    let at = at as usize % image.len();
    let end = (at + 1 + usize::from(length % 600)).min(image.len());
    match kind % 5 {
        0 => image[at] ^= byte,
        1 => image[at..end].fill(byte),
        2 => drop(image.drain(at..end)),
        3 => image.extend_from_within(at..end),
        _ => image.truncate(image.len() - image.len() / 8),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn changed_files_are_told_without_a_fault(
        files in prop::collection::vec(0..ALL.len(), 1..4),
        changes in prop::collection::vec(any::<Change>(), 0..6),
    ) {
        let mut image = Vec::new();
        for index in files {
            let content = vector(ALL[index].name);
            image.extend(&content[..content.len().min(0x6000)]);
        }
        changes.into_iter().for_each(|one| change(&mut image, one));
        let findings = find(&image).unwrap();
        let mut before = 0;
        for found in &findings.listed {
            prop_assert!(found.offset >= before && found.offset < image.len() as u64);
            before = found.offset;
            if let (Checked::Agrees(_), Some(size)) = (&found.checked, found.size_bytes) {
                prop_assert!(found.offset + size <= image.len() as u64);
            }
            let sentence = found.sentence();
            prop_assert!(sentence.is_ascii() && found.detail.is_ascii());
            prop_assert!(wrap("", "", &sentence).iter().all(|line| line.len() <= 60));
        }
    }
}
