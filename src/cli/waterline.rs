//! The waterline: sixteen marks, the work done behind, the rest ahead, and the same fact in words.

use std::time::Duration;

use super::figures::{about_seconds, size_of};

/// Marks in a waterline.
pub const MARKS: u64 = 16;

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Bytes, shown in KiB or MiB.
    Bytes,
    /// Blocks, passes or other steps, shown bare.
    Steps,
}

/// How far a stage of the work has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reached {
    /// Done so far, at most `total`.
    pub done: u64,
    /// All there is to do.
    pub total: u64,
    /// What is counted.
    pub unit: Unit,
}

impl Reached {
    /// How many of `parts` equal parts are done, rounded down. All of them when there is nothing to do.
    #[must_use]
    pub fn parts_of(self, parts: u64) -> u64 {
        let reached = u128::from(self.done.min(self.total)) * u128::from(parts);
        match reached.checked_div(u128::from(self.total)) {
            Some(part) => u64::try_from(part).unwrap_or(parts),
            None => parts,
        }
    }

    /// The sixteen marks: `''''''|..........`.
    #[must_use]
    pub fn marks(self) -> String {
        (0..MARKS + 1)
            .map(|mark| match mark.cmp(&self.parts_of(MARKS)) {
                std::cmp::Ordering::Less => '\'',
                std::cmp::Ordering::Equal => '|',
                std::cmp::Ordering::Greater => '.',
            })
            .collect()
    }

    /// The same fact in words: `6 of 16 MiB, about 7 s left`.
    #[must_use]
    pub fn words(self, elapsed: Duration) -> String {
        let amount = match self.unit {
            Unit::Bytes => size_of(self.done, self.total),
            Unit::Steps => format!("{} of {}", self.done, self.total),
        };
        match self.time_left(elapsed) {
            Some(left) => format!("{amount}, {left}"),
            None => amount,
        }
    }

    /// The time alone: `about 7 s left`.
    #[must_use]
    pub fn time_left(self, elapsed: Duration) -> Option<String> {
        let left = self.left(elapsed)?;
        Some(format!("{} left", about_seconds(left)))
    }

    /// Time left at the speed so far; unknown until a hundredth is done.
    fn left(self, elapsed: Duration) -> Option<Duration> {
        if self.parts_of(100) == 0 || self.total == 0 {
            return None;
        }
        let ahead = self.total.saturating_sub(self.done) as f64;
        Duration::try_from_secs_f64(elapsed.as_secs_f64() * ahead / self.done as f64).ok()
    }
}

/// A label, padded so that lines of stages with short labels stand under each other.
///
/// Only the first word of a stage is shown: `second read` stands as `second`.
#[must_use]
pub fn labelled(stage: &str, text: &str) -> String {
    let label = stage.split_whitespace().next().unwrap_or("");
    beside(label, stage, text)
}

/// `text` behind `label`, in the column where the text of `stage` stands.
#[must_use]
pub fn beside(label: &str, stage: &str, text: &str) -> String {
    let first = stage.split_whitespace().next().unwrap_or("");
    let width = first.chars().count().max("second".len());
    format!("{label:<width$}  {text}")
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn bytes(done: u64) -> Reached {
        Reached {
            done: done * MIB,
            total: 16 * MIB,
            unit: Unit::Bytes,
        }
    }

    #[test]
    fn two_reads_stand_under_each_other() {
        let first = format!("{}  16 MiB in 6.8 s", bytes(16).marks());
        assert_eq!(
            labelled("first read", &first),
            "first   ''''''''''''''''|  16 MiB in 6.8 s"
        );
        let reached = bytes(6);
        let words = reached.words(Duration::from_millis(4_200));
        assert_eq!(
            labelled("second read", &format!("{}  {words}", reached.marks())),
            "second  ''''''|..........  6 of 16 MiB, about 7 s left"
        );
    }

    #[test]
    fn a_write_counts_blocks() {
        let reached = Reached {
            done: 78,
            total: 156,
            unit: Unit::Steps,
        };
        let line = format!(
            "{}  {}",
            reached.marks(),
            reached.words(Duration::from_secs(18))
        );
        assert_eq!(
            labelled("writing", &line),
            "writing  ''''''''|........  78 of 156, about 18 s left"
        );
        assert_eq!(
            beside("in hand", "writing", "0x530000 in system"),
            "in hand  0x530000 in system"
        );
    }

    #[test]
    fn nothing_is_promised_before_a_hundredth_is_done() {
        assert_eq!(bytes(0).words(Duration::from_secs(9)), "0 of 16 MiB");
        assert_eq!(bytes(0).marks(), "|................");
    }

    #[test]
    fn odd_numbers_do_no_harm() {
        for (done, total) in [(0, 0), (5, 0), (9, 3), (u64::MAX, u64::MAX), (u64::MAX, 1)] {
            let unit = Unit::Steps;
            let reached = Reached { done, total, unit };
            assert_eq!(reached.marks(), "''''''''''''''''|", "{done} of {total}");
            assert!(!reached.words(Duration::MAX).is_empty());
        }
    }
}
