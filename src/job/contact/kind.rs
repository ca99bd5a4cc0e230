//! What a pattern on the wires is called, what it means, and what to look at next.
//!
//! The sentences are common practice, no source. `docs/suspect-units.md` tells the same at more length, by
//! the same names.

use serde::Serialize;

use crate::interlock::Power;

/// What a pattern is called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// MISO reads 1 throughout.
    AllOnes,
    /// MISO reads 0 throughout.
    AllZeros,
    /// One bit of every byte stands still.
    StuckBit,
    /// The ID is one of the table's, moved by some bits.
    Shifted,
    /// Two answers take turns.
    Alternating,
    /// Answers differ without a pattern.
    Unsteady,
    /// Somebody else drives MISO.
    ForeignMaster,
    /// The same, while the clip's wire is the only supply.
    BoardFed,
    /// Frames end dead, and the next one is right.
    FloatingHold,
    /// The chip is gone after long reads only.
    SupplySags,
    /// An address bit does not arrive.
    AddressLine,
    /// The status register cannot read so.
    Status,
    /// It answers busy for a minute, or keeps WEL.
    Busy,
    /// It is not the chip of the unit that was named.
    AnotherChip,
    /// Was asleep and was woken.
    Asleep,
    /// Was in continuous read, or a quad protocol, and was brought back.
    ContinuousRead,
    /// Was reset, as a person asked.
    Reset,
    /// Was found taking four address bytes.
    FourByteMode,
    /// The controller drops CS between transfers.
    BrokenFrames,
    /// Right at a lower SCK only.
    LowSckOnly,
    /// MISO moves while CS is high, and reads are right.
    MisoFloats,
    /// The bench computer's own supply dips.
    HostUnderVoltage,
    /// SCK is not what was asked for.
    OddClock,
    /// Nearly nothing but FF was sampled.
    BlankSample,
    /// The part has SFDP, and none answers.
    NoSfdp,
    /// The marking is that of other parts than the ID.
    Marking,
}

impl Kind {
    /// All of them, those that end the check with a bad verdict first.
    pub const ALL: [Self; 26] = [
        Self::AllOnes,
        Self::AllZeros,
        Self::StuckBit,
        Self::Shifted,
        Self::Alternating,
        Self::Unsteady,
        Self::ForeignMaster,
        Self::BoardFed,
        Self::FloatingHold,
        Self::SupplySags,
        Self::AddressLine,
        Self::Status,
        Self::Busy,
        Self::AnotherChip,
        Self::Asleep,
        Self::ContinuousRead,
        Self::Reset,
        Self::FourByteMode,
        Self::BrokenFrames,
        Self::LowSckOnly,
        Self::MisoFloats,
        Self::HostUnderVoltage,
        Self::OddClock,
        Self::BlankSample,
        Self::NoSfdp,
        Self::Marking,
    ];

    /// As in JSON and in the document.
    #[must_use]
    pub fn name(self) -> String {
        let name = toml::Value::try_from(self).ok();
        let name = name.as_ref().and_then(toml::Value::as_str);
        name.unwrap_or_default().to_owned()
    }

    /// What it means, and what to look at next. Long, as there is one entry for each kind.
    pub(super) fn words(self) -> [&'static str; 2] {
        match self {
            Self::AllOnes => [
                "MISO is open, the chip has no supply, CS or MOSI does not reach it, or HOLD# is low",
                "Measure at the chip: the supply, HOLD# high, CS# going low in a read. Then MISO and MOSI from \
                 header to pin.",
            ],
            Self::AllZeros => [
                "MISO is shorted to ground or pulled down, the supply is missing, or another chip drives the bus",
                "Measure the supply at the chip, then MISO against ground with the signals off.",
            ],
            Self::StuckBit => [
                "a host or driver that drops or sets a bit of each byte: no wire does that to one bit of eight",
                "Try another chip select or a lower SCK. If it stays, another node or bench computer.",
            ],
            Self::Shifted => [
                "a clock edge is missed or doubled: ringing on CLK, a poor ground, or CS# falling with the clock",
                "Put a ground beside CLK, 33 to 100 ohm into it at the host, and shorten the wires.",
            ],
            Self::Alternating => [
                "two chips answer, another master drives the bus, or one contact opens in every few reads",
                "Is a second chip on these wires? Hold the board's processor in reset, then reseat the clip.",
            ],
            Self::Unsteady => [
                "a contact that opens, CLK or the common ground that is missing, or SCK too fast for these wires",
                "Measure ground, CLK and MISO from header to pin, and HOLD# (pin 7), which has to be high. Then a \
                 lower --sck.",
            ],
            Self::ForeignMaster => [
                "MISO is driven while CS is high: the board's processor, or another chip, uses the bus",
                "Hold the board's processor in reset, and see that it lets go of CLK, CS# and DI.",
            ],
            Self::BoardFed => [
                "the power arrangement is wrong: the clip's supply wire feeds the board, and its processor runs",
                "Signals off, then the supply. Use board-held-in-reset or external, or take the chip off.",
            ],
            Self::FloatingHold => [
                "the chip lets go of MISO in the middle of a frame, and is there again in the next: HOLD# floats",
                "Measure HOLD# (pin 7) at the chip: it wants a pull-up to the chip's supply, as WP# does.",
            ],
            Self::SupplySags => [
                "the chip is gone after long reads, and is there after short ones: its supply sags under load",
                "Measure between supply and ground at the chip while a read runs: below 2.7 V it must not be written.",
            ],
            Self::AddressLine => [
                "what is sent on MOSI is not what arrives: its contact, or an edge that is too slow for this SCK",
                "Reseat the clip and look at MOSI (DI, pin 5); then a lower --sck. Do not write.",
            ],
            Self::Status => [
                "a chip whose ID is right has no such register: MISO or the supply was gone for a moment",
                "Reseat the clip. If it stays, read the part's marking again.",
            ],
            Self::Busy => [
                "it still erases or programs from before, MISO is stuck, or it does not hear its commands",
                "Nothing yet. If it stays so for minutes: MOSI, or a MISO that is stuck.",
            ],
            Self::AnotherChip => [
                "the folder is another unit's, or the unit has a new chip; no record of this contact is kept in it",
                "The board on the table, and the name of the folder.",
            ],
            Self::Asleep => [
                "the board's software had sent it to deep power-down; ABh has woken it",
                "Nothing to do. It sleeps again when the board says so.",
            ],
            Self::ContinuousRead => [
                "it was left in continuous read or a quad protocol, where no opcode is heard; eight clocks with DI \
                 high have ended that",
                "Nothing to do. A processor that runs brings it back to that: is it held in reset?",
            ],
            Self::Reset => [
                "66h and 99h were sent, as asked: modes, latches and locks until power-off are as at power-up",
                "Nothing to do. A board that runs sets them again.",
            ],
            Self::FourByteMode => [
                "it was left taking four address bytes; reads go by that, and it is left as it was found",
                "Nothing to do. A cut of the supply ends it, unless the part comes up so.",
            ],
            Self::BrokenFrames => [
                "this controller raises CS between the parts of a message; each frame goes as one transfer instead",
                "Nothing to do. A GPIO as chip select in the device tree would end it.",
            ],
            Self::LowSckOnly => [
                "wires and ground carry no more: length, a ground far from CLK, no series resistor",
                "Work at the lower SCK, or shorten the wires.",
            ],
            Self::MisoFloats => [
                "nothing holds MISO while no chip is selected, or another chip is on these wires",
                "If the board has its own supply, see that its processor is held in reset.",
            ],
            Self::HostUnderVoltage => [
                "the bench computer's own supply dips, and the clip's supply with it",
                "A stronger supply and a shorter cable for the bench computer, before any write.",
            ],
            Self::OddClock => [
                "what is proven here is proven at the clock that is on the wire",
                "Nothing to do while it stays so.",
            ],
            Self::BlankSample => [
                "what was sampled is erased: a wire that only ever lifts bits would not show",
                "On a blank chip the first write is the proof: it is read back.",
            ],
            Self::NoSfdp => [
                "the table says that this part describes itself: it may be another one",
                "Read the marking again, and see norlock id.",
            ],
            Self::Marking => [
                "the marking was misread, or the chip is not what is printed on it; a write is held until they agree",
                "Read the marking again, and see norlock id.",
            ],
        }
    }

    /// What to do before the check is run again. The supply never goes before the signals: a pin that is
    /// high would feed the chip.
    #[must_use]
    pub const fn next(self) -> &'static str {
        match self {
            Self::Busy => {
                "Do not lift the clip, and leave the supply on: an erase may be under way. Wait some minutes, then \
                 run norlock contact again."
            }
            Self::AnotherChip => {
                "Find the folder that belongs to this chip, or the chip that belongs to this folder. If it is a new chip \
                 in the place of the old one: norlock restore --replacement"
            }
            Self::StuckBit => {
                "Run norlock contact again with a lower --sck, then on another chip select. Before a wire moves: \
                 signals off, then the supply (docs/wiring.md has the order)."
            }
            Self::ForeignMaster => {
                "Signals off, then the supply (docs/wiring.md has the order). Hold the board's processor in reset, \
                 then connect again and run norlock contact again."
            }
            Self::BoardFed => {
                "Signals off, then the supply (docs/wiring.md has the order). Change the power arrangement, then \
                 run norlock contact again with it."
            }
            Self::FloatingHold => {
                "Signals off, then the supply (docs/wiring.md has the order). Pull HOLD# up, then connect again \
                 and run norlock contact again."
            }
            Self::SupplySags => {
                "Signals off, then the supply (docs/wiring.md has the order). See to the supply, then connect \
                 again and run norlock contact again."
            }
            _ => {
                "Signals off, then the supply (docs/wiring.md has the order), reseat the clip, then run norlock \
                 contact again."
            }
        }
    }

    /// What to look at first in this power arrangement.
    pub(super) fn first_look(self, power: Option<Power>) -> &'static str {
        let silent = matches!(self, Self::AllOnes | Self::AllZeros);
        let Some(power) = power else { return "" };
        match (self, power) {
            (_, Power::Clip) if silent => {
                "The clip's supply wire is the only one: is it on, and 2.7 V or more at the chip? "
            }
            (_, Power::BoardHeldInReset) if silent => {
                "The board feeds the chip: is it switched on, and its processor held in reset? "
            }
            (_, Power::External) if silent => {
                "Is the external supply on, and its ground joined to the bench computer's? "
            }
            (_, Power::Socket) if silent => {
                "Is the chip the right way round in the socket, pin 1 at its mark? "
            }
            (Self::SupplySags, Power::Clip) => {
                "The clip's wire may feed more than the chip: another arrangement takes the board off it. "
            }
            _ => "",
        }
    }
}
