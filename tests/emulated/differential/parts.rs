//! The parts that are compared, and which of the emulator's models each of them is.

use norlock::jedec::opcode::{BLOCK_ERASE, BLOCK_ERASE_32K, SECTOR_ERASE_4K};
use norlock::part::{Catalogue, FourByte, Part, ProgramMethod};

/// A model of the emulator beside the part of the catalogue that it is meant to be.
pub struct Subject {
    /// The emulator's name.
    pub model: &'static str,
    /// The catalogue's entry, which the simulated chip is made of.
    pub part: Part,
    /// What the model answers to 9Fh; zeros follow.
    pub id: &'static [u8],
    /// Bits of status register 1 that the model keeps, WEL apart.
    pub kept: u8,
    /// What D8h erases in the model, and what its protection counts in.
    pub sector_bytes: u32,
}

/// Model, part, ID, bits kept, sector. Observed with version 10.0.2, all but the part's name.
type Row = (&'static str, &'static str, &'static [u8], u8, u32);

const KIB: u32 = 1 << 10;
/// SRWD and BP0 to BP2.
const PLAIN: u8 = 0x9C;
/// These and bit 6, which is QE.
const WITH_QE: u8 = 0xDC;
/// TB and BP3, Micron's way.
const MICRON: u8 = 0xFC;

#[rustfmt::skip]
const TABLE: &[Row] = &[
    ("w25x40", "W25X40CL", &[0xEF, 0x30, 0x13], PLAIN, 64 * KIB),
    ("w25q80bl", "W25Q80BL", &[0xEF, 0x40, 0x14], PLAIN, 64 * KIB),
    ("w25q32", "W25Q32JV", &[0xEF, 0x40, 0x16], PLAIN, 64 * KIB),
    ("w25q64", "W25Q64JV", &[0xEF, 0x40, 0x17], PLAIN, 64 * KIB),
    ("w25q256", "W25Q256FV", &[0xEF, 0x40, 0x19], PLAIN, 64 * KIB),
    ("w25q512jv", "W25Q512JV", &[0xEF, 0x40, 0x20], PLAIN, 64 * KIB),
    ("mx25l2005a", "MX25L2005A", &[0xC2, 0x20, 0x12], WITH_QE, 64 * KIB),
    ("mx25l1606e", "MX25L1606E", &[0xC2, 0x20, 0x15], WITH_QE, 64 * KIB),
    ("mx25l25635f", "MX25L25635F", &[0xC2, 0x20, 0x19, 0xC2, 0x20, 0x19], WITH_QE, 64 * KIB),
    ("mx66l51235f", "MX66L51235F", &[0xC2, 0x20, 0x1A], WITH_QE, 64 * KIB),
    ("m25p05", "M25P05-A", &[0x20, 0x20, 0x10], PLAIN, 32 * KIB),
    ("m25p16", "M25P16", &[0x20, 0x20, 0x15], PLAIN, 64 * KIB),
    ("n25q032a13", "N25Q032A13", &[0x20, 0xBA, 0x16], PLAIN, 64 * KIB),
    ("n25q256a", "N25Q256A13", &[0x20, 0xBA, 0x19], MICRON, 64 * KIB),
    ("s25sl004a", "S25FL004A", &[0x01, 0x02, 0x12], PLAIN, 64 * KIB),
    ("s25sl032p", "S25FL032P", &[0x01, 0x02, 0x15, 0x4D, 0x00], PLAIN, 64 * KIB),
    ("s25fl256s1", "S25FL256S, 64 KiB sectors", &[0x01, 0x02, 0x19, 0x4D, 0x01], PLAIN, 64 * KIB),
    ("s25fl512s", "S25FL512S", &[0x01, 0x02, 0x20, 0x4D, 0x00, 0x80], PLAIN, 256 * KIB),
    ("sst25wf512", "SST25WF512", &[0xBF, 0x25, 0x01], PLAIN, 64 * KIB),
    ("sst25vf040b", "SST25VF040B", &[0xBF, 0x25, 0x8D], PLAIN, 64 * KIB),
    ("sst25vf016b", "SST25VF016B", &[0xBF, 0x25, 0x41], PLAIN, 64 * KIB),
    ("is25lq040b", "IS25LQ040B", &[0x9D, 0x40, 0x13], WITH_QE, 64 * KIB),
    ("is25lp032", "IS25LP032", &[0x9D, 0x60, 0x16], WITH_QE, 64 * KIB),
    ("is25lp256", "IS25LP256D", &[0x9D, 0x60, 0x19], WITH_QE, 64 * KIB),
    ("gd25q32", "GD25Q32C", &[0xC8, 0x40, 0x16], PLAIN, 64 * KIB),
    ("gd25q64", "GD25Q64C", &[0xC8, 0x40, 0x17], PLAIN, 64 * KIB),
    ("at25fs010", "AT25FS010", &[0x1F, 0x66, 0x01], PLAIN, 32 * KIB),
    ("at26f004", "AT26F004", &[0x1F, 0x04, 0x00], PLAIN, 64 * KIB),
    ("en25f32", "EN25F32", &[0x1C, 0x31, 0x16], PLAIN, 64 * KIB),
    ("en25q64", "EN25Q64", &[0x1C, 0x30, 0x17], PLAIN, 64 * KIB),
];

/// All of them, in the order in which they run.
pub fn all() -> Vec<Subject> {
    let catalogue = Catalogue::builtin().unwrap();
    TABLE.iter().map(|row| subject(&catalogue, row)).collect()
}

fn subject(catalogue: &Catalogue, &(model, name, id, kept, sector_bytes): &Row) -> Subject {
    let mut parts = catalogue.parts().iter();
    let part = parts.find(|part| part.name == name);
    let part = part.unwrap_or_else(|| panic!("{model}: no part {name} in the catalogue"));
    Subject {
        model,
        part: part.clone(),
        id,
        kept,
        sector_bytes,
    }
}

impl Subject {
    pub fn size(&self) -> u32 {
        self.part.size_bytes
    }

    /// The maker's byte.
    pub fn maker(&self) -> u8 {
        self.id[0]
    }

    /// Whether 02h takes one byte, and ADh words.
    pub fn by_byte(&self) -> bool {
        self.part.program != ProgramMethod::Page
    }

    /// Whether B7h and E9h, or what stands for E9h, are the part's.
    pub fn mode(&self) -> Option<(u8, u8, bool)> {
        self.part.addressing.mode()
    }

    /// Whether `opcode` always takes four address bytes.
    pub fn dedicated(&self, opcode: u8) -> bool {
        self.part
            .addressing
            .four_byte
            .iter()
            .any(|way| matches!(way, FourByte::Dedicated { opcodes } if opcodes.contains(&opcode)))
    }

    /// Opcodes that write and read the upper address byte, where the part has them.
    pub fn upper(&self) -> Option<(u8, u8)> {
        self.part
            .addressing
            .four_byte
            .iter()
            .find_map(|way| match way {
                FourByte::ExtendedRegister => Some((0xC5, 0xC8)),
                FourByte::BankRegister { .. } => Some((0x17, 0x16)),
                _ => None,
            })
    }

    /// What the model erases on `opcode`, whatever the part has.
    pub fn model_erases(&self, opcode: u8) -> Option<u32> {
        match opcode {
            SECTOR_ERASE_4K | 0x21 => Some(4 * KIB),
            BLOCK_ERASE_32K | 0x5C => Some(32 * KIB),
            BLOCK_ERASE | 0xDC => Some(self.sector_bytes),
            _ => None,
        }
    }
}
