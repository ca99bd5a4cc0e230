//! What a faulty wire, or a weak cell, makes of the bytes on their way to the host, and a faulty wire of
//! those on their way to the chip.

use std::ops::Range;

use super::faults::{AddressBit, Fault, Faults, Flips, Miso, Struck, within};
use super::lanes::{is_lost, lost};
use super::random::{bits, byte, fraction, mix};
use crate::jedec::{Hertz, Lanes};

/// Where a run of incoming bytes stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Number of the frame.
    pub(super) frame: u64,
    /// Clock of the frame.
    pub(super) sck: Hertz,
    /// Lanes of the frame.
    pub(super) lanes: Lanes,
    /// Opcode of the frame.
    pub(super) opcode: Option<u8>,
    /// Address of the first byte, where the run comes from the array.
    pub(super) address: Option<u32>,
    /// Place of the first byte among the bytes that come in in this frame.
    pub(super) index: usize,
    /// Bytes that come in in this frame.
    pub(super) total: usize,
    /// What came in directly before; the idle level at first.
    pub(super) before: u8,
}

impl Seen {
    /// What a draw for the byte at `offset` depends on.
    fn place(&self, offset: usize) -> u64 {
        let index = (self.index + offset) as u64;
        self.address.map_or(index | 1 << 40, |address| {
            u64::from(address) + offset as u64
        })
    }
}

impl Faults {
    /// What MISO shows in this frame where the chip hears nothing.
    pub(super) fn deafened(&self, frame: u64) -> Option<Miso> {
        self.list.iter().find_map(|fault| match fault {
            Fault::LooseContact {
                shows,
                from_frame,
                frames,
            } if within(frame, *from_frame, *frames) => Some(*shows),
            _ => None,
        })
    }

    /// What MISO shows while CS is high before this frame, where the clip has lost it.
    pub(super) fn adrift(&self, frame: u64) -> Option<Miso> {
        self.list.iter().find_map(|fault| match fault {
            Fault::LooseContact {
                shows,
                from_frame,
                frames,
            }
            | Fault::Miso {
                shows,
                from_frame,
                frames,
            } if within(frame, *from_frame, *frames) => Some(*shows),
            _ => None,
        })
    }

    /// Whether another master talks on the wires.
    pub(super) fn has_foreign_master(&self) -> bool {
        let foreign = |fault: &Fault| matches!(fault, Fault::ForeignMaster { .. });
        self.list.iter().any(foreign)
    }

    /// What the chip answers to Read JEDEC ID in this frame instead of its ID.
    pub(super) fn other_id(&self, frame: u64) -> Option<Vec<u8>> {
        let draw = mix(self.seed, 0xA17E, frame);
        self.list.iter().find_map(|fault| match fault {
            Fault::AlternatingId { bytes } if draw & 1 == 1 => Some(bytes.clone()),
            _ => None,
        })
    }

    /// For how many frames a chip is deaf after one in which so many bytes came in.
    pub(super) fn sags(&self, bytes: usize) -> Option<u64> {
        self.list.iter().find_map(|fault| match fault {
            Fault::Sag {
                after_bytes,
                frames,
            } if bytes > *after_bytes as usize => Some(*frames),
            _ => None,
        })
    }

    /// SCK as the controller makes it.
    pub(super) fn divided(&self, asked: Hertz, batch: u64) -> Hertz {
        let found = self.list.iter().find_map(|fault| match fault {
            Fault::DividedClock {
                clock,
                from_batch,
                batches,
            } if within(batch, *from_batch, *batches) => Some(clock.0),
            _ => None,
        });
        found.map_or(asked, |clock| {
            let half = u64::from(clock).div_ceil(2 * u64::from(asked.0.max(1)));
            let divider = u32::try_from(2 * half.max(1)).unwrap_or(u32::MAX);
            Hertz((clock / divider).max(1))
        })
    }

    /// How often the chip hears this frame.
    pub(super) fn heard(&self, frame: u64, begins_with: Option<u8>) -> u8 {
        let times = self.list.iter().find_map(|fault| match fault {
            Fault::Heard {
                times,
                opcode,
                from_frame,
                frames,
            } if within(frame, *from_frame, *frames)
                && opcode.is_none_or(|opcode| begins_with == Some(opcode)) =>
            {
                Some(*times)
            }
            _ => None,
        });
        times.unwrap_or(1)
    }

    /// The byte that reaches the chip.
    pub(super) fn arriving(&self, sent: u8, seen: Seen) -> u8 {
        let mut byte = [sent];
        for (number, fault) in self.list.iter().enumerate() {
            if let Fault::Flips(flips) = fault {
                if flips.mosi {
                    flips.strike(&mut byte, seen, mix(self.seed, 0x0517, number as u64));
                }
            }
            // MOSI is good for what goes out.
            if let Fault::Lane { line } = *fault {
                if line > 0 && line < seen.lanes.out {
                    byte = byte.map(|sent| lost(sent, line, seen.lanes.out));
                }
            }
        }
        byte[0]
    }

    /// Whether MISO has been lost up to this frame.
    pub(super) fn has_blinded(&self, frame: u64) -> bool {
        self.list.iter().any(|fault| match fault {
            Fault::Miso { from_frame, .. } | Fault::LooseContact { from_frame, .. } => {
                frame >= *from_frame
            }
            _ => false,
        })
    }

    /// Whether the bench computer reports under-voltage before this batch.
    pub(super) fn host_dips(&self, batch: u64) -> bool {
        self.list.iter().any(|fault| match fault {
            Fault::HostUnderVoltage {
                from_batch,
                batches,
            } => within(batch, *from_batch, *batches),
            _ => false,
        })
    }

    /// Whether buffers stay as they were in this frame.
    pub(super) fn stale(&self, frame: u64) -> bool {
        self.list.iter().any(|fault| match fault {
            Fault::StaleBuffer { from_frame, frames } => within(frame, *from_frame, *frames),
            _ => false,
        })
    }

    /// Bytes between two that are dropped, and between two that are doubled.
    pub(super) fn shifts(&self) -> Option<(Option<u32>, Option<u32>)> {
        let mut found = (None, None);
        for fault in &self.list {
            match fault {
                Fault::DroppedByte { every } => found.0 = Some((*every).max(1)),
                Fault::DoubledByte { every } => found.1 = Some((*every).max(1)),
                _ => {}
            }
        }
        (found != (None, None)).then_some(found)
    }

    /// The address that reaches the chip.
    pub(super) fn address(&self, sent: u32) -> u32 {
        self.list.iter().fold(sent, |address, fault| match fault {
            Fault::AddressLine { line, is } => {
                let bit = |line: u8| 1_u32.checked_shl(u32::from(line)).unwrap_or(0);
                let high = match is {
                    AddressBit::Low => false,
                    AddressBit::High => true,
                    AddressBit::SameAs(other) => sent & bit(*other) != 0,
                };
                if high {
                    address | bit(*line)
                } else {
                    address & !bit(*line)
                }
            }
            _ => address,
        })
    }

    /// Turns what the cells hold into what the host sees. `unstable` cells read by chance.
    pub(super) fn show(&self, run: &mut [u8], seen: Seen, unstable: &[Range<u32>]) {
        for (number, range) in unstable.iter().enumerate() {
            let seed = mix(self.seed, 0xB17, number as u64);
            weaken(run, seen, range, 0xFF, 0.05, seed);
        }
        for (number, fault) in self.list.iter().enumerate() {
            let seed = mix(self.seed, 0xFA17, number as u64);
            match fault {
                Fault::WeakCells {
                    addresses,
                    bits,
                    chance,
                } => weaken(run, seen, addresses, *bits, *chance, seed),
                Fault::Flips(flips) if !flips.mosi => flips.strike(run, seen, seed),
                Fault::StuckBit { bit, high } => {
                    let mask = 1_u8.checked_shl(u32::from(*bit)).unwrap_or(0);
                    for byte in run.iter_mut() {
                        *byte = if *high { *byte | mask } else { *byte & !mask };
                    }
                }
                // MISO is good for what comes in.
                Fault::Lane { line } if is_lost(*line, seen.lanes.into) => {
                    let into = seen.lanes.into;
                    run.iter_mut()
                        .for_each(|byte| *byte = lost(*byte, *line, into));
                }
                Fault::BitSlip { bits } => slip(run, seen.before, *bits),
                Fault::ForeignMaster { every } if *every > 0 && seen.frame % every == 0 => {
                    let mut other = vec![0; run.len()];
                    Miso::Noise.fill(&mut other, seen, seed);
                    run.iter_mut()
                        .zip(&other)
                        .for_each(|(ours, theirs)| *ours &= theirs);
                }
                Fault::FloatingHold { chance, shows } => {
                    let stop = stops_at(mix(seed, seen.frame, 0x401D), *chance);
                    shows.fill_from(stop, run, seen, seed);
                }
                Fault::Sag { after_bytes, .. } => {
                    Miso::High.fill_from(*after_bytes as usize, run, seen, seed);
                }
                Fault::Miso {
                    shows,
                    from_frame,
                    frames,
                } if within(seen.frame, *from_frame, *frames) => shows.fill(run, seen, seed),
                _ => {}
            }
        }
    }
}

/// The byte of a frame at which a chip stops that stops at each with `chance`.
fn stops_at(draw: u64, chance: f64) -> usize {
    let bytes = (1.0 - fraction(draw)).ln() / (1.0 - chance.clamp(1e-12, 1.0 - 1e-12)).ln();
    bytes as usize
}

impl Miso {
    /// What an undriven line gives, from a byte of the frame on.
    fn fill_from(self, first: usize, run: &mut [u8], seen: Seen, seed: u64) {
        let skip = first.saturating_sub(seen.index).min(run.len());
        let later = Seen {
            index: seen.index + skip,
            ..seen
        };
        if let Some(rest) = run.get_mut(skip..) {
            self.fill(rest, later, seed);
        }
    }

    /// What an undriven line gives.
    pub(super) fn fill(self, run: &mut [u8], seen: Seen, seed: u64) {
        match self {
            Miso::Low => run.fill(0x00),
            Miso::High => run.fill(0xFF),
            Miso::Noise => {
                for (offset, into) in run.iter_mut().enumerate() {
                    *into = byte(mix(seed, seen.frame, (seen.index + offset) as u64));
                }
            }
        }
    }
}

impl Flips {
    fn strike(&self, run: &mut [u8], seen: Seen, seed: u64) {
        let asleep = !within(seen.frame, self.from_frame, self.frames)
            || self.above_sck.is_some_and(|sck| seen.sck <= sck)
            || self.up_to_sck.is_some_and(|sck| seen.sck > sck)
            || self
                .opcode
                .is_some_and(|opcode| seen.opcode != Some(opcode));
        if asleep {
            return;
        }
        let anew = if self.fresh { seen.frame } else { 0 };
        for (offset, value) in run.iter_mut().enumerate() {
            if self.reaches(seen, offset, *value) {
                let mask = bits(mix(seed, seen.place(offset), anew), self.rate) & self.bits;
                *value ^= match self.only {
                    None => mask,
                    Some(Struck::Ones) => mask & *value,
                    Some(Struck::Zeros) => mask & !*value,
                };
            }
        }
    }

    fn reaches(&self, seen: Seen, offset: usize, value: u8) -> bool {
        let at_edge = |edge: u32| {
            let index = seen.index + offset;
            index.min(seen.total.saturating_sub(index + 1)) < edge as usize
        };
        let address = seen.address.map(|first| first.wrapping_add(offset as u32));
        self.data.is_none_or(|data| data == value)
            && self.frame_edge_bytes.is_none_or(at_edge)
            && self
                .addresses
                .as_ref()
                .is_none_or(|range| address.is_some_and(|address| range.contains(&address)))
    }
}

/// Inverts bits of the cells in `range` by chance, anew in each frame.
fn weaken(run: &mut [u8], seen: Seen, range: &Range<u32>, which: u8, chance: f64, seed: u64) {
    let Some(first) = seen.address else { return };
    let last = u64::from(first) + run.len() as u64;
    if u64::from(range.start) >= last || range.end <= first {
        return;
    }
    for (offset, value) in run.iter_mut().enumerate() {
        let address = first.wrapping_add(offset as u32);
        if range.contains(&address) {
            *value ^= bits(mix(seed, u64::from(address), seen.frame), chance) & which;
        }
    }
}

/// Moves all bits back by `late`; the bits of the byte before come in first.
fn slip(run: &mut [u8], before: u8, late: u8) {
    let late = u32::from(late % 8);
    let mut last = before;
    for value in run.iter_mut() {
        let pair = u16::from_be_bytes([last, *value]);
        last = *value;
        *value = (pair >> late) as u8;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen() -> Seen {
        Seen {
            frame: 5,
            sck: Hertz::mhz(20),
            lanes: Lanes::ONE,
            opcode: Some(0x03),
            address: Some(0x1000),
            index: 0,
            total: 8,
            before: 0xFF,
        }
    }

    fn shown(fault: Fault, seen: Seen, cells: &[u8]) -> Vec<u8> {
        let mut run = cells.to_vec();
        Faults::seeded(1).with(fault).show(&mut run, seen, &[]);
        run
    }

    #[test]
    fn a_slip_moves_bits_across_bytes() {
        let run = shown(Fault::BitSlip { bits: 1 }, seen(), &[0xEF, 0x40, 0x18]);
        assert_eq!(run, [0xF7, 0xA0, 0x0C]);
        let run = shown(Fault::BitSlip { bits: 7 }, seen(), &[0x00, 0x01]);
        assert_eq!(run, [0xFE, 0x00]);
    }

    #[test]
    fn flips_keep_to_their_conditions() {
        let cells = [0x55; 8];
        let flips = |flips: Flips, seen: Seen| shown(Fault::Flips(flips), seen, &cells);
        let slow = Flips {
            above_sck: Some(Hertz::mhz(20)),
            ..Flips::default()
        };
        assert_eq!(flips(slow.clone(), seen()), cells);
        assert_eq!(
            flips(
                slow,
                Seen {
                    sck: Hertz::mhz(21),
                    ..seen()
                }
            ),
            [0xAA; 8]
        );
        let fast = Flips {
            up_to_sck: Some(Hertz::mhz(20)),
            ..Flips::default()
        };
        assert_eq!(flips(fast.clone(), seen()), [0xAA; 8]);
        let faster = Seen {
            sck: Hertz::mhz(21),
            ..seen()
        };
        assert_eq!(flips(fast, faster), cells);
        let fast_read = Flips {
            opcode: Some(0x0B),
            ..Flips::default()
        };
        assert_eq!(flips(fast_read, seen()), cells);
        let edges = Flips {
            frame_edge_bytes: Some(1),
            bits: 1,
            ..Flips::default()
        };
        let run = flips(edges, seen());
        assert_eq!(run, [0x54, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x54]);
        let addressed = Flips {
            addresses: Some(0x1002..0x1003),
            ..Flips::default()
        };
        let run = flips(addressed.clone(), seen());
        assert_eq!(run, [0x55, 0x55, 0xAA, 0x55, 0x55, 0x55, 0x55, 0x55]);
        assert_eq!(
            flips(
                addressed,
                Seen {
                    address: None,
                    ..seen()
                }
            ),
            cells
        );
        let data = Flips {
            data: Some(0x56),
            ..Flips::default()
        };
        assert_eq!(flips(data, seen()), cells);
        let ones = Flips {
            only: Some(Struck::Ones),
            ..Flips::default()
        };
        assert_eq!(flips(ones, seen()), [0; 8]);
    }

    #[test]
    fn random_flips_depend_on_the_address_not_on_the_frame_or_the_cut() {
        let flips = Fault::Flips(Flips {
            rate: 0.05,
            ..Flips::default()
        });
        let cells = [0x5A; 4096];
        let whole = shown(
            flips.clone(),
            Seen {
                total: 4096,
                ..seen()
            },
            &cells,
        );
        assert_ne!(whole, cells);
        let later = Seen {
            frame: 9,
            address: Some(0x1800),
            index: 17,
            ..seen()
        };
        let half = shown(flips, later, &cells[0x800..]);
        assert_eq!(whole[0x800..], half);
        let fresh = Fault::Flips(Flips {
            rate: 0.05,
            fresh: true,
            ..Flips::default()
        });
        let one = shown(fresh.clone(), seen(), &cells);
        assert_ne!(one, shown(fresh, Seen { frame: 6, ..seen() }, &cells));
    }

    #[test]
    fn an_address_line_is_stuck_or_aliased() {
        let seen_as = |is| Faults::none().with(Fault::AddressLine { line: 16, is });
        assert_eq!(seen_as(AddressBit::Low).address(0x01_2000), 0x00_2000);
        assert_eq!(seen_as(AddressBit::High).address(0x00_2000), 0x01_2000);
        assert_eq!(
            seen_as(AddressBit::SameAs(13)).address(0x00_2000),
            0x01_2000
        );
        assert_eq!(
            seen_as(AddressBit::SameAs(13)).address(0x01_0000),
            0x00_0000
        );
    }

    #[test]
    fn windows_start_at_one() {
        assert!(within(1, 0, None) && within(1, 0, Some(1)) && !within(2, 0, Some(1)));
        assert!(!within(4, 5, None) && within(5, 5, Some(2)) && !within(7, 5, Some(2)));
    }
}
