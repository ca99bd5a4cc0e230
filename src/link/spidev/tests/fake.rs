//! A kernel that answers as Linux does.
//!
//! From `include/uapi/linux/spi/spidev.h` and the text of `Documentation/spi/spidev.rst`: the fields
//! of a transfer, 14 bits of size, the sum returned. From `drivers/spi/spidev.c` after July 2020 and
//! `__spi_validate` of `drivers/spi/spi.c`, both from memory: alignment, directions apart, SCK limits,
//! word sizes, half duplex, lanes.

use std::collections::VecDeque;
use std::io;

use nix::errno::Errno;
use spidev::{SpiModeFlags, SpidevOptions, SpidevTransfer};

use crate::link::spidev::Kernel;

/// Mode bits of two and of four lanes (`include/uapi/linux/spi/spi.h`).
pub(super) const TX: [u32; 2] = [0x100, 0x200];
pub(super) const RX: [u32; 2] = [0x400, 0x800];
const LANES: u32 = 0xF00;

/// A transfer as the kernel sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Row {
    pub(super) out: bool,
    pub(super) into: bool,
    pub(super) bytes: usize,
    pub(super) speed_hz: u32,
    pub(super) delay_usecs: u16,
    pub(super) bits_per_word: u8,
    pub(super) cs_change: u8,
    /// `tx_nbits` and `rx_nbits`.
    pub(super) nbits: [u8; 2],
}

impl Row {
    /// The crate keeps pointers and length to itself, but shows them.
    pub(super) fn of(row: &SpidevTransfer<'_, '_>) -> Self {
        let text = format!("{row:?}");
        let field = |name: &str| -> u64 {
            let rest = text.split(&format!("{name}: ")).nth(1).unwrap();
            let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
            digits.parse().unwrap()
        };
        Self {
            out: field("tx_buf") != 0,
            into: field("rx_buf") != 0,
            bytes: usize::try_from(field("len")).unwrap(),
            speed_hz: row.speed_hz,
            delay_usecs: row.delay_usecs,
            bits_per_word: row.bits_per_word,
            cs_change: row.cs_change,
            nbits: [row.pad.to_ne_bytes()[0], row.pad.to_ne_bytes()[1]],
        }
    }
}

/// A node, its controller and the driver between.
pub(super) struct Fake {
    /// The driver's parameter, and what each buffer is rounded up to.
    pub(super) bufsiz: usize,
    pub(super) align: usize,
    /// Old kernels count both directions together and round nothing up.
    pub(super) together: bool,
    /// The controller.
    pub(super) min_hz: u32,
    pub(super) max_hz: u32,
    pub(super) half_duplex: bool,
    /// Mode bits that stay set, whatever is asked for.
    pub(super) stuck_mode: u32,
    pub(super) refuses_mode: bool,
    /// Modes of several lanes that the controller has, and a kernel that knows none of them.
    pub(super) offers_lanes: u32,
    pub(super) knows_no_lanes: bool,
    /// Whether CS can be left high, and the mode that is set; what it was in each message.
    pub(super) offers_no_cs: bool,
    pub(super) mode: u32,
    pub(super) modes: Vec<u32>,
    /// The node's SCK, which any opener can change.
    pub(super) node_hz: u32,
    /// Answers to give instead of the rules' own.
    pub(super) answers: VecDeque<Result<usize, Errno>>,
    /// Messages that went out, and those asked for.
    pub(super) sent: Vec<Vec<Row>>,
    pub(super) asked: usize,
}

impl Fake {
    pub(super) fn new(bufsiz: usize, align: usize) -> Self {
        Self {
            bufsiz,
            align,
            together: false,
            min_hz: 0,
            max_hz: 0,
            half_duplex: false,
            stuck_mode: 0,
            refuses_mode: false,
            offers_lanes: 0,
            knows_no_lanes: false,
            offers_no_cs: false,
            mode: 0,
            modes: Vec::new(),
            node_hz: 500_000,
            answers: VecDeque::new(),
            sent: Vec::new(),
            asked: 0,
        }
    }

    pub(super) fn answering(answers: &[Result<usize, Errno>]) -> Self {
        Self {
            answers: answers.iter().copied().collect(),
            ..Self::new(1 << 20, 1)
        }
    }

    /// `spidev_message`: bounce buffers.
    fn fits(&self, rows: &[Row]) -> bool {
        if self.together {
            return rows.iter().map(|row| row.bytes).sum::<usize>() <= self.bufsiz;
        }
        let sum = |counts: fn(&Row) -> bool| -> usize {
            let counted = rows.iter().filter(|row| counts(row));
            counted
                .map(|row| row.bytes.next_multiple_of(self.align))
                .sum()
        };
        sum(|row| row.out) <= self.bufsiz && sum(|row| row.into) <= self.bufsiz
    }

    /// `__spi_validate`: an SCK of 0 is the node's, one too high is lowered, one too low refused.
    fn is_valid(&self, row: &Row) -> bool {
        let asked = if row.speed_hz == 0 {
            self.node_hz
        } else {
            row.speed_hz
        };
        let clock = if self.max_hz > 0 {
            asked.min(self.max_hz)
        } else {
            asked
        };
        let both = self.half_duplex && row.out && row.into;
        let lanes = self.takes_lanes(row.nbits[0], row.out, TX)
            && self.takes_lanes(row.nbits[1], row.into, RX);
        clock >= self.min_hz && !both && lanes && matches!(row.bits_per_word, 0 | 8)
    }

    /// Two lanes want a mode of two or four, four a mode of four.
    fn takes_lanes(&self, nbits: u8, used: bool, [two, four]: [u32; 2]) -> bool {
        match nbits {
            _ if !used => nbits == 0,
            0 | 1 => true,
            2 => self.mode & (two | four) != 0,
            4 => self.mode & four != 0,
            _ => false,
        }
    }

    pub(super) fn ioctl(&mut self, rows: Vec<Row>) -> Result<usize, Errno> {
        self.asked += 1;
        if let Some(answer) = self.answers.pop_front() {
            return answer;
        }
        // 14 bits of size: beyond 511 transfers it is encoded as 0, and nothing is done.
        if rows.len() * 32 >= 1 << 14 {
            return Ok(0);
        }
        if !self.fits(&rows) {
            return Err(Errno::EMSGSIZE);
        }
        if !rows.iter().all(|row| self.is_valid(row)) {
            return Err(Errno::EINVAL);
        }
        let moved = rows.iter().map(|row| row.bytes).sum();
        self.modes.push(self.mode);
        self.sent.push(rows);
        Ok(moved)
    }
}

impl Kernel for Fake {
    fn configure(&mut self, wanted: &SpidevOptions) -> io::Result<()> {
        let mode = wanted.spi_mode.map_or(0, |mode| mode.bits());
        let no_cs = SpiModeFlags::SPI_NO_CS.bits();
        if self.refuses_mode || (mode & no_cs != 0 && !self.offers_no_cs) {
            return Err(Errno::EINVAL.into());
        }
        let both = |[two, four]: [u32; 2]| mode & two != 0 && mode & four != 0;
        if mode & LANES != 0 && (self.knows_no_lanes || both(TX) || both(RX)) {
            return Err(Errno::EINVAL.into());
        }
        // What the controller lacks is dropped with a warning in the kernel's log.
        self.mode = mode & (!LANES | self.offers_lanes);
        Ok(())
    }

    fn configuration(&self) -> io::Result<SpidevOptions> {
        let mut found = SpidevOptions::new();
        found.mode(SpiModeFlags::from_bits_retain(self.stuck_mode | self.mode));
        Ok(found.max_speed_hz(self.node_hz).build())
    }

    fn message(&mut self, rows: &mut [SpidevTransfer<'_, '_>]) -> io::Result<usize> {
        Ok(self.ioctl(rows.iter().map(|row| Row::of(row)).collect())?)
    }
}
