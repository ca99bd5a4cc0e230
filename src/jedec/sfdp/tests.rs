use std::time::Duration;

use proptest::prelude::*;

use super::scale::{CHIP, ERASE, PAGE};
use super::*;

fn time(typical: Duration, times: u32) -> OperationTime {
    OperationTime {
        typical,
        max: typical * times,
    }
}

/// A description of a 16 MiB part like that of the demo's loggers.
pub(super) fn logger_part() -> SfdpDescription {
    let ms = Duration::from_millis;
    let erase = |size_bytes, opcode, opcode_4byte, typical| DescribedErase {
        size_bytes,
        opcode,
        opcode_4byte,
        time: time(ms(typical), 8),
    };
    SfdpDescription {
        density_bytes: 16 << 20,
        erase_types: vec![
            erase(4096, 0x20, None, 48),
            erase(32768, 0x52, None, 128),
            erase(65536, 0xD8, None, 160),
        ],
        page_size_bytes: 256,
        page_program: time(Duration::from_micros(448), 8),
        chip_erase: time(Duration::from_secs(40), 8),
        address_bytes: AddressBytes::Three,
        enter_4byte: Vec::new(),
        exit_4byte: Vec::new(),
        opcodes_4byte: Vec::new(),
        fast_reads: Vec::new(),
        quad_enable: QuadEnable(4),
        soft_resets: vec![SoftReset::ResetEnableReset],
        flag_status: false,
        deep_power_down: Some(Duration::from_micros(3)),
        nine_dwords: false,
    }
}

#[test]
fn a_plain_description_comes_back_without_remarks() {
    let sfdp = Sfdp::parse(&logger_part().encode().unwrap()).unwrap();
    assert_eq!(sfdp.remarks(), &[] as &[String]);
    assert_eq!(sfdp.erase_doubt(), None);
    assert_eq!(sfdp.basic.density_bytes, Some(16 << 20));
    assert_eq!(sfdp.basic.erase_types.len(), 3);
    assert_eq!(sfdp.basic.uniform_4k, Some(0x20));
    assert_eq!(sfdp.basic.page_size_bytes, Some(256));
}

/// Parses `logger_part` after `change` on its bytes.
fn changed(change: impl FnOnce(&mut [u8])) -> Result<Sfdp, SfdpError> {
    let mut bytes = logger_part().encode().unwrap();
    change(&mut bytes);
    Sfdp::parse(&bytes)
}

fn remarks(change: impl FnOnce(&mut [u8])) -> String {
    changed(change).unwrap().remarks().join(" ")
}

/// DWORD `number` of the encoder's basic table.
fn at(number: usize) -> usize {
    0x30 + 4 * (number - 1)
}

#[test]
fn headers_that_cannot_be_used_are_refused() {
    use SfdpError as E;
    let why = |why: &str| {
        Err(E::BasicTableUnusable {
            why: why.to_owned(),
        })
    };
    let none = [0xFF; 16];
    assert_eq!(Sfdp::parse(&none), Err(E::NoSignature { seen: [0xFF; 4] }));
    assert_eq!(
        Sfdp::parse(b"SFDP"),
        Err(E::Truncated { have: 4, need: 16 })
    );
    assert_eq!(changed(|b| b[5] = 2), Err(E::MajorRevision { major: 2 }));
    assert_eq!(
        changed(|b| b[6] = 200),
        Err(E::Truncated {
            have: 256,
            need: 1616
        })
    );
    assert_eq!(changed(|b| b[8] = 0x02), Err(E::NoBasicTable));
    assert_eq!(changed(|b| b[10] = 2), why("has major revision 2"));
    assert_eq!(changed(|b| b[11] = 8), why("has only 8 of 9 DWORDs"));
    assert_eq!(
        changed(|b| b[12] = 0x31),
        why("starts at 0x31, not on a DWORD")
    );
    assert_eq!(
        changed(|b| b[12] = 0x08),
        why("starts at 0x8, inside the headers")
    );
    assert_eq!(
        changed(|b| b[13] = 1),
        why("ends at 0x170, past the 0x100 bytes there are")
    );
}

#[test]
fn needed_bytes_are_bounded() {
    let mut bytes = logger_part().encode().unwrap();
    assert_eq!(needed_bytes(&bytes), Some(0x70));
    assert_eq!(needed_bytes(&bytes[..12]), Some(16));
    bytes[14] = 0xFF;
    assert_eq!(needed_bytes(&bytes), Some(16));
    bytes[5] = 2;
    assert_eq!(needed_bytes(&bytes), Some(16));
    assert_eq!(needed_bytes(b"SFDX"), None);
}

#[test]
fn contradictions_are_told() {
    let cases: [(usize, u8, &str); 13] = [
        (7, 0xFE, "access protocol is FEh"),
        (at(1), 0xE6, "4 KiB erase code is reserved"),
        (at(1), 0xF5, "06h for volatile"),
        (at(1) + 1, 0xD7, "D7h in DWORD 1 and 20h"),
        (at(1) + 2, 0x86, "address byte code is reserved"),
        (at(1) + 2, 0xC0, "1-1-4 reads with the opcode 00h"),
        (at(8), 7, "Erase type 1 is not used: it has the size code 7"),
        (at(8), 25, "covers 2^25 bytes"),
        (
            at(9) + 1,
            0xFF,
            "Erase type 3 is not used: it has the opcode FFh",
        ),
        (at(8) + 3, 0x20, "share the opcode 20h"),
        (at(11), 0x03, "a page has one byte"),
        (at(15) + 2, 0x70, "quad enable code is reserved"),
        (at(16) + 3, 0x81, "names ways to use four"),
    ];
    for (place, value, sentence) in cases {
        let told = remarks(|b| b[place] = value);
        assert!(told.contains(sentence), "{sentence}: {told}");
    }
}

#[test]
fn erase_is_doubted_where_the_table_contradicts_itself() {
    for (place, value) in [(at(1), 0xE4), (at(1) + 1, 0xD7), (at(8) + 3, 0x20)] {
        let sfdp = changed(|b| b[place] = value).unwrap();
        assert!(sfdp.erase_doubt().is_some(), "{place:#x}");
    }
    let unread = changed(|b| b[at(2)..at(3)].fill(0xFF)).unwrap();
    assert_eq!(unread.basic.density_bytes, None);
    assert!(unread.erase_doubt().is_some());
}

#[test]
fn above_16_mib_three_byte_addresses_are_told() {
    let mut part = logger_part();
    part.density_bytes = 32 << 20;
    let sfdp = Sfdp::parse(&part.encode().unwrap()).unwrap();
    assert!(sfdp.remarks()[0].contains("larger than 16 MiB"));
}

/// The traps of the 4-byte table that S25FL064L and others show.
#[test]
fn four_byte_opcodes_are_believed_with_care() {
    let mut part = logger_part();
    part.address_bytes = AddressBytes::ThreeOrFour;
    part.enter_4byte = vec![Enter4Byte::Mode, Enter4Byte::DedicatedOpcodes];
    part.exit_4byte = vec![Exit4Byte::Mode];
    let promised = Sfdp::parse(&part.encode().unwrap()).unwrap();
    assert!(promised.remarks()[0].contains("has no table of them"));

    part.opcodes_4byte = vec![0x13, 0x12];
    part.erase_types[0].opcode_4byte = Some(0x21);
    part.erase_types[1].opcode_4byte = Some(0x52);
    part.erase_types[2].opcode_4byte = Some(0x00);
    let sfdp = Sfdp::parse(&part.encode().unwrap()).unwrap();
    let table = sfdp.four_byte.as_ref().unwrap();
    assert_eq!(table.erase, [(1, 0x21)]);
    assert_eq!(table.opcodes, [0x13, 0x12]);
    assert_eq!(sfdp.erase_opcode_4byte(1), Some(0x21));
    assert_eq!(sfdp.remarks().len(), 2);
}

#[test]
fn optional_tables_that_cannot_be_used_are_left_out() {
    let mut part = logger_part();
    part.opcodes_4byte = vec![0x13];
    let bytes = part.encode().unwrap();
    let told = |change: fn(&mut [u8])| {
        let mut bytes = bytes.clone();
        change(&mut bytes);
        let sfdp = Sfdp::parse(&bytes).unwrap();
        assert_eq!(sfdp.four_byte, None);
        sfdp.remarks().join(" ")
    };
    assert!(told(|b| b[0x14] = 0x40).contains("FF84 (4-byte address instructions) shares bytes"));
    assert!(told(|b| b[0x14] = 0xA0).contains("is blank"));
    assert!(told(|b| b[0x15] = 0x10).contains("past the 0x100 bytes"));
    assert!(told(|b| b[0x13] = 1).contains("one DWORD of two"));
    // A GigaDevice table where the 4-byte table was: FEFFFFFFh is no supply range.
    assert!(told(|b| b[0x10] = 0xC8).contains("supply range in table FFC8 makes no sense"));
}

/// The logger with a maker's table that begins with `first`.
fn with_makers_table(id: u16, first: u32) -> Sfdp {
    let mut space = logger_part().space().unwrap();
    space.tables.push(SfdpTable {
        id,
        revision: Revision { major: 1, minor: 0 },
        dwords: vec![first, 0, 0],
    });
    Sfdp::parse(&space.encode().unwrap()).unwrap()
}

/// GD25Q64C Rev 3.0, table 5: BCD millivolts, the highest supply in bits 15:0, the lowest in 31:16.
#[test]
fn a_supply_range_is_taken_up_to_its_bounds_and_not_beyond() {
    for (first, range) in [
        (0x1234_2345, Some([1234, 2345])),
        (0x1999_3999, Some([1999, 3999])),
        (0x1000_2000, Some([1000, 2000])),
        (0x0999_2000, None),
        (0x1800_1801, Some([1800, 1801])),
        (0x1800_1800, None),
        (0x1801_1800, None),
        (0x2700_6000, Some([2700, 6000])),
        (0x2700_6001, None),
        // Three times the lowest.
        (0x1200_3600, Some([1200, 3600])),
        (0x1200_3601, None),
    ] {
        let sfdp = with_makers_table(0xFFC8, first);
        let found = sfdp.vcc.map(|range| [range.min.0, range.max.0]);
        assert_eq!(found, range, "{first:08X}");
        let told = sfdp.remarks().join(" ");
        let makes_no_sense = told.contains("supply range in table FFC8 makes no sense");
        assert_eq!(makes_no_sense, range.is_none(), "{first:08X}: {told}");
    }
}

#[test]
fn a_supply_range_has_decimal_digits_alone() {
    for low in (0..32).step_by(4) {
        let first = 0x1234_2345 & !(0xF << low) | 0xA << low;
        assert_eq!(with_makers_table(0xFFC8, first).vcc, None, "{first:08X}");
    }
}

/// EFh is a maker's, and none of those whose tables begin with the supply.
#[test]
fn another_makers_table_tells_no_supply() {
    let sfdp = with_makers_table(0xFFEF, 0x2700_3600);
    assert_eq!(sfdp.vcc, None);
    assert_eq!(sfdp.remarks(), &[] as &[String]);
}

#[test]
fn chip_erase_takes_the_larger_multiplier() {
    // Erase multiplier 2, program multiplier 6, chip erase 6144 ms typical as MX25R8035F's.
    let mut dwords = vec![u32::MAX; 9];
    dwords.push(0);
    dwords.push(1 << 31 | CHIP.encode(Duration::from_millis(6144)) << 24 | 8 << 4 | 2);
    let basic = Basic::decode(dwords);
    assert_eq!(basic.chip_erase.unwrap().max, Duration::from_millis(36_864));
}

#[test]
fn densities_have_two_forms() {
    use super::basic::density_bytes;
    assert_eq!(density_bytes(0x03FF_FFFF), Some(8 << 20));
    assert_eq!(density_bytes(0x7FFF_FFFF), Some(256 << 20));
    assert_eq!(density_bytes(0x8000_0020), Some(512 << 20));
    for meaningless in [0, 0x8000_0000, 0x8000_001F, 0x8000_002C, u32::MAX] {
        assert_eq!(density_bytes(meaningless), None, "{meaningless:#x}");
    }
}

/// S25FL512S: three FF00h headers with one pointer, and a vendor table of 92 DWORDs around it. The
/// bytes are those of the simulation model published for the part, at the place its headers give.
#[test]
fn the_longest_of_several_basic_tables_is_taken() {
    let mut space = vec![0xFF; 0x1200];
    let headers: [[u8; 8]; 7] = [
        *b"SFDP\x06\x01\x05\xFF",
        [0x00, 0x00, 0x01, 0x09, 0x20, 0x11, 0x00, 0xFF],
        [0x00, 0x05, 0x01, 0x10, 0x20, 0x11, 0x00, 0xFF],
        [0x00, 0x06, 0x01, 0x10, 0x20, 0x11, 0x00, 0xFF],
        [0x81, 0x00, 0x01, 0x02, 0x60, 0x11, 0x00, 0xFF],
        [0x84, 0x00, 0x01, 0x02, 0x68, 0x11, 0x00, 0xFF],
        [0x01, 0x01, 0x01, 0x5C, 0x00, 0x10, 0x00, 0x01],
    ];
    space[..56].copy_from_slice(&headers.concat());
    let table: [u32; 20] = [
        0xFFF3_FFE7,
        0x1FFF_FFFF,
        0x6B08_EB44,
        0xBB04_3B08,
        0xFFFF_FFEE,
        0xFFFF_FFFF,
        0xEB00_FFFF,
        0xFF00_FF00,
        0xFF00_D812,
        0xFF0F_FFF2,
        0xD907_2591,
        0x4518_83EC,
        0x757A_858A,
        0xFFFF_FFF7,
        0xFF5D_F600,
        0xA8FA_28F0,
        0x0000_FFFF,
        0x3FFF_FFF4,
        0xFFFF_E8FF,
        0xFFDC_FFFF,
    ];
    let bytes: Vec<u8> = table.iter().flat_map(|dword| dword.to_le_bytes()).collect();
    space[0x1120..0x1170].copy_from_slice(&bytes);
    assert_eq!(needed_bytes(&space), Some(0x1170));
    let sfdp = Sfdp::parse(&space).unwrap();
    assert_eq!(sfdp.basic_header.revision, Revision { major: 1, minor: 6 });
    assert_eq!(sfdp.basic.density_bytes, Some(64 << 20));
    let [erase] = sfdp.basic.erase_types.as_slice() else {
        panic!("{:?}", sfdp.basic.erase_types);
    };
    assert_eq!(
        (erase.number, erase.size_bytes, erase.opcode),
        (3, 256 << 10, 0xD8)
    );
    assert_eq!(erase.time, Some(time(Duration::from_millis(512), 6)));
    assert_eq!(sfdp.basic.page_size_bytes, Some(512));
    assert_eq!(sfdp.basic.deep_power_down, None);
    assert_eq!(sfdp.four_byte.as_ref().unwrap().erase, [(3, 0xDC)]);
    assert!(
        sfdp.basic
            .fast_reads
            .iter()
            .all(|read| read.lanes != [4, 4, 4])
    );
    // Its one region comes to 1 GiB on a part of 64 MiB.
    assert_eq!(sfdp.sector_map, None);
    assert!(
        sfdp.remarks()
            .join(" ")
            .contains("1073741824 bytes, which is not the density")
    );
    assert!(
        sfdp.erase_doubt()
            .unwrap()
            .contains("sector map that cannot be used")
    );
}

#[test]
fn fields_cover_every_bit_of_the_first_eleven_dwords_that_has_a_meaning() {
    let sfdp = Sfdp::parse(&logger_part().encode().unwrap()).unwrap();
    let fields = sfdp.fields();
    let value = |dword: usize, bits: &str| {
        fields
            .iter()
            .find(|f| f.table.starts_with("FF00") && f.dword == dword && f.bits == bits)
            .map(|f| f.value.as_str())
    };
    assert_eq!(value(2, "31:0"), Some("16 MiB"));
    assert_eq!(value(8, "15:0"), Some("4 KiB by 20h"));
    assert_eq!(value(9, "31:16"), Some("none"));
    assert_eq!(value(10, "10:4"), Some("48 ms"));
    assert_eq!(value(11, "7:4"), Some("256 bytes"));
    assert_eq!(value(11, "13:8"), Some("448 us"));
    assert_eq!(value(14, "22:15"), Some("ABh"));
    assert_eq!(value(16, "12:8"), Some("66h 99h"));
    let dwords = |n| {
        fields
            .iter()
            .filter(|f| f.table.starts_with("FF00") && f.dword == n)
            .count()
    };
    assert!((1..=16).all(|number| dwords(number) > 0 || number == 6 || number == 7));
}

#[test]
fn what_has_no_code_is_not_written() {
    let mut part = logger_part();
    part.page_size_bytes = 264;
    assert!(matches!(
        part.encode(),
        Err(DescriptionError::Size {
            what: "page",
            bytes: 264
        })
    ));
    let mut part = logger_part();
    part.erase_types.extend(logger_part().erase_types);
    assert_eq!(
        part.encode(),
        Err(DescriptionError::EraseTypes { count: 6 })
    );
}

/// Descriptions whose times are steps of the encoding, so that they must come back unchanged.
fn descriptions() -> impl Strategy<Value = SfdpDescription> {
    let erase = (0u32..128).prop_map(|field| ERASE.decode(field));
    let opcodes = prop::sample::subsequence(vec![0x13, 0x0C, 0x3C, 0x6C, 0x12, 0x34, 0xE1], 0..7);
    (
        (24u32..41, 1u32..16, 0u32..64, 0u32..128, 1u32..17),
        prop::collection::vec((erase, any::<bool>()), 1..4),
        opcodes,
        any::<(bool, bool, bool)>(),
        0u8..7,
    )
        .prop_map(
            |((density, page, program, chip, times), erases, opcodes_4byte, flags, quad)| {
                let sizes = [(4096, 0x20, 0x21), (32768, 0x52, 0x5C), (65536, 0xD8, 0xDC)];
                SfdpDescription {
                    density_bytes: 1 << density,
                    erase_types: sizes
                        .iter()
                        .zip(erases)
                        .map(
                            |((size_bytes, opcode, four), (typical, has_four))| DescribedErase {
                                size_bytes: *size_bytes,
                                opcode: *opcode,
                                opcode_4byte: has_four.then_some(*four),
                                time: time(typical, 2 * times),
                            },
                        )
                        .collect(),
                    page_size_bytes: 1 << page,
                    page_program: time(PAGE.decode(program), 2 * times),
                    chip_erase: time(CHIP.decode(chip), 2 * times),
                    address_bytes: AddressBytes::ThreeOrFour,
                    enter_4byte: if flags.0 {
                        vec![Enter4Byte::Mode]
                    } else {
                        Vec::new()
                    },
                    exit_4byte: if flags.0 {
                        vec![Exit4Byte::Mode]
                    } else {
                        Vec::new()
                    },
                    opcodes_4byte,
                    fast_reads: vec![FastRead {
                        lanes: [1, 1, 4],
                        opcode: 0x6B,
                        mode_clocks: 0,
                        wait_states: 8,
                    }],
                    quad_enable: QuadEnable(quad),
                    flag_status: flags.1,
                    deep_power_down: flags.2.then(|| Duration::from_micros(3)),
                    ..logger_part()
                }
            },
        )
}

proptest! {
    #[test]
    fn descriptions_come_back(part in descriptions()) {
        let sfdp = Sfdp::parse(&part.encode().unwrap()).unwrap();
        let basic = &sfdp.basic;
        prop_assert_eq!(basic.density_bytes, Some(part.density_bytes));
        prop_assert_eq!(basic.page_size_bytes, Some(part.page_size_bytes));
        prop_assert_eq!(basic.page_program, Some(part.page_program));
        prop_assert_eq!(basic.chip_erase, Some(part.chip_erase));
        let back: Vec<_> = basic.erase_types.iter().map(|erase| DescribedErase {
            size_bytes: erase.size_bytes,
            opcode: erase.opcode,
            opcode_4byte: sfdp.erase_opcode_4byte(erase.number),
            time: erase.time.unwrap(),
        }).collect();
        prop_assert_eq!(back, part.erase_types);
        prop_assert_eq!(&basic.enter_4byte, &part.enter_4byte);
        prop_assert_eq!(&basic.exit_4byte, &part.exit_4byte);
        prop_assert_eq!(&basic.fast_reads, &part.fast_reads);
        prop_assert_eq!(basic.quad_enable, Some(part.quad_enable));
        prop_assert_eq!(&basic.soft_resets, &part.soft_resets);
        prop_assert_eq!(basic.status_polling.unwrap().flag_status, part.flag_status);
        prop_assert_eq!(basic.deep_power_down.map(|down| down.exit_delay), part.deep_power_down);
        prop_assert_eq!(sfdp.four_byte.map(|t| t.opcodes).unwrap_or_default(), part.opcodes_4byte);
    }

    #[test]
    fn any_bytes_are_survived(mut bytes in prop::collection::vec(any::<u8>(), 0..700), sign in any::<bool>()) {
        if sign && bytes.len() >= 16 {
            bytes[..4].copy_from_slice(b"SFDP");
            bytes[5] = 1;
            bytes[6] %= 8;
            bytes[8] = 0;
            bytes[10..12].copy_from_slice(&[1, 16]);
            bytes[12..16].copy_from_slice(&[0x80, 0, 0, 0xFF]);
        }
        prop_assert!(needed_bytes(&bytes).is_none_or(|needed| needed <= SPACE_BYTES_MAX));
        if let Ok(sfdp) = Sfdp::parse(&bytes) {
            prop_assert!(!sfdp.fields().is_empty());
        }
    }

    #[test]
    fn one_wrong_byte_is_survived(part in descriptions(), at in 0usize..256, value in any::<u8>()) {
        let mut bytes = part.encode().unwrap();
        bytes[at] = value;
        if let Ok(sfdp) = Sfdp::parse(&bytes) {
            prop_assert!(!sfdp.fields().is_empty());
        }
    }
}
