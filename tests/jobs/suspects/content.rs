//! What a unit's flash holds, in many kinds: some of it looks like a fault and is none.

use fastrand::Rng;

/// Packed data.
pub fn code(random: &mut Rng, length: usize) -> Vec<u8> {
    (0..length).map(|_| random.u8(..)).collect()
}

/// A whole unit: code, settings, a packed system, calibration and identity, with blank parts and sometimes
/// journals of flags, clean markers, sparse tables, or a second copy of the boot loader.
pub fn unit(random: &mut Rng, size: usize) -> Vec<u8> {
    let mut image = vec![0xFF; size];
    let part = size / 16;
    let length = part - random.usize(..part / 4);
    let boot = code(random, length);
    image[..boot.len()].copy_from_slice(&boot);
    let text: String = (0..random.usize(2..40))
        .map(|line| format!("gauge-{line:02}={}\n", random.u32(..100_000)))
        .collect();
    let length = text.len().min(part);
    image[part..part + length].copy_from_slice(&text.as_bytes()[..length]);
    let length = random.usize(2 * part..7 * part);
    let system = code(random, length);
    image[2 * part..2 * part + system.len()].copy_from_slice(&system);
    // One sector stays blank in every unit.
    let extras = [flags, markers, table, bitmap];
    for number in 0..random.usize(..4) {
        let start = (9 + number) * part;
        extras[random.usize(..extras.len())](random, &mut image[start..start + part]);
    }
    if random.u8(..4) == 0 {
        let copy = image[..part].to_vec();
        image[13 * part..14 * part].copy_from_slice(&copy);
    }
    let length = random.usize(200..part);
    let calibration = code(random, length);
    image[14 * part..14 * part + calibration.len()].copy_from_slice(&calibration);
    let identity = code(random, 64);
    image[15 * part..15 * part + 64].copy_from_slice(&identity);
    // The last quarter of the last region has never been used.
    image
}

/// Fills a share of the image, from its beginning, and leaves the rest blank.
pub fn fill(random: &mut Rng, image: &mut [u8], share: f64) {
    let length = (image.len() as f64 * share.min(1.0)) as usize;
    let some = code(random, length);
    image.fill(0xFF);
    image[..length].copy_from_slice(&some);
}

/// Slots whose first byte has one bit cleared when it is used.
fn flags(random: &mut Rng, region: &mut [u8]) {
    let slot = 1 << random.usize(5..9);
    for start in (0..region.len()).step_by(slot) {
        if random.bool() {
            region[start] = 0xFE;
        }
    }
}

/// Twelve bytes at the beginning of each sector, and nothing else.
fn markers(_random: &mut Rng, region: &mut [u8]) {
    for sector in region.chunks_mut(4096) {
        let mark = [
            0x85, 0x19, 0x03, 0x20, 0x0C, 0, 0, 0, 0xB1, 0xB0, 0x1E, 0xE4,
        ];
        let length = mark.len().min(sector.len());
        sector[..length].copy_from_slice(&mark[..length]);
    }
}

/// A table of small numbers.
fn table(random: &mut Rng, region: &mut [u8]) {
    let rows = region.len() / 8;
    for row in region.chunks_exact_mut(4).take(rows) {
        let number = random.u32(..4000).to_le_bytes();
        row.copy_from_slice(&number);
    }
}

/// A count of erases or of starts, one bit each.
fn bitmap(random: &mut Rng, region: &mut [u8]) {
    let bits = random.usize(..region.len().min(256) * 8);
    for bit in 0..bits {
        region[bit / 8] &= !(0x80 >> (bit % 8));
    }
}
