//! The readings of a survey, as they lie on the disk, and how they vote.

use std::ops::Range;

use super::plan::Condition;
use crate::jedec::opcode;
use crate::unit::store::{StoreError, StoreFile};

/// All passes: the first as read, the others as exclusive-or with it.
pub(super) struct Readings {
    pub files: Vec<Box<dyn StoreFile>>,
    pub size_bytes: u32,
    /// Blocks that an interrupted write has begun: torn ones read differently on the best of chips.
    pub exempt: Vec<Range<u32>>,
}

impl Readings {
    /// What pass `number` read; `into` must lie within the array.
    pub fn read(&self, number: usize, at: u32, into: &mut [u8]) -> Result<(), StoreError> {
        let Some(first) = self.files.first() else {
            return Ok(());
        };
        first.read_exact_at(u64::from(at), into)?;
        if number > 0 {
            let mut differing = vec![0; into.len()];
            self.differing(number, at, &mut differing)?;
            for (byte, differing) in into.iter_mut().zip(&differing) {
                *byte ^= differing;
            }
        }
        Ok(())
    }

    /// In what pass `number` differs from the first; whether it does.
    pub fn differing(&self, number: usize, at: u32, into: &mut [u8]) -> Result<bool, StoreError> {
        match self.files.get(number) {
            Some(file) if number > 0 => file.read_exact_at(u64::from(at), into)?,
            _ => into.fill(0),
        }
        for range in &self.exempt {
            let within = |address: u32| (address.saturating_sub(at) as usize).min(into.len());
            let torn = within(range.start)..within(range.end);
            into.get_mut(torn).unwrap_or_default().fill(0);
        }
        Ok(into.iter().any(|byte| *byte != 0))
    }
}

/// How much each pass counts in a vote: more than all that come after it in the order of `first`.
#[derive(Debug, Clone)]
pub(super) struct Votes(Vec<i64>);

/// So that a thousand voters of one kind do not outweigh one of the kind before.
const KIND: u32 = 12;

impl Votes {
    /// All passes alike; a tie goes as those at the lowest SCK say, then as 03h, then as the first.
    pub fn all(conditions: &[Condition]) -> Self {
        Self::of(conditions, |_| true, |condition| condition.level == 0)
    }

    /// Those at the lowest SCK; a tie goes as all say, then as 03h, then as the first.
    pub fn slowest(conditions: &[Condition]) -> Self {
        Self::of(conditions, |condition| condition.level == 0, |_| true)
    }

    /// Those up to an SCK level; a tie goes as with all.
    pub fn up_to(conditions: &[Condition], level: usize) -> Self {
        let counts = |condition: &Condition| condition.level <= level;
        Self::of(conditions, counts, |condition| condition.level == 0)
    }

    fn of(
        conditions: &[Condition],
        counts: impl Fn(&Condition) -> bool,
        in_a_tie: impl Fn(&Condition) -> bool,
    ) -> Self {
        let mut lists = Vec::new();
        for (number, condition) in conditions.iter().enumerate() {
            let kinds = [
                counts(condition),
                in_a_tie(condition),
                condition.opcode == opcode::READ,
                number == 0,
            ];
            let weight = |weight: i64, kind: &bool| weight << KIND | i64::from(*kind);
            lists.push(kinds.iter().fold(0, weight));
        }
        Self(lists)
    }

    /// How many passes count first.
    pub fn count(&self) -> u64 {
        let first = self.0.iter().filter(|weight| **weight >> (3 * KIND) > 0);
        first.count() as u64
    }

    /// Whether pass `number` is one of them.
    pub fn counts(&self, number: usize) -> bool {
        self.0
            .get(number)
            .is_some_and(|weight| weight >> (3 * KIND) > 0)
    }

    /// The byte that most of `columns` have; one for each pass, in their order.
    pub fn winner(&self, columns: impl Iterator<Item = u8> + Clone) -> u8 {
        let mut byte = 0;
        for bit in 0..8 {
            let voted = self.0.iter().zip(columns.clone());
            let sum: i64 = voted
                .map(|(weight, column)| match column >> bit & 1 {
                    1 => *weight,
                    _ => -weight,
                })
                .sum();
            byte |= u8::from(sum > 0) << bit;
        }
        byte
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn most_win_and_ties_go_by_what_is_surest() {
        let votes = |list: &[[i64; 4]]| {
            let weight = |kinds: &[i64; 4]| kinds.iter().fold(0, |sum, kind| sum << KIND | kind);
            Votes(list.iter().map(weight).collect())
        };
        let three = votes(&[[1, 0, 0, 0], [1, 0, 0, 0], [1, 1, 1, 1]]);
        assert_eq!(three.winner([3, 1, 0].into_iter()), 1);
        assert_eq!(three.count(), 3);
        // Two against two: the slow one says.
        let four = votes(&[[1, 0, 1, 1], [1, 0, 1, 0], [1, 1, 0, 0], [1, 0, 0, 0]]);
        assert_eq!(four.winner([0, 0, 1, 1].into_iter()), 1);
        // Slow ones tie too: 03h says; then the first.
        let tie = votes(&[[1, 1, 0, 1], [1, 1, 1, 0]]);
        assert_eq!(tie.winner([0, 1].into_iter()), 1);
        let first = votes(&[[1, 1, 1, 1], [1, 1, 1, 0]]);
        assert_eq!(first.winner([2, 1].into_iter()), 2);
        // One that does not count is heard in a tie alone.
        let some = votes(&[[1, 0, 0, 0], [0, 0, 1, 1], [0, 0, 1, 0]]);
        assert_eq!(some.winner([1, 0, 0].into_iter()), 1);
        assert_eq!(some.count(), 1);
    }
}
