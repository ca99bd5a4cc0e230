//! Parts above 16 MiB.

use super::*;
use crate::jedec::sfdp::Sfdp;
use crate::part::{Catalogue, SfdpFacts, identify};

const HIGH: u32 = 0x0100_1000;

fn with_pattern(part: Part) -> Desk {
    let desk = Desk::with(part);
    desk.mock.set_truth(0x1000, &[0x11, 0x12]).unwrap();
    desk.mock.set_truth(HIGH, &[0x21, 0x22]).unwrap();
    desk
}

/// W25Q256JV Rev. I, 8.1.4 and 8.1.5: dedicated opcodes take four bytes in either mode.
#[test]
fn dedicated_opcodes_take_four_bytes() {
    let mut desk = with_pattern(w25q256jv());
    for _ in 0..2 {
        assert_eq!(desk.read(&[0x13, 1, 0, 0x10, 0], 2), [0x21, 0x22]);
        assert_eq!(desk.read(&[0x0C, 1, 0, 0x10, 0, 0], 2), [0x21, 0x22]);
        desk.read(&[0xB7], 0);
    }
    desk.write(&[0x12, 1, 0, 0x20, 0, 0x33]);
    assert_eq!(desk.mock.truth(0x0100_2000..0x0100_2001), [0x33]);
    desk.write(&[0x21, 1, 0, 0x10, 0]);
    assert_eq!(desk.mock.truth(HIGH..HIGH + 2), [0xFF, 0xFF]);
    assert_eq!(desk.mock.truth(0x1000..0x1002), [0x11, 0x12]);
    // W25Q256JV has no 5Ch.
    assert!(desk.forbidden(&[0x5C]).contains("not one this part has"));
}

/// W25Q256JV Rev. I, sections 7.1 and 8.1.4: B7h and E9h stand alone; ADS shows the mode; a unique ID read
/// takes one more dummy byte; SFDP stays at three bytes.
#[test]
fn winbond_modes_change_address_length() {
    let mut desk = with_pattern(w25q256jv());
    let unique = desk.read(&[0x4B, 0, 0, 0, 0], 8);
    desk.read(&[0xB7], 0);
    assert_eq!(desk.read(&[0x15], 1), [0x01]);
    assert_eq!(desk.read(&[0x03, 1, 0, 0x10, 0], 2), [0x21, 0x22]);
    assert_eq!(desk.read(&[0x4B, 0, 0, 0, 0, 0], 8), unique);
    assert_eq!(desk.read(&[0x5A, 0, 0, 0, 0], 4), *b"SFDP");
    desk.read(&[0xE9], 0);
    assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 2), [0x11, 0x12]);
}

/// W25Q256JV Rev. I, section 7.2: C5h wants WREN, C8h shows it, a read stays in its 16 MiB.
#[test]
fn the_extended_register_selects_a_segment() {
    let mut desk = with_pattern(w25q256jv());
    desk.read(&[0xC5, 1], 0);
    assert_eq!(desk.read(&[0xC8], 1), [0]);
    desk.read(&[0x06], 0);
    desk.read(&[0xC5, 1], 0);
    assert_eq!(desk.read(&[0xC8], 1), [1]);
    assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 2), [0x21, 0x22]);
    desk.mock.set_truth(0x01FF_FFFF, &[0x77]).unwrap();
    desk.mock.set_truth(0x0100_0000, &[0x78]).unwrap();
    assert_eq!(desk.read(&[0x03, 0xFF, 0xFF, 0xFF], 2), [0x77, 0x78]);
}

/// N25Q256A takes B7h and E9h only after 06h, and WEL stays set; these and the bits of the flag status
/// register are common practice, no source.
#[test]
fn micron_modes_want_write_enable() {
    let mut desk = with_pattern(n25q256a());
    desk.read(&[0xB7], 0);
    assert_eq!(desk.read(&[0x70], 1), [0x80]);
    assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 2), [0x11, 0x12]);
    desk.read(&[0x06], 0);
    desk.read(&[0xB7], 0);
    assert_eq!(desk.read(&[0x70], 1), [0x81]);
    assert_eq!(desk.read(&[0x03, 1, 0, 0x10, 0], 2), [0x21, 0x22]);
    desk.read(&[0x04], 0);
    assert_eq!(desk.status(), 0x00);
    desk.read(&[0xE9], 0);
    assert_eq!(desk.read(&[0x70], 1), [0x81]);
}

/// Flag status bit 7 is ready, bits 5 and 1 tell a refused erase (common practice, no source); 50h
/// clears (N25Q032A Rev. G).
#[test]
fn micron_flags_tell_what_failed() {
    let mut desk = Desk::with(n25q256a());
    desk.read(&[0x06], 0);
    desk.read(&Desk::frame(0x20, 0, &[]), 0);
    assert_eq!(desk.read(&[0x70], 1), [0x00]);
    desk.link.wait(Duration::from_millis(45));
    assert_eq!(desk.read(&[0x70], 1), [0x80]);
    desk.write(&[0x01, 0x04]);
    desk.write(&Desk::frame(0x20, 0, &[]));
    assert_eq!(desk.read(&[0x70], 1), [0xA2]);
    desk.read(&[0x50], 0);
    assert_eq!(desk.read(&[0x70], 1), [0x80]);
    assert!(desk.forbidden(&[0x60]).contains("not one this part has"));
}

/// S25FL512S decoder: bank register bit 7 selects four address bytes, the low bits the bank.
#[test]
fn the_bank_register_selects_a_bank_or_four_bytes() {
    let mut part = w25q256jv();
    part.addressing.four_byte = vec![FourByte::BankRegister { extadd: true }];
    part.status = StatusFamily::CypressS;
    let mut desk = with_pattern(part);
    desk.read(&[0x17, 0x01], 0);
    assert_eq!(desk.read(&[0x03, 0, 0x10, 0], 2), [0x21, 0x22]);
    desk.read(&[0x17, 0x80], 0);
    assert_eq!(desk.read(&[0x16], 1), [0x80]);
    assert_eq!(desk.read(&[0x03, 1, 0, 0x10, 0], 2), [0x21, 0x22]);
}

/// N25Q256A Rev. W 11/16: Read ID goes on with length, extended and 14 factory bytes.
#[test]
fn micron_ids_go_on_with_factory_bytes() {
    let mut desk = Desk::with(n25q256a());
    let factory: Vec<u8> = (1..15).collect();
    desk.mock.set_unique_id(factory.clone());
    let id = desk.read(&[0x9F], 20);
    assert_eq!(id[..6], [0x20, 0xBA, 0x19, 0x10, 0x00, 0x00]);
    assert_eq!(id[6..], factory);
}

/// The SFDP that a simulated chip carries says what its part says (JESD216B layout).
#[test]
fn sfdp_says_what_the_part_says() {
    for part in [w25q128jv(), w25q256jv(), n25q256a()] {
        let mut desk = Desk::with(part.clone());
        let sfdp = Sfdp::parse(&desk.read(&[0x5A, 0, 0, 0, 0], 256)).unwrap();
        assert_eq!(sfdp.basic.density_bytes, Some(part.size_bytes.into()));
        assert_eq!(sfdp.basic.page_size_bytes, Some(256));
        let told = sfdp.basic.erase_types.iter();
        let told = told.map(|e| (e.size_bytes, e.opcode, sfdp.erase_opcode_4byte(e.number)));
        let want = part.erase_types.iter();
        let want = want.map(|e| (e.size_bytes, e.opcode, e.opcode_4byte));
        assert!(told.eq(want), "{}", part.name);
    }
}

/// What the table says of a part and what a simulated one says of itself are the same, also where an
/// erase works in some places only (sector map, JESD216B 6.5).
#[test]
fn no_part_s_own_sfdp_contradicts_the_table() {
    let catalogue = Catalogue::builtin().unwrap();
    let mut mapped = 0;
    for part in catalogue.parts() {
        let name = &part.name;
        let sfdp = super::super::sfdp::of(part).map(|space| Sfdp::parse(&space).unwrap());
        let layout = sfdp.as_ref().and_then(|sfdp| sfdp.erase_layout(&[]));
        let facts = sfdp
            .as_ref()
            .map(|sfdp| SfdpFacts::of(sfdp, layout.as_ref()).unwrap());
        let marking = part.markings.first().map(String::as_str);
        let found = identify(&catalogue, &part.jedec_id.0, facts.as_ref(), marking);
        assert_eq!(found.disagreements, [], "{name}");
        let Some(alone) = facts.and_then(|facts| facts.part(part.jedec_id.clone())) else {
            continue;
        };
        let places = |part: &Part| {
            let types = part.erase_types.iter();
            let mut places: Vec<_> = types
                .map(|e| (e.size_bytes, e.opcode, e.opcode_4byte, e.only_in.clone()))
                .collect();
            places.sort_by_key(|(size, opcode, _, place)| {
                (*size, *opcode, place.as_ref().map(|place| place.start))
            });
            places
        };
        assert_eq!(places(&alone), places(part), "{name}");
        mapped += usize::from(layout.is_some());
    }
    assert!(mapped > 4, "{mapped}");
}
