//! What a crash leaves of what was not synced.

use std::ops::Range;
use std::sync::Arc;

use super::Loss;
use super::disk::{Change, Content, Disk, Names, place};
use crate::mock::random;

/// What becomes of a pending write.
enum Left {
    /// These bytes of it.
    Bytes(Range<usize>),
    /// Its place, with zeros: the file has grown, its bytes never came.
    Zeros(Range<usize>),
}

/// What becomes of a pending change of names.
#[derive(Clone, Copy)]
enum Name {
    Dropped,
    Done,
    /// Of a rename only the new name was written, and the old one stands too.
    Torn,
}

/// Ways in which a pending write may end.
const WRITE_FATES: u64 = 4;

/// Draws the fate of each pending operation, in order.
enum Fates {
    Keep,
    Drop,
    Tear(Draw),
    /// Mixed digits, the first operation's lowest.
    Subset(u64),
}

/// Numbers that follow from a seed.
struct Draw {
    seed: u64,
    drawn: u64,
}

impl Draw {
    /// A number below `end`, which is not 0.
    fn below(&mut self, end: usize) -> usize {
        self.drawn += 1;
        (random::mix(self.seed, self.drawn, 0) % end as u64) as usize
    }
}

impl Fates {
    fn of(loss: Loss) -> Self {
        match loss {
            Loss::Keep => Self::Keep,
            Loss::Drop => Self::Drop,
            Loss::Tear(seed) => Self::Tear(Draw { seed, drawn: 0 }),
            Loss::Subset(number) => Self::Subset(number),
        }
    }

    fn write(&mut self, range: Range<usize>) -> Left {
        let none = range.start..range.start;
        let half = range.start..range.start.midpoint(range.end);
        match self {
            Self::Keep => Left::Bytes(range),
            Self::Drop => Left::Bytes(none),
            Self::Tear(draw) => Left::Bytes(match draw.below(3) {
                0 => none,
                1 => range.start..range.start + draw.below(range.len() + 1),
                _ => range,
            }),
            Self::Subset(rest) => match digit(rest, WRITE_FATES) {
                0 => Left::Bytes(none),
                1 => Left::Bytes(range),
                2 => Left::Bytes(half),
                _ => Left::Zeros(range),
            },
        }
    }

    /// A file system that keeps names in order loses the latest ones; a subset is any.
    fn names(&mut self, pending: &[Change]) -> Vec<Name> {
        let count = pending.len();
        let first = |kept: usize| {
            let each = (0..count).map(|at| if at < kept { Name::Done } else { Name::Dropped });
            each.collect()
        };
        match self {
            Self::Keep => first(count),
            Self::Drop => first(0),
            Self::Tear(draw) => first(draw.below(count + 1)),
            Self::Subset(rest) => pending
                .iter()
                .map(|change| match digit(rest, name_fates(change)) {
                    0 => Name::Dropped,
                    1 => Name::Done,
                    _ => Name::Torn,
                })
                .collect(),
        }
    }
}

fn digit(rest: &mut u64, base: u64) -> u64 {
    let digit = *rest % base;
    *rest /= base;
    digit
}

/// Ways in which a pending change of names may end.
fn name_fates(change: &Change) -> u64 {
    match change {
        Change::Move(..) => 3,
        Change::Put(..) | Change::Take(..) => 2,
    }
}

impl Disk {
    /// In how many ways what is not synced can be lost, and how many operations that is.
    pub(super) fn subsets(&self) -> (u64, usize) {
        let writes: usize = self.contents.iter().map(|file| file.pending.len()).sum();
        let writes_lost = WRITE_FATES.saturating_pow(u32::try_from(writes).unwrap_or(u32::MAX));
        let names = self.pending.iter().map(name_fates);
        let ways = names.fold(writes_lost, u64::saturating_mul);
        (ways, writes + self.pending.len())
    }

    pub(super) fn crash(&mut self, loss: Loss) {
        let mut fates = Fates::of(loss);
        for content in &mut self.contents {
            content.lose(&mut fates);
        }
        let pending = std::mem::take(&mut self.pending);
        for (change, fate) in pending.iter().zip(fates.names(&pending)) {
            match (fate, change) {
                (Name::Dropped, _) => {}
                (Name::Torn, Change::Move(node, _, to)) => {
                    self.durable.insert(to.clone(), *node);
                }
                _ => change.apply(&mut self.durable),
            }
        }
        drop_orphans(&mut self.durable);
        self.names.clone_from(&self.durable);
    }
}

impl Content {
    fn lose(&mut self, fates: &mut Fates) {
        for range in std::mem::take(&mut self.pending) {
            let (range, zeros) = match fates.write(range) {
                Left::Bytes(range) => (range, false),
                Left::Zeros(range) => (range, true),
            };
            match self.now.get(range.clone()) {
                Some(bytes) if !bytes.is_empty() && zeros => {
                    let zeros = vec![0; bytes.len()];
                    place(Arc::make_mut(&mut self.durable), range, &zeros);
                }
                Some(bytes) if !bytes.is_empty() => {
                    place(Arc::make_mut(&mut self.durable), range, bytes)
                }
                _ => {}
            }
        }
        self.now.clone_from(&self.durable);
    }
}

/// A name in a folder that was lost is lost with it.
fn drop_orphans(names: &mut Names) {
    let mut kept = Names::new();
    for (path, node) in std::mem::take(names) {
        if path.parent().is_none_or(|folder| kept.contains_key(folder)) {
            kept.insert(path, node);
        }
    }
    *names = kept;
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    #[test]
    fn a_folder_that_was_lost_takes_its_names_along() {
        let (folder, inside) = (Path::new("/journal"), Path::new("/journal/write-1"));
        for loss in [Loss::Drop, Loss::Keep] {
            let mut disk = Disk::default();
            disk.create_folder(folder).unwrap();
            disk.create(inside).unwrap();
            disk.sync_folder(folder);
            disk.crash(loss);
            assert_eq!(disk.exists(inside), loss == Loss::Keep);
        }
    }
}
