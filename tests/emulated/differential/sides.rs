//! The two chips: ours, simulated, and the emulator's.

use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use norlock::jedec::opcode::{
    READ_FLAG_STATUS, READ_JEDEC_ID, READ_SFDP, READ_STATUS_1, RESET, RESET_ENABLE, WRITE_DISABLE,
    WRITE_ENABLE, WRITE_STATUS_1,
};
use norlock::jedec::status::{Protection, Registers};
use norlock::link::{Frame, Limits, Link, LinkError, Segment};
use norlock::mock::{Mock, MockLink, Times};

use super::operation::{Sent, addressed_by};
use super::parts::Subject;
use crate::emulator::Emulator;
use crate::link::EmulatedLink;
use crate::wire::{self, SCK, receive, send};

/// Longer than any operation of any part: the simulated clock costs nothing.
const LONG: Duration = Duration::from_secs(10_000);
/// What a table of the models' SFDP fits in.
const SFDP_BYTES: usize = 256;
const ERASED_BYTES: u32 = 4096;

/// Cypress's byte of the ID.
pub const CYPRESS: u8 = 0x01;

pub const WIP: u8 = 0x01;
pub const WEL: u8 = 0x02;

/// Modes of a chip by its datasheet, as far as the frames so far say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Modes {
    pub four: bool,
    pub asleep: bool,
    /// The upper address byte that a register gives to 3-byte addresses.
    pub upper: u8,
}

pub struct Sides<'a> {
    pub subject: &'a Subject,
    pub mock: Mock,
    ours: MockLink,
    emulator: Option<Emulator>,
    theirs: EmulatedLink,
    backing: PathBuf,
    frames_before: u64,
    pub modes: Modes,
    /// What stands in the model's QE, which Winbond's shows by 35h.
    pub their_quad: bool,
    /// Our status register was last written as a volatile copy.
    pub volatile: bool,
}

impl<'a> Sides<'a> {
    /// Both chips powered, each holding `content`; the emulator's array is in the file `backing`.
    pub fn new(subject: &'a Subject, content: &[u8], backing: PathBuf) -> Self {
        std::fs::write(&backing, content).unwrap();
        let emulator = Emulator::start(subject.model, &backing)
            .unwrap_or_else(|error| panic!("{}: {error}", subject.model));
        let mut theirs = emulator.link();
        let mock = simulated(subject, content, sfdp(&mut theirs));
        Self {
            subject,
            ours: mock.link(),
            mock,
            emulator: Some(emulator),
            theirs,
            backing,
            frames_before: 0,
            modes: Modes::default(),
            their_quad: false,
            volatile: false,
        }
    }

    /// A new simulated chip with the same cells, as if just powered. The emulator's stays.
    pub fn renew_ours(&mut self) {
        let content = self.truth(0..self.subject.size());
        let sfdp = sfdp(&mut self.theirs);
        self.mock = simulated(self.subject, &content, sfdp);
        self.ours = self.mock.link();
        self.modes = Modes::default();
        self.volatile = false;
    }

    pub fn truth(&self, range: Range<u32>) -> Vec<u8> {
        self.mock.truth(range)
    }

    /// Sends a frame to the simulated chip and lets it become ready.
    pub fn ours(&mut self, frame: &Sent) -> Result<Vec<u8>, LinkError> {
        let mut received = vec![0; frame.receive];
        let segments = vec![Segment::Out(&frame.out), Segment::In(&mut received)];
        let sent = self.ours.transfer(&mut [Frame::new(segments)], SCK);
        self.ours.wait(LONG);
        sent.map(|()| received)
    }

    pub fn theirs(&mut self, frame: &Sent) -> Vec<u8> {
        receive(&mut self.theirs, &frame.out, frame.receive)
    }

    pub fn our_status(&mut self) -> u8 {
        let frame = Sent {
            out: vec![READ_STATUS_1],
            receive: 1,
        };
        self.ours(&frame).expect("05h is always taken")[0]
    }

    /// What our registers protect; nothing is read of a chip asleep.
    pub fn our_protection(&mut self) -> Protection {
        if self.modes.asleep {
            return Protection::None;
        }
        let family = self.subject.part.status;
        let mut read = Registers::default();
        for register in family.registers() {
            let frame = Sent {
                out: vec![register.opcode],
                receive: 1,
            };
            let answer = self.ours(&frame).expect("status reads are always taken");
            read.set(register.opcode, answer[0]);
        }
        family.protection(&read, self.subject.size())
    }

    pub fn their_status(&mut self) -> u8 {
        wire::status(&mut self.theirs)
    }

    /// Every model has a flag status register, whose bit 0 tells the mode.
    pub fn their_mode(&mut self) -> bool {
        receive(&mut self.theirs, &[READ_FLAG_STATUS], 1)[0] & 1 != 0
    }

    pub fn their_upper(&mut self) -> u8 {
        receive(&mut self.theirs, &[0xC8], 1)[0]
    }

    /// The emulator's cells, read by it. Above 16 MiB by 13h, which every model takes.
    pub fn their_cells(&mut self, range: Range<u32>) -> Vec<u8> {
        let (at, len) = (range.start as usize, range.len());
        if self.subject.size() > 1 << 24 {
            return wire::read(&mut self.theirs, at, len, self.subject.size() as usize);
        }
        let four = self.their_mode();
        self.leave_mode(four);
        let cells = wire::read(&mut self.theirs, at, len, self.subject.size() as usize);
        if four {
            send(&mut self.theirs, &[0xB7]);
        }
        cells
    }

    /// Brings the emulator's chip to what a power-up makes of it, as far as its opcodes reach.
    pub fn align_after_reset(&mut self) {
        send(&mut self.theirs, &[0xE9]);
        send(&mut self.theirs, &[RESET_ENABLE]);
        send(&mut self.theirs, &[RESET]);
        self.write_their_status(0);
        send(&mut self.theirs, &[WRITE_DISABLE]);
        self.their_quad = false;
    }

    /// Where a failure holds our chip busy, clears it: a model has no such thing.
    pub fn clear_failure(&mut self, bits: u8) {
        if let (true, Some(opcode)) = (bits & WIP != 0, self.subject.part.status.clear_status()) {
            let frame = Sent {
                out: vec![opcode],
                receive: 0,
            };
            self.ours(&frame).expect("a failure can be cleared");
        }
    }

    fn leave_mode(&mut self, four: bool) {
        if four {
            send(&mut self.theirs, &[0xE9]);
        }
    }

    /// Makes the emulator's registers and modes those of the simulated chip, as far as it has them.
    pub fn align(&mut self) {
        let wanted = self.our_status();
        let kept = self.subject.kept;
        if (self.their_status() ^ wanted) & kept != 0 {
            self.write_their_status(wanted & kept);
        }
        if self.their_mode() != self.modes.four {
            send(
                &mut self.theirs,
                &[if self.modes.four { 0xB7 } else { 0xE9 }],
            );
        }
        if self.subject.upper().is_some() && self.their_upper() != self.modes.upper {
            send(&mut self.theirs, &[WRITE_ENABLE]);
            send(&mut self.theirs, &[0xC5, self.modes.upper]);
        }
        let latch = if wanted & WEL == 0 {
            WRITE_DISABLE
        } else {
            WRITE_ENABLE
        };
        send(&mut self.theirs, &[latch]);
    }

    /// Cypress's models take two bytes and nothing less; a second byte is an opcode to most others.
    fn write_their_status(&mut self, value: u8) {
        send(&mut self.theirs, &[WRITE_ENABLE]);
        if self.subject.maker() == CYPRESS {
            send(&mut self.theirs, &[WRITE_STATUS_1, value, 0]);
            self.their_quad = false;
        } else {
            send(&mut self.theirs, &[WRITE_STATUS_1, value]);
        }
    }

    /// Makes the emulator's cells those of the simulated chip in the blocks of `range`.
    pub fn rewrite(&mut self, range: Range<u32>) {
        if self.their_status() & self.subject.kept != 0 {
            self.write_their_status(0);
        }
        let mut at = range.start & !(ERASED_BYTES - 1);
        while at < range.end {
            let cells = self.truth(at..at + ERASED_BYTES);
            if self.their_cells(at..at + ERASED_BYTES) != cells {
                send(&mut self.theirs, &[WRITE_ENABLE]);
                let erase = self.addressed((0x20, 0x21), at);
                send(&mut self.theirs, &erase);
                let program = self.addressed((0x02, 0x12), at);
                send(&mut self.theirs, &[program, cells].concat());
            }
            at += ERASED_BYTES;
        }
        self.align();
    }

    /// Opcode and address for the emulator as it is now.
    fn addressed(&mut self, opcodes: (u8, u8), at: u32) -> Vec<u8> {
        let four = self.subject.size() > 1 << 24;
        if four {
            addressed_by(opcodes.1, at, 4)
        } else {
            let bytes = if self.their_mode() { 4 } else { 3 };
            addressed_by(opcodes.0, at, bytes)
        }
    }

    /// Starts the emulator anew with the cells of the simulated chip.
    pub fn restart(&mut self) {
        self.end();
        let content = self.truth(0..self.subject.size());
        std::fs::write(&self.backing, content).unwrap();
        let emulator = Emulator::start(self.subject.model, &self.backing).unwrap();
        self.theirs = emulator.link();
        self.emulator = Some(emulator);
        self.their_quad = false;
        self.align();
    }

    fn end(&mut self) {
        if let Some(emulator) = self.emulator.take() {
            self.frames_before += emulator.counts().frames;
            emulator.stop().unwrap();
        }
    }

    /// Frames to the emulator so far.
    pub fn frames(&self) -> u64 {
        let now = self.emulator.as_ref();
        self.frames_before + now.map_or(0, |emulator| emulator.counts().frames)
    }

    /// Ends the emulator and gives the first address at which its file differs from our cells.
    pub fn compare_file(&mut self) -> Option<usize> {
        self.end();
        let file = std::fs::read(&self.backing).unwrap();
        let cells = self.truth(0..self.subject.size());
        assert_eq!(file.len(), cells.len(), "{}", self.subject.model);
        file.iter().zip(&cells).position(|(a, b)| a != b)
    }
}

/// Our chip, carrying the SFDP of the model: how it is addressed is compared, not what it says.
fn simulated(subject: &Subject, content: &[u8], sfdp: Option<Vec<u8>>) -> Mock {
    let mock = Mock::new(subject.part.clone());
    mock.set_truth(0, content).unwrap();
    mock.set_sfdp(sfdp);
    mock.set_times(Times::Typical);
    mock.set_limits(Limits {
        batch_out_bytes: 1 << 20,
        batch_in_bytes: 1 << 20,
        ..mock.link().limits()
    });
    mock.monitor().cover(0..subject.size());
    mock
}

fn sfdp(link: &mut EmulatedLink) -> Option<Vec<u8>> {
    let bytes = receive(link, &[READ_SFDP, 0, 0, 0, 0], SFDP_BYTES);
    bytes.starts_with(b"SFDP").then_some(bytes)
}

/// The ID as a model gives it: its bytes, then zeros.
pub fn model_id(subject: &Subject, len: usize) -> Vec<u8> {
    let zeros = std::iter::repeat(0);
    subject.id.iter().copied().chain(zeros).take(len).collect()
}

/// For the first step: the ID that both must begin with.
pub fn read_id(len: usize) -> Sent {
    Sent {
        out: vec![READ_JEDEC_ID],
        receive: len,
    }
}
