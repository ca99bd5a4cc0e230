//! A simulated chip's state between two commands: the chip stays powered, the computer starts anew.

use std::fs;
use std::io;
use std::ops::Range;
use std::path::Path;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

use super::chip::{Chip, State};

/// The file beside the cells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SavedState {
    /// Modifying operations so far; numbers of faults count on.
    pub(super) operations: u64,
    #[serde(deserialize_with = "registers")]
    status_stored: [u8; 3],
    #[serde(deserialize_with = "registers")]
    status_in_force: [u8; 3],
    blocks_locked: bool,
    write_enabled: bool,
    asleep: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    continuous: bool,
    four_byte_mode: bool,
    extended_address: u8,
    bank: u8,
    flags: u8,
    latched: bool,
    busy_for_ns: u64,
    /// Where auto address increment goes on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    increment: Option<u32>,
    /// Volatile locks: where their block begins, and what they hold.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "locks"
    )]
    locks: Vec<(u32, u8)>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    lasting_locks: Vec<u32>,
    unstable: Vec<Range<u32>>,
}

/// Three bytes and no more: what is left over of a longer array would else be lost without a word.
fn registers<'de, D: Deserializer<'de>>(from: D) -> Result<[u8; 3], D::Error> {
    let found = Vec::<u8>::deserialize(from)?;
    let length = found.len();
    found
        .try_into()
        .map_err(|_| D::Error::invalid_length(length, &"a list of three registers"))
}

/// The same for each lock: where its block begins, and a byte.
fn locks<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<(u32, u8)>, D::Error> {
    let found = Vec::<Vec<u32>>::deserialize(from)?;
    let lock = |found: Vec<u32>| match found.as_slice() {
        [at, held] => u8::try_from(*held)
            .map(|held| (*at, held))
            .map_err(|_| D::Error::custom("a lock holds one byte")),
        other => Err(D::Error::invalid_length(
            other.len(),
            &"a list of address and byte",
        )),
    };
    found.into_iter().map(lock).collect()
}

impl SavedState {
    pub(super) fn of(chip: &Chip, operations: u64, now_ns: u64) -> Self {
        let state = &chip.state;
        Self {
            operations,
            status_stored: state.stored,
            status_in_force: state.registers,
            blocks_locked: state.blocks_locked,
            write_enabled: state.write_enabled,
            asleep: state.asleep,
            continuous: state.continuous,
            four_byte_mode: state.four_byte,
            extended_address: state.extended,
            bank: state.bank,
            flags: state.flags,
            latched: state.latched,
            busy_for_ns: state.busy_until_ns.saturating_sub(now_ns),
            increment: state.increment,
            unstable: chip.unstable.clone(),
            locks: state.locks.iter().map(|(at, held)| (*at, *held)).collect(),
            lasting_locks: state.lasting_locks.iter().copied().collect(),
        }
    }

    /// Puts a chip, at time 0 of its new clock, into this state.
    pub(super) fn apply(self, chip: &mut Chip) {
        chip.unstable = self.unstable;
        chip.state = State {
            stored: self.status_stored,
            registers: self.status_in_force,
            blocks_locked: self.blocks_locked,
            write_enabled: self.write_enabled,
            asleep: self.asleep,
            continuous: self.continuous,
            four_byte: self.four_byte_mode,
            extended: self.extended_address,
            bank: self.bank,
            flags: self.flags,
            latched: self.latched,
            busy_until_ns: self.busy_for_ns,
            increment: self.increment,
            locks: self.locks.into_iter().collect(),
            lasting_locks: self.lasting_locks.into_iter().collect(),
            ..State::default()
        };
    }

    /// Replaces the file.
    pub(super) fn write(&self, path: &Path) -> io::Result<()> {
        let text = toml::to_string(self).map_err(io::Error::other)?;
        let unfinished = path.with_extension("state.unfinished");
        fs::write(&unfinished, text)?;
        fs::rename(&unfinished, path)
    }
}
