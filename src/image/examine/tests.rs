use super::*;

fn examine(image: &[u8]) -> Examination {
    let mut examiner = Examiner::new();
    examiner.feed(image);
    examiner.finish()
}

fn random_image(seed: u64, size_bytes: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut image = vec![0; size_bytes];
    random.fill(&mut image);
    image
}

/// A generated image such as a healthy chip may hold.
fn clean_image(seed: u64) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let size = 1 << random.usize(18..22);
    let mut image = vec![0xFF; size];
    match seed % 5 {
        0 => random.fill(&mut image[..size * 5 / 8]),
        1 => twin_slots(&mut image, &mut random),
        2 => {
            let end = random.usize(1..40_000);
            random.fill(&mut image[..end]);
        }
        3 => {
            let mut table = vec![0; 1 << random.usize(2..14)];
            table.fill_with(|| random.u8(..0x40));
            let len = table.len();
            image
                .chunks_mut(len)
                .for_each(|chunk| chunk.copy_from_slice(&table));
        }
        _ => {
            let text = b"rate=4800\nparity=none\nharbour=north\n";
            let end = size / 2;
            image[..end]
                .iter_mut()
                .zip(text.iter().cycle())
                .for_each(|(to, from)| *to = *from);
            image[size / 2..size * 3 / 4].fill(0);
        }
    }
    image
}

fn twin_slots(image: &mut [u8], random: &mut fastrand::Rng) {
    let slot = image.len() / 4;
    random.fill(&mut image[..slot / 2]);
    let twin = image[..slot].to_vec();
    for start in [slot, 2 * slot] {
        image[start..start + slot].copy_from_slice(&twin);
    }
}

#[test]
fn clean_images_raise_no_alarm() {
    for seed in 0..200 {
        let seen = examine(&clean_image(seed));
        assert_eq!(seen.alarms(), [], "seed {seed}: {seen:?}");
    }
}

#[test]
fn each_stuck_bit_is_an_alarm() {
    let image = clean_image(0);
    for bit in 0..8 {
        let mask = 1_u8 << bit;
        let high: Vec<u8> = image.iter().map(|byte| byte | mask).collect();
        assert_eq!(examine(&high).alarms(), [Alarm::StuckHigh(mask)]);
        let low: Vec<u8> = image.iter().map(|byte| byte & !mask).collect();
        assert_eq!(examine(&low).alarms(), [Alarm::StuckLow(mask)]);
    }
}

#[test]
fn one_byte_value_everywhere_is_an_alarm() {
    for byte in [0, 0xFF, 0xA5] {
        let seen = examine(&vec![byte; 1 << 16]);
        assert_eq!(seen.alarms(), [Alarm::Uniform(byte)]);
        assert!(
            seen.repeats.is_empty(),
            "a uniform reading says nothing of address lines"
        );
    }
    assert_eq!(examine(&[]).uniform, None);
    let mut nearly = vec![0xFF; 1 << 16];
    nearly[77] = 0xFE;
    assert_eq!(examine(&nearly).uniform, None);
}

#[test]
fn each_stuck_or_copied_address_line_shows_as_a_mirror() {
    let image = random_image(7, 1 << 20);
    for bit in 12..20 {
        for stuck in [0, 1] {
            let view: Vec<u8> = (0..image.len())
                .map(|address| image[address & !(1 << bit) | stuck << bit])
                .collect();
            assert_eq!(examine(&view).mirrored_address_bits(), [bit]);
        }
        let neighbour = if bit == 12 { 13 } else { bit - 1 };
        let view: Vec<u8> = (0..image.len())
            .map(|a| image[a & !(1 << bit) | (a >> neighbour & 1) << bit])
            .collect();
        assert_eq!(examine(&view).mirrored_address_bits(), [bit]);
    }
    assert!(examine(&image).repeats.is_empty());
}

#[test]
fn two_lines_tied_together_show_as_repeats() {
    let image = random_image(8, 1 << 20);
    let view: Vec<u8> = (0..image.len())
        .map(|a| {
            let both = (a >> 14 & a >> 17) & 1;
            image[a & !(1 << 14 | 1 << 17) | both << 14 | both << 17]
        })
        .collect();
    let bits: Vec<u8> = examine(&view)
        .repeats
        .iter()
        .map(|r| r.address_bit)
        .collect();
    assert_eq!(bits, [14, 17]);
}

#[test]
fn a_chip_smaller_than_thought_shows_as_mirrors_of_the_top_bits() {
    let mut image = random_image(9, 1 << 18);
    image[1 << 16..].fill(0xFF);
    let view = image.repeat(4);
    assert_eq!(examine(&view).mirrored_address_bits(), [18, 19]);
    assert_eq!(examine(&view).alarms(), []);
}

#[test]
fn twin_slots_and_blank_areas_are_no_mirrors() {
    let mut image = vec![0xFF; 1 << 20];
    let mut random = fastrand::Rng::with_seed(3);
    random.fill(&mut image[..100_000]);
    let twin = image[0x1_0000..0x1_8000].to_vec();
    image[0x9_0000..0x9_8000].copy_from_slice(&twin);
    let seen = examine(&image);
    assert!(seen.mirrored_address_bits().is_empty());
    assert_eq!(seen.repeats.len(), 1);
    assert_eq!(seen.repeats[0].address_bit, 19);
    assert_eq!(
        (seen.repeats[0].equal, seen.repeats[0].example),
        (8, Some(0x1_0000))
    );
}

#[test]
fn copies_of_plain_blocks_are_mirrors_too() {
    let mut image = vec![0xFF; 1 << 19];
    image[0x2_0000..0x5_0000].fill(0);
    let seen = examine(&image.repeat(2));
    assert!(seen.mirrored_address_bits().contains(&19), "{seen:?}");
    assert!(!examine(&image).mirrored_address_bits().contains(&18));
}

#[test]
fn each_line_has_two_blocks_that_prove_it_and_content_is_sampled() {
    let mut image = vec![0xFF; 1 << 20];
    image[0x4_5000..0x4_5010].fill(7);
    let seen = examine(&image);
    for line in &seen.address_lines {
        let other = 0x4_5000 ^ 1 << line.address_bit;
        assert_eq!(line.unlike, Some(0x4_5000.min(other)));
    }
    assert_eq!(
        (seen.address_lines.len(), seen.samples),
        (8, vec![0x4_5000])
    );
    let full = examine(&random_image(1, 1 << 20)).samples;
    assert_eq!((full.len(), full[0], full[31]), (32, 0, 0xF_8000));
}

#[test]
fn how_the_bytes_are_handed_over_makes_no_difference() {
    let image = clean_image(1);
    let whole = examine(&image);
    for length in [1, 255, 4095, 4096, 4097, 65536, 100_000] {
        let mut examiner = Examiner::new();
        image.chunks(length).for_each(|chunk| examiner.feed(chunk));
        assert_eq!(examiner.finish(), whole, "in chunks of {length}");
    }
}

#[test]
fn one_changed_bit_anywhere_changes_a_blocks_digest() {
    let block = random_image(5, BLOCK_SIZE_BYTES);
    let digest = scan(&block).digest;
    for bit in 0..BLOCK_SIZE_BYTES * 8 {
        let mut other = block.clone();
        other[bit / 8] ^= 1 << (bit % 8);
        assert_ne!(scan(&other).digest, digest, "bit {bit}");
    }
}

#[test]
fn the_look_is_told_in_one_line() {
    let mut image = random_image(4, 1 << 20);
    image[(1 << 20) * 61 / 100..].fill(0xFF);
    assert_eq!(
        examine(&image).summary(),
        "38 % blank, no mirror, no stuck bit"
    );
    let twice = random_image(6, 1 << 18).repeat(2);
    assert_eq!(
        examine(&twice).summary(),
        "0 % blank, repeats across A18, no stuck bit"
    );
}
