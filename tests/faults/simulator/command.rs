//! What a person types, and how it ends.

use std::collections::BTreeMap;

use norlock::interlock::Acceptable;
use norlock::jedec::status::Protection;
use norlock::job::{ProtectOrder, Stop};
use norlock::unit::ImageName;

use super::process::Death;

/// What a person types, apart from the options that all of them take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    Contact,
    Backup,
    Tailor,
    Write,
    Verify(ImageName),
    Restore {
        to: u32,
        replacement: bool,
        rewrite: Vec<std::ops::Range<u32>>,
    },
    Protect(ProtectOrder),
    Protection,
}

impl Command {
    pub fn back() -> Self {
        Self::Restore {
            to: 1,
            replacement: false,
            rewrite: Vec::new(),
        }
    }

    pub fn name(&self) -> &'static str {
        match self {
            Self::Contact => "contact",
            Self::Backup => "backup",
            Self::Tailor => "tailor",
            Self::Write => "write",
            Self::Verify(_) => "verify",
            Self::Restore { rewrite, .. } if !rewrite.is_empty() => "restore --rewrite",
            Self::Restore {
                replacement: true, ..
            } => "restore --replacement",
            Self::Restore { .. } => "restore",
            Self::Protect(_) => "protect --set",
            Self::Protection => "protect",
        }
    }

    pub fn writes(&self) -> bool {
        matches!(self, Self::Write | Self::Restore { .. })
    }
}

/// What a command claims that ended by itself.
#[derive(Debug, Clone, PartialEq)]
pub enum Claim {
    /// The contact is good, or not.
    Contact(bool),
    /// The chip is kept in this file.
    Kept(String),
    Made,
    /// The chip holds this image; whether an interrupted run was gone on with.
    Holds(ImageName, bool),
    /// The chip equals the image, or not.
    Equals(ImageName, bool),
    /// The chip protects this.
    Protects(Protection, bool),
}

#[derive(Debug)]
pub enum Ended {
    Done(Claim),
    Stopped(Stop),
    /// The process died before it could say anything.
    Died(Death),
}

/// What the person adds to each command line.
#[derive(Debug, Clone, Default)]
pub struct Options {
    pub accepted: BTreeMap<&'static str, (Acceptable, String)>,
    pub lift_protection: bool,
}
