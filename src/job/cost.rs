//! What a bench takes besides bits and the chip's own times, for the model of a write: measured when the unit is
//! backed up and kept with it, so that it can be told before anything is connected.

use std::time::Duration;

use super::contact::message_overhead;
use crate::chip::Chip;
use crate::unit::{Operation, Unit, UnitError};
use crate::worklist::Pace;

/// Bytes that one message of the link brings in, in a record.
const MESSAGE: (&str, &str) = ("message", " bytes");
/// What a file that is replaced takes: it is synced, and then its folder is.
const TWO_SYNCS: (&str, &str) = ("two syncs", " us");
/// Lanes that the second read went on, in a record.
const LANES: (&str, &str) = ("lanes", " of data");

/// Syncs of a write before its first step: its record, the journal's file and folder (counted on the simulated
/// bench).
const BEGUN_SYNCS: u32 = 5;

/// Syncs that are timed; the least of them counts, as others may write to the same card.
const TRIES: usize = 2;

/// What messages and syncs cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cost {
    message: Duration,
    message_bytes: u32,
    two_syncs: Duration,
    lanes: u8,
}

impl Cost {
    /// As it is now, on the link's clock: what `contact` has measured of messages, and a sync of the unit's
    /// own record, which is written again as it is. A step of a write syncs as often.
    ///
    /// # Errors
    /// `OnlyViewed`, `Store`.
    pub fn measured(unit: &mut Unit, chip: &Chip, link: &str) -> Result<Self, UnitError> {
        let mut two_syncs = Duration::MAX;
        for _ in 0..TRIES {
            let start = chip.now();
            unit.save_again()?;
            two_syncs = two_syncs.min(chip.now().saturating_sub(start));
        }
        Ok(Self {
            message: message_overhead(unit, link).unwrap_or(Pace::MESSAGE),
            message_bytes: chip.message_bytes(),
            two_syncs,
            lanes: 1,
        })
    }

    /// As it was at the unit's last backup. Messages are those of `link`, else of the link that the unit was
    /// last on.
    pub fn recorded(unit: &Unit, link: Option<&str>) -> Self {
        let last = || unit.file().operations.iter().rev();
        let backup = last().find(|one| one.conditions.contains_key(TWO_SYNCS.0));
        let number = |(key, unit_of): (&str, &str)| -> Option<u64> {
            let text = backup?.conditions.get(key)?;
            text.strip_suffix(unit_of)?.parse().ok()
        };
        let mut links = last().filter_map(|one| one.conditions.get("link"));
        let link = link.or_else(|| links.next().map(String::as_str));
        let message = link.and_then(|link| message_overhead(unit, link));
        let bytes = number(MESSAGE).and_then(|bytes| u32::try_from(bytes).ok());
        Self {
            message: message.unwrap_or(Pace::MESSAGE),
            message_bytes: bytes.unwrap_or(Pace::MESSAGE_BYTES),
            two_syncs: number(TWO_SYNCS).map_or(Pace::RECORDS, Duration::from_micros),
            lanes: match number(LANES) {
                Some(4) => 4,
                Some(2) => 2,
                _ => 1,
            },
        }
    }

    /// Lanes that the second read of the last backup went on.
    pub fn lanes(&self) -> u8 {
        self.lanes
    }

    /// Adds it to the record of a backup that read a second time on so many lanes, for [`Cost::recorded`].
    pub fn note(&self, operation: &mut Operation, lanes: u8) {
        let mut note = |(key, unit_of): (&str, &str), number: u128| {
            let shown = format!("{number}{unit_of}");
            operation.conditions.insert(key.to_owned(), shown);
        };
        note(MESSAGE, self.message_bytes.into());
        note(TWO_SYNCS, self.two_syncs.as_micros());
        if lanes > 1 {
            note(LANES, lanes.into());
        }
    }

    /// The clocks of a job, with this cost.
    pub fn with(&self, clocks: Pace) -> Pace {
        Pace {
            message: self.message,
            message_bytes: self.message_bytes,
            records: self.two_syncs,
            begun: self.two_syncs * BEGUN_SYNCS / 2,
            ..clocks
        }
    }
}
