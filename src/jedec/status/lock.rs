//! What keeps the status registers from being written, and which of their bits are for ever.

use std::fmt;

use serde::Serialize;

use super::layout::{Bit, Layout};
use super::{Registers, StatusFamily};
use crate::jedec::opcode::{
    READ_FUNCTION_ISSI, READ_SECURITY_MACRONIX, READ_STATUS_1, READ_STATUS_2, READ_STATUS_3,
};

/// What keeps the protect bits from being written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum StatusLock {
    /// SRP, SRWD or BPL is set: locked while the WP# pin is low.
    WhileWpLow,
    /// SRL, SRP1 or VLP is set: locked until the next power cycle. SRL of a Winbond part may have been
    /// set for ever; nothing shows that but a power cycle after which it still reads 1.
    UntilPowerCycle,
    /// SRP1 and SRP0 are both set: locked for ever.
    ForEver,
}

impl StatusLock {
    /// Whether the level of WP# decides.
    #[must_use]
    pub fn is_by_pin(self) -> bool {
        self == Self::WhileWpLow
    }
}

impl fmt::Display for StatusLock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::WhileWpLow => "locked while WP# is low",
            Self::UntilPowerCycle => "locked until the next power-up",
            Self::ForEver => "locked for ever",
        })
    }
}

/// A bit that can be set once and never cleared. No command here writes one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OneTimeBit {
    /// As the datasheet calls it.
    pub name: &'static str,
    /// Opcode that reads its register.
    pub register: u8,
    /// Its place in the register, 0 to 7.
    pub bit: u32,
    /// Whether it is set; `None` where its register was not read.
    pub set: Option<bool>,
}

/// SRP0, SRWD or BPL in SR1.
const LOCK_BIT: Bit = Bit::new(READ_STATUS_1, 7);
/// QE of Macronix.
const QUAD: Bit = Bit::new(READ_STATUS_1, 6);
/// SRL or SRP1.
const SRP1: Bit = Bit::new(READ_STATUS_2, 0);
/// IOC, VLP and WPEN in the configuration register of SST26VF080A.
const IOC: Bit = Bit::new(READ_STATUS_2, 1);
const VLP: Bit = Bit::new(READ_STATUS_2, 2);
const WPEN: Bit = Bit::new(READ_STATUS_2, 7);

impl StatusFamily {
    /// What may keep the protect bits from being written, as far as the registers show it.
    ///
    /// A write that reads back unchanged is explained by this, or by a missing write enable.
    #[must_use]
    pub fn status_lock(self, registers: &Registers) -> Option<StatusLock> {
        let set = |bit: Bit| bit.of(registers) == Some(true);
        let by_pin = |locked: bool| locked.then_some(StatusLock::WhileWpLow);
        match self {
            Self::Basic | Self::Sst26 => None,
            Self::Winbond if set(SRP1) => Some(StatusLock::UntilPowerCycle),
            Self::GigaDevice | Self::Adesto if set(SRP1) && set(LOCK_BIT) => {
                Some(StatusLock::ForEver)
            }
            Self::GigaDevice | Self::Adesto if set(SRP1) => Some(StatusLock::UntilPowerCycle),
            Self::Sst26A if set(VLP) => Some(StatusLock::UntilPowerCycle),
            // IOC takes WP# away, WPEN gives it its effect.
            Self::Sst26A => by_pin(set(LOCK_BIT) && set(WPEN) && !set(IOC)),
            // QE makes another pin of WP# (MX25R1635F Rev 1.5, MX25L3233F Rev 1.6).
            Self::Macronix => by_pin(set(LOCK_BIT) && !set(QUAD)),
            _ => by_pin(set(LOCK_BIT)),
        }
    }

    /// Whether [`StatusFamily::status_lock`] can tell that nothing locks the registers: not where only WIP and
    /// WEL are known, or where protection and its lock are in a register that is not read.
    #[must_use]
    pub fn shows_lock(self) -> bool {
        !matches!(self, Self::Basic | Self::Sst26)
    }

    /// The one-time bits that these registers have, as a document that was read for the family and size
    /// names them; `None` where none was read.
    #[must_use]
    pub fn one_time(self, registers: &Registers, size_bytes: u32) -> Option<Vec<OneTimeBit>> {
        Layout::of(self, size_bytes)?;
        let bits = one_time_bits(self, size_bytes).iter();
        let shown = bits.map(|(name, bit)| OneTimeBit {
            name,
            register: bit.register,
            bit: bit.at,
            set: bit.of(registers),
        });
        Some(shown.collect())
    }
}

fn one_time_bits(family: StatusFamily, size_bytes: u32) -> &'static [(&'static str, Bit)] {
    use StatusFamily as F;
    const LB: [(&str, Bit); 3] = [
        ("LB1", Bit::new(READ_STATUS_2, 3)),
        ("LB2", Bit::new(READ_STATUS_2, 4)),
        ("LB3", Bit::new(READ_STATUS_2, 5)),
    ];
    const LB_ALONE: [(&str, Bit); 1] = [("LB", Bit::new(READ_STATUS_2, 2))];
    const MACRONIX: [(&str, Bit); 2] = [
        ("TB", Bit::new(READ_STATUS_3, 3)),
        ("LDSO", Bit::new(READ_SECURITY_MACRONIX, 1)),
    ];
    const ISSI: [(&str, Bit); 5] = [
        ("TBS", Bit::new(READ_FUNCTION_ISSI, 1)),
        ("IRL0", Bit::new(READ_FUNCTION_ISSI, 4)),
        ("IRL1", Bit::new(READ_FUNCTION_ISSI, 5)),
        ("IRL2", Bit::new(READ_FUNCTION_ISSI, 6)),
        ("IRL3", Bit::new(READ_FUNCTION_ISSI, 7)),
    ];
    const SST26A: [(&str, Bit); 1] = [("SEC", Bit::new(READ_STATUS_2, 3))];
    match family {
        F::GigaDevice if size_bytes == 2 << 20 => &LB_ALONE,
        F::Winbond | F::GigaDevice | F::Adesto => &LB,
        // LDSO was read for MX25R1635F only.
        F::Macronix if size_bytes == 2 << 20 => &MACRONIX,
        F::Macronix => &MACRONIX[..1],
        F::Issi => &ISSI,
        F::Sst26A => &SST26A,
        _ => &[],
    }
}
