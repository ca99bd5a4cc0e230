//! SFDP of all models that have it, against what is known of the parts they are named after.
//!
//! These tables are the only ones at hand of parts with two and four erase opcodes of four address
//! bytes, with octal reads, and with makers' tables beyond the first three DWORDs.

use norlock::jedec::sfdp::{Sfdp, needed_bytes};
use norlock::part::{Catalogue, SfdpFacts, Standing, identify};

use crate::emulator::Emulator;
use crate::is_skipped;
use crate::wire::receive;

/// Size, opcode, opcode with four address bytes.
type Erase = (u32, u8, Option<u8>);

struct Expected {
    model: &'static str,
    size_bytes: u64,
    erase: &'static [Erase],
    /// Page and quad enable requirement, of tables with 16 DWORDs.
    later: Option<(u32, u8)>,
    supply_mv: Option<[u32; 2]>,
    remarks: usize,
}

const KIB: u32 = 1 << 10;
const MIB: u64 = 1 << 20;
const PLAIN: &[Erase] = &[
    (4 * KIB, 0x20, None),
    (32 * KIB, 0x52, None),
    (64 * KIB, 0xD8, None),
];
/// W25Q256JV Rev. I, 8.1.2: 21h and DCh, no 5Ch. Its larger sisters: common practice, no source.
const WINBOND: &[Erase] = &[
    (4 * KIB, 0x20, Some(0x21)),
    (32 * KIB, 0x52, None),
    (64 * KIB, 0xD8, Some(0xDC)),
];
const MICRON_OLD: &[Erase] = &[(4 * KIB, 0x20, None), (64 * KIB, 0xD8, None)];
const MICRON_OCTAL: &[Erase] = &[
    (4 * KIB, 0x20, Some(0x21)),
    (128 * KIB, 0xD8, Some(0xDC)),
    (32 * KIB, 0x52, Some(0x5C)),
];

/// Sizes and erase types of N25Q256A: n25q_256mb_65nm, Rev. W 11/16. QE: SR2 bit 1 at Winbond (codes 1
/// and 4), SR1 bit 6 at Macronix and ISSI (2), none on the octal parts (7, reserved), and the rest:
/// common practice, no source.
const EXPECTED: [Expected; 12] = [
    Expected {
        model: "w25q80bl",
        size_bytes: MIB,
        erase: PLAIN,
        later: Some((256, 1)),
        supply_mv: None,
        remarks: 0,
    },
    Expected {
        model: "w25q256",
        size_bytes: 32 * MIB,
        erase: PLAIN,
        later: None,
        supply_mv: None,
        remarks: 0,
    },
    // Octal opcodes of four address bytes without an octal read.
    Expected {
        model: "w25q512jv",
        size_bytes: 64 * MIB,
        erase: WINBOND,
        later: Some((256, 4)),
        supply_mv: None,
        remarks: 1,
    },
    Expected {
        model: "w25q01jvq",
        size_bytes: 128 * MIB,
        erase: WINBOND,
        later: Some((256, 4)),
        supply_mv: None,
        remarks: 1,
    },
    Expected {
        model: "mx25l25635e",
        size_bytes: 32 * MIB,
        erase: PLAIN,
        later: None,
        supply_mv: Some([2700, 3600]),
        remarks: 0,
    },
    Expected {
        model: "mx25l25635f",
        size_bytes: 32 * MIB,
        erase: PLAIN,
        later: None,
        supply_mv: Some([2700, 3600]),
        remarks: 0,
    },
    // As above, and dedicated opcodes that DWORD 16 denies.
    Expected {
        model: "mx66l1g45g",
        size_bytes: 128 * MIB,
        erase: &[
            (4 * KIB, 0x20, Some(0x21)),
            (32 * KIB, 0x52, Some(0x5C)),
            (64 * KIB, 0xD8, Some(0xDC)),
        ],
        later: Some((256, 2)),
        supply_mv: Some([2700, 3600]),
        remarks: 2,
    },
    // Three address bytes only, above 16 MiB; B7h without E9h; dedicated opcodes without a table.
    Expected {
        model: "is25wp256",
        size_bytes: 32 * MIB,
        erase: PLAIN,
        later: Some((256, 2)),
        supply_mv: Some([1650, 1950]),
        remarks: 3,
    },
    Expected {
        model: "n25q256a",
        size_bytes: 32 * MIB,
        erase: MICRON_OLD,
        later: None,
        supply_mv: None,
        remarks: 0,
    },
    Expected {
        model: "n25q256a13",
        size_bytes: 32 * MIB,
        erase: MICRON_OLD,
        later: None,
        supply_mv: None,
        remarks: 0,
    },
    // The reserved quad code; busy in 70h only; a register that enters and does not leave; octal opcodes.
    Expected {
        model: "mt35xu01g",
        size_bytes: 128 * MIB,
        erase: MICRON_OCTAL,
        later: Some((256, 7)),
        supply_mv: None,
        remarks: 4,
    },
    Expected {
        model: "mt35xu02gbba",
        size_bytes: 256 * MIB,
        erase: MICRON_OCTAL,
        later: Some((256, 7)),
        supply_mv: None,
        remarks: 4,
    },
];

/// The space as a reader finds its length, and the ID.
fn read(expected: &Expected) -> (Vec<u8>, Vec<u8>) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("chip.bin");
    let cells = std::fs::File::create(&file).unwrap();
    cells.set_len(expected.size_bytes).unwrap();
    let emulator = Emulator::start(expected.model, &file).unwrap();
    let mut link = emulator.link();
    let mut space = receive(&mut link, &[0x5A, 0, 0, 0, 0], 16);
    for _ in 0..2 {
        let needed = needed_bytes(&space).unwrap();
        space = receive(&mut link, &[0x5A, 0, 0, 0, 0], needed);
    }
    let id = receive(&mut link, &[0x9F], 6);
    (space, id)
}

#[test]
fn every_models_sfdp_agrees_with_its_part() {
    if is_skipped() {
        return;
    }
    let catalogue = Catalogue::builtin().unwrap();
    for expected in EXPECTED {
        let model = expected.model;
        let (space, id) = read(&expected);
        let sfdp = Sfdp::parse(&space).unwrap_or_else(|error| panic!("{model}: {error}"));
        let basic = &sfdp.basic;
        assert_eq!(basic.density_bytes, Some(expected.size_bytes), "{model}");
        let erase: Vec<Erase> = basic
            .erase_types
            .iter()
            .map(|kind| {
                (
                    kind.size_bytes,
                    kind.opcode,
                    sfdp.erase_opcode_4byte(kind.number),
                )
            })
            .collect();
        assert_eq!(erase, expected.erase, "{model}");
        let later = basic
            .page_size_bytes
            .zip(basic.quad_enable.map(|quad| quad.0));
        assert_eq!(later, expected.later, "{model}");
        let supply = sfdp.vcc.map(|range| [range.min.0, range.max.0]);
        assert_eq!(supply, expected.supply_mv, "{model}");
        assert_eq!(
            sfdp.remarks().len(),
            expected.remarks,
            "{model}: {:?}",
            sfdp.remarks()
        );
        assert_eq!(sfdp.erase_doubt(), None, "{model}");
        assert_eq!(
            Sfdp::parse(&sfdp.space().encode().unwrap())
                .unwrap()
                .space(),
            sfdp.space()
        );

        let facts = SfdpFacts::of(&sfdp, None).unwrap();
        let found = identify(&catalogue, &id, Some(&facts), None);
        assert_eq!(found.standing, Standing::Known, "{model}");
        assert_eq!(found.disagreements, [], "{model}");
        let part = found.part.unwrap();
        assert_eq!(u64::from(part.size_bytes), expected.size_bytes, "{model}");
        assert!(!part.erase_types.is_empty(), "{model}");
    }
}
