//! The models that stand on the bench.

use crate::emulator;

/// A serial-flash model of the emulator, and what a chip of that part answers.
#[derive(Debug, Clone)]
pub struct Model {
    /// The emulator's name for it.
    pub name: String,
    /// Array size; the backing file must have exactly this length.
    pub size_bytes: usize,
    /// First bytes of the answer to 9Fh; `None` for a model that is not in the table here.
    pub jedec_id: Option<[u8; 3]>,
    /// Whether the model answers 5Ah with SFDP; `None` as above.
    pub has_sfdp: Option<bool>,
    /// What would be printed on such a chip: the whole order number, or at least the part's name.
    pub marking: String,
}

const MIB: usize = 1 << 20;

type Row = (&'static str, usize, [u8; 3], bool, &'static str);

/// Name, size, JEDEC ID, SFDP, marking. ID and size are from the datasheet named beside each; whether there
/// is SFDP is the model's matter: without it the last one is a GD25Q64B, not a C.
#[rustfmt::skip]
const TABLE: [Row; 4] = [
    // W25Q80BL: common practice, no source.
    ("w25q80bl", MIB, [0xEF, 0x40, 0x14], true, "W25Q80BLSNIG"),
    // MX25L25635F: common practice, no source.
    ("mx25l25635f", 32 * MIB, [0xC2, 0x20, 0x19], true, "MX25L25635FMI"),
    // N25Q256A, n25q_256mb_65nm, Rev. W 11/16.
    ("n25q256a", 32 * MIB, [0x20, 0xBA, 0x19], true, "N25Q256A13ESF40"),
    // GD25Q64C, Rev 3.0, 2018-08-01, which answers the same ID; GD25Q64B: common practice, no source.
    ("gd25q64", 8 * MIB, [0xC8, 0x40, 0x17], false, "GD25Q64BSIG"),
];

/// The models named in `NORLOCK_EMULATED`, or those of the table.
pub fn chosen() -> Vec<Model> {
    let all: Vec<Model> = TABLE.iter().map(in_table).collect();
    match std::env::var("NORLOCK_EMULATED") {
        Err(_) => all,
        Ok(names) => names
            .split(',')
            .map(str::trim)
            .filter(|name| !name.is_empty())
            .map(|name| {
                let known = all.iter().find(|model| model.name == name);
                known.cloned().unwrap_or_else(|| not_in_table(name))
            })
            .collect(),
    }
}

/// The smallest model of the table, for tests that need only one.
pub fn smallest() -> Model {
    in_table(&TABLE[0])
}

/// The model of the table that has no SFDP.
pub fn without_sfdp() -> Model {
    in_table(&TABLE[3])
}

fn in_table(&(name, size_bytes, jedec_id, has_sfdp, marking): &Row) -> Model {
    Model {
        name: name.to_owned(),
        size_bytes,
        jedec_id: Some(jedec_id),
        has_sfdp: Some(has_sfdp),
        marking: marking.to_owned(),
    }
}

fn not_in_table(name: &str) -> Model {
    Model {
        name: name.to_owned(),
        size_bytes: emulator::size_bytes_of(name)
            .unwrap_or_else(|error| panic!("NORLOCK_EMULATED: {name}: {error}")),
        jedec_id: None,
        has_sfdp: None,
        marking: name.to_uppercase(),
    }
}
