//! A simulated chip behind a simulated link, with a virtual clock and faults.
//!
//! Begin with [`Mock::new`] and a part of the [`Catalogue`](crate::part::Catalogue). [`Mock::link`] gives a
//! job its link, as in the example of [the crate](crate#a-mock-in-a-test); [`Mock::set_truth`] says what the
//! chip holds, [`Mock::set_faults`] what is wrong. In `examples/gauge/mod.rs` the unit folder is simulated too.
//!
//! [`Mock`] is a bench: one chip on the clip, its wires, a clock that only moves when something
//! happens, and counters. It decodes bytes as a chip does, keeps the *truth* (what the cells hold)
//! apart from the *view* (what a faulty wire shows), numbers every modifying operation, and refuses
//! what a datasheet forbids with [`LinkError::Forbidden`](crate::link::LinkError::Forbidden), so
//! that a test fails where a real chip would only behave badly: opcodes the part does not have,
//! modifying or reset frames while busy, reset without reset enable, too short a time with CS high
//! after a modifying frame, array reads above the part's SCK, several bytes to a part that programs
//! one. What a datasheet says is ignored is ignored, and counted.
//!
//! An erase or program outside the ranges its [`Monitor`] has been told of is refused as well: the
//! write-ahead rule. A test of a bare chip says `mock.monitor().cover(0..size)` first.
//!
//! # The bench file
//! The command line takes `--mock FILE`. The file is TOML, small, and meant to be kept beside a
//! project's tests:
//!
//! ```toml
//! part = "W25Q128JV"           # a name from the parts table
//! cells = "gauge-07.cells"     # beside this file; made, erased, if missing
//! level = "3.3V"               # the link's declared level; absent is not declared
//! seed = 7                     # chance: the chip's times, faults
//! # unique_id = [0xD1, 0x64, 0x5C, 0x1B, 0x0F, 0x2A, 0x33, 0x07]
//! # batch_bytes = 65536        # in each direction; absent is 4096
//! # lanes = 4                  # that are wired, 1, 2 or 4; absent is 1
//! # overhead_us = 30           # for each batch
//! # sfdp = "gauge-07.sfdp"     # what it answers to 5Ah; absent is what the part says
//!
//! # [[register]]               # any number of them: what it answers 65h from
//! # address = 0x800004
//! # value = 0x08
//!
//! [[fault]]                    # any number of them, see Fault
//! flips = { rate = 0.0001, above_sck = "12MHz" }
//! ```
//!
//! The cells are the raw content, exactly as long as the chip: `cmp` and `sha256sum` tell what was
//! really written. Beside them `gauge-07.cells.state` keeps status registers, modes and the number
//! of operations from one command to the next, as the chip stays powered; delete it to begin anew.
//! What faults say of how the chip is found (asleep, busy, protected, ...) applies to each command.

mod bench;
mod cells;
mod change;
mod chip;
mod clock;
mod device;
mod faults;
mod file;
mod frame;
mod lanes;
mod link;
mod locks;
mod monitor;
mod operation;
mod outcome;
mod plan;
mod quantity;
pub(crate) mod random;
mod registers;
mod sfdp;
mod state;
#[cfg(test)]
mod tests;
mod view;

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::jedec::Millivolts;
use crate::link::Limits;
use crate::part::Part;

use bench::Bench;
use cells::Cells;

pub use clock::{Counters, Times};
pub use device::MockDevice;
pub use faults::{AddressBit, Content, Failure, Fault, Faults, Flips, Miso, Struck, Torn};
pub use file::{BenchFile, BenchFileError, Register, Wired};
pub use link::MockLink;
pub use monitor::Monitor;

/// Seed of a bench that was given none.
const SEED: u64 = 7;

/// A simulated bench with one chip on the clip; a clonable handle.
///
/// Chip, clock and counters live on between links, as on a bench that stays powered.
#[derive(Debug, Clone)]
pub struct Mock {
    bench: Arc<Mutex<Bench>>,
}

impl Mock {
    /// A blank chip with its cells in memory.
    #[must_use]
    pub fn new(part: Part) -> Self {
        let cells = Cells::blank(part.size_bytes);
        Self::on(Bench::new(part, cells, SEED))
    }

    /// A chip whose cells are a raw file of exactly the chip's size, made (erased) if missing.
    ///
    /// The file is read and written by position and never held in memory.
    ///
    /// # Errors
    /// The file cannot be opened or made, or has another size.
    pub fn with_cells_file(part: Part, path: &Path) -> io::Result<Self> {
        let cells = Cells::in_file(path, part.size_bytes)?;
        Ok(Self::on(Bench::new(part, cells, SEED)))
    }

    fn on(bench: Bench) -> Self {
        Self {
            bench: Arc::new(Mutex::new(bench)),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Bench> {
        lock(&self.bench)
    }

    /// What the cells hold, apart from what a faulty wire shows. Shorter than `range` where that
    /// reaches past the array or a cells file cannot be read.
    #[must_use]
    pub fn truth(&self, range: Range<u32>) -> Vec<u8> {
        let mut bench = self.lock();
        let cells = &bench.first_chip().cells;
        let end = range.end.min(cells.size_bytes());
        let mut bytes = vec![0; end.saturating_sub(range.start) as usize];
        match cells.read(range.start, &mut bytes) {
            Ok(()) => bytes,
            Err(_) => Vec::new(),
        }
    }

    /// Whether the cells hold `bytes` from `address` on; false also where that reaches past the array or
    /// a cells file cannot be read.
    #[must_use]
    pub fn holds(&self, address: u32, bytes: &[u8]) -> bool {
        let cells = |bench: &mut Bench| bench.first_chip().cells.hold(address, bytes);
        cells(&mut self.lock()).unwrap_or(false)
    }

    /// Puts `bytes` into the cells, behind the chip's back.
    ///
    /// # Errors
    /// The range reaches past the array, or a cells file cannot be written.
    pub fn set_truth(&self, address: u32, bytes: &[u8]) -> io::Result<()> {
        self.lock().first_chip().cells.write(address, bytes)
    }

    /// Puts these faults in force instead of those before. The modes and status bits in which a chip
    /// is found apply at once, and stay until something changes them.
    pub fn set_faults(&self, faults: Faults) {
        self.lock().set_faults(faults);
    }

    /// What the chip answers to Read SFDP, over and over; `None` is a chip without.
    pub fn set_sfdp(&self, bytes: Option<Vec<u8>>) {
        self.lock().chip.sfdp = bytes;
    }

    /// The registers that the chip answers 65h from, by address, in the form that the sector map of its
    /// SFDP gives 65h; a chip without any does not have the opcode. Other addresses read FFh.
    pub fn set_registers(&self, registers: BTreeMap<u32, u8>) {
        self.lock().chip.addressed = registers;
    }

    /// The chip's unique ID, on Micron parts the 14 factory bytes that follow the ID; drawn from the
    /// seed otherwise.
    pub fn set_unique_id(&self, bytes: Vec<u8>) {
        self.lock().chip.unique_id = bytes;
    }

    /// The chip's answer to Read JEDEC ID, that of the part otherwise. It repeats; on Micron parts
    /// the factory bytes come behind it.
    pub fn set_jedec_id(&self, bytes: Vec<u8>) {
        self.lock().chip.id = bytes;
    }

    /// The level that the link declares; `None` is not declared. 3.3 V otherwise.
    pub fn set_level(&self, level: Option<Millivolts>) {
        self.lock().level = level;
    }

    /// What one batch may hold; a spidev node's default otherwise (4096 bytes in each direction).
    pub fn set_limits(&self, limits: Limits) {
        self.lock().limits = limits;
    }

    /// What each batch costs besides its bits; 30 us otherwise.
    pub fn set_overhead(&self, time: Duration) {
        self.lock().overhead = time;
    }

    /// Which times the chip takes.
    pub fn set_times(&self, times: Times) {
        self.lock().times = times;
    }

    /// Which chip of its kind it is: by how much it is quicker or slower is drawn from this seed, the bench's
    /// otherwise.
    pub fn set_pace(&self, seed: u64) {
        self.lock().chip.seed = seed;
    }

    /// Time on the bench since it was made.
    #[must_use]
    pub fn now(&self) -> Duration {
        Duration::from_nanos(self.lock().clock.now_ns())
    }

    /// Puts the cost of a file sync on the clock, so that a store counts in modelled times.
    pub fn sync_cost(&self, time: Duration) {
        let mut bench = self.lock();
        bench.clock.advance(time);
        bench.counters.sync += time;
    }

    /// What the bench has done so far.
    #[must_use]
    pub fn counters(&self) -> Counters {
        self.lock().counters
    }

    /// Frames that reached the wire so far.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.lock().counters.frames
    }

    /// Erases, programs and status writes the chip has taken so far; the number of the last one, by
    /// which a power cut names it.
    #[must_use]
    pub fn modifying_operations(&self) -> u64 {
        self.lock().operations
    }

    /// The write-ahead monitor.
    #[must_use]
    pub fn monitor(&self) -> Monitor {
        self.lock().monitor.clone()
    }

    /// Another bench, as this one is at this moment: chip, cells, faults, clock, counters and monitor.
    /// From then on neither knows of the other, and links stay with the bench they were opened on.
    /// The fork's cells are in memory, where unchanged ones are shared; it keeps no state file.
    ///
    /// What can happen next can so be tried from one and the same moment, again and again.
    ///
    /// # Errors
    /// A cells file cannot be read.
    pub fn fork(&self) -> io::Result<Self> {
        Ok(Self::on(self.lock().fork()?))
    }

    /// Brings the supply back after a cut, or takes it away and brings it back: what is volatile in
    /// the chip comes up anew, unless the cut left the chip powered.
    pub fn power_up(&self) {
        self.lock().power_up();
    }
}

fn lock(bench: &Mutex<Bench>) -> MutexGuard<'_, Bench> {
    bench.lock().unwrap_or_else(PoisonError::into_inner)
}
