//! Which parts program a page on four lanes: by what was read of them, and by the chip's own 4-byte table.

use norlock::part::{
    Addressing, Catalogue, FourByte, Identification, Part, Reach, SfdpErase, SfdpFacts, identify,
};

use crate::check::GOOD;

const NONE: [u8; 0] = [];

fn table() -> Catalogue {
    Catalogue::builtin().unwrap()
}

fn of_table(name: &str) -> Part {
    let table = table();
    let part = table.parts().iter().find(|part| part.name == name);
    part.unwrap_or_else(|| panic!("no part {name}")).clone()
}

/// The SFDP of `part`, with these opcodes in its 4-byte table; `None` is without that table.
fn sfdp(part: &Part, opcodes: Option<&[u8]>) -> SfdpFacts {
    let erases = part.erase_types.iter().map(|erase| SfdpErase {
        size_bytes: erase.size_bytes,
        opcode: erase.opcode,
        opcode_4byte: erase.opcode_4byte,
        time: None,
        reach: Reach::Everywhere,
    });
    let dedicated = opcodes.map(|opcodes| FourByte::Dedicated {
        opcodes: opcodes.to_vec(),
    });
    SfdpFacts {
        density_bytes: part.size_bytes.into(),
        erase_types: erases.collect(),
        page_size_bytes: Some(part.page_size_bytes),
        page_program: None,
        chip_erase: None,
        lane_reads: Vec::new(),
        quad_enable: None,
        addressing: Addressing {
            three_byte: part.addressing.three_byte,
            four_byte: dedicated.into_iter().collect(),
        },
        supply: None,
    }
}

fn found(part: &Part, opcodes: Option<&[u8]>) -> Vec<u8> {
    let facts = sfdp(part, opcodes);
    let marking = part.markings.first().map(String::as_str);
    let Identification { part, .. } = identify(&table(), &part.jedec_id.0, Some(&facts), marking);
    part.unwrap().lane_programs
}

/// 32h in the instruction tables of W25Q128JV Rev. I and W25Q256JV Rev. I, 34h in that of the latter (8.1.2 of each).
/// 34h of S25FL512S is in its table from memory, and 3Eh of MX25L51245G too: they wait for the chip's word. 38h
/// enters another protocol on S25FL064L by its SFDP, and no part has it here.
#[test]
fn what_the_table_gives_was_read() {
    for (name, codes) in [
        ("W25Q128JV", &[0x32][..]),
        ("W25Q256JV", &[0x32, 0x34]),
        ("MX25L51245G", &[]),
        ("S25FL512S", &[]),
        ("N25Q032A13", &[]),
        ("W25Q80DV", &[]),
    ] {
        assert_eq!(of_table(name).lane_programs, codes, "{name}");
    }
    for part in table().parts() {
        assert!(!part.lane_programs.contains(&0x38), "{}", part.name);
        let documented = part.is_documented("addressing") || part.lane_programs == [0x32];
        assert!(documented || part.lane_programs.is_empty(), "{}", part.name);
    }
}

/// Bit 7 of the 4-byte table is 34h, bit 8 is 3Eh (JESD216F). Where both speak, both have to have it.
#[test]
fn the_chip_s_own_table_adds_where_nothing_was_read_and_takes_away_everywhere() {
    const COMMON: [u8; 5] = [0x13, 0x0C, 0x12, 0x21, 0xDC];
    let with = |code: u8| [&COMMON[..], &[code]].concat();
    let winbond = of_table("W25Q256JV");
    assert_eq!(found(&winbond, None), [0x32, 0x34]);
    assert_eq!(found(&winbond, Some(&with(0x34))), [0x32, 0x34]);
    assert_eq!(found(&winbond, Some(&COMMON)), [0x32]);
    assert_eq!(found(&winbond, Some(&with(0x3E))), [0x32]);
    let macronix = of_table("MX25L51245G");
    assert_eq!(found(&macronix, None), NONE);
    assert_eq!(found(&macronix, Some(&with(0x3E))), [0x3E]);
    assert_eq!(found(&macronix, Some(&COMMON)), NONE);
    // A part that the table has not is known by its own word alone.
    let facts = sfdp(&winbond, Some(&with(0x34)));
    let unknown = identify(&table(), &[0x7E, 0x71, 0x19], Some(&facts), None);
    assert_eq!(unknown.part.unwrap().lane_programs, [0x34]);
}

/// Parts that cannot be told apart have what all of them have.
#[test]
fn several_parts_have_what_each_of_them_has() {
    let id = &of_table("W25Q128JV").jedec_id.0;
    let several = identify(&table(), id, None, None);
    assert!(several.candidates.len() > 1, "{:?}", several.candidates);
    assert_eq!(several.part.unwrap().lane_programs, NONE);
}

/// What a file gives from memory is not sent.
#[test]
fn from_memory_there_is_none() {
    let part = |lines: &str, memory: &str| {
        let text = GOOD.replace("status = ", &format!("{lines}\nstatus = "));
        let text = text.replace("['erase_time']", memory);
        let text = format!("maker = 'Example'\n\n{text}");
        let table = Catalogue::default().with_user_file(&text, "own.toml");
        table.unwrap().parts()[0].lane_programs.clone()
    };
    let four = "four_byte = [{ by = 'dedicated', opcodes = [0x13, 0x12, 0x34, 0x3E] }]";
    assert_eq!(part("quad_program = 0x32", "[]"), [0x32]);
    assert_eq!(part("quad_program = 0x38", "[]"), [0x38]);
    assert_eq!(part("quad_program = 0x32", "['quad_program']"), NONE);
    assert_eq!(part("quad_program = 0x32", "['*']"), NONE);
    assert_eq!(part(four, "[]"), [0x34, 0x3E]);
    assert_eq!(part(four, "['addressing']"), NONE);
}
