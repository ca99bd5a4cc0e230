//! Times as JESD216 writes them: a count and a unit in a few bits.

use std::time::Duration;

use serde::Serialize;

/// Typical and maximum time of an operation, as an SFDP table gives them.
///
/// Typical times are rounded up to the next step of the encoding and maxima are a common multiple,
/// so these are bounds for a time-out, not datasheet figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct OperationTime {
    /// What the operation usually takes.
    pub typical: Duration,
    /// What it may take at most.
    pub max: Duration,
}

/// A field of `count_bits` bits of count below a unit selector: `(count + 1) * unit`.
pub(super) struct Scale {
    count_bits: u32,
    units: &'static [Duration],
}

/// Block erase, BFPT DWORD 10.
pub(super) const ERASE: Scale = Scale {
    count_bits: 5,
    units: &[
        Duration::from_millis(1),
        Duration::from_millis(16),
        Duration::from_millis(128),
        Duration::from_secs(1),
    ],
};
/// Page program, BFPT DWORD 11.
pub(super) const PAGE: Scale = Scale {
    count_bits: 5,
    units: &[Duration::from_micros(8), Duration::from_micros(64)],
};
/// Byte program, first and further byte, BFPT DWORD 11.
pub(super) const BYTE: Scale = Scale {
    count_bits: 4,
    units: &[Duration::from_micros(1), Duration::from_micros(8)],
};
/// Chip erase, BFPT DWORD 11.
pub(super) const CHIP: Scale = Scale {
    count_bits: 5,
    units: &[
        Duration::from_millis(16),
        Duration::from_millis(256),
        Duration::from_secs(4),
        Duration::from_secs(64),
    ],
};
/// Suspend latency and deep power-down exit, BFPT DWORDs 12 and 14.
pub(super) const LATENCY: Scale = Scale {
    count_bits: 5,
    units: &[
        Duration::from_nanos(128),
        Duration::from_micros(1),
        Duration::from_micros(8),
        Duration::from_micros(64),
    ],
};
/// Resume to next suspend, BFPT DWORD 12.
pub(super) const INTERVAL: Scale = Scale {
    count_bits: 4,
    units: &[Duration::from_micros(64)],
};

impl Scale {
    /// The time that `field` stands for. Bits above the field are ignored.
    pub(super) fn decode(&self, field: u32) -> Duration {
        let count = field & self.count_max();
        let unit = (field >> self.count_bits) as usize % self.units.len();
        self.units.get(unit).copied().unwrap_or_default() * (count + 1)
    }

    /// The field for the shortest time that can be written and is not below `time`; the longest
    /// that can be written where none is.
    pub(super) fn encode(&self, time: Duration) -> u32 {
        let longest = 1u32.checked_shl(self.count_bits + self.units.len().ilog2());
        let longest = longest.unwrap_or(0).saturating_sub(1);
        (0u32..)
            .zip(self.units)
            .filter_map(|(selector, unit)| {
                let steps = time.as_nanos().div_ceil(unit.as_nanos()).max(1);
                let count = u32::try_from(steps - 1).ok()?;
                (count <= self.count_max()).then_some(selector << self.count_bits | count)
            })
            .min_by_key(|field| self.decode(*field))
            .unwrap_or(longest)
    }

    fn count_max(&self) -> u32 {
        (1 << self.count_bits) - 1
    }
}

/// Maximum over typical, from the multiplier field of BFPT DWORDs 10 and 11: `2 * (m + 1)`.
pub(super) fn multiplier(field: u32) -> u32 {
    2 * ((field & 0xF) + 1)
}

/// The smallest multiplier field with which `typical` reaches `max`, 15 at most.
pub(super) fn multiplier_field(typical: Duration, max: Duration) -> u32 {
    (0..15)
        .find(|field| typical * multiplier(*field) >= max)
        .unwrap_or(15)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_field_survives_decode_and_encode() {
        for (scale, bits) in [
            (&ERASE, 7),
            (&PAGE, 6),
            (&BYTE, 5),
            (&CHIP, 7),
            (&LATENCY, 7),
            (&INTERVAL, 4),
        ] {
            for field in 0..1u32 << bits {
                let time = scale.decode(field);
                assert_eq!(scale.decode(scale.encode(time)), time, "{field:#x}");
            }
        }
    }

    #[test]
    fn encoding_rounds_up_and_saturates() {
        // W25Q80DV Rev J prints 45 ms typical for 4 KiB: the next step is 48 ms.
        let time = ERASE.decode(ERASE.encode(Duration::from_millis(45)));
        assert_eq!(time, Duration::from_millis(48));
        let time = CHIP.decode(CHIP.encode(Duration::from_secs(1 << 20)));
        assert_eq!(time, Duration::from_secs(2048));
        assert_eq!(
            ERASE.decode(ERASE.encode(Duration::ZERO)),
            Duration::from_millis(1)
        );
    }

    #[test]
    fn multipliers_reach_the_maximum() {
        let ms = Duration::from_millis;
        assert_eq!(multiplier(multiplier_field(ms(48), ms(300))), 8);
        assert_eq!(multiplier(multiplier_field(ms(48), ms(48))), 2);
        assert_eq!(multiplier(multiplier_field(ms(1), ms(5000))), 32);
    }
}
