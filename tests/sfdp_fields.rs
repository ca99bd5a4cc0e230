//! Every field of two tables of 16 and 20 DWORDs in words, and of made ones that hold what no table at
//! hand does. The values of the two are those of jedec tables decoded by hand from the published models
//! of S25FL064L (V1.2, 2019-02) and S25HS01GT (V1.14, 2023); `tests/data/sfdp` has the bytes.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::fs;
use std::path::Path;

use norlock::jedec::sfdp::{Field, Sfdp};

/// The space of a file under `tests/data/sfdp`.
fn space(name: &str) -> Vec<u8> {
    let path = format!("tests/data/sfdp/{name}.toml");
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap();
    let table: toml::Table = toml::from_str(&text).unwrap();
    let length = table["space_bytes"].as_integer().unwrap();
    let mut space = vec![0xFF; usize::try_from(length).unwrap()];
    for line in table["bytes"]
        .as_str()
        .unwrap()
        .lines()
        .skip_while(|line| line.is_empty())
    {
        let (at, bytes) = line.split_once(':').unwrap();
        let at = usize::from_str_radix(at, 16).unwrap();
        for (at, byte) in (at..).zip(bytes.split_whitespace()) {
            space[at] = u8::from_str_radix(byte, 16).unwrap();
        }
    }
    space
}

/// DWORD, bits, name and value; the raw bits are checked against the table itself.
type Row = (usize, &'static str, &'static str, &'static str);

/// Compares all fields of a table with `rows`, in their order.
fn compare(sfdp: &Sfdp, table: &str, rows: &[Row]) {
    let fields = sfdp.fields();
    let found: Vec<&Field> = fields
        .iter()
        .filter(|field| field.table.starts_with(table))
        .collect();
    for (field, row) in found.iter().zip(rows) {
        let seen = (
            field.dword,
            field.bits.as_str(),
            field.name.as_str(),
            field.value.as_str(),
        );
        assert_eq!(seen, *row, "{table}");
    }
    assert_eq!(found.len(), rows.len(), "{table}");
}

const ORDINARY: &[Row] = &[
    (1, "1:0", "4 KiB erase", "in the whole array"),
    (1, "2", "write granularity", "64 bytes or more"),
    (1, "3", "block protect bits", "non-volatile"),
    (1, "4", "volatile status write enable", "50h"),
    (1, "15:8", "4 KiB erase opcode", "20h"),
    (1, "16", "1-1-2 read", "yes"),
    (1, "18:17", "address bytes", "3 or 4"),
    (1, "19", "double transfer rate", "yes"),
    (1, "20", "1-2-2 read", "yes"),
    (1, "21", "1-4-4 read", "yes"),
    (1, "22", "1-1-4 read", "yes"),
    (2, "31:0", "density", "8 MiB"),
    (3, "15:0", "1-4-4 read", "EBh, 2 mode and 8 wait clocks"),
    (3, "31:16", "1-1-4 read", "6Bh, 0 mode and 8 wait clocks"),
    (4, "15:0", "1-1-2 read", "3Bh, 0 mode and 8 wait clocks"),
    (4, "31:16", "1-2-2 read", "BBh, 4 mode and 8 wait clocks"),
    (5, "0", "2-2-2 read", "no"),
    (5, "4", "4-4-4 read", "yes"),
    (6, "31:16", "2-2-2 read", "not announced"),
    (7, "31:16", "4-4-4 read", "EBh, 2 mode and 8 wait clocks"),
    (8, "15:0", "erase type 1", "4 KiB by 20h"),
    (8, "31:16", "erase type 2", "32 KiB by 52h"),
    (9, "15:0", "erase type 3", "64 KiB by D8h"),
    (9, "31:16", "erase type 4", "none"),
    (10, "3:0", "erase, most over typical", "4 times"),
    (10, "10:4", "erase type 1, typical", "64 ms"),
    (10, "17:11", "erase type 2, typical", "304 ms"),
    (10, "24:18", "erase type 3, typical", "512 ms"),
    (10, "31:25", "erase type 4, typical", "no such type"),
    (11, "3:0", "program, most over typical", "4 times"),
    (11, "7:4", "page", "256 bytes"),
    (11, "13:8", "page program, typical", "448 us"),
    (11, "18:14", "first byte, typical", "80 us"),
    (11, "23:19", "further byte, typical", "10 us"),
    (11, "30:24", "chip erase of one die, typical", "56 s"),
    (12, "0", "erase in program suspend", "nowhere"),
    (12, "1", "program in program suspend", "nowhere"),
    (
        12,
        "2",
        "read in program suspend",
        "not in the suspended page",
    ),
    (12, "3", "in program suspend", "nothing else is held back"),
    (12, "4", "erase in erase suspend", "nowhere"),
    (12, "5", "program in erase suspend", "nowhere"),
    (
        12,
        "6",
        "read in erase suspend",
        "not in the suspended sector",
    ),
    (12, "7", "in erase suspend", "nothing else is held back"),
    (12, "12:9", "program resume to suspend", "128 us"),
    (12, "19:13", "program suspend, most", "40 us"),
    (12, "23:20", "erase resume to suspend", "128 us"),
    (12, "30:24", "erase suspend, most", "40 us"),
    (12, "31", "suspend and resume", "yes"),
    (13, "7:0", "program resume", "7Ah"),
    (13, "15:8", "program suspend", "75h"),
    (13, "23:16", "erase resume", "7Ah"),
    (13, "31:24", "erase suspend", "75h"),
    (14, "2", "busy in 05h bit 0", "yes"),
    (14, "3", "ready in 70h bit 7", "no"),
    (14, "14:8", "deep power-down, exit delay", "3 us"),
    (14, "22:15", "deep power-down, exit", "ABh"),
    (14, "30:23", "deep power-down, enter", "B9h"),
    (14, "31", "deep power-down", "yes"),
    (15, "3:0", "4-4-4 exit", "F5h"),
    (15, "8:4", "4-4-4 entry", "38h"),
    (15, "9", "0-4-4 continuous read", "yes"),
    (
        15,
        "15:10",
        "0-4-4 exit",
        "mode bits 00h, ones for 8 clocks, mode bits other than Axh",
    ),
    (15, "19:16", "0-4-4 entry", "mode bits A5h, mode bits Axh"),
    (
        15,
        "22:20",
        "quad enable",
        "SR2 bit 1, read with 35h, written with 01h",
    ),
    (15, "23", "HOLD# or RESET# can be disabled", "no"),
    (
        16,
        "4:0",
        "status register 1 writes",
        "non-volatile by 06h, volatile by 50h",
    ),
    (16, "12:8", "soft reset", "66h 99h"),
    (16, "13", "leave 0-4-4 before a reset", "no"),
    (
        16,
        "23:14",
        "leave 4-byte addressing",
        "E9h, hardware reset, software reset, power cycle",
    ),
    (
        16,
        "31:24",
        "enter 4-byte addressing",
        "B7h, dedicated opcodes",
    ),
];

const ORDINARY_4BYTE: &[Row] = &[
    (1, "0", "1-1-1 read, 13h", "yes"),
    (1, "1", "1-1-1 fast read, 0Ch", "yes"),
    (1, "2", "1-1-2 read, 3Ch", "no"),
    (1, "3", "1-2-2 read, BCh", "yes"),
    (1, "4", "1-1-4 read, 6Ch", "yes"),
    (1, "5", "1-4-4 read, ECh", "yes"),
    (1, "6", "1-1-1 program, 12h", "yes"),
    (1, "7", "1-1-4 program, 34h", "yes"),
    (1, "8", "1-4-4 program, 3Eh", "no"),
    (1, "9", "erase type 1", "yes"),
    // 52h is the opcode with three address bytes as well.
    (1, "10", "erase type 2", "not believed"),
    (1, "11", "erase type 3", "yes"),
    (1, "12", "erase type 4", "no"),
    (1, "13", "1-1-1 double rate, 0Eh", "no"),
    (1, "14", "1-2-2 double rate, BEh", "no"),
    (1, "15", "1-4-4 double rate, EEh", "yes"),
    (1, "16", "volatile lock read, E0h", "yes"),
    (1, "17", "volatile lock write, E1h", "yes"),
    (1, "18", "lasting lock read, E2h", "no"),
    (1, "19", "lasting lock write, E3h", "no"),
    // A part without octal reads.
    (1, "20", "1-1-8 read, 7Ch", "not believed"),
    (1, "21", "1-8-8 read, CCh", "not believed"),
    (1, "22", "1-8-8 double rate, FDh", "not believed"),
    (1, "23", "1-1-8 program, 84h", "not believed"),
    (1, "24", "1-8-8 program, 8Eh", "not believed"),
    (2, "7:0", "erase type 1, opcode", "21h"),
    (
        2,
        "15:8",
        "erase type 2, opcode",
        "not used: 52h is also its 3-byte opcode",
    ),
    (2, "23:16", "erase type 3, opcode", "DCh"),
    (2, "31:24", "erase type 4, opcode", "none"),
];

/// DWORDs 1 to 20 where S25HS01GT says something else than S25FL064L.
const HYBRID: &[Row] = &[
    (1, "1:0", "4 KiB erase", "not in the whole array"),
    (1, "15:8", "4 KiB erase opcode", "20h"),
    (1, "16", "1-1-2 read", "no"),
    (1, "18:17", "address bytes", "3 or 4"),
    (1, "19", "double transfer rate", "yes"),
    (2, "31:0", "density", "128 MiB"),
    (4, "15:0", "1-1-2 read", "not announced"),
    (8, "15:0", "erase type 1", "4 KiB by 20h"),
    (8, "31:16", "erase type 2", "none"),
    (9, "15:0", "erase type 3", "none"),
    (9, "31:16", "erase type 4", "256 KiB by D8h"),
    (10, "3:0", "erase, most over typical", "8 times"),
    (10, "10:4", "erase type 1, typical", "48 ms"),
    (10, "17:11", "erase type 2, typical", "no such type"),
    (10, "24:18", "erase type 3, typical", "no such type"),
    (10, "31:25", "erase type 4, typical", "768 ms"),
    (11, "3:0", "program, most over typical", "6 times"),
    (11, "7:4", "page", "256 bytes"),
    (11, "13:8", "page program, typical", "512 us"),
    (11, "18:14", "first byte, typical", "128 us"),
    (11, "30:24", "chip erase of one die, typical", "448 s"),
    (
        12,
        "5",
        "program in erase suspend",
        "not in the suspended sector",
    ),
    (12, "19:13", "program suspend, most", "80 us"),
    (12, "30:24", "erase suspend, most", "80 us"),
    (13, "7:0", "program resume", "8Ah"),
    (13, "15:8", "program suspend", "85h"),
    (13, "23:16", "erase resume", "7Ah"),
    (13, "31:24", "erase suspend", "75h"),
    (14, "14:8", "deep power-down, exit delay", "448 us"),
    (14, "22:15", "deep power-down, exit", "00h"),
    (14, "30:23", "deep power-down, enter", "B9h"),
    (15, "3:0", "4-4-4 exit", "a register by 65h 71h, 66h 99h"),
    (15, "8:4", "4-4-4 entry", "bit 6 of 0x800003 by 65h 71h"),
    (
        15,
        "22:20",
        "quad enable",
        "SR2 bit 1, read with 35h, written with 01h",
    ),
    (15, "23", "HOLD# or RESET# can be disabled", "yes"),
    (16, "12:8", "soft reset", "F0h, 66h 99h"),
    (16, "13", "leave 0-4-4 before a reset", "yes"),
    (
        16,
        "23:14",
        "leave 4-byte addressing",
        "hardware reset, software reset, power cycle",
    ),
    (
        16,
        "31:24",
        "enter 4-byte addressing",
        "B7h, dedicated opcodes",
    ),
    (17, "15:0", "1-8-8 read", "not announced"),
    (17, "31:16", "1-1-8 read", "not announced"),
    (18, "23", "CS and DQ0 reset sequence", "yes"),
    (18, "31", "octal DDR, bytes swapped", "no"),
    (19, "22:20", "octal enable", "no octal enable bit"),
    (20, "3:0", "4S-4S-4S, most", "166 MHz"),
    (20, "7:4", "4S-4S-4S with strobe, most", "not supported"),
    (20, "11:8", "4S-4D-4D, most", "100 MHz"),
    (20, "31:28", "8D-8D-8D with strobe, most", "not supported"),
];

/// DWORDs of the register map that the model of S25HS01GT fills.
const HYBRID_REGISTERS: &[Row] = &[
    (1, "31:0", "volatile registers, base address", "0x00800000"),
    (
        2,
        "31:0",
        "non-volatile registers, base address",
        "0x00000000",
    ),
    (3, "31:0", "addressed access, volatile", "not decoded"),
    (5, "31:0", "busy bit (WIP)", "bit 0 of register 00h by 65h"),
    (
        6,
        "31:0",
        "write enable bit (WEL)",
        "bit 1 read by 05h, written by 06h",
    ),
    (
        7,
        "31:0",
        "program error bit",
        "bit 6 of register 00h by 65h",
    ),
    (8, "31:0", "erase error bit", "bit 5 of register 00h by 65h"),
    (
        14,
        "31:0",
        "4-4-4 enable, volatile",
        "bit 6 of register 03h by 65h, written by 71h",
    ),
    (
        15,
        "31:0",
        "4-4-4 enable, non-volatile",
        "bit 6 of register 03h by 65h, written by 71h",
    ),
    (16, "31:0", "octal enable, volatile", "none"),
    (28, "31:0", "driver strengths", "not decoded"),
];

/// Finds each row among the fields of a table.
fn contains(sfdp: &Sfdp, table: &str, rows: &[Row]) {
    let fields = sfdp.fields();
    for row in rows {
        let place = |field: &&Field| {
            field.table.starts_with(table) && (field.dword, field.bits.as_str()) == (row.0, row.1)
        };
        let field = fields
            .iter()
            .find(place)
            .unwrap_or_else(|| panic!("{table}: {row:?}"));
        assert_eq!(
            (field.name.as_str(), field.value.as_str()),
            (row.2, row.3),
            "{table} {row:?}"
        );
    }
}

#[test]
fn every_field_of_s25fl064l() {
    let sfdp = Sfdp::parse(&space("s25fl064l")).unwrap();
    compare(&sfdp, "FF00", ORDINARY);
    compare(&sfdp, "FF84", ORDINARY_4BYTE);
}

#[test]
fn every_field_of_s25hs01gt() {
    let sfdp = Sfdp::parse(&space("s25hs01gt")).unwrap();
    contains(&sfdp, "FF00", HYBRID);
    contains(&sfdp, "FF87", HYBRID_REGISTERS);
    let of = |table: &str| {
        sfdp.fields()
            .iter()
            .filter(|f| f.table.starts_with(table))
            .count()
    };
    assert_eq!((of("FF87"), of("FF84")), (28, 29));
    // Three commands of five fields; four maps of two, with twelve regions of two.
    assert_eq!(of("FF81"), 3 * 5 + 4 * 2 + 12 * 2);
    contains(
        &sfdp,
        "FF81",
        &[
            (1, "15:8", "ID bit 2, asked by", "65h"),
            (1, "19:16", "dummy clocks", "as the chip is set"),
            (1, "23:22", "address length", "in the present mode"),
            (1, "31:24", "1 where any of", "08h"),
            (2, "31:0", "address", "0x00800004"),
            (7, "15:8", "map, ID", "00h"),
            (10, "31:8", "region", "130816 KiB from 0x040000"),
            (10, "3:0", "erased by", "type 4"),
            (21, "15:8", "map, ID", "04h"),
            (22, "31:8", "region", "128 MiB from 0x000000"),
        ],
    );
}

/// GD25Q64C Rev 3.0, table 5.
#[test]
fn every_field_of_a_makers_table() {
    let sfdp = Sfdp::parse(&space("gd25q64c")).unwrap();
    compare(
        &sfdp,
        "FFC8 GigaDevice table",
        &[
            (1, "15:0", "highest supply", "3.6 V"),
            (1, "31:16", "lowest supply", "2.7 V"),
            (2, "0", "RESET# pin", "no"),
            (2, "1", "HOLD# pin", "yes"),
            (2, "2", "deep power-down", "yes"),
            (2, "3", "software reset", "yes"),
            (2, "11:4", "software reset, after 66h", "99h"),
            (2, "12", "program suspend", "yes"),
            (2, "13", "erase suspend", "yes"),
            (2, "23:16", "wrapped read, opcode", "77h"),
            (2, "31:24", "wrapped read, lengths", "8, 16, 32, 64 bytes"),
            (3, "11", "one-time memory", "yes"),
            (3, "13", "permanent lock", "yes"),
        ],
    );
}

/// S25FL064L with a DWORD of its basic table changed.
fn changed(number: usize, dword: u32) -> Sfdp {
    let mut space = space("s25fl064l");
    let at = 0x300 + 4 * (number - 1);
    space[at..at + 4].copy_from_slice(&dword.to_le_bytes());
    Sfdp::parse(&space).unwrap()
}

/// Reserved bits are 1 in some tables and 0 in others: bits 12, 15 and 19 of DWORD 15, 5, 6, 22, 23 and
/// 31 of DWORD 16, 0, 1 and 4 to 7 of DWORD 14.
#[test]
fn reserved_bits_do_not_matter() {
    for (number, reserved) in [
        (1, 0xFF80_00E0),
        (5, 0xFFFF_FFEE),
        (12, 0x0000_0100),
        (14, 0x0000_00F3),
        (15, 0xFF08_9000),
        (16, 0x80C0_00E0),
    ] {
        let values = |dword: u32| {
            let fields = changed(number, dword).fields();
            fields
                .iter()
                .map(|field| field.value.clone())
                .collect::<Vec<_>>()
        };
        let dword = changed(1, 0xFFFB_20E5).basic.dword(number).unwrap();
        assert_eq!(
            values(dword | reserved),
            values(dword & !reserved),
            "DWORD {number}"
        );
    }
}

/// W25Q80BL sets bit 8 of DWORD 15 and announces no 4-4-4.
#[test]
fn modes_that_are_not_announced_have_no_sequences() {
    let sfdp = Sfdp::parse(&space("w25q80bl")).unwrap();
    contains(
        &sfdp,
        "FF00",
        &[(15, "8:4", "4-4-4 entry", "4-4-4 is not announced")],
    );
    let alone = changed(15, 0xFF5D_F602 & !0x1F0 | 0x100);
    contains(
        &alone,
        "FF00",
        &[(15, "8:4", "4-4-4 entry", "not believed: bit 8 alone")],
    );
    let no_continuous = changed(15, 0xFF5D_F422);
    let row = (15, "19:16", "0-4-4 entry", "0-4-4 is not announced");
    contains(&no_continuous, "FF00", &[row]);
}

/// An octal table of 24 DWORDs, made up: no table with DWORDs 21 to 23 was published that we know of. What
/// the bits mean is from memory.
fn octal() -> Sfdp {
    let mut space = Sfdp::parse(&space("s25fl064l")).unwrap().space();
    space.tables.truncate(1);
    space.tables[0].dwords.extend([
        // 1-8-8 CBh 16 + 0, 1-1-8 8Bh 8 + 0.
        0x8B08_CB10,
        0xA080_0000 | 0x0F << 18,
        0x0010_0214,
        0x8AC1_52DE,
        0b0101,
        0x0000_0D48,
        0xFFFF_ED48,
        0x1234_5678,
    ]);
    Sfdp::parse(&space.encode().unwrap()).unwrap()
}

#[test]
fn every_field_of_the_octal_dwords() {
    let sfdp = octal();
    let rows: &[Row] = &[
        (17, "15:0", "1-8-8 read", "CBh, 0 mode and 16 wait clocks"),
        (17, "31:16", "1-1-8 read", "8Bh, 0 mode and 8 wait clocks"),
        (18, "22:18", "driver strengths", "01111b"),
        (18, "23", "CS and DQ0 reset sequence", "yes"),
        (18, "27:24", "data strobe", "0000b"),
        (18, "30:29", "octal DDR, second opcode byte", "inverted"),
        (18, "31", "octal DDR, bytes swapped", "yes"),
        (19, "3:0", "8-8-8 exit sequences", "0100b"),
        (19, "8:4", "8-8-8 entry sequences", "00001b"),
        (19, "9", "0-8-8 continuous read", "yes"),
        (19, "15:10", "0-8-8 exit", "000000b"),
        (19, "19:16", "0-8-8 entry", "0000b"),
        (19, "22:20", "octal enable", "SR2 bit 3"),
        (20, "3:0", "4S-4S-4S, most", "not characterised"),
        (20, "7:4", "4S-4S-4S with strobe, most", "reserved code"),
        (20, "11:8", "4S-4D-4D, most", "50 MHz"),
        (20, "15:12", "4S-4D-4D with strobe, most", "100 MHz"),
        (20, "19:16", "8S-8S-8S, most", "33 MHz"),
        (20, "23:20", "8S-8S-8S with strobe, most", "400 MHz"),
        (20, "27:24", "8D-8D-8D, most", "266 MHz"),
        (20, "31:28", "8D-8D-8D with strobe, most", "200 MHz"),
        (21, "0", "1S-1D-1D read", "yes"),
        (21, "1", "1S-2D-2D read", "no"),
        (21, "2", "1S-4D-4D read", "yes"),
        (21, "3", "4S-4D-4D read", "no"),
        (22, "15:0", "1S-1D-1D read", "0Dh, 2 mode and 8 wait clocks"),
        (22, "31:16", "1S-2D-2D read", "not announced"),
        (23, "15:0", "1S-4D-4D read", "EDh, 2 mode and 8 wait clocks"),
        (23, "31:16", "4S-4D-4D read", "not announced"),
        (24, "31:0", "not known", "12345678h"),
    ];
    contains(&sfdp, "FF00", rows);
    let later = sfdp
        .fields()
        .iter()
        .filter(|f| f.table.starts_with("FF00") && f.dword > 16)
        .count();
    assert_eq!(later, rows.len());
    let remarks = sfdp.remarks().join(" ");
    assert!(
        remarks.contains("speed code in DWORD 20 is reserved"),
        "{remarks}"
    );
    assert!(
        remarks.contains("those after 23 are not known"),
        "{remarks}"
    );
    let lanes: Vec<_> = sfdp
        .basic
        .fast_reads
        .iter()
        .map(|read| read.lanes)
        .collect();
    assert!(
        lanes.contains(&[1, 8, 8]) && lanes.contains(&[1, 1, 8]),
        "{lanes:?}"
    );
}

/// A reserved octal enable code matters only on a part with octal reads.
#[test]
fn a_reserved_octal_enable_code_is_told() {
    let with = |number: usize, dword: u32| {
        let mut space = octal().space();
        space.tables[0].dwords[number - 1] = dword;
        let told = Sfdp::parse(&space.encode().unwrap())
            .unwrap()
            .remarks()
            .join(" ");
        told.contains("octal enable code is reserved")
    };
    assert!(with(19, 0x0070_0000));
    assert!(!with(19, 0x0010_0000));
    let mut space = octal().space();
    (space.tables[0].dwords[16], space.tables[0].dwords[18]) = (0, u32::MAX);
    let none = Sfdp::parse(&space.encode().unwrap()).unwrap();
    assert!(!none.remarks().join(" ").contains("octal enable"));
}
