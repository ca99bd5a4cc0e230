//! The fields of DWORDs 12 to 23 of the basic table. What bits of DWORDs 12, 15 and 17 to 23 mean is
//! from memory, checked with S25FL064L, S25HS01GT and the tables of a machine emulator's models.

use super::super::basic::{Basic, FastRead, bits, fast_read};
use super::super::modes::{ENTER, EXIT, QuadEnable, RESET, in_words};
use super::super::scale::{INTERVAL, LATENCY};
use super::Lister;
use super::basic::{Row, read_in_words, rows};
use super::words::{opcode, time, yes};

/// A bit of a DWORD and what it says where it is set.
type Bit = (u32, (), &'static str);

const DWORD_12: [Row; 13] = [
    (0, 0, "erase in program suspend", nowhere_or_page),
    (1, 1, "program in program suspend", nowhere_or_page),
    (2, 2, "read in program suspend", datasheet_or_page),
    (3, 3, "in program suspend", more_or_all),
    (4, 4, "erase in erase suspend", nowhere_or_sector),
    (5, 5, "program in erase suspend", nowhere_or_sector),
    (6, 6, "read in erase suspend", datasheet_or_sector),
    (7, 7, "in erase suspend", more_or_all),
    (12, 9, "program resume to suspend", |v| {
        time(INTERVAL.decode(v))
    }),
    (19, 13, "program suspend, most", |v| time(LATENCY.decode(v))),
    (23, 20, "erase resume to suspend", |v| {
        time(INTERVAL.decode(v))
    }),
    (30, 24, "erase suspend, most", |v| time(LATENCY.decode(v))),
    (31, 31, "suspend and resume", absent),
];

const DWORD_13: [Row; 4] = [
    (7, 0, "program resume", code),
    (15, 8, "program suspend", code),
    (23, 16, "erase resume", code),
    (31, 24, "erase suspend", code),
];

const DWORD_14: [Row; 6] = [
    (2, 2, "busy in 05h bit 0", yes),
    (3, 3, "ready in 70h bit 7", yes),
    (14, 8, "deep power-down, exit delay", |v| {
        time(LATENCY.decode(v))
    }),
    (22, 15, "deep power-down, exit", code),
    (30, 23, "deep power-down, enter", code),
    (31, 31, "deep power-down", absent),
];

/// DWORD 15 without what only a part with 4-4-4 or 0-4-4 reads means.
const DWORD_15: [Row; 2] = [
    (22, 20, "quad enable", |v| {
        QuadEnable(v as u8).meaning().to_owned()
    }),
    (23, 23, "HOLD# or RESET# can be disabled", yes),
];
const LEAVE_4_4_4: [Bit; 4] = [
    (0, (), "FFh"),
    (1, (), "F5h"),
    (2, (), "a register by 65h 71h"),
    (3, (), "66h 99h"),
];
const ENTER_4_4_4: [Bit; 5] = [
    (4, (), "QE, then 38h"),
    (5, (), "38h"),
    (6, (), "35h"),
    (7, (), "bit 6 of 0x800003 by 65h 71h"),
    (8, (), "bit 7 of a register by 65h 61h"),
];
/// Bits 12 and 15 are reserved, and both 0 and 1 in real tables.
const EXIT_0_4_4: [Bit; 4] = [
    (10, (), "mode bits 00h"),
    (11, (), "ones on 4 lanes for 8 or 10 clocks"),
    (13, (), "ones for 8 clocks"),
    (14, (), "mode bits other than Axh"),
];
/// Bit 19 is reserved.
const ENTER_0_4_4: [Bit; 3] = [
    (16, (), "mode bits A5h"),
    (17, (), "XIP bit of a register"),
    (18, (), "mode bits Axh"),
];

const DWORD_16: [Row; 5] = [
    (4, 0, "status register 1 writes", |v| {
        in_words(v, &STATUS_WRITES)
    }),
    (12, 8, "soft reset", |v| in_words(v << 8, &RESET)),
    (13, 13, "leave 0-4-4 before a reset", yes),
    (23, 14, "leave 4-byte addressing", |v| {
        in_words(v << 14, &EXIT)
    }),
    (31, 24, "enter 4-byte addressing", |v| {
        in_words(v << 24, &ENTER)
    }),
];
const STATUS_WRITES: [Bit; 5] = [
    (0, (), "non-volatile by 06h"),
    (1, (), "volatile by 06h, ones at power-up"),
    (2, (), "volatile by 50h, ones at power-up"),
    (3, (), "non-volatile by 06h, volatile by 50h"),
    (4, (), "bits of both kinds by 06h"),
];

const DWORD_18: [Row; 5] = [
    (22, 18, "driver strengths", raw_bits::<5>),
    (23, 23, "CS and DQ0 reset sequence", yes),
    (27, 24, "data strobe", raw_bits::<4>),
    (30, 29, "octal DDR, second opcode byte", |v| {
        ["the same", "inverted", "reserved code", "16-bit opcodes"]
            .get(v as usize)
            .copied()
            .unwrap_or_default()
            .to_owned()
    }),
    (31, 31, "octal DDR, bytes swapped", yes),
];

/// The octal counterpart of DWORD 15; which sequence a bit stands for is not known here.
const DWORD_19: [Row; 6] = [
    (3, 0, "8-8-8 exit sequences", raw_bits::<4>),
    (8, 4, "8-8-8 entry sequences", raw_bits::<5>),
    (9, 9, "0-8-8 continuous read", yes),
    (15, 10, "0-8-8 exit", raw_bits::<6>),
    (19, 16, "0-8-8 entry", raw_bits::<4>),
    (22, 20, "octal enable", |v| match v {
        0 => "no octal enable bit".to_owned(),
        1 => "SR2 bit 3".to_owned(),
        _ => "reserved code".to_owned(),
    }),
];

/// Highest SCK without a training of the host.
const DWORD_20: [Row; 8] = [
    (3, 0, "4S-4S-4S, most", speed),
    (7, 4, "4S-4S-4S with strobe, most", speed),
    (11, 8, "4S-4D-4D, most", speed),
    (15, 12, "4S-4D-4D with strobe, most", speed),
    (19, 16, "8S-8S-8S, most", speed),
    (23, 20, "8S-8S-8S with strobe, most", speed),
    (27, 24, "8D-8D-8D, most", speed),
    (31, 28, "8D-8D-8D with strobe, most", speed),
];

const DWORD_21: [Row; 4] = [
    (0, 0, "1S-1D-1D read", yes),
    (1, 1, "1S-2D-2D read", yes),
    (2, 2, "1S-4D-4D read", yes),
    (3, 3, "4S-4D-4D read", yes),
];

/// Adds the fields of DWORD `number`, 12 or later.
pub(super) fn list(lister: &mut Lister<'_>, number: usize, value: u32, basic: &Basic) {
    match number {
        12 => rows(lister, number, value, &DWORD_12),
        13 => rows(lister, number, value, &DWORD_13),
        14 => rows(lister, number, value, &DWORD_14),
        15 => {
            quad_sequences(lister, value, basic);
            rows(lister, number, value, &DWORD_15);
        }
        16 => rows(lister, number, value, &DWORD_16),
        17 => halves(
            lister,
            number,
            value,
            [("1-8-8 read", None), ("1-1-8 read", None)],
        ),
        18 => rows(lister, number, value, &DWORD_18),
        19 => rows(lister, number, value, &DWORD_19),
        20 => rows(lister, number, value, &DWORD_20),
        21 => rows(lister, number, value, &DWORD_21),
        22 | 23 => {
            let flag = |bit: u32| Some(basic.dword(21).is_some_and(|d| d >> bit & 1 == 1));
            let of = match number {
                22 => [("1S-1D-1D read", flag(0)), ("1S-2D-2D read", flag(1))],
                _ => [("1S-4D-4D read", flag(2)), ("4S-4D-4D read", flag(3))],
            };
            halves(lister, number, value, of);
        }
        _ => lister.add(number, value, (31, 0), "not known", format!("{value:08X}h")),
    }
}

/// How 4-4-4 and 0-4-4 are entered and left, which means nothing on a part without: some tables have bits set
/// there. Bit 8 alone is set in tables of parts that have no such register.
fn quad_sequences(lister: &mut Lister<'_>, value: u32, basic: &Basic) {
    let announced = basic.dword(5).is_some_and(|dword| bits(dword, 4, 4) == 1);
    let words = |bits: &[Bit]| match announced {
        true => in_words(value, bits),
        false => "4-4-4 is not announced".to_owned(),
    };
    let enter = if announced && bits(value, 8, 4) == 0b1_0000 {
        "not believed: bit 8 alone".to_owned()
    } else {
        words(&ENTER_4_4_4)
    };
    lister.add(15, value, (3, 0), "4-4-4 exit", words(&LEAVE_4_4_4));
    lister.add(15, value, (8, 4), "4-4-4 entry", enter);
    let continuous = bits(value, 9, 9) == 1;
    let words = |bits: &[Bit]| match continuous {
        true => in_words(value, bits),
        false => "0-4-4 is not announced".to_owned(),
    };
    let announced = yes(u32::from(continuous));
    lister.add(15, value, (9, 9), "0-4-4 continuous read", announced);
    lister.add(15, value, (15, 10), "0-4-4 exit", words(&EXIT_0_4_4));
    lister.add(15, value, (19, 16), "0-4-4 entry", words(&ENTER_0_4_4));
}

/// Two reads in the halves of a DWORD, the low one first, each with its support bit where it has one.
fn halves(lister: &mut Lister<'_>, number: usize, value: u32, reads: [(&str, Option<bool>); 2]) {
    for (low, (name, announced)) in [0, 16].into_iter().zip(reads) {
        let half = bits(value, low + 15, low);
        let words = if announced.unwrap_or(half != 0) {
            // The lanes are in the name.
            let read: Option<FastRead> = fast_read([0; 3], half);
            read_in_words(read)
        } else {
            "not announced".to_owned()
        };
        lister.add(number, value, (low + 15, low), name, words);
    }
}

fn code(field: u32) -> String {
    opcode(field as u8)
}

/// A bit that is set where the feature is missing.
fn absent(field: u32) -> String {
    yes(u32::from(field == 0))
}

fn raw_bits<const WIDTH: usize>(field: u32) -> String {
    format!("{field:0WIDTH$b}b")
}

fn either(field: u32, clear: &str, set: &str) -> String {
    if field == 0 { clear } else { set }.to_owned()
}

fn nowhere_or_page(field: u32) -> String {
    either(field, "nowhere", "not in the suspended page")
}

fn nowhere_or_sector(field: u32) -> String {
    either(field, "nowhere", "not in the suspended sector")
}

fn datasheet_or_page(field: u32) -> String {
    either(field, "as the datasheet says", "not in the suspended page")
}

fn datasheet_or_sector(field: u32) -> String {
    either(
        field,
        "as the datasheet says",
        "not in the suspended sector",
    )
}

fn more_or_all(field: u32) -> String {
    either(field, "more is held back", "nothing else is held back")
}

fn speed(field: u32) -> String {
    let mhz = match field {
        0x1 => 33,
        0x2 => 50,
        0x3 => 66,
        0x4 => 80,
        0x5 => 100,
        0x6 => 133,
        0x7 => 166,
        0x8 => 200,
        0x9 => 250,
        0xA => 266,
        0xB => 333,
        0xC => 400,
        0xE => return "not characterised".to_owned(),
        0xF => return "not supported".to_owned(),
        _ => return "reserved code".to_owned(),
    };
    format!("{mhz} MHz")
}
