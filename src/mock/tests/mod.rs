//! Tests of the simulated chip against datasheet sequences, and of its faults.

mod addressing;
mod chip;
mod faults;
mod files;
mod lanes;
mod mosi;
mod power;

use std::collections::BTreeMap;
use std::time::Duration;

use super::{Mock, Times};
use crate::jedec::status::StatusFamily;
use crate::jedec::{Hertz, Millivolts};
use crate::link::{Frame, Link, LinkError, Segment};
use crate::part::{
    Addressing, BusyPoll, ChipErase, EraseType, FourByte, JedecId, Part, ProgramMethod, Source,
    SupplyRange, Timing, UniqueIdRead,
};

fn ms(typical: u64, max: u64) -> Timing {
    Timing {
        typical: Duration::from_millis(typical),
        max: Duration::from_millis(max),
    }
}

fn us(typical: u64, max: u64) -> Timing {
    Timing {
        typical: Duration::from_micros(typical),
        max: Duration::from_micros(max),
    }
}

fn erase(size_bytes: u32, opcode: u8, time: Timing) -> EraseType {
    EraseType {
        size_bytes,
        opcode,
        opcode_4byte: None,
        time,
        only_in: None,
    }
}

/// W25Q128JV Rev. I 2021-08-23: ID in 8.1.1, times in 9.6.
fn w25q128jv() -> Part {
    Part {
        maker: "Winbond".to_owned(),
        name: "W25Q128JV".to_owned(),
        markings: vec!["25Q128JV".to_owned()],
        jedec_id: JedecId(vec![0xEF, 0x40, 0x18]),
        size_bytes: 16 << 20,
        supply: SupplyRange {
            min: Millivolts(2700),
            max: Millivolts(3600),
            from_memory: false,
        },
        page_size_bytes: 256,
        program: ProgramMethod::Page,
        page_program: us(400, 3000),
        erase_types: vec![
            erase(4096, 0x20, ms(45, 400)),
            erase(32768, 0x52, ms(120, 1600)),
            erase(65536, 0xD8, ms(150, 2000)),
        ],
        chip_erase: Some(ChipErase {
            opcode: 0xC7,
            time: ms(40_000, 200_000),
        }),
        status_write: ms(10, 15),
        sck_max: BTreeMap::from([(0x03, Hertz::mhz(50)), (0x0B, Hertz::mhz(104))]),
        lane_reads: Vec::new(),
        quad_enable: None,
        lane_programs: Vec::new(),
        addressing: Addressing {
            three_byte: true,
            four_byte: Vec::new(),
        },
        status: StatusFamily::Winbond,
        busy: BusyPoll::Status,
        has_sfdp: Some(true),
        unique_id: Some(UniqueIdRead {
            opcode: 0x4B,
            address: None,
            dummy_bytes: 4,
            length_bytes: 8,
        }),
        protected_at_power_up: false,
        stacked: false,
        notes: Vec::new(),
        source: Source {
            title: "W25Q128JV".to_owned(),
            revision: "Rev. I 2021-08-23".to_owned(),
            place: "8.1, 9.6".to_owned(),
        },
        memory: Vec::new(),
    }
}

/// W25Q256JV Rev. I 2018-10-23: 8.1.4, both modes, extended address register, no 5Ch.
fn w25q256jv() -> Part {
    let mut part = w25q128jv();
    part.name = "W25Q256JV".to_owned();
    part.jedec_id = JedecId(vec![0xEF, 0x40, 0x19]);
    part.size_bytes = 32 << 20;
    part.erase_types[0].opcode_4byte = Some(0x21);
    part.erase_types[2].opcode_4byte = Some(0xDC);
    part.addressing.four_byte = vec![
        FourByte::Dedicated {
            opcodes: vec![0x13, 0x0C, 0x12, 0x21, 0xDC],
        },
        FourByte::Mode {
            enter: 0xB7,
            exit: 0xE9,
            write_enable: false,
        },
        FourByte::ExtendedRegister,
    ];
    part
}

/// As N25Q256A: B7h and E9h want WREN, no 32 KiB erase, C7h only, flag status register. Common practice,
/// no source: of Rev. W 11/16 only Read ID and SFDP were read.
fn n25q256a() -> Part {
    let mut part = w25q128jv();
    part.maker = "Micron".to_owned();
    part.name = "N25Q256A".to_owned();
    part.jedec_id = JedecId(vec![0x20, 0xBA, 0x19, 0x10]);
    part.size_bytes = 32 << 20;
    part.erase_types.remove(1);
    part.addressing.four_byte = vec![FourByte::Mode {
        enter: 0xB7,
        exit: 0xE9,
        write_enable: true,
    }];
    part.status = StatusFamily::Micron;
    part.busy = BusyPoll::FlagStatus;
    part.unique_id = Some(UniqueIdRead {
        opcode: 0x9F,
        address: None,
        dummy_bytes: 6,
        length_bytes: 14,
    });
    part
}

/// SST25VF016B DS25044A: byte and AAI word program, protected at power-up, no SFDP.
fn sst25vf016b() -> Part {
    let mut part = w25q128jv();
    part.maker = "SST".to_owned();
    part.name = "SST25VF016B".to_owned();
    part.jedec_id = JedecId(vec![0xBF, 0x25, 0x41]);
    part.size_bytes = 2 << 20;
    part.page_size_bytes = 1;
    part.program = ProgramMethod::AaiWord;
    part.page_program = us(7, 10);
    part.status = StatusFamily::Sst25;
    part.has_sfdp = Some(false);
    part.unique_id = None;
    part.protected_at_power_up = true;
    part
}

/// A bench and a link to it, and frames as short as a test wants them.
struct Desk {
    mock: Mock,
    link: super::MockLink,
    sck: Hertz,
}

impl Desk {
    /// Everything covered, typical times.
    fn with(part: Part) -> Self {
        let mock = Mock::new(part);
        mock.monitor().cover(0..u32::MAX);
        mock.set_times(Times::Typical);
        let link = mock.link();
        let sck = Hertz::mhz(10);
        Self { mock, link, sck }
    }

    fn send(&mut self, out: &[u8], length: usize) -> Result<Vec<u8>, LinkError> {
        let mut into = vec![0xA5; length];
        let frame = Frame::new(vec![Segment::Out(out), Segment::In(&mut into)]);
        self.link.transfer(&mut [frame], self.sck)?;
        Ok(into)
    }

    fn read(&mut self, out: &[u8], length: usize) -> Vec<u8> {
        self.send(out, length).unwrap()
    }

    fn status(&mut self) -> u8 {
        self.read(&[0x05], 1)[0]
    }

    /// Write enable and a frame, and time for it to complete.
    fn write(&mut self, out: &[u8]) {
        self.read(&[0x06], 0);
        self.read(out, 0);
        self.link.wait(Duration::from_secs(60));
    }

    /// `opcode`, a 3-byte address, `data`.
    fn frame(opcode: u8, address: u32, data: &[u8]) -> Vec<u8> {
        let mut out = vec![opcode];
        out.extend(&address.to_be_bytes()[1..]);
        out.extend(data);
        out
    }

    fn forbidden(&mut self, out: &[u8]) -> String {
        match self.send(out, 0) {
            Err(LinkError::Forbidden(why)) => why,
            other => panic!("{other:?}"),
        }
    }
}

/// A pattern that repeats every 251 bytes, a prime, so that addressing mistakes cannot cancel out.
fn prime_pattern(start: u32, length: u32) -> Vec<u8> {
    (start..start + length).map(|i| (i % 251) as u8).collect()
}
