//! Every kind of fault that is drawn.

/// The kinds and the list of all of them, from one list: none can be left out of what is drawn.
macro_rules! kinds {
    ($($kind:ident,)*) => {
        /// Everything that can go wrong during a command.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Kind {
            $($kind,)*
        }

        pub const ALL: [Kind; [$(Kind::$kind),*].len()] = [$(Kind::$kind),*];
    };
}

kinds! {
    SupplyCut,
    ComputerCut,
    ContactLost,
    MisoLost,
    FreshFlips,
    FlipsAtSck,
    FlipsAtOpcode,
    FlipsAtEdges,
    MosiFlips,
    FrameLost,
    FrameDoubled,
    WrenLost,
    HostUnderVoltage,
    StuckBit,
    BitSlip,
    DroppedBytes,
    DoubledBytes,
    AddressLine,
    AddressLineLater,
    StaleBuffer,
    LinkFails,
    LyingId,
    FoundAsleep,
    FoundBusy,
    FoundEnabled,
    SupplyDips,
    SilentErase,
    SilentProgram,
    WeakCells,
    ChipSwapped,
    WpAsserted,
    SlowChip,
    KilledAtMessage,
    KilledAtCall,
    ComputerDies,
    CallFails,
    DiskFull,
    CtrlC,
    SecondProcess,
}

use Kind::*;

impl Kind {
    /// Whether the host reads something else than the chip says.
    pub fn falsifies_miso(self) -> bool {
        let flips = matches!(self, FreshFlips | FlipsAtSck | FlipsAtOpcode | FlipsAtEdges);
        flips
            || matches!(
                self,
                MisoLost | StuckBit | BitSlip | DroppedBytes | DoubledBytes | StaleBuffer
            )
    }
}
