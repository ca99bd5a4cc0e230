use proptest::prelude::*;

use super::super::tests::logger_part;
use super::super::{REGISTERS, SECTOR_MAP, needed_bytes};
use super::*;

/// Tables of any content: a basic one of any length, the others as they may come.
fn spaces() -> impl Strategy<Value = SfdpSpace> {
    let dwords = |length| prop::collection::vec(any::<u32>(), length);
    // Vendor IDs have an odd number of ones in the low byte.
    let vendor = any::<u16>().prop_map(|id| match (id & 0xFF).count_ones() % 2 {
        0 => id ^ 1,
        _ => id,
    });
    let known = prop::sample::subsequence(
        vec![
            SECTOR_MAP, REGISTERS, 0xFF03, 0xFF05, 0xFF06, 0xFF0A, 0xFF0C,
        ],
        0..7,
    );
    let table = |id, minor, mut dwords: Vec<u32>| {
        // A blank table is none.
        dwords[0] = 0x1234_0000 | dwords[0] & 0xFFFF;
        SfdpTable {
            id,
            revision: Revision { major: 1, minor },
            dwords,
        }
    };
    let others = (known, prop::collection::btree_set(vendor, 0..20));
    let lengths = prop::collection::vec(prop_oneof![dwords(1..4), dwords(1..256)], 27);
    let four_byte = prop::option::of(dwords(2..3));
    (dwords(9..256), four_byte, others, lengths, any::<[u8; 3]>()).prop_map(
        move |(
            basic,
            four_byte,
            (known, vendors),
            contents,
            [minor, table_minor, access_protocol],
        )| {
            let mut tables = vec![table(BASIC, table_minor, basic)];
            tables.extend(four_byte.map(|dwords| table(FOUR_BYTE, 0, dwords)));
            let ids = known.into_iter().chain(vendors);
            tables.extend(
                ids.zip(contents)
                    .map(|(id, dwords)| table(id, table_minor, dwords)),
            );
            SfdpSpace {
                revision: Revision { major: 1, minor },
                access_protocol,
                tables,
            }
        },
    )
}

#[test]
fn more_than_headers_can_tell_is_not_written() {
    let mut space = logger_part().space().unwrap();
    space.tables[0].dwords = vec![0; 256];
    let id = BASIC;
    assert_eq!(
        space.encode(),
        Err(DescriptionError::Length { id, dwords: 256 })
    );
    let table = logger_part().space().unwrap().tables[0].clone();
    space.tables = vec![table.clone(); 257];
    assert_eq!(space.encode(), Err(DescriptionError::Tables { count: 257 }));
    space.tables.clear();
    assert_eq!(space.encode(), Err(DescriptionError::Tables { count: 0 }));
    // The last header of 256 ends at 808h.
    space.tables = vec![table; 256];
    let bytes = space.encode().unwrap();
    assert_eq!(needed_bytes(&bytes[..16]), Some(0x808));
    assert_eq!(Sfdp::parse(&bytes).unwrap().headers.len(), 256);
}

proptest! {
    #[test]
    fn any_tables_come_back(space in spaces()) {
        let bytes = space.encode().unwrap();
        prop_assert!(needed_bytes(&bytes).is_some_and(|needed| needed <= bytes.len()));
        let sfdp = Sfdp::parse(&bytes).unwrap();
        prop_assert_eq!(sfdp.headers.len(), space.tables.len());
        prop_assert_eq!(&sfdp.space(), &space);
        for (field, table) in sfdp.fields().iter().filter(|f| f.table.starts_with("FF00")).zip(std::iter::repeat(&space.tables[0])) {
            let dword = table.dwords[field.dword - 1];
            let (high, low) = field.bits.split_once(':').unwrap_or((&field.bits, &field.bits));
            let (high, low): (u32, u32) = (high.parse().unwrap(), low.parse().unwrap());
            prop_assert_eq!(u64::from(field.raw), u64::from(dword) >> low & ((1 << (high - low + 1)) - 1));
        }
        prop_assert_eq!(Sfdp::parse(&sfdp.space().encode().unwrap()).unwrap(), sfdp);
    }
}
