//! How long an operation takes.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// Typical and maximum time of an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Timing {
    /// What the operation usually takes.
    pub typical: Duration,
    /// What it may take at most; a time-out is never below it.
    pub max: Duration,
}

impl Timing {
    /// Where no time is known: 20 ms, at or above every maximum of a page program in the table.
    pub const PAGE_PROGRAM_FALLBACK: Self = Self::fallback(20);
    /// Where no time is known: 1 s, at or above every maximum in the table; XT25F128B (Rev 1.2, 2020-03-20) takes up
    /// to 800 ms.
    pub const STATUS_WRITE_FALLBACK: Self = Self::fallback(1000);

    /// A maximum in milliseconds with a tenth of it as typical.
    const fn fallback(max_ms: u64) -> Self {
        Self {
            typical: Duration::from_micros(max_ms * 100),
            max: Duration::from_millis(max_ms),
        }
    }

    /// Where no time is known: 1 s up to 4 KiB, 4 s up to 32 KiB, 11 s above. That is at or above every maximum of an
    /// erase of this size in the table. Typical is a tenth; above 32 KiB less, so that an erase is not planned as two
    /// of 32 KiB for the few parts that take 10 s at worst.
    #[must_use]
    pub const fn erase_fallback(size_bytes: u32) -> Self {
        match size_bytes {
            0..=0x1000 => Self::fallback(1_000),
            0x1001..=0x8000 => Self::fallback(4_000),
            _ => Self {
                typical: Duration::from_millis(500),
                max: Duration::from_millis(11_000),
            },
        }
    }

    /// The longer of both, typical and maximum each.
    #[must_use]
    pub fn longer(self, other: Self) -> Self {
        Self {
            typical: self.typical.max(other.typical),
            max: self.max.max(other.max),
        }
    }
}
