//! Chance that replays: every draw depends only on a seed and the numbers handed in.

/// Mixes three numbers into 64 well-spread bits (the finaliser of splitmix64, in the public domain).
///
/// Nothing is remembered between calls, so that what a fault shows at an address does not depend on
/// which addresses were read before.
pub(crate) fn mix(seed: u64, a: u64, b: u64) -> u64 {
    let spread = a.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ b.wrapping_mul(0xD1B5_4A32_D192_ED03);
    let mut z = seed ^ spread.rotate_left(23);
    for multiplier in [0xBF58_476D_1CE4_E5B9, 0x94D0_49BB_1331_11EB] {
        z = (z ^ (z >> 30)).wrapping_mul(multiplier);
        z ^= z >> 27;
    }
    z ^ (z >> 31)
}

/// A number from 0 up to, but not including, 1.
pub(super) fn fraction(bits: u64) -> f64 {
    // 53 bits fill an f64 exactly.
    (bits >> 11) as f64 / (1_u64 << 53) as f64
}

/// One byte of a draw.
pub(super) fn byte(bits: u64) -> u8 {
    (bits >> 32) as u8
}

/// A mask of bits of one byte, each set with `chance`.
pub(super) fn bits(draw: u64, chance: f64) -> u8 {
    if chance >= 1.0 {
        return 0xFF;
    }
    // One draw decides whether any bit is struck, so that rare faults cost little.
    if fraction(draw) >= 1.0 - (1.0 - chance).powi(8) {
        return 0;
    }
    let first = 1_u8 << (draw & 7);
    (0..8)
        .filter(|bit| fraction(mix(draw, *bit, 1)) < chance)
        .fold(first, |mask, bit| mask | 1 << bit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_depend_on_every_number_and_on_nothing_else() {
        assert_eq!(mix(1, 2, 3), mix(1, 2, 3));
        let draws = [
            mix(1, 2, 3),
            mix(2, 2, 3),
            mix(1, 3, 3),
            mix(1, 2, 4),
            mix(1, 3, 2),
        ];
        for (i, one) in draws.iter().enumerate() {
            assert!(draws.iter().skip(i + 1).all(|other| one != other));
        }
    }

    #[test]
    fn struck_bits_are_about_as_many_as_asked() {
        let struck: u32 = (0..100_000)
            .map(|i| bits(mix(7, i, 0), 0.01).count_ones())
            .sum();
        // 800 000 bits at 1 %: 8000, give or take 6 standard deviations (about 90) and the share of
        // second bits (about 4 %).
        assert!((7_400..9_000).contains(&struck), "{struck}");
        assert_eq!(bits(5, 1.0), 0xFF);
        assert_eq!(bits(5, 0.0), 0);
    }
}
