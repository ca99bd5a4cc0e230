//! The fields of the basic table, one row each.

use super::super::basic::{
    Basic, FAST_READS, bits, byte, density_bytes, dword, erase_fault, erase_field, erase_time,
    fast_read,
};
use super::super::modes::{ENTER, EXIT, QuadEnable, RESET, in_words};
use super::super::scale::{BYTE, CHIP, INTERVAL, LATENCY, PAGE, multiplier};
use super::super::{FastRead, Sfdp};
use super::words::{opcode, size, time, yes};
use super::{Field, Lister};

/// A field of a DWORD: highest bit, lowest bit, name, and the field's bits in words.
type Row = (u32, u32, &'static str, fn(u32) -> String);

const DWORD_1: [Row; 11] = [
    (1, 0, "4 KiB erase", |v| match v {
        0b01 => "in the whole array".to_owned(),
        0b11 => "not in the whole array".to_owned(),
        _ => "reserved code".to_owned(),
    }),
    (2, 2, "write granularity", |v| {
        if v == 0 { "1 byte" } else { "64 bytes or more" }.to_owned()
    }),
    (3, 3, "block protect bits", |v| {
        if v == 0 {
            "non-volatile"
        } else {
            "volatile only"
        }
        .to_owned()
    }),
    (4, 4, "volatile status write enable", |v| {
        if v == 0 { "50h" } else { "06h" }.to_owned()
    }),
    (15, 8, "4 KiB erase opcode", |v| match v {
        0xFF => "none".to_owned(),
        code => opcode(code as u8),
    }),
    (16, 16, "1-1-2 read", yes),
    (18, 17, "address bytes", |v| {
        ["3", "3 or 4", "4", "reserved code"]
            .get(v as usize)
            .copied()
            .unwrap_or_default()
            .to_owned()
    }),
    (19, 19, "double transfer rate", yes),
    (20, 20, "1-2-2 read", yes),
    (21, 21, "1-4-4 read", yes),
    (22, 22, "1-1-4 read", yes),
];

const DWORD_2: [Row; 1] = [(31, 0, "density", |v| {
    density_bytes(v).map_or_else(|| "makes no sense".to_owned(), size)
})];

const DWORD_5: [Row; 2] = [(0, 0, "2-2-2 read", yes), (4, 4, "4-4-4 read", yes)];

const DWORD_11: [Row; 5] = [
    (3, 0, "program, most over typical", |v| {
        format!("{} times", multiplier(v))
    }),
    (7, 4, "page", |v| match v {
        0 => "makes no sense".to_owned(),
        v => size(1 << v),
    }),
    (13, 8, "page program, typical", |v| time(PAGE.decode(v))),
    (18, 14, "first byte, typical", |v| time(BYTE.decode(v))),
    (23, 19, "further byte, typical", |v| time(BYTE.decode(v))),
];

const DWORD_12: [Row; 7] = [
    (3, 0, "held back in program suspend", |v| {
        format!("{v:04b}b")
    }),
    (7, 4, "held back in erase suspend", |v| format!("{v:04b}b")),
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

const DWORD_15: [Row; 7] = [
    (3, 0, "4-4-4 disable sequences", |v| format!("{v:04b}b")),
    (8, 4, "4-4-4 enable sequences", |v| format!("{v:05b}b")),
    (9, 9, "0-4-4 continuous read", yes),
    (15, 10, "0-4-4 exit", |v| format!("{v:06b}b")),
    (19, 16, "0-4-4 entry", |v| format!("{v:04b}b")),
    (22, 20, "quad enable", |v| {
        QuadEnable(v as u8).meaning().to_owned()
    }),
    (23, 23, "HOLD# or RESET# can be disabled", yes),
];

const DWORD_18: [Row; 2] = [
    (23, 23, "CS and DQ0 reset sequence", yes),
    (31, 24, "octal DDR, not decoded", |v| format!("{v:02X}h")),
];

fn code(field: u32) -> String {
    opcode(field as u8)
}

/// A bit that is set where the feature is missing.
fn absent(field: u32) -> String {
    yes(u32::from(field == 0))
}

/// Adds every field of the basic table.
pub(super) fn list(sfdp: &Sfdp, fields: &mut Vec<Field>) {
    let basic = &sfdp.basic;
    let mut lister = Lister {
        table: "FF00 basic flash parameters".to_owned(),
        fields,
    };
    for (number, value) in (1..).zip(&basic.dwords) {
        match number {
            1 => rows(&mut lister, number, *value, &DWORD_1),
            2 => rows(&mut lister, number, *value, &DWORD_2),
            3 | 4 | 6 | 7 => reads(&mut lister, number, *value, basic),
            5 => rows(&mut lister, number, *value, &DWORD_5),
            8 | 9 => erase_types(&mut lister, number, *value, basic),
            10 => erase_times(&mut lister, *value, basic),
            11 => program(&mut lister, *value),
            12 => rows(&mut lister, number, *value, &DWORD_12),
            13 => rows(&mut lister, number, *value, &DWORD_13),
            14 => rows(&mut lister, number, *value, &DWORD_14),
            15 => rows(&mut lister, number, *value, &DWORD_15),
            16 => addressing(&mut lister, *value),
            17 => octal_reads(&mut lister, *value),
            18 => rows(&mut lister, number, *value, &DWORD_18),
            _ => lister.add(
                number,
                *value,
                (31, 0),
                "not decoded",
                format!("{value:08X}h"),
            ),
        }
    }
}

fn rows(lister: &mut Lister<'_>, number: usize, value: u32, rows: &[Row]) {
    for (high, low, name, show) in rows {
        lister.add(
            number,
            value,
            (*high, *low),
            name,
            show(bits(value, *high, *low)),
        );
    }
}

fn read_in_words(read: Option<FastRead>) -> String {
    read.map_or_else(
        || "no usable opcode".to_owned(),
        |read| {
            format!(
                "{}, {} mode and {} wait clocks",
                opcode(read.opcode),
                read.mode_clocks,
                read.wait_states
            )
        },
    )
}

fn reads(lister: &mut Lister<'_>, number: usize, value: u32, basic: &Basic) {
    let mut halves: Vec<_> = FAST_READS
        .iter()
        .filter(|(_, _, at)| at.0 == number)
        .collect();
    halves.sort_by_key(|(_, _, at)| at.1);
    for (lanes, support, (_, low)) in halves {
        let [a, b, c] = *lanes;
        let announced =
            dword(&basic.dwords, support.0).is_some_and(|dword| dword >> support.1 & 1 == 1);
        let words = if announced {
            read_in_words(fast_read(*lanes, value >> low))
        } else {
            "not announced".to_owned()
        };
        lister.add(
            number,
            value,
            (low + 15, *low),
            &format!("{a}-{b}-{c} read"),
            words,
        );
    }
}

fn octal_reads(lister: &mut Lister<'_>, value: u32) {
    for (low, lanes, name) in [(0, [1, 8, 8], "1-8-8 read"), (16, [1, 1, 8], "1-1-8 read")] {
        let words = if bits(value, low + 15, low) == 0 {
            "not announced".to_owned()
        } else {
            read_in_words(fast_read(lanes, value >> low))
        };
        lister.add(17, value, (low + 15, low), name, words);
    }
}

fn erase_types(lister: &mut Lister<'_>, number: usize, value: u32, basic: &Basic) {
    let first = if number == 8 { 1 } else { 3 };
    for (low, of) in [(0, first), (16, first + 1)] {
        let (code, opcode_byte) = erase_field(&basic.dwords, of).unwrap_or_default();
        let words = match erase_fault(code, opcode_byte, basic.density_bytes) {
            Some(why) => format!("not used: it {why}"),
            None if code == 0 => "none".to_owned(),
            None => format!(
                "{} by {}",
                size(1 << code),
                opcode(byte(value, low / 8 + 1))
            ),
        };
        lister.add(
            number,
            value,
            (low + 15, low),
            &format!("erase type {of}"),
            words,
        );
    }
}

fn erase_times(lister: &mut Lister<'_>, value: u32, basic: &Basic) {
    let times = format!("{} times", multiplier(value));
    lister.add(10, value, (3, 0), "erase, most over typical", times);
    for number in 1..=4u8 {
        let exists = basic.erase_types.iter().any(|erase| erase.number == number);
        let typical = erase_time(value, number.into()).typical;
        let words = if exists {
            time(typical)
        } else {
            "no such type".to_owned()
        };
        let low = 4 + 7 * (u32::from(number) - 1);
        let name = format!("erase type {number}, typical");
        lister.add(10, value, (low + 6, low), &name, words);
    }
}

fn program(lister: &mut Lister<'_>, value: u32) {
    rows(lister, 11, value, &DWORD_11);
    let chip = time(CHIP.decode(bits(value, 30, 24)));
    lister.add(11, value, (30, 24), "chip erase of one die, typical", chip);
}

fn addressing(lister: &mut Lister<'_>, value: u32) {
    let status = format!("{:05b}b", bits(value, 4, 0));
    lister.add(16, value, (4, 0), "status register 1 writes", status);
    lister.add(16, value, (12, 8), "soft reset", in_words(value, &RESET));
    let first = yes(bits(value, 13, 13));
    lister.add(16, value, (13, 13), "leave 0-4-4 before a reset", first);
    lister.add(
        16,
        value,
        (23, 14),
        "leave 4-byte addressing",
        in_words(value, &EXIT),
    );
    lister.add(
        16,
        value,
        (31, 24),
        "enter 4-byte addressing",
        in_words(value, &ENTER),
    );
}
