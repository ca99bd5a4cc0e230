//! The fields of the basic table, one row each: DWORDs 1 to 11, and the way to the later ones.

use super::super::basic::{
    Basic, FAST_READS, bits, byte, density_bytes, dword, erase_fault, erase_field, erase_time,
    fast_read,
};
use super::super::scale::{BYTE, CHIP, PAGE, multiplier};
use super::super::{FastRead, Sfdp};
use super::words::{opcode, size, time, yes};
use super::{Field, Lister, later};

/// A field of a DWORD: highest bit, lowest bit, name, and the field's bits in words.
pub(super) type Row = (u32, u32, &'static str, fn(u32) -> String);

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
            _ => later::list(&mut lister, number, *value, basic),
        }
    }
}

pub(super) fn rows(lister: &mut Lister<'_>, number: usize, value: u32, rows: &[Row]) {
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

pub(super) fn read_in_words(read: Option<FastRead>) -> String {
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
