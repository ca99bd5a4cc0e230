//! Suspect units, drawn by seed: of each class of faults, from none at all to plain ones.
//!
//! A strength of 1 is the detection limit that `docs/suspect-units.md` states for the class. Faults are
//! correlated as real ones are: weak cells share a sector and often a bit line, hold the same value, come
//! and go, and are a little worse at high SCK; a contact fails in bursts; a slow edge strikes ones or zeros.

mod content;

use std::ops::Range;

use fastrand::Rng;
use norlock::job::{self, Exit, Nobody, SurveyReport, Verdict};
use norlock::mock::{AddressBit, Fault, Faults, Flips, Miso, Struck};

use crate::station::{Station, part};

/// Passes of a survey by default, and those at the highest SCK or the two higher ones.
const PASSES: f64 = 24.0;
/// Bytes of a frame on the simulated node.
const FRAME_BYTES: f64 = 4000.0;
/// Frames that are sent before the first pass, at least.
const FRAMES_BEFORE: u64 = 230;

/// Parts of several makers: by page and by byte, with and without SFDP, 64 to 256 KiB.
const PARTS: [&str; 5] = [
    "IS25LQ512B",
    "M25P10-A",
    "W25X10",
    "MX25L2005A",
    "IS25LQ010B",
];

/// A suspect unit.
pub struct Suspect {
    pub class: Verdict,
    /// In units of the detection limit; 0 is no fault.
    pub strength: f64,
    pub station: Station,
    pub what: String,
}

/// What a survey makes of it; `None` where the contact held it.
pub fn surveyed(suspect: &Suspect) -> Option<SurveyReport> {
    let station = &suspect.station;
    let result = job::survey(&mut station.unit(), 24, station.bench(), &mut Nobody);
    match result {
        Ok(report) => Some(report),
        Err(stop) if stop.exit == Exit::Held || stop.exit == Exit::ChipFault => None,
        Err(stop) => panic!("{}: {stop:?}", suspect.what),
    }
}

/// Whether the verdict is right: a fault of the contact may also be held by it.
pub fn is_right(suspect: &Suspect, report: Option<&SurveyReport>) -> bool {
    match report {
        Some(report) => report.verdict() == suspect.class,
        None => matches!(suspect.class, Verdict::Noise | Verdict::Dead),
    }
}

/// A unit of a class, with a strength of up to eight limits.
pub fn suspect(class: Verdict, seed: u64) -> Suspect {
    let seed = seed + 100_000_000 * class as u64;
    let mut random = Rng::with_seed(seed);
    let strength = match random.u8(..) {
        0..20 => 0.0,
        _ => 8.0 * random.f64().powi(2),
    };
    of_strength(class, seed, strength)
}

/// The same with a given strength.
pub fn of_strength(class: Verdict, seed: u64, strength: f64) -> Suspect {
    let mut random = Rng::with_seed(seed ^ 0x5EED);
    let mut names = PARTS.to_vec();
    if class == Verdict::Smaller {
        names.retain(|name| *name != "IS25LQ512B");
    }
    let name = names[random.usize(..names.len())];
    let mut station = Station::with_part(name, seed);
    let size = part(&station.catalogue, name).size_bytes;
    station.unreadable();
    let mut cells = content::unit(&mut random, size as usize);
    let mut draw = Draw {
        random,
        size,
        strength,
        cells: &mut cells,
        list: Vec::new(),
    };
    if strength > 0.0 {
        draw.faults(class);
    }
    let strength = draw.strength;
    let mut faults = Faults::seeded(seed);
    for fault in draw.list {
        faults = faults.with(fault);
    }
    station.mock.set_truth(0, &cells).unwrap();
    let what = format!("{class:?} seed {seed} strength {strength:.2} {name} {faults:?}");
    station.mock.set_faults(faults);
    Suspect {
        class,
        strength: if class == Verdict::Steady {
            0.0
        } else {
            strength
        },
        station,
        what,
    }
}

struct Draw<'a> {
    random: Rng,
    size: u32,
    strength: f64,
    cells: &'a mut [u8],
    list: Vec<Fault>,
}

impl Draw<'_> {
    fn faults(&mut self, class: Verdict) {
        match class {
            Verdict::Steady => {}
            Verdict::WeakCells => self.weak_cells(false),
            Verdict::NotBlank => self.not_blank(),
            Verdict::Clock => self.clock(),
            Verdict::Noise => self.noise(),
            Verdict::StuckBit => self.stuck_bit(),
            Verdict::Address => self.address(),
            Verdict::Smaller => self.smaller(),
            Verdict::Edges => self.edges(),
            Verdict::Command => self.command(),
            Verdict::Dead => self.dead(),
            Verdict::Shifted => self.shifted(),
        }
    }

    fn bits(&self) -> f64 {
        f64::from(self.size) * 8.0
    }

    fn flips(&mut self, flips: Flips) {
        self.list.push(Fault::Flips(flips));
    }

    /// Ones, zeros, or both.
    fn struck(&mut self) -> Option<Struck> {
        *self
            .random
            .choice(&[None, None, Some(Struck::Ones), Some(Struck::Zeros)])
            .unwrap()
    }

    /// Frames that the passes take, at least.
    fn frames(&self) -> u64 {
        (PASSES * (f64::from(self.size) / 4092.0 + 1.0)) as u64
    }

    /// Weak cells of one sector: so many wrong readings are expected as 12 times the strength.
    fn weak_cells(&mut self, blank: bool) {
        let wanted = 12.0 * self.strength;
        let chance = 0.05 + 0.4 * self.random.f64();
        let cells = (wanted / PASSES / chance).ceil().max(1.0);
        let chance = wanted / PASSES / cells;
        let line = self.random.u8(..8);
        let holds = if blank { 1 } else { self.random.u8(..2) };
        let sector = self.sector(blank);
        for _ in 0..cells as usize {
            let column = if self.random.u8(..4) == 0 {
                self.random.u8(..8)
            } else {
                line
            };
            let address = self.cell(sector.clone(), column, holds);
            let addresses = address..address + 1;
            let bits = 1 << column;
            if self.random.u8(..4) == 0 {
                // It comes and goes: twice as often wrong in one half of the time.
                let half = self.frames() / 2;
                let from_frame = FRAMES_BEFORE + self.random.u64(..half);
                self.flips(Flips {
                    rate: (chance * 2.0).min(0.9),
                    bits,
                    addresses: Some(addresses),
                    fresh: true,
                    from_frame,
                    frames: Some(half),
                    ..Flips::default()
                });
                continue;
            }
            self.list.push(Fault::WeakCells {
                addresses: addresses.clone(),
                bits,
                chance,
            });
            self.flips(Flips {
                rate: chance * 0.2,
                bits,
                addresses: Some(addresses),
                above_sck: Some(norlock::jedec::Hertz::mhz(10)),
                fresh: true,
                ..Flips::default()
            });
        }
    }

    /// A sector of 4 KiB that is blank, or that is full.
    fn sector(&mut self, blank: bool) -> Range<u32> {
        let sectors: Vec<u32> = (0..self.size / 4096).collect();
        let full = |sector: &u32| {
            let start = *sector as usize * 4096;
            let cells = &self.cells[start..start + 4096];
            match blank {
                true => cells.iter().all(|byte| *byte == 0xFF),
                false => cells.iter().filter(|byte| **byte != 0xFF).count() > 3000,
            }
        };
        let fit: Vec<u32> = sectors.into_iter().filter(full).collect();
        let sector = fit[self.random.usize(..fit.len())] * 4096;
        sector..sector + 4096
    }

    /// A cell of a sector that holds a value.
    fn cell(&mut self, sector: Range<u32>, bit: u8, holds: u8) -> u32 {
        loop {
            let address = self.random.u32(sector.clone());
            if self.cells[address as usize] >> bit & 1 == holds {
                return address;
            }
        }
    }

    /// Zeros in a sector that was erased: ten at the limit; or cells that read 0 at times.
    fn not_blank(&mut self) {
        if self.random.bool() {
            return self.weak_cells(true);
        }
        let sector = self.sector(true);
        for _ in 0..(10.0 * self.strength).round() as usize {
            let bit = self.random.u8(..8);
            let address = self.cell(sector.clone(), bit, 1);
            self.cells[address as usize] &= !(1 << bit);
        }
    }

    /// 24 wrong readings at the limit, at the highest SCK or at the two higher ones.
    fn clock(&mut self) {
        let (above, passes) = *self.random.choice(&[(10, 8.0), (5, 16.0)]).unwrap();
        let above_sck = Some(norlock::jedec::Hertz::mhz(above));
        self.condition(
            passes,
            &Flips {
                above_sck,
                ..Flips::default()
            },
        );
    }

    /// With one command: 24 wrong readings at the limit.
    fn command(&mut self) {
        let opcode = Some(*self.random.choice(&[0x0B, 0x03]).unwrap());
        self.condition(
            PASSES / 2.0,
            &Flips {
                opcode,
                ..Flips::default()
            },
        );
    }

    /// Wrong in so many passes: anywhere by chance, or always in some cells.
    fn condition(&mut self, passes: f64, when: &Flips) {
        let only = self.struck();
        let wanted = 24.0 * self.strength / passes;
        if self.random.bool() {
            let ones = self.cells.iter().map(|byte| f64::from(byte.count_ones()));
            let ones: f64 = ones.sum();
            let bits = match only {
                Some(Struck::Ones) => ones,
                Some(Struck::Zeros) => self.bits() - ones,
                None => self.bits(),
            };
            return self.flips(Flips {
                rate: (wanted / bits).min(0.3),
                only,
                fresh: true,
                ..when.clone()
            });
        }
        let cells = wanted.round().max(1.0);
        self.strength = cells * passes / 24.0;
        for _ in 0..cells as u32 {
            let address = self.random.u32(..self.size);
            let bits = 1 << self.random.u8(..8);
            self.flips(Flips {
                bits,
                addresses: Some(address..address + 1),
                ..when.clone()
            });
        }
    }

    /// Bursts: 10 wrong bits at the limit, in one burst or in many, or hiss in whole frames.
    fn noise(&mut self) {
        let frames = self.frames();
        let bursts = self.random.u64(1..=12);
        for _ in 0..bursts {
            let length = self.random.u64(3..=20);
            let from_frame = FRAMES_BEFORE + self.random.u64(..frames - 20);
            let bits = FRAME_BYTES * 8.0 * length as f64;
            self.flips(Flips {
                rate: (10.0 * self.strength / bursts as f64 / bits).min(0.5),
                fresh: true,
                from_frame,
                frames: Some(length),
                ..Flips::default()
            });
        }
        if self.strength > 3.0 && self.random.bool() {
            self.list.push(Fault::LooseContact {
                shows: Miso::Noise,
                from_frame: FRAMES_BEFORE + self.random.u64(..frames),
                frames: Some(self.random.u64(1..=4)),
            });
        }
    }

    /// Always, in so many 4 KiB as the strength; or at times, in 12 bytes at the limit.
    fn stuck_bit(&mut self) {
        let bit = self.random.u8(..8);
        let only = Some(*self.random.choice(&[Struck::Ones, Struck::Zeros]).unwrap());
        if self.random.bool() {
            self.flips(Flips {
                rate: 12.0 * self.strength / PASSES / f64::from(self.size) / 0.3,
                bits: 1 << bit,
                only,
                fresh: true,
                addresses: Some(0..self.size),
                ..Flips::default()
            });
            return;
        }
        // A bit line serves neighbouring sectors; the code begins at 0.
        let end = (4096.0 * self.strength) as u32;
        self.flips(Flips {
            bits: 1 << bit,
            only,
            addresses: Some(0..end.min(self.size)),
            ..Flips::default()
        });
    }

    /// A line that never arrives, on a chip that is full; or one that fails for frames, 8 at the limit.
    fn address(&mut self) {
        let lines = (self.size - 1).count_ones();
        if self.random.bool() {
            let line = self.random.u32(..lines) as u8;
            let other = (line + 1 + self.random.u8(..6)) % lines as u8;
            let is = *self
                .random
                .choice(&[AddressBit::Low, AddressBit::High, AddressBit::SameAs(other)])
                .unwrap();
            // Without content there is nothing to tell by: the strength is how much there is.
            content::fill(&mut self.random, self.cells, 0.2 * self.strength);
            self.list.push(Fault::AddressLine { line, is });
            return;
        }
        content::fill(&mut self.random, self.cells, 1.0);
        let line = 4 + self.random.u32(..4) as u8;
        let frames = PASSES / 2.0 * f64::from(self.size) / FRAME_BYTES;
        // Two of the three address bytes have that bit, each set in half of the frames.
        self.flips(Flips {
            mosi: true,
            rate: (8.0 * self.strength / frames).min(0.4),
            bits: 1 << line,
            only: Some(Struck::Ones),
            opcode: Some(0x03),
            fresh: true,
            ..Flips::default()
        });
    }

    /// Half or a quarter of the cells; the strength is how many 4 KiB of them hold something.
    fn smaller(&mut self) {
        let sectors = self.strength.floor() as usize;
        let size_bytes = self.size / 2;
        self.cells.fill(0xFF);
        let some = content::code(&mut self.random, sectors * 4096);
        let end = some.len().min(size_bytes as usize);
        self.cells[..end].copy_from_slice(&some[..end]);
        self.list.push(Fault::RealSize { size_bytes });
    }

    /// The first and last bytes of frames: 8 frames at the limit.
    fn edges(&mut self) {
        let edge = self.random.u32(1..=3);
        let frames = self.frames() as f64;
        let rate = 8.0 * self.strength / frames / 8.0 / f64::from(2 * edge);
        self.flips(Flips {
            rate: rate.min(0.5),
            frame_edge_bytes: Some(edge),
            addresses: Some(0..self.size),
            fresh: true,
            ..Flips::default()
        });
    }

    /// Windows of some frames in which nothing drives MISO, or the chip hears nothing: 6 at the limit.
    fn dead(&mut self) {
        content::fill(&mut self.random, self.cells, 0.9);
        let frames = self.frames();
        let shows = *self.random.choice(&[Miso::Low, Miso::High]).unwrap();
        let deaf = self.random.bool();
        for _ in 0..(6.0 * self.strength).round() as u64 {
            let from_frame = FRAMES_BEFORE + self.random.u64(..frames);
            let length = Some(self.random.u64(1..=3));
            self.list.push(match deaf {
                true => Fault::LooseContact {
                    shows,
                    from_frame,
                    frames: length,
                },
                false => Fault::Miso {
                    shows,
                    from_frame,
                    frames: length,
                },
            });
        }
    }

    /// So many bytes lost or doubled in each frame as the strength; at the limit one, behind three quarters.
    fn shifted(&mut self) {
        content::fill(&mut self.random, self.cells, 0.9);
        let every = (3000.0 / self.strength) as u32;
        self.list.push(match self.random.bool() {
            true => Fault::DroppedByte { every },
            false => Fault::DoubledByte { every },
        });
    }
}
