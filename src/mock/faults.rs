//! What can be wrong on a simulated bench.
//!
//! The fault model: *view* faults act between cells and host (or on what goes out, on its way to the
//! chip), and the cells never learn of them; *chip* faults change what the chip does or how it is
//! found. Everything replays: draws depend on the seed, the fault's place in the list, and the
//! address or the frame, never on the order of calls. Frames, batches and modifying operations are
//! numbered from 1. Not modelled: analogue levels, a half-clocked byte, damage by a wrong supply.

use std::ops::Range;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

use super::quantity;
use crate::jedec::Hertz;

/// The faults of a bench, in the order in which they were added, and the seed of their chance.
///
/// ```
/// use norlock::mock::{Fault, Faults, Miso};
/// let faults = Faults::seeded(7)
///     .with(Fault::BitSlip { bits: 3 })
///     .with(Fault::Miso { shows: Miso::Noise, from_frame: 100, frames: Some(20) });
/// ```
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Faults {
    pub(super) seed: u64,
    pub(super) list: Vec<Fault>,
}

impl Faults {
    /// No faults.
    #[must_use]
    pub fn none() -> Self {
        Self::default()
    }

    /// No faults yet; chance in those added is drawn from `seed`.
    #[must_use]
    pub fn seeded(seed: u64) -> Self {
        Self {
            seed,
            list: Vec::new(),
        }
    }

    /// The same and one more.
    #[must_use]
    pub fn with(mut self, fault: Fault) -> Self {
        self.list.push(fault);
        self
    }
}

/// One thing that is wrong. In a bench file: `[[fault]]` and one line, such as
/// `bit-slip = { bits = 3 }`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Fault {
    /// View: the clip has moved. The chip hears nothing, MISO shows `shows`.
    LooseContact {
        /// What the host reads meanwhile.
        shows: Miso,
        /// First frame that is lost.
        #[serde(default)]
        from_frame: u64,
        /// How many frames are lost; absent is for good.
        #[serde(default)]
        frames: Option<u64>,
    },
    /// View: another master talks on the same wires. While CS is high MISO shows its bits; in some of our
    /// own frames both drive, and a 0 wins.
    ForeignMaster {
        /// It talks in each so many frames of ours; 0 is in none.
        every: u64,
    },
    /// View: HOLD# floats. In a frame the chip stops at some byte, and MISO floats until CS rises.
    FloatingHold {
        /// Chance to stop at each byte that comes in.
        #[serde(deserialize_with = "chance")]
        chance: f64,
        /// What the host reads from there on.
        shows: Miso,
    },
    /// View: only MISO is lost; the chip hears all and acts.
    Miso {
        /// What the host reads meanwhile.
        shows: Miso,
        /// First frame that is lost.
        #[serde(default)]
        from_frame: u64,
        /// How many frames are lost; absent is for good.
        #[serde(default)]
        frames: Option<u64>,
    },
    /// View: bits that read inverted under some condition, or reach the chip so.
    Flips(Flips),
    /// View: the chip hears frames another number of times than they were sent: a spike on CS, or a
    /// controller that repeats. What is not heard reads as FFh.
    Heard {
        /// How often; 0 is a frame that is lost.
        times: u8,
        /// Only frames that begin with this.
        #[serde(default)]
        opcode: Option<u8>,
        /// First frame.
        #[serde(default)]
        from_frame: u64,
        /// How many frames; absent is for good.
        #[serde(default)]
        frames: Option<u64>,
    },
    /// View: all that comes in is late by 1 to 7 bits, in every frame.
    BitSlip {
        /// How many bits late.
        #[serde(deserialize_with = "between::<1, 7, _>")]
        bits: u8,
    },
    /// View: one bit of each byte that comes in is stuck.
    StuckBit {
        /// The bit, 0 to 7.
        #[serde(deserialize_with = "between::<0, 7, _>")]
        bit: u8,
        /// Stuck at 1, or at 0.
        high: bool,
    },
    /// View: an address bit does not reach the chip as sent. Within a frame the chip counts on
    /// undisturbed.
    AddressLine {
        /// The bit, 23 for A23.
        line: u8,
        /// What the chip sees.
        is: AddressBit,
    },
    /// View: after each `every` bytes of a frame one more is lost, and the rest moves up.
    DroppedByte {
        /// Bytes between two losses.
        every: u32,
    },
    /// View: after each `every` bytes of a frame the last one comes again, and the rest moves back.
    DoubledByte {
        /// Bytes between two repeats.
        every: u32,
    },
    /// View: the buffers for what comes in are left as they were.
    StaleBuffer {
        /// First frame.
        #[serde(default)]
        from_frame: u64,
        /// How many frames; absent is for good.
        #[serde(default)]
        frames: Option<u64>,
    },
    /// The link itself fails.
    Link {
        /// The batch that fails.
        at_batch: u64,
        /// How.
        error: Failure,
        /// Every later batch fails too.
        #[serde(default)]
        lasting: bool,
    },
    /// Chip: answers these bytes to Read JEDEC ID.
    LyingId {
        /// The answer; repeats.
        bytes: Vec<u8>,
    },
    /// Chip: answers these bytes to every other Read JEDEC ID, by chance.
    AlternatingId {
        /// The other answer; repeats.
        bytes: Vec<u8>,
    },
    /// Chip: its SFDP tells another density.
    LyingSfdpDensity {
        /// What it tells.
        size_bytes: u32,
    },
    /// Chip: has fewer cells than its part; addresses wrap there.
    RealSize {
        /// Cells there are; a power of two, at least the largest erase block.
        size_bytes: u32,
    },
    /// Chip: found in deep power-down.
    Asleep {
        /// Does not hear the release (ABh) either, as after a brown-out.
        #[serde(default)]
        deaf: bool,
    },
    /// Chip: found busy.
    Busy {
        /// How long it still is.
        ms: u64,
    },
    /// Chip: found in 4-byte address mode.
    FourByteMode {
        /// Comes up in it as well, as a part does whose power-up address mode bit is set.
        #[serde(default)]
        at_power_up: bool,
    },
    /// Chip: found in continuous-read mode, in which a frame begins with its address. Eight clocks with
    /// DI high end it (FFh).
    ContinuousRead {},
    /// Chip: found with this in its bank or extended address register.
    AddressRegister {
        /// What it holds.
        value: u8,
    },
    /// Chip: its supply dips for a moment, and all that is volatile is as at power-up. The cells and
    /// the bench stay.
    Dip {
        /// The batch before which it does.
        at_batch: u64,
    },
    /// Chip: its supply sags in long frames: from some byte on it drives nothing, is deaf for some frames
    /// after that, and all that is volatile is as at power-up.
    Sag {
        /// Bytes of a frame that come in before it does.
        after_bytes: u32,
        /// Frames that it does not hear.
        frames: u64,
    },
    /// The controller makes SCK from its own clock by an even divider, so what is on the wire is the next
    /// lower one (common practice, no source).
    DividedClock {
        /// The clock that it divides.
        #[serde(with = "quantity::plain")]
        clock: Hertz,
        /// First batch from which on it does; of several the first that is in force counts.
        #[serde(default)]
        from_batch: u64,
        /// For how many batches; absent is for good.
        #[serde(default)]
        batches: Option<u64>,
    },
    /// View: on several lanes this line carries one way only, or nothing where it is IO2 or IO3: what should
    /// have come over it is pulled up. MOSI (0) still carries what goes out, MISO (1) what comes in.
    Lane {
        /// 0 to 3.
        #[serde(deserialize_with = "between::<0, 3, _>")]
        line: u8,
    },
    /// The bench computer reports that its own supply dips; the chip does not notice.
    HostUnderVoltage {
        /// First batch before which it does.
        #[serde(default)]
        from_batch: u64,
        /// For how many batches; absent is for good.
        #[serde(default)]
        batches: Option<u64>,
    },
    /// Chip: writes of its bank or extended address register do nothing.
    SilentRegister {
        /// First batch from which on they do.
        #[serde(default)]
        from_batch: u64,
        /// For how many batches; absent is for good.
        #[serde(default)]
        batches: Option<u64>,
    },
    /// Chip: found with WEL set.
    WriteEnabled {},
    /// Chip: found with these bits of status register 1 set, besides what is set already.
    Protected {
        /// The bits; BP0 is bit 2 in every family.
        status_1: u8,
    },
    /// Chip: found with these bits of another register set, besides what is set already.
    RegisterBits {
        /// Opcode that reads it.
        register: u8,
        /// The bits.
        bits: u8,
    },
    /// Chip: WP# is low.
    WriteProtectPin {
        /// The register's lock bit (SRP, SRWD or BPL: bit 7) is set as well, so that status writes
        /// are ignored.
        #[serde(default = "yes")]
        lock_bit: bool,
    },
    /// Chip: erases report well and do nothing.
    SilentErase {
        /// First modifying operation from which on they do.
        #[serde(default)]
        from_operation: u64,
        /// For how many operations; absent is for good.
        #[serde(default)]
        operations: Option<u64>,
    },
    /// Chip: programs report well and do nothing.
    SilentProgram {
        /// First modifying operation from which on they do.
        #[serde(default)]
        from_operation: u64,
        /// For how many operations; absent is for good.
        #[serde(default)]
        operations: Option<u64>,
    },
    /// Chip: cells that read differently by chance, anew in each frame, erased or not.
    WeakCells {
        /// Where.
        addresses: Range<u32>,
        /// Which bits of each byte.
        #[serde(default = "all_bits")]
        bits: u8,
        /// Chance of one bit to read inverted.
        #[serde(deserialize_with = "chance")]
        chance: f64,
    },
    /// After some modifying operations another chip is on the clip. The truth that the bench tells
    /// stays that of the first, which is back on the clip with the next faults that leave this out.
    Swapped {
        /// Operations the first chip still carries out.
        #[serde(default)]
        after_operation: u64,
        /// The other one's answer to Read JEDEC ID; absent is the same.
        #[serde(default)]
        jedec_id: Option<Vec<u8>>,
        /// The other one's unique ID; absent is drawn from the seed.
        #[serde(default)]
        unique_id: Option<Vec<u8>>,
        /// What the other one holds.
        content: Content,
    },
    /// The supply fails during a modifying operation. Every transfer fails from then on until the
    /// bench is powered up again.
    PowerCut {
        /// The operation.
        at_operation: u64,
        /// What it leaves.
        torn: Torn,
    },
    /// Chip: takes longer than it should.
    Slow {
        /// Times the drawn time, up to a million; may go beyond the part's maximum.
        factor: f64,
    },
}

/// What MISO shows while nothing drives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Miso {
    /// Pulled down, or shorted.
    Low,
    /// Pulled up, or shorted.
    High,
    /// Floats: noise, another one in each frame.
    Noise,
}

/// What a chip sees on an address bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AddressBit {
    /// Always 0.
    Low,
    /// Always 1.
    High,
    /// What is on this other bit.
    SameAs(u8),
}

/// Only bits that would read so are struck.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Struck {
    /// Ones, which read 0.
    Ones,
    /// Zeros, which read 1.
    Zeros,
}

/// Bits that read inverted, or with `mosi` reach the chip inverted, where every condition named holds.
///
/// What is struck depends on seed and address (outside the array, and on MOSI: on the place in the
/// frame), and repeats at every read unless `fresh`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Flips {
    /// What goes out is struck, opcode and address with it, not what comes in.
    pub mosi: bool,
    /// Chance of each bit to be struck; 1 strikes all.
    #[serde(deserialize_with = "chance")]
    pub rate: f64,
    /// Bits of each byte that can be struck.
    pub bits: u8,
    /// Only while SCK is above this.
    #[serde(with = "quantity::optional", skip_serializing_if = "Option::is_none")]
    pub above_sck: Option<Hertz>,
    /// Only while SCK is at most this.
    #[serde(with = "quantity::optional", skip_serializing_if = "Option::is_none")]
    pub up_to_sck: Option<Hertz>,
    /// Only in frames of this opcode.
    pub opcode: Option<u8>,
    /// Only in reads of these addresses of the array.
    pub addresses: Option<Range<u32>>,
    /// Only in so many bytes at each end of what comes in in a frame.
    pub frame_edge_bytes: Option<u32>,
    /// Only where the byte has this value.
    pub data: Option<u8>,
    /// Only ones, or only zeros.
    pub only: Option<Struck>,
    /// Drawn anew for each frame.
    pub fresh: bool,
    /// First frame.
    pub from_frame: u64,
    /// How many frames; absent is for good.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frames: Option<u64>,
}

impl Default for Flips {
    fn default() -> Self {
        Self {
            mosi: false,
            rate: 1.0,
            bits: 0xFF,
            above_sck: None,
            up_to_sck: None,
            opcode: None,
            addresses: None,
            frame_edge_bytes: None,
            data: None,
            only: None,
            fresh: false,
            from_frame: 0,
            frames: None,
        }
    }
}

/// How a batch fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Failure {
    /// The kernel says this error number; nothing was sent.
    Errno(i32),
    /// The kernel says this error number once all was sent; what came in is lost.
    Late(i32),
    /// The last frame does not go out, and the returned length says so.
    Short,
    /// Nothing goes out, and the returned length is 0.
    Nothing,
    /// The batch is refused as too long, and the limits are halved, down to 128 bytes.
    TooLong,
}

/// What an interrupted operation leaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Torn {
    /// Nothing happened yet.
    NotStarted,
    /// The first bytes are done, how many is drawn.
    Prefix,
    /// Some of the bits that would change did, by chance.
    RandomBits,
    /// All is done, but weakly: the cells read differently by chance until they are erased again.
    Unstable,
    /// Only the computer lost its supply: the chip completes, and is found busy.
    StillBusy,
    /// All is done and lasts, and nobody has noted it.
    Done,
}

impl Torn {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::NotStarted,
        Self::Prefix,
        Self::RandomBits,
        Self::Unstable,
        Self::StillBusy,
        Self::Done,
    ];
}

/// What a swapped chip holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Content {
    /// Nothing.
    Blank,
    /// The same bytes as the first.
    Same,
    /// Other bytes, drawn from the seed.
    Other,
}

/// A number from `LOW` to `HIGH`: another one would be a fault that does nothing.
fn between<'de, const LOW: u8, const HIGH: u8, D: Deserializer<'de>>(
    from: D,
) -> Result<u8, D::Error> {
    let number = u8::deserialize(from)?;
    if !(LOW..=HIGH).contains(&number) {
        let what =
            format!("a whole number from {LOW} to {HIGH} is wanted, not the number {number}");
        return Err(D::Error::custom(what));
    }
    Ok(number)
}

/// Another number would be never or always without saying so.
fn chance<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    let number = f64::deserialize(from)?;
    if !(0.0..=1.0).contains(&number) {
        let what = format!("a number from 0 to 1 is wanted, not the number {number}");
        return Err(D::Error::custom(what));
    }
    Ok(number)
}

fn yes() -> bool {
    true
}

fn all_bits() -> u8 {
    0xFF
}

/// Whether number `n` lies in a window; numbers start at 1.
pub(super) fn within(n: u64, from: u64, count: Option<u64>) -> bool {
    n >= from && count.is_none_or(|count| n < from.max(1).saturating_add(count))
}
