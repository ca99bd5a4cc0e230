//! The levels a part may be powered with.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::jedec::Millivolts;

/// An operating supply range, ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SupplyRange {
    /// Lowest operating supply.
    pub min: Millivolts,
    /// Highest operating supply.
    pub max: Millivolts,
    /// True where the range was not read in a document: it may close an
    /// interlock, never open one that a document would hold.
    pub from_memory: bool,
}

impl SupplyRange {
    /// Nothing is known about the supply: every level is included, and none is vouched for.
    pub const UNKNOWN: Self = Self {
        min: Millivolts(0),
        max: Millivolts(u32::MAX),
        from_memory: true,
    };

    /// Whether anything is known about the supply.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.max < Self::UNKNOWN.max
    }

    /// Whether no level at all lies in the range, as where a 1.8 V and a 3 V part have only their
    /// ID in common.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.min > self.max
    }

    /// Whether the range ends below 2.1 V, as on every 1.8 V part: 3.3 V would damage it.
    #[must_use]
    pub fn is_low_voltage(&self) -> bool {
        self.max < Millivolts(2100)
    }

    /// The levels that lie in both ranges; may be empty. From memory if either is, except that
    /// an unknown range adds nothing.
    #[must_use]
    pub fn intersection(self, other: Self) -> Self {
        if !self.is_known() {
            return other;
        }
        if !other.is_known() {
            return self;
        }
        Self {
            min: self.min.max(other.min),
            max: self.max.min(other.max),
            from_memory: self.from_memory || other.from_memory,
        }
    }

    /// Whether `level` lies in the range.
    #[must_use]
    pub fn includes(&self, level: Millivolts) -> bool {
        self.min <= level && level <= self.max
    }
}

impl fmt::Display for SupplyRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.is_known() {
            return f.write_str("not known");
        }
        if self.is_empty() {
            return f.write_str("no level in common");
        }
        let min = self.min.to_string();
        write!(f, "{} to {}", min.trim_end_matches(" V"), self.max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(min: u32, max: u32, from_memory: bool) -> SupplyRange {
        SupplyRange {
            min: Millivolts(min),
            max: Millivolts(max),
            from_memory,
        }
    }

    #[test]
    fn intersections_are_never_wider_and_keep_their_origin() {
        let three = range(2700, 3600, false);
        let wide = range(1650, 3600, true);
        let low = range(1650, 1950, false);
        assert_eq!(three.intersection(wide), range(2700, 3600, true));
        assert_eq!(three.intersection(SupplyRange::UNKNOWN), three);
        assert_eq!(SupplyRange::UNKNOWN.intersection(low), low);
        let none = three.intersection(low);
        assert!(none.is_empty() && none.is_known());
        assert!((0..6000).all(|mv| !none.includes(Millivolts(mv))));
        assert!(none.intersection(wide).is_empty());
        assert!(low.is_low_voltage() && !wide.is_low_voltage() && !three.is_low_voltage());
        // Both ends belong to it, and a single level is one.
        assert!(three.includes(Millivolts(2700)) && three.includes(Millivolts(3600)));
        assert!(!three.includes(Millivolts(2699)) && !three.includes(Millivolts(3601)));
        assert!(!range(1800, 1800, false).is_empty());
        assert!(!range(1650, 2100, false).is_low_voltage());
    }
}
