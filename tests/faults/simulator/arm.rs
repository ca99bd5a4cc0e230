//! How a fault of each kind is drawn for one command.

use fastrand::Rng;
use norlock::jedec::Hertz;
use norlock::mock::{AddressBit, Content, Failure, Fault, Flips, Miso, Struck, Torn};
use norlock::unit::store::{self, Loss};

use super::kinds::Kind::{self, *};
use super::process::Death;
use super::swarm::{Armed, Length};
use super::truth::part_of;
use super::world::World;
/// A place on the way of a command, most often within it.
fn on_the_way(random: &mut Rng, length: u64) -> u64 {
    1 + random.u64(..length.max(1) + length / 8 + 1)
}

fn miso(random: &mut Rng) -> Miso {
    [Miso::Low, Miso::High, Miso::Noise][random.usize(..3)]
}

fn lasting(random: &mut Rng) -> Option<u64> {
    [
        Some(1),
        Some(1 + random.u64(..9)),
        Some(random.u64(9..99)),
        None,
    ][random.usize(..4)]
}

fn failure(random: &mut Rng) -> Failure {
    let failures = [
        Failure::Errno(5),
        Failure::Short,
        Failure::Late(110),
        Failure::Nothing,
        Failure::TooLong,
    ];
    failures[random.usize(..failures.len())]
}

fn loss(random: &mut Rng) -> Loss {
    match random.u8(..4) {
        0 => Loss::Drop,
        1 => Loss::Keep,
        _ => Loss::Tear(random.u64(..)),
    }
}

impl Armed {
    /// Bits that flip on MISO. Such as repeat at every address, clock, opcode and place in a frame are not
    /// drawn: what no reading can show nothing can find.
    fn flips(&mut self, kind: Kind, random: &mut Rng, world: &World) {
        let rate = 10_f64.powf(-1.5 - 4.0 * random.f64());
        let base = Flips {
            rate,
            only: [None, None, Some(Struck::Ones), Some(Struck::Zeros)][random.usize(..4)],
            ..Flips::default()
        };
        // Between the two clocks of the reads: what is struck at both repeats.
        let fast = world.sck.min(part_of(world).sck_limit(0x03));
        let between = Hertz(fast.0 / 10 * random.u32(7..10));
        let flips = match kind {
            FreshFlips => Flips {
                fresh: true,
                ..base
            },
            FlipsAtSck if random.bool() => Flips {
                above_sck: Some(between),
                ..base
            },
            FlipsAtSck => Flips {
                up_to_sck: Some(between),
                ..base
            },
            FlipsAtOpcode => Flips {
                opcode: Some([0x03, 0x0B][random.usize(..2)]),
                ..base
            },
            // The first and last bytes of the array lie at the edge of a frame in every read.
            _ => Flips {
                frame_edge_bytes: Some(random.u32(1..20)),
                addresses: Some(64..world.board.map.size - 64),
                ..base
            },
        };
        self.put(kind, Fault::Flips(flips));
    }

    pub fn add(&mut self, kind: Kind, random: &mut Rng, world: &World, length: &Length) {
        match kind {
            SupplyCut | ComputerCut | ContactLost | MisoLost | StaleBuffer | FrameLost
            | FrameDoubled | WrenLost | LinkFails | SupplyDips | HostUnderVoltage | SilentErase
            | SilentProgram | ChipSwapped => {
                self.add_at_a_moment(kind, random, world, length);
            }
            KilledAtMessage | KilledAtCall | ComputerDies | CallFails | DiskFull | CtrlC
            | SecondProcess => {
                self.add_to_process(kind, random, world, length);
            }
            _ => self.add_for_all_of_it(kind, random, world, length),
        }
    }

    /// Supply, wires, link or chip fail at a moment of the command.
    fn add_at_a_moment(&mut self, kind: Kind, random: &mut Rng, world: &World, length: &Length) {
        let batch = world.mock.counters().batches + on_the_way(random, length.batches);
        let frame = world.mock.frames() + on_the_way(random, length.frames);
        let operation = world.mock.modifying_operations() + on_the_way(random, length.operations);
        let (shows, lasts) = (miso(random), lasting(random));
        let (from_frame, frames, from_batch, batches) = (frame, lasts, batch, lasts);
        let (from_operation, operations) = (operation, Some(random.u64(1..6)));
        let torn = Torn::ALL[random.usize(..Torn::ALL.len())];
        let fault = match kind {
            SupplyCut | ComputerCut => Fault::PowerCut {
                at_operation: operation,
                torn,
            },
            ContactLost => Fault::LooseContact {
                shows,
                from_frame,
                frames,
            },
            MisoLost => Fault::Miso {
                shows,
                from_frame,
                frames,
            },
            StaleBuffer => Fault::StaleBuffer { from_frame, frames },
            FrameLost | FrameDoubled | WrenLost => Fault::Heard {
                times: u8::from(kind == FrameDoubled) * 2,
                opcode: (kind == WrenLost).then_some(0x06),
                from_frame,
                frames,
            },
            LinkFails => Fault::Link {
                at_batch: batch,
                error: failure(random),
                lasting: lasts.is_none(),
            },
            SupplyDips => Fault::Dip { at_batch: batch },
            HostUnderVoltage => Fault::HostUnderVoltage {
                from_batch,
                batches,
            },
            SilentErase => Fault::SilentErase {
                from_operation,
                operations,
            },
            SilentProgram => Fault::SilentProgram {
                from_operation,
                operations,
            },
            _ => return self.swapped(random, world, operation),
        };
        if kind == ComputerCut {
            self.fate.with_supply = Some(loss(random));
        }
        // A word that is heard twice moves all behind it, past the block's end.
        self.wild |= kind == FrameDoubled;
        let from = match kind {
            LinkFails | SupplyDips | HostUnderVoltage => batch,
            SilentErase | SilentProgram => operation,
            _ => frame,
        };
        self.put_from(kind, from, fault);
    }

    /// Wires or chip are so from the beginning, or become so and stay.
    fn add_for_all_of_it(&mut self, kind: Kind, random: &mut Rng, world: &World, length: &Length) {
        let (every, bits) = (random.u32(50..6000), random.u8(1..8));
        let fault = match kind {
            MosiFlips => return self.mosi_flips(random, world, length),
            AddressLine | AddressLineLater => {
                return self.address_line(kind, random, world, length);
            }
            WeakCells => return self.weak_cells(random, world),
            WpAsserted => {
                let pin = Fault::WriteProtectPin { lock_bit: false };
                return self.later(kind, random, length, pin);
            }
            StuckBit => Fault::StuckBit {
                bit: random.u8(..8),
                high: random.bool(),
            },
            BitSlip => Fault::BitSlip { bits },
            DroppedBytes => Fault::DroppedByte { every },
            DoubledBytes => Fault::DoubledByte { every },
            LyingId => Fault::LyingId {
                bytes: vec![random.u8(..), random.u8(..), random.u8(..)],
            },
            FoundAsleep => Fault::Asleep {
                deaf: random.u8(..4) == 0,
            },
            FoundBusy => Fault::Busy {
                ms: random.u64(1..3000),
            },
            FoundEnabled => Fault::WriteEnabled {},
            SlowChip => Fault::Slow {
                factor: 1.0 + 20.0 * random.f64(),
            },
            _ => return self.flips(kind, random, world),
        };
        self.put(kind, fault);
    }

    /// What befalls the computer, its files and the person.
    fn add_to_process(&mut self, kind: Kind, random: &mut Rng, world: &World, length: &Length) {
        let call = world.files.calls() + random.usize(..length.calls + length.calls / 8 + 1);
        let look = on_the_way(random, length.looks);
        let computer = Death::Computer(loss(random), random.bool());
        match kind {
            KilledAtMessage => {
                let death = if random.bool() {
                    Death::Killed
                } else {
                    computer
                };
                self.fate.at_batch = Some((on_the_way(random, length.batches), death));
            }
            KilledAtCall | ComputerDies | CallFails if self.fail_at.is_some() => return,
            KilledAtCall | ComputerDies => {
                let death = if kind == KilledAtCall {
                    Death::Killed
                } else {
                    computer
                };
                self.fate.at_call = Some((call, death));
                self.fail_at = Some((call, 5, store::Fails::FromThenOn));
            }
            CallFails => {
                let errno = [5, 28, 30][random.usize(..3)];
                let how = [store::Fails::Once, store::Fails::FromThenOn][random.usize(..2)];
                self.fail_at = Some((call, errno, how));
            }
            DiskFull => self.room_bytes = Some(random.u64(..u64::from(world.board.map.size) * 2)),
            CtrlC => self.stop_at = Some(look),
            _ => self.intruder_at = Some(look),
        }
        self.kinds.push(kind);
    }

    /// Bits that flip on MOSI, anew in each frame: in opcodes, addresses and what is programmed. Rarely all
    /// the time, or often for a moment: only that lets the contact be good until the chip is changed.
    fn mosi_flips(&mut self, random: &mut Rng, world: &World, length: &Length) {
        self.wild = true;
        let base = Flips {
            mosi: true,
            fresh: true,
            rate: 10_f64.powf(-2.5 - 3.0 * random.f64()),
            ..Flips::default()
        };
        let from_frame = world.mock.frames() + on_the_way(random, length.frames);
        let flips = match random.u8(..3) {
            0 => base,
            _ => Flips {
                rate: 10_f64.powf(-0.8 - 1.5 * random.f64()),
                from_frame,
                frames: Some(random.u64(1..12)),
                ..base
            },
        };
        self.put_from(MosiFlips, flips.from_frame, Fault::Flips(flips));
    }

    fn address_line(&mut self, kind: Kind, random: &mut Rng, world: &World, length: &Length) {
        let lines = world.board.map.size.ilog2() as u8;
        let other = random.u8(..lines);
        let is = [AddressBit::Low, AddressBit::High, AddressBit::SameAs(other)][random.usize(..3)];
        let fault = Fault::AddressLine {
            line: random.u8(..lines),
            is,
        };
        self.wild = true;
        match kind {
            AddressLine => self.put(kind, fault),
            _ => self.later(kind, random, length, fault),
        }
    }

    /// A fault that begins during the command.
    fn later(&mut self, kind: Kind, random: &mut Rng, length: &Length, fault: Fault) {
        if self.later.is_none() {
            let batch = on_the_way(random, length.batches);
            self.later = Some((batch, fault));
            self.from.insert(kind, batch);
            self.kinds.push(kind);
        }
    }

    /// Enough cells, and bad enough, that two reads do not agree on a wrong byte by luck: with 512 bits
    /// and a chance of 0.05 they do once in 10^22. A single bit that reads wrong every other time fools any
    /// two reads once in four, and is not drawn.
    fn weak_cells(&mut self, random: &mut Rng, world: &World) {
        let start = random.u32(..world.board.map.size - 256);
        let addresses = start..start + random.u32(64..256);
        let chance = 0.05 + 0.4 * random.f64();
        self.put(
            WeakCells,
            Fault::WeakCells {
                addresses,
                bits: 0xFF,
                chance,
            },
        );
    }

    /// Another chip of the kind. One that has no ID of its own and holds the same bytes cannot be told
    /// from the unit's, so that parts without one get other content.
    fn swapped(&mut self, random: &mut Rng, world: &World, operation: u64) {
        let most = if world.board.has_id { 3 } else { 2 };
        let content = [Content::Blank, Content::Other, Content::Same][random.usize(..most)];
        let at_once = random.u8(..4) == 0;
        let after_operation = if at_once { 0 } else { operation };
        self.wild = true;
        self.put_from(
            ChipSwapped,
            after_operation,
            Fault::Swapped {
                after_operation,
                jedec_id: None,
                unique_id: None,
                content,
            },
        );
    }
}
