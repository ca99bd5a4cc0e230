//! The write-ahead monitor: no erase or program without a durable journal record.

use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Watches, always, that each erase and program of a simulated chip was announced.
///
/// A clonable handle. Whoever makes a journal record durable calls [`Monitor::cover`]; whoever makes
/// a block's completion durable calls [`Monitor::uncover`]. The bench refuses any erase or program
/// that touches an address not covered, does not carry it out, and counts it.
///
/// ```
/// # use norlock::mock::Monitor;
/// let monitor = Monitor::default();
/// monitor.cover(0x1000..0x2000);
/// assert!(monitor.covers(&(0x1800..0x1900)));
/// monitor.uncover(0x1000..0x2000);
/// assert!(!monitor.covers(&(0x1800..0x1900)));
/// ```
#[derive(Debug, Clone, Default)]
pub struct Monitor {
    inner: Arc<Mutex<Watched>>,
}

#[derive(Debug, Clone, Default)]
struct Watched {
    /// Sorted, apart from each other.
    covered: Vec<Range<u32>>,
    violations: u64,
}

impl Monitor {
    /// One that knows the same, apart from this one.
    pub(super) fn fork(&self) -> Self {
        Self {
            inner: Arc::new(Mutex::new(self.lock().clone())),
        }
    }

    /// Says that a durable record covers `range`, which may be erased and programmed from now on.
    pub fn cover(&self, range: Range<u32>) {
        let mut watched = self.lock();
        let mut all = std::mem::take(&mut watched.covered);
        all.push(range);
        watched.covered = merged(all);
    }

    /// Says that the work on `range` is durably complete: touching it again needs a new record.
    pub fn uncover(&self, range: Range<u32>) {
        let mut watched = self.lock();
        let all = std::mem::take(&mut watched.covered);
        watched.covered = without(all, &range);
    }

    /// The ranges covered now, sorted.
    #[must_use]
    pub fn covered(&self) -> Vec<Range<u32>> {
        self.lock().covered.clone()
    }

    /// Whether all of `range` is covered.
    #[must_use]
    pub fn covers(&self, range: &Range<u32>) -> bool {
        let watched = self.lock();
        let holds = |one: &Range<u32>| one.start <= range.start && range.end <= one.end;
        range.is_empty() || watched.covered.iter().any(holds)
    }

    /// How many erases and programs were refused.
    #[must_use]
    pub fn violations(&self) -> u64 {
        self.lock().violations
    }

    pub(super) fn count_violation(&self) {
        self.lock().violations += 1;
    }

    fn lock(&self) -> MutexGuard<'_, Watched> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The same addresses in sorted ranges that neither touch nor overlap.
pub(super) fn merged(mut ranges: Vec<Range<u32>>) -> Vec<Range<u32>> {
    ranges.retain(|range| !range.is_empty());
    ranges.sort_by_key(|range| range.start);
    let mut out: Vec<Range<u32>> = Vec::new();
    for range in ranges {
        match out.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => out.push(range),
        }
    }
    out
}

/// The addresses of `ranges` outside `hole`.
pub(super) fn without(ranges: Vec<Range<u32>>, hole: &Range<u32>) -> Vec<Range<u32>> {
    ranges
        .into_iter()
        .flat_map(|range| {
            let before = range.start..range.end.min(hole.start);
            let after = range.start.max(hole.end)..range.end;
            if hole.is_empty() {
                [range, 0..0]
            } else {
                [before, after]
            }
        })
        .filter(|range| !range.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cover_joins_and_uncover_cuts() {
        let monitor = Monitor::default();
        monitor.cover(0x1000..0x2000);
        monitor.cover(0x2000..0x3000);
        assert_eq!(monitor.covered().len(), 1);
        assert!(monitor.covers(&(0x1FFF..0x2001)));
        monitor.uncover(0x1800..0x1900);
        assert_eq!(monitor.covered(), [0x1000..0x1800, 0x1900..0x3000]);
        assert!(!monitor.covers(&(0x17FF..0x1801)));
        monitor.uncover(0x5000..0x5000);
        assert_eq!(monitor.covered().len(), 2);
    }
}
