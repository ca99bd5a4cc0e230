//! Where the bit is that lets quad reads and programs work, against what documents print.

use norlock::part::Catalogue;

/// Part, opcode that reads the register, and the bit, and where that is printed.
type Row = (&'static str, (u8, u8), &'static str);

const SR2_BIT_1: (u8, u8) = (0x35, 0x02);
const SR1_BIT_6: (u8, u8) = (0x05, 0x40);

/// The register descriptions of datasheets, but for the last two: the SFDP contents of simulation models, whose
/// DWORD 15 has the code 101b.
const PRINTED: [Row; 21] = [
    ("W25Q80DV", SR2_BIT_1, "W25Q80DV Rev. J (preliminary)"),
    ("W25Q16DV", SR2_BIT_1, "W25Q16DV Rev. K"),
    ("W25Q64JV", SR2_BIT_1, "W25Q64JV Rev. J"),
    ("W25Q128FV", SR2_BIT_1, "W25Q128FV Rev. M"),
    ("W25Q128JV", SR2_BIT_1, "W25Q128JV Rev. I, 7.1"),
    ("W25Q256JV", SR2_BIT_1, "W25Q256JV Rev. I, 7.1"),
    ("GD25Q16C", SR2_BIT_1, "GD25Q16C Rev 3.0"),
    ("GD25Q64C", SR2_BIT_1, "GD25Q64C Rev 3.0"),
    ("GD25Q64E", SR2_BIT_1, "GD25Q64E Rev 1.3"),
    ("GD25Q127C", SR2_BIT_1, "GD25Q127C Rev 2.3"),
    ("GD25Q128E", SR2_BIT_1, "GD25Q128E Rev 1.1"),
    ("PY25Q64HA", SR2_BIT_1, "PY25Q64HA V1.6"),
    ("BY25Q128AS", SR2_BIT_1, "BY25Q128AS Rev 0.0"),
    ("XT25F128B", SR2_BIT_1, "XT25F128B Rev 1.2"),
    ("AT25SF161", SR2_BIT_1, "DS-25SF161-046H"),
    ("MX25R1635F", SR1_BIT_6, "MX25R1635F Rev 1.5"),
    ("MX25L12835F", SR1_BIT_6, "MX25L12835F Rev 1.1"),
    ("MX25L6433F", SR1_BIT_6, "MX25L6433F Rev 1.6"),
    ("IS25LP032", SR1_BIT_6, "IS25LP032/064/128 Rev. D"),
    ("S25FL064L", SR2_BIT_1, "s25fl064l model V1.2"),
    ("S25FL512S", SR2_BIT_1, "S25FL512S model"),
];

#[test]
fn qe_is_where_documents_print_it() {
    let table = Catalogue::builtin().unwrap();
    for (name, bit, document) in PRINTED {
        let part = table.parts().iter().find(|part| part.name == name);
        let found = part.unwrap().quad_enable().unwrap();
        assert_eq!(found.bit(), Some(bit), "{name}: {document}");
        assert!(!found.needs_none(), "{name}: {document}");
    }
}
